"""One lot in plain lines, for the terminal: number with its range, direction, phase, reasons, doubts, cautions."""

from __future__ import annotations

import re
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

from riskmap.common import month_numbers, results, tables, units, wording
from riskmap.outputs import calibrated, words

if TYPE_CHECKING:
    from riskmap.common.results import AreaResults, Results

MM_STEP, INCH_STEP = 2.0, 0.1  # what is shown; finer than a survey reads would promise too much


def shown(value_mm: float, system: str) -> str:
    """Return a movement as it is shown: steps of 0.1 in or 2 mm, never a minus before zero."""
    if value_mm != value_mm:
        return "no value"
    if system == "us":
        inches = round(units.mm_to_inch(value_mm) / INCH_STEP) * INCH_STEP
        return f"{inches + 0.0:.1f} in"
    return f"{round(value_mm / MM_STEP) * MM_STEP + 0.0:.0f} mm"


def part_shown(value_mm: float, system: str) -> str:
    """Return a signed part of a movement, finer than `shown` so that parts add up; zero has no sign."""
    value, digits, unit = (units.mm_to_inch(value_mm), 2, "in") if system == "us" else (value_mm, 1, "mm")
    value = round(value, digits)
    return f"{value:+.{digits}f} {unit}" if value else f"{0:.{digits}f} {unit}"


def length(value_m: float, system: str) -> str:
    """Return a length on the ground in feet or metres."""
    return f"{units.m_to_foot(value_m):.0f} ft" if system == "us" else f"{value_m:.1f} m"


def extensibility(lot: dict[str, Any], system: str) -> str:
    """Return class and linear extensibility of a lot, with the depths over which it is the mean."""
    depths = "10 to 39 in" if system == "us" else "25 to 100 cm"
    return f"linear extensibility {lot['linear_extensibility_pct']:.1f} %, mean of {depths}"


def slab_width(lot: dict[str, Any], system: str) -> str:
    """Return the short side of the slab; where the lot file does not give it, said so in both units."""
    if "slab_size_assumed" not in str(lot["flags"] or "").split(";"):
        return length(float(lot["slab_width_m"]), system)
    both = [f"{units.m_to_foot(float(lot['slab_width_m'])):.0f} ft", f"{lot['slab_width_m']:g} m"]
    return "assumed {} ({})".format(*(both if system == "us" else both[::-1]))


def reference(estimate: Results, system: str) -> str:
    """Return the words for the reference lot of a run, its lengths in the units of the page."""
    text = str(estimate.facts.get("reference_lot", "the reference lot"))
    us = system == "us"

    def depth(match: re.Match[str]) -> str:
        top = f"{units.m_to_foot(float(match[2])):.0f} ft" if us else f"{match[2]} m"
        return f"{match[1]} %, mean of the top {top}"

    def wide(match: re.Match[str]) -> str:
        return f"slab {units.m_to_foot(float(match[1])):.0f} ft wide" if us else match[0]

    text = re.sub(r"(\d+(?:\.\d+)?) % to (\d+(?:\.\d+)?) m\b", depth, text)
    return re.sub(r"slab (\d+(?:\.\d+)?) m wide", wide, text)


def largest(lot: dict[str, Any], today: str, system: str) -> str:
    """Return the largest dome and dish since the pour, each draw's own.

    The month is that of the draw in the middle. It is left out where the pour date is not known (that draw's pour is
    one of many) and where it is this month: beside `Now`, the middle of what all draws say of this month, it would
    read as the same thing told twice.
    """
    month, known = str(lot["bend_largest_up_date"]), lot["pour_date_basis"] != "none"
    dated = f" (in the middle draw in {month})" if known and month != today else ""
    return (f"Most since the pour{'' if known else ' (date not known)'}, each draw in a month of its own: dome "
            f"{shown(lot['bend_largest_up_mm'], system)}{dated}, dish {shown(lot['bend_largest_down_mm'], system)}")


def gaps_mean(value_mm: float) -> str:
    """Return how what is not known can raise or lower a number; nothing where it hardly does."""
    if abs(value_mm) < words.LEAST_PART_MM:
        return ""
    side = "higher" if value_mm > 0 else "lower"
    return f": beyond what is unknown of the reference lot, it puts the middle of the range {side}"


def weather_driver(found: Results) -> str:
    """Return by which driver the weather became suction; a run that names none was made with the monthly bucket."""
    driver = str(found.settings.get("climate_settings", {}).get("driver", "month"))
    return f"Weather: suction at the surface {words.DRIVER.get(driver, driver)}"


def ground_cracked(found: AreaResults) -> bool:
    """Return whether a run takes open ground as cracked; one that does not say was made before there was a choice."""
    return bool(found.settings.get("movement", {}).get("ground") == "cracked")


GROUND_CRACKED = "Ground: taken as cracked beside the slab (a setting of this run)"


def if_cracked(expected_mm: float, cracked_expected_mm: float, swing_mm: float, cracked_swing_mm: float,
               system: str) -> str:
    """Return what cracked ground would mean for a lot, each figure beside the run's own."""
    expected, cracked_expected, swing, cracked_swing = (
        shown(value, system) for value in (expected_mm, cracked_expected_mm, swing_mm, cracked_swing_mm))
    return (f"expected movement {cracked_expected} (uncracked {expected}), yearly swing of the ground at the edge "
            f"{cracked_swing} (uncracked {swing})")


def _range(row: dict[str, Any], name: str, system: str) -> str:
    low, _, high = (shown(value, system) for value in calibrated.values_mm(row, name))
    figure = calibrated.figure(row, name, lambda value: shown(value, system))
    return f"{figure} (eight draws of ten between {low} and {high})"


def _where(estimate: Results, position: int) -> str:
    """Return where a lot stands in its file, as `check` numbers rows; runs of older versions know the position only."""
    path = PurePath(str(estimate.settings.get("lots", {}).get("path") or "the lot file"))
    row = results.editor_row(estimate.facts.get("lot_rows", []), position)
    return f"row {row} of {path.name}" if row is not None else f"lot {position + 1} of {path.name}"


def suction(estimate: Results, cell: str) -> list[str]:
    """Return the suction of open ground by depth in a cell, as a line; nothing where it was not computed."""
    told = estimate.facts.get("cells", {}).get(cell, {}).get("suction_pf", {})
    if not told:
        return []
    depths = ", ".join(f"{value:.1f} at {name.split('_')[1]} m" for name, value in told.items()
                       if name.startswith("at_"))
    return [f"Suction of open ground now, pF: {depths}; below the roots {told['natural_level']:.1f}, under an old slab "
            f"{told['covered_level']:.1f}. Movement rests on its changes, not on the level."]


def young_slab(row: dict[str, Any], system: str) -> str:
    """Return what the weather before the pour did to a slab younger than seven years; empty for any other."""
    sentence = wording.YOUNG.get(str(row.get("pour_weather") or ""), "")
    return sentence and sentence.format(share=f"{row['edge_high_pct']:.0f} %",
                                        down=shown(abs(row["bend_largest_down_mm"]), system))


def lines(estimate: Results, lot_row: int, system: str = "us", cracked: str = "") -> list[str]:
    """Return the lines of one lot.

    Parameters
    ----------
    estimate : Results
    lot_row : int
        Position of the lot.
    system : str
        `us` or `si`.
    cracked : str
        What cracked ground would mean, as of `answers.if_cracked`; empty where that was not asked for.
    """
    row = estimate.lots.drop(columns=estimate.lots.geometry.name).iloc[lot_row].to_dict()
    out = [f"Lot {row['lot_id']} ({_where(estimate, int(row['lot_row']))}), {estimate.area_name}, {estimate.today}"]
    if row["state"]:
        return [*out, f"No number: {row['state']} - {tables.STATES.get(row['state'], '')}.",
                f"{row['state_reason'] or ''}", "This is not a low or a middle result.", wording.CAUTION]
    first, last = month_numbers.next_12_months(estimate.today)
    out += [
        f"Expected movement, next 12 months ({first} to {last}): {_range(row, 'expected_movement', system)}",
        f"Characteristic movement: {_range(row, 'long_run', system)}",
        f"Now: {_range(row, 'bend_now', system)}; {words.DIRECTION.get(row['direction'], row['direction'])}",
        f"Phase: {words.PHASE.get(row['phase'], row['phase'])} ({row['phase_probability']:.0%} of draws)",
        largest(row, estimate.today, system),
        f"What if a dry, a middle or a wet past year came again: {shown(row['whatif_dry_mm'], system)}, "
        f"{shown(row['whatif_average_mm'], system)}, {shown(row['whatif_wet_mm'], system)}",
        *([f"If the ground cracks beside the slab: {cracked}"] if cracked else []),
        "", f"Why (compared with {reference(estimate, system)}, which gives "
        f"{shown(row['typical_lot_mm'], system)}):",
    ]
    for name in words.PARTS:
        value = float(row[f"part_{name}_mm"])
        words_of_part = words.part(name, value) + (gaps_mean(value) if name == "gaps" else "")
        out.append(f"  {part_shown(value, system):>9}  {words_of_part}")
    out += ["", f"Soil: {row['map_unit_name']} ({row['map_unit_symbol']}), {row['shrink_swell_class']} shrink-swell, "
            f"{extensibility(row, system)}",
            f"Pour: {row['pour_from']} to {row['pour_to']} "
            f"({words.POUR_BASIS.get(row['pour_date_basis'], row['pour_date_basis'])})"]
    if sentence := young_slab(row, system):
        out.append(f"Young slab: {sentence}")
    if row["neighbor_unit_share"] >= 0.005:  # false when missing
        out.append(f"Soil line {length(row['soil_line_distance_m'], system)} away; with "
                   f"{row['neighbor_unit_share']:.0%} probability the slab stands on {row['neighbor_unit_name']}")
    out += [*suction(estimate, str(row["cell_id"])), weather_driver(estimate),
            *([GROUND_CRACKED] if ground_cracked(estimate) else [])]
    flags = [flag for flag in str(row["flags"] or "").split(";") if flag]
    out += [f"Note: {sentence}" for sentence in words.flag_sentences(flags).values()]
    return [*out, "", calibrated.standing(estimate), wording.CAUTION]
