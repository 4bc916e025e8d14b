"""What the estimates of a lot say, as answers to five questions, in one wording for the terminal, the map and the
papers.

The questions are: what should I find today, what will it do by next year, how large should it get, what is this lot
like in the long run, and what if a dry year came again. The words are only in `SENTENCES`: a page gets them with its
data and fills them in its own unit (`assets/shared/tell.js`; a test in a browser keeps the two equal).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from riskmap.common import month_numbers, tables, units
from riskmap.outputs import calibrated, words

MM_STEP, INCH_STEP = 2.0, 0.1  # step of what is shown; anything finer than a survey reads would promise too much
MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
          "December")

NAMES = {"now": "Now", "next": "Next 12 months", "expected": "Largest bending from now to {month}",
         "long_run": "Long run", "whatif": "If a dry year came again"}
SENTENCES = {
    "middle_high": "middle high by {size}", "edge_high": "edge high by {size}", "level": "level",
    "near_level": "near level", "near_level_side": "near level, {side}",
    "higher": "{size} higher", "lower": "{size} lower", "as_today": "as high as today",
    "seasons": "against the edge, the middle may be {dry} in the dry season and {wet} in the wet season",
    "than_today": "{higher} than today",
    "still": "the middle hardly moves against the edge",
    "dry_season": "Dry season", "wet_season": "Wet season", "of_middle": "the middle {higher}",
    "range": "{lo} to {hi}",
    "now": "{side} ({range})",
    "next": "{moves}; in {month} it is {after}", "after": "{higher} ({range})",
    "expected": "{size} ({range}; today {today})",
    "today": "{size}, {side}",
    "long_run": "{size} ({range}), the largest in usual weather{once}",
    "once": ", once the middle has stopped rising",  # left out where the phase says that it has
    "whatif": "the middle would be {dry} against the edge (average year: {average}; wet year: {wet})",
    "whatif_years": "Dry as in {dry}, average as in {average}, wet as in {wet}.",
    "calibrated": "{figure} calibrated ({modelled} as modelled)",  # where a calibration was given
    "now_calibrated": "{side}; range {range}",
    "expected_calibrated": "{size}; range {range}; today {today}",
    "long_run_calibrated": "{size}; range {range}; the largest in usual weather{once}",
    "as_modelled": "{answer}, as modelled",  # for an answer that no calibration reaches
    "not_computed": "not computed in this run, which an earlier version made; estimate the area again",
}
COLUMNS = {"now": "bend_now_mm", "next": "change_next_mm", "expected": "expected_movement_mm",
           "long_run": "long_run_mm"}  # the number behind an answer, with its range
WHATIF_YEARS = ("dry", "average", "wet")


def shown(value_mm: float, system: str) -> str:
    """Return a movement as it is shown: in steps of 0.1 in or 2 mm, halves rounded away from zero, and no minus before
    zero.
    """
    if value_mm != value_mm:
        return "no value"
    steps = units.mm_to_inch(value_mm) / INCH_STEP if system == "us" else value_mm / MM_STEP
    whole = math.copysign(math.floor(abs(steps) + 0.5), steps)
    return f"{whole * INCH_STEP + 0.0:.1f} in" if system == "us" else f"{whole * MM_STEP + 0.0:.0f} mm"


def is_zero(value_mm: float, system: str) -> bool:
    """Return whether a movement is shown as zero."""
    return not any(sign in "123456789" for sign in shown(value_mm, system))


def month_name(month: str) -> str:
    """Return a month such as 2026-10 in words: October 2026."""
    return f"{MONTHS[int(month[5:7]) - 1]} {month[:4]}"


def last_month(today: str) -> str:
    """Return the last of the next twelve months in words."""
    return month_name(month_numbers.next_12_months(today)[1])


def name(question: str, today: str) -> str:
    """Return the name of an answer: Now, Next 12 months, Largest bending from now to October 2026, Long run, If a dry
    year came again.
    """
    return NAMES[question].format(month=last_month(today))


def name_in_text(question: str, today: str) -> str:
    """Return the name of an answer as it is written inside a sentence, and at the head of a column of a list."""
    first, rest = name(question, today)[0], name(question, today)[1:]
    return first.lower() + rest


def side(value_mm: float, system: str) -> str:
    """Return a bending with its direction in words."""
    if is_zero(value_mm, system):
        return SENTENCES["level"]
    return SENTENCES["middle_high" if value_mm > 0 else "edge_high"].format(size=shown(abs(value_mm), system))


def higher(value_mm: float, system: str) -> str:
    """Return a change of bending with its direction in words."""
    if is_zero(value_mm, system):
        return SENTENCES["as_today"]
    return SENTENCES["higher" if value_mm > 0 else "lower"].format(size=shown(abs(value_mm), system))


def _bare(text: str) -> str:
    return text.rsplit(" ", 1)[0]


def sizes(low_mm: float, high_mm: float, system: str) -> str:
    """Return a range of sizes without their unit, the smaller first."""
    low, high = sorted((abs(low_mm), abs(high_mm)))
    return SENTENCES["range"].format(lo=_bare(shown(low, system)), hi=_bare(shown(high, system)))


def _signed_range(middle_mm: float, low_mm: float, high_mm: float, system: str,
                  say: Callable[[float, str], str]) -> str:
    """Return a range of signed values: sizes if all have the sign of the median, otherwise each end with its side."""
    zero, low_zero, high_zero = (is_zero(value, system) for value in (middle_mm, low_mm, high_mm))
    same = low_zero and high_zero if zero else \
        (low_zero or low_mm * middle_mm > 0) and (high_zero or high_mm * middle_mm > 0)
    return sizes(low_mm, high_mm, system) if same else SENTENCES["range"].format(lo=say(low_mm, system),
                                                                                 hi=say(high_mm, system))


def _three(row: Mapping[str, Any], column: str) -> tuple[float, float, float]:
    low, middle, high = calibrated.values_mm(row, column)
    return middle, low, high


def size(row: Mapping[str, Any], column: str, system: str) -> str:
    """Return a value without a sign: `1.8 in calibrated (1.4 in as modelled)`, or the model's alone."""
    modelled = shown(float(row[column]), system)
    if f"{calibrated.PREFIX}{column}" not in row:
        return modelled
    return SENTENCES["calibrated"].format(figure=shown(_three(row, column)[0], system), modelled=modelled)


def _sentence(name: str, row: Mapping[str, Any]) -> str:
    return SENTENCES[f"{name}_calibrated" if calibrated.has(row) else name]


def _as_modelled(answer: str, row: Mapping[str, Any]) -> str:
    return SENTENCES["as_modelled"].format(answer=answer) if calibrated.has(row) else answer


def _side_now(row: Mapping[str, Any], system: str) -> str:
    """Return today's bending with its side. "Near level" describes the model's figure, as its direction does."""
    modelled, level = float(row["bend_now_mm"]), row["direction"] == "near_level"
    told = side(modelled, system)
    if level:
        told = SENTENCES["near_level"] if is_zero(modelled, system) else \
            SENTENCES["near_level_side"].format(side=told)
    if not calibrated.has(row):
        return told
    value = _three(row, "bend_now_mm")[0]
    if not level and value * modelled > 0 and not is_zero(value, system) and not is_zero(modelled, system):
        told = shown(abs(modelled), system)  # the side is the same and need not be repeated
    return SENTENCES["calibrated"].format(figure=side(value, system), modelled=told)


def now(row: Mapping[str, Any], system: str) -> str:
    """Return how the slab should be bent today, with the range of the model runs."""
    told = _signed_range(*_three(row, "bend_now_mm"), system, side)
    return _sentence("now", row).format(side=_side_now(row, system), range=told)


def next_rows(row: Mapping[str, Any], today: str, system: str) -> list[tuple[str, str]]:
    """Return a row for each season of the next twelve months and one for their end: its name, and where the middle is.

    Against the edge the middle is highest when the ground there is driest, and lowest when it is wettest. Empty where
    the run has no such figures.
    """
    rise, fall = float(row["rise_next_mm"]), float(row["fall_next_mm"])
    if math.isnan(rise):
        return []
    dry, wet = higher(rise, system), higher(fall, system)
    return [(SENTENCES["dry_season"], SENTENCES["of_middle"].format(higher=_than_today(dry))),
            (SENTENCES["wet_season"], SENTENCES["of_middle"].format(higher=_than_today(wet))),
            (last_month(today), _as_modelled(_after(row, system), row))]


def _than_today(told: str) -> str:
    return told if told == SENTENCES["as_today"] else SENTENCES["than_today"].format(higher=told)


def _after(row: Mapping[str, Any], system: str) -> str:
    middle, low, high = _three(row, "change_next_mm")
    return SENTENCES["after"].format(higher=higher(middle, system),
                                     range=_signed_range(middle, low, high, system, higher))


def next_year(row: Mapping[str, Any], today: str, system: str) -> str:
    """Return where the middle may be in the dry and in the wet season of the next twelve months, and after them."""
    rise, fall = float(row["rise_next_mm"]), float(row["fall_next_mm"])
    if math.isnan(rise):
        return SENTENCES["not_computed"]
    moves = SENTENCES["still"] if is_zero(rise, system) and is_zero(fall, system) else \
        SENTENCES["seasons"].format(dry=_than_today(higher(rise, system)), wet=_than_today(higher(fall, system)))
    return _as_modelled(SENTENCES["next"].format(moves=moves, month=last_month(today), after=_after(row, system)), row)


def expected(row: Mapping[str, Any], system: str) -> str:
    """Return the estimate: the largest bending within twelve months, compared with today's."""
    _, low, high = _three(row, "expected_movement_mm")
    today = SENTENCES["today"].format(size=shown(abs(float(row["bend_now_mm"])), system),
                                      side=words.DIRECTION_SHORT.get(str(row["direction"]), str(row["direction"])))
    return _sentence("expected", row).format(size=size(row, "expected_movement_mm", system),
                                             range=sizes(low, high, system),
                                             today=_side_now(row, system) if calibrated.has(row) else today)


def long_run(row: Mapping[str, Any], system: str) -> str:
    """Return how this lot behaves in the long run, whatever the weather: at rest, by the rule of its phase."""
    _, low, high = _three(row, "long_run_mm")
    return _sentence("long_run", row).format(size=size(row, "long_run_mm", system), range=sizes(low, high, system),
                                             once="" if row["phase"] == tables.AT_REST else SENTENCES["once"])


def whatif(row: Mapping[str, Any], system: str) -> str:
    """Return the change after a dry, an average and a wet year."""
    if math.isnan(float(row["whatif_dry_mm"])):
        return SENTENCES["not_computed"]
    return _as_modelled(SENTENCES["whatif"].format(
        **{year: higher(float(row[f"whatif_{year}_mm"]), system) for year in WHATIF_YEARS}), row)


def whatif_years(years: Sequence[Any]) -> str:
    """Return which past years are used as a dry, an average and a wet one; empty where that is not known."""
    return SENTENCES["whatif_years"].format(**dict(zip(WHATIF_YEARS, years, strict=True))) \
        if len(years) == len(WHATIF_YEARS) else ""


def answers(row: Mapping[str, Any], today: str, system: str) -> dict[str, tuple[str, str]]:
    """Return each question's name and answer for a lot with an estimate, in the order of every page.

    Parameters
    ----------
    row : mapping
        Columns of `tables.ESTIMATE`; with those of `tables.CALIBRATED`, each calibrated value comes first, followed by
        the model's own in brackets.
    today : str
        Present month of the run, YYYY-MM.
    system : str
        `us` or `si`.
    """
    told = {"now": now(row, system), "next": next_year(row, today, system), "expected": expected(row, system),
            "long_run": long_run(row, system), "whatif": whatif(row, system)}
    return {question: (name(question, today), answer) for question, answer in told.items()}
