"""One lot in plain lines, for the terminal: the answers with their ranges, phase, reasons, notes, cautions."""

from __future__ import annotations

import re
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

from riskmap.common import results, tables, units, wording
from riskmap.common.errors import visible
from riskmap.outputs import calibrated, dates, telling, waterfall, words
from riskmap.outputs.telling import shown

if TYPE_CHECKING:
    from riskmap.common.results import AreaResults, Results

EXTENSIBILITY = "linear extensibility {pct} %, mean of {depths}"
EXTENSIBILITY_DEPTHS = {"us": "10 to 39 in", "si": "25 to 100 cm"}


def label(estimate: Results, row: int) -> str:
    """Return the label of the lot at a row, such as its address; empty where it has none."""
    if estimate.labels is None:
        return ""
    return visible(str(estimate.labels.get(int(estimate.lots["lot_row"].iloc[row]), "")))


def length(value_m: float, system: str) -> str:
    """Return a length on the ground in feet or metres."""
    return f"{units.m_to_foot(value_m):.0f} ft" if system == "us" else f"{value_m:.1f} m"


def rounded_length(value_m: float, system: str) -> str:
    """Return a length on the ground in whole feet or metres."""
    return f"{units.m_to_foot(value_m):.0f} ft" if system == "us" else f"{value_m:.0f} m"


def extensibility(lot: dict[str, Any], system: str) -> str:
    """Return the class and the linear extensibility of a lot, with the depths over which it is averaged."""
    return EXTENSIBILITY.format(pct=f"{lot['linear_extensibility_pct']:.1f}", depths=EXTENSIBILITY_DEPTHS[system])


def slab_width(lot: dict[str, Any], system: str) -> str:
    """Return the short side of the slab; where the lot file does not give it, it says so, in both units."""
    if "slab_size_assumed" not in str(lot["flags"] or "").split(";"):
        return length(float(lot["slab_width_m"]), system)
    both = [f"{units.m_to_foot(float(lot['slab_width_m'])):.0f} ft", f"{lot['slab_width_m']:g} m"]
    return "assumed {} ({})".format(*(both if system == "us" else both[::-1]))


def typical_lot(estimate: AreaResults, system: str) -> str:
    """Return a description of the typical lot of a run, with lengths in the units of the page."""
    # of runs by former versions
    text = str(estimate.facts.get("reference_lot", "")).removeprefix("a reference lot here: ")
    us = system == "us"

    def depth(match: re.Match[str]) -> str:
        top = f"{units.m_to_foot(float(match[2])):.0f} ft" if us else f"{match[2]} m"
        return f"{match[1]} %, mean of the top {top}"

    def wide(match: re.Match[str]) -> str:
        return f"slab {units.m_to_foot(float(match[1])):.0f} ft wide" if us else match[0]

    text = re.sub(r"(\d+(?:\.\d+)?) % to (\d+(?:\.\d+)?) m\b", depth, text)
    return re.sub(r"slab (\d+(?:\.\d+)?) m wide", wide, text) or "not recorded in this run"


def shared_reasons(estimate: Results) -> tuple[waterfall.Shared, ...]:
    """Return the reasons that nearly all lots of the area share; for a run read in part, those found in all lots."""
    told: tuple[waterfall.Shared, ...] | None = estimate.facts.get("shared_reasons")
    return waterfall.shared_by(estimate.lots) if told is None else told


def whatif_years(estimate: AreaResults, cell: str) -> tuple[Any, ...]:
    """Return which past years are used as the dry, average and wet one in a climate cell; empty when not known."""
    years = estimate.facts.get("cells", {}).get(cell, {}).get("whatif_years", ())
    return tuple(dates.written_out(str(one)) for one in years)


def largest(lot: dict[str, Any], today: str, system: str) -> str:
    """Return the largest bending up and down since the pour, where each model run has its own month.

    A side that is shown as zero is left out; where both are, the slab has been level. The month shown is that of the
    median run. It is left out where the pour date is not known (the pour of that run is one of many), and where it is
    the present month, because it would repeat `Now`.
    """
    month, known = str(lot["bend_largest_up_date"]), lot["pour_date_basis"] != "none"
    dated = f" (about {telling.month_name(month)})" if known and month and month != today else ""
    up, down = float(lot["bend_largest_up_mm"]), float(lot["bend_largest_down_mm"])
    told = [] if telling.is_zero(up, system) else [telling.side(up, system) + dated]
    if not telling.is_zero(down, system):
        told.append(("largest the other way: " if told else "") + telling.side(down, system))
    return (f"Largest so far{'' if known else ' (pour date not known)'}: "
            f"{'; '.join(told) or telling.SENTENCES['level']}")


def weather_driver(found: Results) -> str:
    """Return the driver that turned weather into suction; a run that names none was made with the monthly bucket."""
    driver = str(found.settings.get("climate_settings", {}).get("driver", "month"))
    return f"Weather: {words.DRIVER.get(driver, driver)}"


def ground_cracked(found: AreaResults) -> bool:
    """Return whether a run assumes cracked open ground; a run that does not say was made before there was a choice."""
    return bool(found.settings.get("movement", {}).get("ground") == "cracked")


GROUND_CRACKED = "Ground: taken as cracked beside the slab (a setting of this run)"


def if_cracked(expected_mm: float, cracked_expected_mm: float, swing_mm: float, cracked_swing_mm: float,
               system: str) -> str:
    """Return what cracked ground would mean for a lot, each figure followed by the run's own."""
    expected, cracked_expected, swing, cracked_swing = (
        shown(value, system) for value in (expected_mm, cracked_expected_mm, swing_mm, cracked_swing_mm))
    return (f"estimate {cracked_expected} (uncracked {expected}), yearly swing of the ground at the edge "
            f"{cracked_swing} (uncracked {swing})")


def _where(estimate: Results, position: int) -> str:
    """Return where a lot is in its file, as `check` numbers rows; runs of older versions know only the position."""
    path = PurePath(str(estimate.settings.get("lots", {}).get("path") or "the lot file"))
    row = results.editor_row(estimate.facts.get("lot_rows", []), position)
    return f"row {row} of {path.name}" if row is not None else f"lot {position + 1} of {path.name}"


def suction(estimate: Results, cell: str, system: str) -> list[str]:
    """Return a line with the suction of open ground by depth in a cell; nothing where it was not computed."""
    told = estimate.facts.get("cells", {}).get(cell, {}).get("suction_pf", {})
    if not told:
        return []
    depths = ", ".join(f"{value:.1f} at {length(float(name.split('_')[1]), system)}" for name, value in told.items()
                       if name.startswith("at_"))
    return [f"Suction of open ground now, pF: {depths}; below the roots {told['natural_level']:.1f}, under an old slab "
            f"{told['covered_level']:.1f}. The estimate depends on how the suction changes, not on how high it is."]


def young_slab(row: dict[str, Any], system: str) -> str:
    """Return what the weather before the pour did to a slab younger than seven years; empty for any other."""
    sentence = wording.YOUNG.get(str(row.get("pour_weather") or ""), "")
    if not sentence:
        return ""
    down = abs(float(row["bend_largest_down_mm"]))
    if telling.is_zero(down, system):
        sentence = sentence.replace(wording.YOUNG_MOST, "")
    return sentence.format(share=f"{row['edge_high_pct']:.0f} %", down=shown(down, system))


def shares(estimate: Results, lot_row: int) -> list[str]:
    """Return a line that says how many lots share the estimate of a lot, and why; none where no other lot does."""
    count = 0 if estimate.sharing is None else int(estimate.sharing[lot_row])
    if count < 2:
        return []
    assumed = "slab_size_assumed" in str(estimate.lots["flags"].iloc[lot_row] or "").split(";")
    return [f"{count:,} lots share this estimate: same soil, age, {'assumed ' if assumed else ''}slab."]


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
        What cracked ground would mean, as returned by `answers.if_cracked`; empty where it was not requested.
    """
    row = estimate.lots.drop(columns=estimate.lots.geometry.name).iloc[lot_row].to_dict()
    out = [f"Lot {row['lot_id']} ({_where(estimate, int(row['lot_row']))}), {estimate.area_name}, {estimate.today}"]
    known_as = label(estimate, lot_row)
    out += [f"Label: {known_as}"] if known_as else []
    if row["state"]:
        return [*out, f"No estimate: {row['state']} - {tables.STATES.get(row['state'], '')}.",
                f"{row['state_reason'] or ''}", "No estimate does not mean low movement.", wording.CAUTION]
    out += shares(estimate, lot_row)
    shared, years = shared_reasons(estimate), whatif_years(estimate, str(row["cell_id"]))
    out += [f"{name}: {answer}" for name, answer in telling.answers(row, estimate.today, system).values()]
    out += [" ".join(filter(None, [telling.whatif_years(years), wording.CAUTION_WHATIF])), "",
            f"Phase: {words.phase(row['phase'], row['phase_probability'])}",
            largest(row, estimate.today, system),
            *([f"If the ground cracks beside the slab: {cracked}"] if cracked else []),
            "", f"{waterfall.heading(row, system)}:"]
    out += [f"  {waterfall.text_of(step, system):>9}  {step.label}"
            for step in waterfall.steps(row, [one.name for one in shared])]
    out += [waterfall.SENTENCES["typical_lot"].format(typical_lot=typical_lot(estimate, system)),
            *waterfall.area_sentences(shared, system)]
    out += ["", f"Soil: {row['map_unit_name']} ({row['map_unit_symbol']}), {row['shrink_swell_class']} shrink-swell, "
            f"{extensibility(row, system)}",
            f"Pour: {dates.span(str(row['pour_from']), str(row['pour_to']))} "
            f"({words.POUR_BASIS.get(row['pour_date_basis'], row['pour_date_basis'])})"]
    if sentence := young_slab(row, system):
        out.append(f"Young slab: {sentence}")
    if row["neighbor_unit_share"] >= 0.005:  # false when missing
        out.append(f"Soil boundary {length(row['soil_line_distance_m'], system)} away; with "
                   f"{row['neighbor_unit_share']:.0%} probability the slab is on {row['neighbor_unit_name']}")
    out += [*suction(estimate, str(row["cell_id"]), system), weather_driver(estimate),
            *([GROUND_CRACKED] if ground_cracked(estimate) else [])]
    flags = [flag for flag in str(row["flags"] or "").split(";") if flag]
    out += [f"Note: {sentence}" for sentence in words.flag_sentences(flags).values()]
    return [*out, "", calibrated.standing(estimate), wording.CAUTION]
