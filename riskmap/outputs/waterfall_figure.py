"""The waterfall as a drawing: a bar for the typical lot, one for each part, hatched gaps, and a bar for this lot.

The steps are those of `waterfall`. Every bar begins where the one above it ends, in values that are not rounded, so
that the last part ends at the bar of this lot.
"""

from __future__ import annotations

import bisect
import textwrap
from collections.abc import Sequence
from itertools import accumulate, pairwise

from riskmap.outputs import drawing, palette, waterfall
from riskmap.outputs.drawing import Drawing, Path, Text

NOTE = "Parts add up before they are rounded. Gaps in the data are not a reason: they shift the middle of the range."
ALT = "From the typical lot to this lot: {steps}."
BAR, ROW, GAP = 1.25, 1.3, 0.45  # height of a bar and of a line of its label, and space below a row, in sizes of text
LABEL_SHARE, VALUE = 0.46, 4.8  # share of the width for labels, and room for a value in sizes of the text
CHARACTER = 0.46  # width of a character in sizes of the text, for breaking lines (judgement)


def spans(steps: Sequence[waterfall.Step]) -> list[tuple[float, float]]:
    """Return where each bar begins and ends; sums begin at zero, parts where the bar above them ends. [mm]"""
    ends = list(accumulate(step.mm for step in steps[:-1]))
    return [(0.0, steps[0].mm), *pairwise(ends), (0.0, steps[-1].mm)]


def drawn(steps: Sequence[waterfall.Step], system: str, width: float, text: float) -> Drawing:
    """Return the waterfall of a lot.

    Parameters
    ----------
    steps : sequence of Step
        As returned by `waterfall.steps` or `waterfall.long_run_steps`.
    system : str
        `us` or `si`.
    width, text : float
        Of the drawing and of its type; the height follows from the number of lines.
    """
    bars = spans(steps)
    left, right = LABEL_SHARE * width, width - VALUE * text
    low, high = min(min(bar) for bar in bars), max(max(bar) for bar in bars)
    per_mm = (right - left) / max(high - low, 1e-9)

    def at(value_mm: float) -> float:
        return left + (value_mm - low) * per_mm

    parts: list[Path | Text] = []
    y, above = 0.0, None
    fit = max(12, int((left - 0.8 * text) / (CHARACTER * text)))
    for step, (first, last) in zip(steps, bars, strict=True):
        lines = textwrap.wrap(step.label, fit) or [step.label]
        tall = max(BAR, ROW * len(lines)) * text
        top, thick = y + (tall - BAR * text) / 2, BAR * text
        start, end = sorted((at(first), at(last)))
        whole = step.kind in ("typical", "lot")
        if above is not None:  # where the bar above ends, or, for this lot, where the last part ends
            parts.append(Path("link", ((above[0], above[1]), (above[0], top)), stroke=palette.OUTLINE,
                              width=0.06 * text))
        parts += _bar(step, start, top, end - start, thick, text)
        for k, line in enumerate(lines):
            base = y + tall / 2 + (0.35 + (k - (len(lines) - 1) / 2) * ROW) * text
            parts.append(Text(f"{step.kind}_label", left - 0.8 * text, base, line, text,
                              palette.QUIET if step.kind == "gaps" else palette.INK, "end", step.kind == "lot"))
        parts.append(Text(f"{step.kind}_value", end + 0.5 * text, y + tall / 2 + 0.35 * text,
                          value(step, system), text, palette.INK, "start", whole))
        above = (at(last), top + thick)
        y += tall + GAP * text
    parts.append(Path("zero", ((at(0.0), 0.0), (at(0.0), y - GAP * text)), stroke=palette.OUTLINE, width=0.06 * text))
    words = "; ".join(f"{step.label} {value(step, system)}" for step in steps)
    return Drawing(width, y, tuple(parts), ALT.format(steps=words))


def value(step: waterfall.Step, system: str) -> str:
    """Return the value of a line as `waterfall.text_of`, with a minus sign as printed."""
    return waterfall.text_of(step, system).replace("-", "−")


def _bar(step: waterfall.Step, left: float, top: float, width: float, height: float, text: float) -> list[Path]:
    line = 0.07 * text
    if step.kind == "gaps":
        ink = palette.HATCH_LINE
        return [*drawing.hatch("gaps_hatch", left, top, width, height, 0.55 * text, stroke=ink, line=line),
                drawing.rectangle("gaps", left, top, width, height, stroke=ink, line=line)]
    fill = {"typical": palette.RANGE, "lot": size_color(step.mm)}.get(step.kind) or \
        (palette.MORE if step.mm > 0 else palette.LESS)
    return [drawing.rectangle(step.kind, left, top, width, height, fill=fill, stroke=palette.OUTLINE, line=line)]


def size_color(value_mm: float) -> str:
    """Return the colour of a size of movement, by its class."""
    return palette.SIZE[bisect.bisect_right(palette.SIZE_LIMITS_MM, value_mm)]
