"""One lot in plain lines, for the terminal: number with its range, direction, phase, reasons, doubts, cautions."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from riskmap import results, tables, units
from riskmap.outputs import words

if TYPE_CHECKING:
    from riskmap.results import Results

MM_STEP, INCH_STEP = 2.0, 0.1  # what is shown; finer than a survey reads would promise too much


def shown(value_mm: float, system: str) -> str:
    """Return a movement as it is shown: steps of 0.1 in or 2 mm, never a minus before zero."""
    if value_mm != value_mm:
        return "no value"
    if system == "us":
        inches = round(units.mm_to_inch(value_mm) / INCH_STEP) * INCH_STEP
        return f"{inches + 0.0:.1f} in"
    return f"{round(value_mm / MM_STEP) * MM_STEP + 0.0:.0f} mm"


def _range(row: dict[str, Any], name: str, system: str) -> str:
    return (f"{shown(row[f'{name}_mm'], system)} (eight draws of ten between "
            f"{shown(row[f'{name}_mm_p10'], system)} and {shown(row[f'{name}_mm_p90'], system)})")


def lines(found: Results, lot_row: int, system: str = "us") -> list[str]:
    """Return the lines of one lot.

    Parameters
    ----------
    found : Results
    lot_row : int
        Position of the lot.
    system : str
        `us` or `si`.
    """
    row = found.lots.drop(columns=found.lots.geometry.name).iloc[lot_row].to_dict()
    out = [f"Lot {row['lot_id']} (row {row['lot_row'] + 1} of the lots), {found.area_name}, {found.today}"]
    if row["state"]:
        return [*out, f"No number: {row['state']} - {tables.STATES.get(row['state'], '')}.",
                f"{row['state_reason'] or ''}", "This is not a low or a middle result.", results.CAUTION]
    first, last = tables.next_12_months(found.today)
    out += [
        f"Expected movement, next 12 months ({first} to {last}): {_range(row, 'expected_movement', system)}",
        f"Characteristic movement: {_range(row, 'characteristic_movement', system)}",
        f"Now: {_range(row, 'deflection_now', system)}; {words.DIRECTION.get(row['direction'], row['direction'])}",
        f"Phase: {words.PHASE.get(row['phase'], row['phase'])} ({row['phase_probability']:.0%} of draws)",
        f"Largest dome since the pour: {shown(row['deflection_max_mm'], system)} ({row['deflection_max_date']}); "
        f"deepest dish {shown(row['deflection_min_mm'], system)}",
        f"What if a dry, a middle or a wet past year came again: {shown(row['outlook_dry_mm'], system)}, "
        f"{shown(row['outlook_normal_mm'], system)}, {shown(row['outlook_wet_mm'], system)}",
        "", "Why (compared with " + str(found.facts.get("reference_lot", "the reference lot")) + ", which gives "
        + shown(row["reference_movement_mm"], system) + "):",
    ]
    for name, what in (("soil", "soil"), ("age", "age and pour date"), ("weather", "weather up to now"),
                       ("slab", "slab size and stiffness"), ("doubt", "spread of what is not known")):
        value = row[f"driver_{name}_mm"]
        number = f"{units.mm_to_inch(value):+.2f} in" if system == "us" else f"{value:+.1f} mm"
        out.append(f"  {number:>9}  {what}")
    out += ["", f"Soil: {row['map_unit_name']} ({row['map_unit_symbol']}), {row['shrink_swell_class']} shrink-swell, "
            f"linear extensibility {row['linear_extensibility_pct']:.1f} %",
            f"Pour: {row['pour_date_early']} to {row['pour_date_late']} "
            f"({words.POUR_BASIS.get(row['pour_date_basis'], row['pour_date_basis'])})"]
    if row["neighbor_unit_share"] >= 0.005:  # false when missing
        out.append(f"Soil line {row['soil_line_distance_m']:.0f} m away; with {row['neighbor_unit_share']:.0%} "
                   f"probability the slab stands on {row['neighbor_unit_name']}")
    flags = [flag for flag in str(row["flags"] or "").split(";") if flag]
    out += [f"Note: {sentence}" for sentence in words.flag_sentences(flags).values()]
    return [*out, "", results.STANDING, results.CAUTION]
