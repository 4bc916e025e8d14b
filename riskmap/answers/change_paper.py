"""What changed between two runs on one sheet of paper: `change.pdf`, tagged like the other papers."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from riskmap.answers import change_charts, change_words
from riskmap.answers.compared_weeks import week_line
from riskmap.answers.exchanged import NUMBERS
from riskmap.common import wording
from riskmap.common.errors import joined, visible
from riskmap.outputs import dates

if TYPE_CHECKING:
    from riskmap.answers.compare import Change

NAME = "change.pdf"
TEMPLATE = Path(__file__).parent / "change.typ"
NO_CHANGE = "No change: {names}."
WIDE_MM, TALL_MM, TEXT_MM = 184.0, 46.0, 2.6  # of the drawings, and of their type


def values(change: Change, area: str, standing: str) -> dict[str, Any]:
    """Return the values of the sheet.

    Parameters
    ----------
    change : Change
    area : str
        Name of the area.
    standing : str
        How far to trust the estimates, as returned by `outputs.calibrated.standing`.
    """
    counts, system = change.counts, change.units
    drawn = change_charts.causes(counts, system, WIDE_MM, TEXT_MM)
    moved = change.lots[f"{NUMBERS['now']}_change"].to_numpy(float)
    bars = change_charts.histogram(moved, system, WIDE_MM, TALL_MM, TEXT_MM) if drawn else None
    names = [change.runs.get(side, "").rpartition(", ") for side in ("before", "after")]
    still = [change_words.TITLES[short] for short, of in counts["numbers"].items()
             if of["mean_mm"] is not None and not change_words.readable(of)]
    weeks = week_line(change.weeks)
    return {"title": f"{visible(area)}: what changed", "lead": change.lead, "causes": drawn.plain() if drawn else {},
            "histogram": bars.plain() if bars else {}, "lots": change_words.lots_line(counts),
            "still": NO_CHANGE.format(names=joined(still)) if drawn and still else "",
            "runs": [[title, visible(name), dates.month(month), f"{lots:,}"] for title, (name, _, month), lots in zip(
                ("First", "Second"), names, (counts["lots_before"], counts["lots_now"]), strict=True)],
            "notes": [dates.written_out(note) for note in (*([weeks] if weeks else []), *change.notes)],
            "standing": standing, "caution": wording.CAUTION}


def write(change: Change, area: str, month: str, standing: str, folder: Path) -> Path:
    """Write the sheet into a folder and return its path. The paper is letter for us, A4 for si.

    Parameters
    ----------
    change : Change
    area, standing : str
        As in `values`.
    month : str
        Present month of the second run, YYYY-MM, which is the document's date.
    folder : Path
    """
    from riskmap.answers.brief import pdf

    told = values(change, area, standing) | {"day": [int(part) for part in month.split("-")] + [1]}
    path = folder / NAME
    path.write_bytes(pdf.compiled(TEMPLATE, told, "letter" if change.units == "us" else "a4")[0])
    return path
