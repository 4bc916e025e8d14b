"""The chart of a calibration: measured against expected values, before and after, as an SVG of plain numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from riskmap.outputs import palette

if TYPE_CHECKING:
    import pandas as pd

BEFORE, AFTER, INK, GRID = palette.RANGE, palette.SIZE[4], palette.INK, palette.RULE
_SIDE, _LEFT, _TOP = 400, 64, 40
_STEPS_MM = (1, 2, 5, 10, 20, 50, 100, 200)
_MOST_TICKS = 9


def drawn(comparisons: pd.DataFrame) -> pd.DataFrame:
    """Return the rows that the chart shows: those that were compared and have a value of the model before and after."""
    if "left_out_mm" not in comparisons:
        return comparisons.iloc[:0]
    known = comparisons[["expected_mm", "left_out_mm", "measured_mm"]].notna().all(axis=1)
    return comparisons[(comparisons["status"] == "compared") & known]


def svg(comparisons: pd.DataFrame) -> str:
    """Return the chart as SVG; empty text when there are no rows to draw.

    Parameters
    ----------
    comparisons : DataFrame
        As in `calibrate.Calibration`. [mm]

    Notes
    -----
    Both axes have the same scale, so that the line of equal values is a true diagonal. `After` is what the surveys of
    other places predict for each survey, without using the survey itself.
    """
    rows = drawn(comparisons)
    if rows.empty:
        return ""
    values = rows[["expected_mm", "left_out_mm", "measured_mm"]].to_numpy(float)
    low, high = min(float(values.min()), 0.0), max(float(values.max()), 0.0)
    step = next((s for s in _STEPS_MM if (high - low) / s <= _MOST_TICKS - 1), _STEPS_MM[-1])
    first, last = int(np.floor(low / step)), int(np.ceil(high / step))
    first, last = (first, last) if last > first else (first, first + 1)

    def at(value: float) -> float:
        return _SIDE * (value / step - first) / (last - first)

    def place(x_mm: float, y_mm: float) -> tuple[float, float]:
        return _LEFT + at(x_mm), _TOP + _SIDE - at(y_mm)

    end, base = _LEFT + _SIDE, _TOP + _SIDE
    parts = []
    for tick in range(first, last + 1):
        x, y = place(tick * step, tick * step)
        parts += [f'<path d="M{x:.1f} {_TOP}V{base}M{_LEFT} {y:.1f}H{end}" stroke="{GRID}"/>',
                  f'<text x="{x:.1f}" y="{base + 18}" text-anchor="middle">{tick * step}</text>',
                  f'<text x="{_LEFT - 6}" y="{y + 5:.1f}" text-anchor="end">{tick * step}</text>']
    parts.append(f'<path d="M{_LEFT} {base}L{end} {_TOP}" stroke="{INK}" stroke-dasharray="6 4"/>')
    for before, after, measured in values.tolist():
        (x, y), (x2, y2) = place(before, measured), place(after, measured)
        parts += [f'<path d="M{x - 4:.1f} {y - 4:.1f}h8v8h-8z" fill="none" stroke="{BEFORE}" stroke-width="1.5"/>',
                  f'<circle cx="{x2:.1f}" cy="{y2:.1f}" r="4" fill="{AFTER}" stroke="{INK}" stroke-width="0.8"/>']
    parts += [f'<path d="M{_LEFT} 12h8v8h-8z" fill="none" stroke="{BEFORE}" stroke-width="1.5"/>',
              f'<text x="{_LEFT + 14}" y="21">as modelled</text>',
              f'<circle cx="{_LEFT + 124}" cy="16" r="4" fill="{AFTER}" stroke="{INK}" stroke-width="0.8"/>',
              f'<text x="{_LEFT + 134}" y="21">calibrated</text>',
              f'<path d="M{_LEFT + 230} 16h24" stroke="{INK}" stroke-dasharray="6 4"/>',
              f'<text x="{_LEFT + 260}" y="21">measured = expected</text>',
              f'<text x="{_LEFT + _SIDE / 2:.0f}" y="{base + 40}" text-anchor="middle">Expected, mm</text>',
              f'<text transform="translate(16 {_TOP + _SIDE / 2:.0f}) rotate(-90)" text-anchor="middle">'
              "Measured, mm</text>"]
    words = f"Measured against expected bending of {len(rows)} surveys, as modelled and calibrated, in millimetres."
    return (f'<svg viewBox="0 0 {end + 16} {base + 48}" width="{end + 16}" role="img" aria-label="{words}" '
            f'fill="{INK}" font-size="14">{"".join(parts)}</svg>')


def caption(comparisons: pd.DataFrame) -> str:
    """Return the sentences below the chart."""
    rows = drawn(comparisons)
    changes = int((rows["kind"] == "change").sum())
    kinds = [f"{len(rows) - changes} single surveys"] if changes < len(rows) else []
    kinds += [f"{changes} changes between two dates"] if changes else []
    aside = int((comparisons["status"] == "set_aside").sum())
    return (f"Each survey is drawn twice: {' and '.join(kinds)}; up is middle high. For the calibrated figure of a "
            "survey, its own block and all neighbours were left out." + (
                f" Outliers are not drawn: {aside}." if aside else ""))
