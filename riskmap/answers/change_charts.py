"""The charts of what changed between two runs: the causes of each change, and how many lots changed by how much.

A change of bending now and of the next 12 months has a direction and the colours of bending; one of a size has the
colours of less and more.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from riskmap.answers import change_words
from riskmap.answers.exchanged import CAUSES
from riskmap.common import units
from riskmap.outputs import drawing, palette
from riskmap.outputs.drawing import Drawing, Path, Pen, Text

if TYPE_CHECKING:
    from numpy.typing import NDArray

SIGNED = ("now", "next")  # of `exchanged.NUMBERS`: they have a direction, the others a size
ALL = "all causes together"
LABELS, VALUES = 22.0, 11.5  # room for the names of causes and for the values, in sizes of the text
ROW, BAR, BETWEEN = 1.6, 0.9, 0.7  # height of a row and of its bar, space between two estimates, in sizes of the text
STEPS_MM = (0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 25.0)  # widths of bars of the histogram: the narrowest that fits is used
STEPS_IN = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0)
MOST_BARS = 30
CAUSES_ALT = "Mean change per lot with the smallest and the largest, by cause. {rows}."
HISTOGRAM_ALT = "Number of lots by the change of bending now. {rows}."


def causes(counts: dict[str, Any], system: str, width: float, text: float) -> Drawing | None:
    """Return a bar per cause and estimate: its mean over the lots, with a line from the smallest to the largest.

    Parameters
    ----------
    counts : dict
        As returned by `change_words.summary`.
    system : str
        `us` or `si`.
    width, text : float
        Of the drawing and of its type; the height follows from the number of rows.

    Returns
    -------
    Drawing or None
        None where no estimate changed by as much as the tables show.
    """
    rows: list[tuple[str, str, dict[str, Any]]] = []  # estimate, label, mean and range
    for short, of in counts["numbers"].items():
        if of["mean_mm"] is None or not change_words.readable(of):
            continue
        parts = [(CAUSES[cause], part) for cause, part in sorted(
            of["causes"].items(), key=lambda item: -item[1]["mean_size_mm"]) if change_words.readable(part)]
        rows += [(short, label, part) for label, part in parts]
        rows += [(short, ALL, of)] if len(parts) != 1 else []
    if not rows:
        return None
    left, right = LABELS * text, width - VALUES * text
    ends = [0.0, *(row["least_mm"] for *_, row in rows), *(row["largest_mm"] for *_, row in rows)]
    low, per_mm = min(ends), (right - left) / (max(ends) - min(ends))
    pen, y, before, said = Pen(text), 0.0, "", []
    for short, label, row in rows:
        title = change_words.TITLES[short]
        if short != before:
            y += BETWEEN * text if before else 0.0
            pen.say("estimate", 0.0, y + 1.1 * text, title, bold=True)
            y, before = y + ROW * text, short
            said.append(title)
        middle, whole = y + ROW * text / 2, label == ALL
        at = [left + (row[name] - low) * per_mm for name in ("least_mm", "mean_mm", "largest_mm")]
        zero = left - low * per_mm
        pen.all.append(drawing.rectangle("bar", min(zero, at[1]), middle - BAR * text / 2, abs(at[1] - zero),
                                         BAR * text, fill=color(short, row["mean_mm"]), stroke=palette.OUTLINE,
                                         line=0.05 * text))
        pen.line("range", ((at[0], middle), (at[2], middle)), palette.INK, 0.1)
        for end in (at[0], at[2]):
            pen.line("range", ((end, middle - 0.25 * text), (end, middle + 0.25 * text)), palette.INK, 0.1)
        told = change_words.spread(row, system).replace("-", "−").replace(" on average", "")
        pen.say("cause", left - 0.6 * text, middle + 0.35 * text, label, "end", bold=whole)
        pen.say("value", right + 0.6 * text, middle + 0.35 * text, told, bold=whole)
        said.append(f"{label}: {told}")
        y += ROW * text
    x = left - low * per_mm
    return Drawing(width, y, (Path("zero", ((x, 0.0), (x, y)), stroke=palette.OUTLINE, width=0.06 * text), *pen.all),
                   CAUSES_ALT.format(rows="; ".join(said)))


def color(short: str, mean_mm: float) -> str:
    """Return the colour of a change: that of dome and dish where it has a direction, else that of more and less."""
    plus, minus = (palette.BENDING[5], palette.BENDING[1]) if short in SIGNED else (palette.MORE, palette.LESS)
    return plus if mean_mm > 0 else minus


def histogram(change_mm: NDArray[np.float64], system: str, width: float, height: float, text: float) -> Drawing | None:
    """Return how many lots changed by how much: bending now, signed; None without a lot that has a change.

    Parameters
    ----------
    change_mm : array, shape (n_lot,)
        Missing for lots without an estimate in both runs.
    system : str
    width, height, text : float
    """
    unit_mm, name = (units.MM_PER_INCH, "in") if system == "us" else (1.0, "mm")
    values = change_mm[np.isfinite(change_mm)] / unit_mm
    if not len(values):
        return None
    every = STEPS_IN if system == "us" else STEPS_MM
    span = float(values.max() - values.min())
    step = next((one for one in every if span / one < MOST_BARS - 1), every[-1])
    place = np.floor(values / step + 0.5).astype(int)  # bars lie around multiples of the step, so that one is zero
    first, number = int(place.min()), np.bincount(place - place.min())
    while len(number) < 3:  # so that a single bar keeps its neighbours
        first, number = first - 1, np.concatenate([[0], number, [0]])
    left, bottom = 3.4 * text, height - 3.2 * text
    wide, most, tall = (width - left) / len(number), int(number.max()), bottom - 1.2 * text
    parts: list[Path | Text] = []
    for value in sorted({0, most // 2, most}):
        y = bottom - tall * value / most
        parts += [Path("level", ((left, y), (width, y)), stroke=palette.RULE, width=0.06 * text),
                  Text("count", left - 0.4 * text, y + 0.35 * text, f"{value:,}", text, palette.QUIET, "end")]
    digits, said = len(f"{step:g}".partition(".")[2]), []
    labels = [f"{'+' if k > 0 else '−' if k < 0 else ''}{abs(k) * step:.{digits}f}" for k in
              range(first, first + len(number))]
    for k, count in enumerate(number.tolist()):
        if count:
            fill = palette.BENDING[3] if first + k == 0 else color("now", first + k)
            high = tall * count / most
            parts.append(drawing.rectangle("bar", left + (k + 0.04) * wide, bottom - high, 0.92 * wide, high, fill=fill,
                                           stroke=palette.OUTLINE, line=0.05 * text))
            said.append(f"{count:,} by about {labels[k]} {name}")
    every_label = max(1, int(-(-4 * text // wide)))
    for k in range(len(number)):
        if (first + k) % every_label == 0:
            parts.append(Text("axis", left + (k + 0.5) * wide, bottom + 1.2 * text, labels[k], text, palette.QUIET,
                              "middle"))
    parts.append(Text("unit", width, bottom + 2.5 * text, f"change of bending now, {name}: + the middle rose against "
                      "the edge, − it fell", text, palette.QUIET, "end"))
    return Drawing(width, height, tuple(parts), HISTOGRAM_ALT.format(rows="; ".join(said)))
