"""The sheet of a survey: title block, plan, two sections, the answer in words; with a second survey a page of change.

Everything is computed once as plain drawings and texts, and then written as a tagged PDF (`sheet.typ`) and as SVG.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass, replace
from pathlib import Path as File
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from riskmap.answers.survey import plan, sections
from riskmap.answers.survey.levels import YARDSTICKS, Levels
from riskmap.common.errors import counted, joined, shown
from riskmap.common.units import MM_PER_INCH, m_to_foot
from riskmap.outputs import dates, palette, typeface
from riskmap.outputs.drawing import Drawing, Path, Text, svg

if TYPE_CHECKING:
    from collections.abc import Sequence

TEMPLATE = File(__file__).parent / "sheet.typ"
MOST_NAMED = 8  # points that a sentence names
LEVEL_MM_PER_M = 0.04  # a plane below it is shown as 0.000 in/ft, and its direction means nothing
MOST_ROWS = 60  # of the table of change; the others are in change.csv
LINE = 3.9  # of text in the SVG
COLUMNS = 126  # characters of such a line
FITS = {"consistent": "{survey} fits the estimate", "not consistent": "{survey} does not fit the estimate",
        "cannot tell": "{survey} does not show whether it fits the estimate"}
CHANGE_HEADS = ("point", "first", "second", "change", "noise limit", "beyond it")


@dataclass(frozen=True)
class Sheet:
    """What the sheet shows.

    Attributes
    ----------
    title : str
    block : list of (str, str)
        Name and content of each field of the title block.
    answer : list of str
        The answer in words; the first one is set larger.
    plan : Drawing
    sections : list of Drawing
    captions : dict
        Words below the plan, the sections and the change.
    notes : list of str
        Figures for comparison, and cautions.
    change : Drawing or None
        Only with a second survey.
    change_rows : list of list of str
        `CHANGE_HEADS`.
    """

    title: str
    block: list[tuple[str, str]]
    answer: list[str]
    plan: Drawing
    sections: list[Drawing]
    captions: dict[str, str]
    notes: list[str]
    change: Drawing | None
    change_rows: list[list[str]]


def sheet(levels: Levels, tables: dict[str, pd.DataFrame], summary: dict[str, Any], worst: pd.DataFrame, *, system: str,
          bearing_deg: float | None, gap_m: float) -> Sheet:
    """Return what the sheet of a survey shows.

    Parameters
    ----------
    levels : Levels
        Of the first survey.
    tables : dict of DataFrame
        `contours`, and `change` where there is a second survey.
    summary : dict
        The content of summary.json.
    worst : DataFrame
        As returned by `levels.worst`.
    system : str
        `us` or `si`.
    bearing_deg : float or None
        Direction of +y, clockwise from north; None where it is not known.
    gap_m : float
        No level is drawn across a wider gap between points.
    """
    moved, unit = tables.get("change"), "inches" if system == "us" else "millimetres"
    steps = joined([f"{limit / MM_PER_INCH:.1f} in" if system == "us" else f"{limit:.0f} mm"
                    for limit in palette.YEAR_LIMITS_MM if limit > 0])
    cuts = sections.cut(levels.points, moved, summary.get("expected"), gap_m)
    drawn = plan.levels(levels.points, tables["contours"], [(one.name, one.ends) for one in cuts], worst, system,
                        bearing_deg, gap_m)
    captions = {
        "plan": f"Levels in {unit}; 0 is the {levels.datum}. Each point has its level and its name; the darker, the "
                f"lower. Lines are contours. Dashed: the worst line. The outline is that of the points read.",
        "sections": _section_words(cuts, system),
        "change": f"Change in {unit} since the first survey, with the noise limit of each point (95 %: the reading "
                  f"errors of both surveys). Green: up, indigo: down, darker from {steps}. White: not more than the "
                  "noise limit. The mean change of all points, or that of the reference point, is zero."}
    answer = [*change_words(moved, summary, system), *_answer(summary), *words(levels, worst, system == "us"),
              *([summary["no_contours"]] if "no_contours" in summary else []),
              *([summary["two_seasons"]] if "two_seasons" in summary else []),
              f"When to survey again: {summary['next_survey']}"]
    return Sheet("Level survey of a house" if moved is None else "Level survey of a house, with the change since then",
                 _block(levels, summary, drawn, system), answer, drawn, sections.drawings(cuts, system), captions,
                 [YARDSTICKS, *summary["cautions"]],
                 None if moved is None else plan.change(moved, levels.points, system, bearing_deg, gap_m),
                 [] if moved is None else _change_rows(moved, system))


def _block(levels: Levels, summary: dict[str, Any], drawn: Drawing, system: str) -> list[tuple[str, str]]:
    """Return the title block; a field without content says so, because a blank could be taken for an oversight."""
    first, *later = summary["surveys"]
    sd = f"{levels.sigma_mm / MM_PER_INCH:.2f} in" if system == "us" else f"{levels.sigma_mm:.1f} mm"
    scale = next((text for text in drawn.texts("scale") if text.startswith("1:")), "")
    run = summary.get("expected")
    return [("Lot", first["lot"] or "not given"), ("Readings", first["file"]),
            ("Date", dates.day(first["date"]) or "not given"),
            ("Instrument", first["instrument"] or "not given"),
            *(pair for one in later for pair in (("Second survey", one["file"]),
                                                 ("Its date", dates.day(one["date"]) or "not given"))),
            ("Points", f"{len(levels.points)}, {int(levels.points['readings'].sum())} readings"),
            ("Reading error", f"{sd} (one standard deviation)"), ("Scale", scale),
            ("Expected from", f"{shown(run['run'])}, {dates.month(run['today'])}" if run else "no run was given")]


def _section_words(cuts: list[sections.Section], system: str) -> str:
    scale = sections.axis(cuts, system)
    if scale is None:
        return "No section: the points lie on one line or too far apart (--gap)."
    told = (f"Through the points nearest the middle lines; linear between points. Heights are drawn "
            f"{float(f'{scale.stretch:.2g}'):.0f} times too tall. ")
    if cuts[0].second.size:
        told += "Thin line and white circles: first survey; thick line and black circles: second survey. "
    if cuts[0].expected.size:
        told += ("Dashed: the expected shape, with zero and tilt fitted to the first survey; the grey bar covers 80 % "
                 "of the model runs in the middle. ")
    return told.strip()


def _answer(summary: dict[str, Any]) -> list[str]:
    run = summary.get("expected")
    survey = "The first survey" if len(summary["surveys"]) > 1 else "The survey"
    return [f"{FITS[run['answer']].format(survey=survey)} of lot {shown(run['lot'])}. {run['why']}"] if run else []


def change_words(moved: pd.DataFrame | None, summary: dict[str, Any], system: str) -> list[str]:
    """Return in words how many points moved beyond their noise limit, and the largest of them."""
    if moved is None:
        return []
    days = [dates.day(one["date"]) for one in summary["surveys"]]
    span = f" ({days[0]} to {days[1]})" if all(days) else ""
    far = moved[moved["beyond_noise"]]
    if far.empty:
        return [f"Since the first survey{span}, none of {counted(len(moved), 'point')} moved by more than its noise "
                "limit."]
    far = far.iloc[np.argsort(-far["change_mm"].abs().to_numpy(), kind="stable")]
    unit = "in" if system == "us" else "mm"
    named = ", ".join(f"{shown(row['point'])} {plan.level_text(row['change_mm'], system)} {unit}"
                      for row in far.head(MOST_NAMED).to_dict("records"))
    more = len(far) - MOST_NAMED
    return [f"Since the first survey{span}, {len(far)} of {counted(len(moved), 'point')} moved by more than "
            f"{'its' if len(far) == 1 else 'their'} noise limit: {named}{f' and {more} more' if more > 0 else ''}."]


def words(levels: Levels, worst: pd.DataFrame, us: bool) -> list[str]:
    """Return in words the plane and the worst line of a survey."""
    out = []
    if levels.plane is not None:
        tilt = levels.plane.tilt_mm_per_m
        size = f"{tilt * 0.012:.3f} in/ft" if us else f"{tilt:.1f} mm/m"
        way = f"falls toward {levels.plane.falls_toward_deg:.0f} degrees clockwise from +y"
        out.append(f"Plane: {size} ({tilt / 10:.2f} %), {'level' if tilt < LEVEL_MM_PER_M else way}.")
    for row in worst.to_dict("records"):
        bow, length = row["deflection_mm"], row["length_m"]
        size = (f"{bow / MM_PER_INCH:+.2f} in over {m_to_foot(length):.1f} ft" if us
                else f"{bow:+.0f} mm over {length:.1f} m")
        out.append(f"Worst line: {shown(row['from'])} to {shown(row['to'])}, {size} at {shown(row['at'])}"
                   + (f" (L/{row['ratio']:.0f})." if np.isfinite(row["ratio"]) else "."))
    return out


def _change_rows(moved: pd.DataFrame, system: str) -> list[list[str]]:
    order = np.argsort(-moved["change_mm"].abs().to_numpy(), kind="stable") if len(moved) > MOST_ROWS else \
        np.arange(len(moved))
    def told(value: float) -> str:
        return plan.level_text(value, system)

    return [[shown(row["point"]), told(row["first_mm"]), told(row["second_mm"]), told(row["change_mm"]),
             told(row["band_mm"]).removeprefix("+"), "yes" if row["beyond_noise"] else "no"]
            for row in moved.iloc[order[:MOST_ROWS]].to_dict("records")]


# ---------------------------------------------------------------- PDF and SVG
def pdf(content: Sheet, system: str, day: str) -> bytes:
    """Return the sheet as a tagged PDF; equal input gives equal bytes. The paper is letter for us, A4 for si.

    Parameters
    ----------
    content : Sheet
    system : str
    day : str
        Day of the survey, YYYY-MM-DD, which is the document's date; empty where it is not known.
    """
    from riskmap.answers.brief import pdf as typeset

    left = len(content.change_rows)
    values = {"title": content.title, "day": [int(part) for part in day.split("-")] if day else [],
              "block": [list(pair) for pair in content.block], "answer": content.answer,
              "plan": content.plan.plain(), "sections": [one.plain() for one in content.sections],
              "captions": content.captions, "notes": content.notes,
              "change": content.change.plain() if content.change else {}, "heads": list(CHANGE_HEADS),
              "rows": content.change_rows, "most": MOST_ROWS if left == MOST_ROWS else 0}
    return typeset.compiled(TEMPLATE, values, "letter" if system == "us" else "a4")[0]


def svgs(content: Sheet) -> dict[str, bytes]:
    """Return levels.svg and, with a second survey, change.svg."""
    half = len(content.block) // 2 + len(content.block) % 2
    lines = [" · ".join(f"{name}: {text}" for name, text in part) for part in (content.block[:half],
                                                                              content.block[half:])]
    side = [shifted(one, k * (plan.WIDTH - sections.WIDTH), 0) for k, one in enumerate(content.sections)]
    both = [] if not side else [Drawing(plan.WIDTH, sections.HEIGHT, tuple(part for one in side for part in one.parts),
                                        " ".join(one.alt for one in side))]
    out = {"levels.svg": stacked([
        _title(content.title), _lines(lines), content.plan, _lines([content.captions["plan"]]), *both,
        _lines([content.captions["sections"]]), _lines(content.answer, bold=1), _lines(content.notes)])}
    if content.change is not None:
        out["change.svg"] = stacked([_title(content.title), _lines(lines), content.change,
                                     _lines([content.captions["change"]]), _lines(content.answer[:1], bold=1),
                                     _lines(content.notes)])
    return {name: (svg(drawn, faces=typeface.css()) + "\n").encode("utf-8", errors="backslashreplace")
            for name, drawn in out.items()}


def shifted(drawn: Drawing, right: float, down: float) -> Drawing:
    """Return a drawing whose parts are moved."""
    def moved(part: Path | Text) -> Path | Text:
        if isinstance(part, Text):
            return replace(part, x=part.x + right, y=part.y + down)
        return replace(part, points=tuple((x + right, y + down) for x, y in part.points))

    return replace(drawn, parts=tuple(moved(part) for part in drawn.parts))


def stacked(drawings: Sequence[Drawing], margin: float = 8.0) -> Drawing:
    """Return drawings one below the other on white paper; their alternative texts follow each other."""
    down = margin
    parts: list[Path | Text] = []
    for one in drawings:
        parts += shifted(one, margin, down).parts
        down += one.height + 2
    whole = plan.WIDTH + 2 * margin, down + margin
    paper = Path("paper", ((0.0, 0.0), (whole[0], 0.0), whole, (0.0, whole[1])), True, palette.SHEET)
    return Drawing(*whole, (paper, *parts), " ".join(one.alt for one in drawings if one.alt))


def _title(text: str) -> Drawing:
    return Drawing(plan.WIDTH, 7, (Text("title", 0, 5, text, 5, palette.INK, bold=True),), text)


def _lines(texts: Sequence[str], bold: int = 0) -> Drawing:
    told = [(line, k < bold) for k, text in enumerate(texts) for line in textwrap.wrap(text, COLUMNS)]
    parts = tuple(Text("words", 0, LINE * (k + 1) - 1, line, 2.8, palette.INK, bold=heavy)
                  for k, (line, heavy) in enumerate(told))
    return Drawing(plan.WIDTH, LINE * len(told), parts, " ".join(texts))
