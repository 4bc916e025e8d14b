"""Cases of cracked ground and of two levels of suction in a file, each value against the file's stated limit.

The file names a climate division and contains no series, so the suction at the surface is computed again from the
division. The limits are max(1 % of the edge range, 0.3 mm) for movement, as the file states, 0.001 pF for the suction
of the driver and the levels, and 0.01 pF for the profile.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from riskmap.common.units import MM_PER_INCH
from riskmap.evidence.known_answers import case_file
from riskmap.evidence.known_answers.case_file import Line, place
from riskmap.movement import cracked, kernels, reduced_model, suction_levels, surface, trace

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]

CAPACITY_MM, RAIN_FACTOR = 150.0, 0.8  # as in the file's driver
LIMIT_PF, LIMIT_PROFILE_PF = 0.001, 0.01
LEAST_MM, SHARE_OF_RANGE = 0.3, 0.01
DALLAS_DEPTH_M = 6.0
POINTS = ("centre", "in_2m", "in_1m", "edge", "open_ground")


@dataclass(frozen=True)
class Solved:
    """Our solution of a case: the reduced model, surface suction [pF] and ground movement since the pour."""

    model: reduced_model.ReducedModel
    suction_pf: Array
    pour: int
    ground: trace.Ground


def suction_of(divisions: pd.DataFrame, division: str) -> Array:
    """Return the surface suction by the monthly bucket, month ends from 1895-01, rounded as the file says. [pF]"""
    rows = divisions[divisions["division"] == division]
    filling = surface.filling(rows["precip_in"].to_numpy(float) * MM_PER_INCH,
                              rows["pet_in"].to_numpy(float) * MM_PER_INCH, RAIN_FACTOR, CAPACITY_MM, 1.0)
    return (case_file.DRY_PF - (case_file.DRY_PF - case_file.WET_PF) * filling).round(4)


def solve(case: dict[str, Any], divisions: pd.DataFrame, model: reduced_model.ReducedModel | None = None) -> Solved:
    """Return our solution of a case at the middle, 2 m and 1 m inside the edge, and the edge.

    model : ReducedModel, optional
        In place of the one that the case asks for, with the same four points.
    """
    given = case["input"]
    depth = given["active_depth_m"]
    if model is None:
        width = given["half_width_m"]
        model = reduced_model.build(
            width / depth, cracked_depth=given["cracked_depth_m"] / depth,
            cracked_ratio=given["alpha_cracked_m2_per_yr"] / given["alpha_m2_per_yr"],
            positions=np.array([0.0, width - 2, width - 1, width]) / depth)
    horizons = [{"top_cm": top, "bottom_cm": bottom} for top, bottom, _ in given["horizons_cm_lep"]]
    cells = case_file.strain_cells(horizons, np.array([lep for _, _, lep in given["horizons_cm_lep"]]), model, depth)
    share = given["vertical_share"]
    if share == "depth":
        cells = cells * cracked.vertical_share_of_cells(model.depth_edges * depth, given["cracked_depth_m"])
    suction, pour = suction_of(divisions, given["division"]), place(given["pour_end_of"])
    return Solved(model, suction, pour, trace.ground(
        model, suction - given["u_e_pf"], pour, diffusivity_m2_per_yr=given["alpha_m2_per_yr"], active_depth_m=depth,
        restraint=1.0 if share == "depth" else share, index_cells=cells))


def _check_driver(case: dict[str, Any], found: Solved) -> Line:
    given = case["input"]
    first = place("1951-01") - given["rule_window_months"] + 1
    rule = surface.equilibrium(found.suction_pf[first : place("2020-12") + 1], window=given["rule_window_months"],
                               percentile=3.0)
    natural = suction_levels.natural_level(found.suction_pf[place("1991-01") : place("2020-12") + 1])
    misses = {month: found.suction_pf[place(month)] - value for month, value in given["u_s_pf_check"].items()}
    misses |= {"covered equilibrium": rule - given["u_e_pf"], "natural level": natural - given["u_n_pf"]}
    return _line("cracked driver", case, misses, LIMIT_PF, "pF")


def _check_movement(case: dict[str, Any], found: Solved) -> Line:
    expected = case["heave_mm"]
    heave, dome = found.ground.heave_m * 1e3, found.ground.dome_m * 1e3
    misses = {}
    histories = dict(zip(POINTS, [*heave.T, found.ground.open_ground_m * 1e3], strict=True))
    for name, ours in histories.items():
        for month, value in zip(expected["month_after_pour"], expected[name], strict=True):
            misses[f"{name} month {month}"] = ours[month] - value
    for which in ("max", "min", "now"):
        misses[f"dome {which}"] = dome[case["dome"][which]["month_after_pour"]] - case["dome"][which]["value_mm"]
    misses |= {"largest dome": dome.max() - case["dome"]["max"]["value_mm"],
               "smallest dome": dome.min() - case["dome"]["min"]["value_mm"],
               "edge range": np.ptp(heave[:, -1]) - case["edge_range_mm"]}
    return _line("cracked ground", case, misses, limit_mm(case), "mm")


def _behaviour(found: Solved) -> dict[str, float]:
    half = found.ground.heave_m * 1e3
    return case_file.behaviour(np.hstack([half[:, :0:-1], half]))


def _check_behaviour(case: dict[str, Any], found: Solved) -> Line:
    """Compare what follows month 84. Dishes are counted in months, so the limit allows one month more or less."""
    expected = case["after_month_84"]
    ours = _behaviour(found)
    month_pct = 100 / (len(found.ground.heave_m) - 84)
    misses = {name: (ours[name] - value) / (1.01 * month_pct if name.endswith("_pct") else limit_mm(case))
              for name, value in expected.items()}
    return _line("cracked behaviour", case, misses, 1.0, "of the limit")


def _check_levels(case: dict[str, Any], found: Solved) -> Line:
    """Compare the absolute suction with two levels: profile at the middle and in open ground, and the mean to 6 m."""
    given, expected = case["input"], case["suction_pf"]
    levels = {"natural_pf": given["u_n_pf"], "covered_pf": given["u_e_pf"]}
    edges = found.model.depth_edges * given["active_depth_m"]
    z, depths = (edges[1:] + edges[:-1]) / 2, np.array(expected["depth_m"])
    middle, open_ground = states(case, found)
    u_n = given["u_n_pf"]
    misses: dict[str, float] = {}
    for key, values in expected.items():
        if key == "depth_m":
            continue
        place_name, month = key.rsplit("_month_", 1)
        ground = open_ground[found.pour + int(month)] if place_name == "open_ground" or month == "0" else \
            middle[int(month)]
        absolute = suction_levels.with_inflow(given["u_e_pf"] + ground, z, active_depth_m=given["active_depth_m"],
                                              **levels)
        at_surface = found.suction_pf[found.pour + int(month)] if place_name == "open_ground" or month == "0" else \
            absolute[0] - (absolute[1] - absolute[0]) / (z[1] - z[0]) * z[0]
        ours = np.interp(depths, [0.0, *z, edges[-1]], [at_surface, *absolute, u_n])
        misses |= {f"{key} at {d:g} m": a - b for d, a, b in zip(depths, ours, values, strict=True)}
    years = slice(place("1995-01"), place("1997-12") + 1)
    mean = suction_levels.mean_to(DALLAS_DEPTH_M, given["u_e_pf"] + open_ground[years], edges, **levels).mean()
    misses["open ground to 6 m, 1995-97"] = float(mean) - case["open_ground_mean_pf_0_6m_1995_97"]
    return _line("two levels", case, misses, LIMIT_PROFILE_PF, "pF")


def states(case: dict[str, Any], found: Solved) -> tuple[Array, Array]:
    """Return suction above the covered equilibrium by depth cell: below the slab's middle from the pour on, and in open
    ground.

    Shapes (n_after, n_z) and (n_month, n_z). [pF]
    """
    given, model = case["input"], found.model
    dtau = given["alpha_m2_per_yr"] / (12 * given["active_depth_m"] ** 2)
    driver = found.suction_pf - given["u_e_pf"]
    size = np.diff(model.depth_edges)
    decay, early, late = reduced_model.step_factors(model.ground_rates, dtau)
    ground = np.empty((driver.size, model.ground_rates.size))
    kernels.march(driver, driver[: found.pour + 1].mean() * model.ground_inputs / model.ground_rates, decay,
                  early * model.ground_inputs, late * model.ground_inputs, ground)
    decay, early, late = reduced_model.step_factors(model.rates, dtau)
    strip = np.empty((driver.size - found.pour, model.rates.size))
    kernels.march(driver[found.pour :], model.initial @ ground[found.pour], decay, early * model.inputs,
                  late * model.inputs, strip)
    return strip @ model.output[0].T / size, ground @ model.ground_output.T / size


def limit_mm(case: dict[str, Any]) -> float:
    """Return the file's limit for movement. [mm]"""
    return float(max(SHARE_OF_RANGE * case["edge_range_mm"], LEAST_MM))


def _line(kind: str, case: dict[str, Any], misses: dict[str, float], limit: float, unit: str) -> Line:
    where = max(misses, key=lambda name: abs(misses[name]) if np.isfinite(misses[name]) else np.inf)
    return Line(kind, case["id"], float(abs(misses[where])), limit, unit, where)


def lines_of(case: dict[str, Any], found: Solved) -> list[Line]:
    """Return the comparisons of one case with our solution of it."""
    lines = [_check_driver(case, found), _check_movement(case, found), _check_behaviour(case, found)]
    return [*lines, _check_levels(case, found)] if "suction_pf" in case else lines


def check(content: dict[str, Any], divisions: pd.DataFrame) -> list[Line]:
    """Return every comparison of a file of cracked ground."""
    return [line for case in content["cases"] for line in lines_of(case, solve(case, divisions))]


def facts(content: dict[str, Any], divisions: pd.DataFrame) -> str:
    """Return dome, edge range and dishes after month 84 of every case as a table, ours next to the file's."""
    columns = {"dome_mean_mm": "dome mean", "dome_max_mm": "dome max", "dome_min_mm": "dome min",
               "edge_range_mm": "edge range", "dish_months_pct": "dish %"}
    out = [f"{'case':<8}" + "".join(f"{name:>16}" for name in columns.values())]
    for case in content["cases"]:
        ours, expected = _behaviour(solve(case, divisions)), case["after_month_84"]
        cells = (f"{ours[name]:.1f} / {expected[name]:.1f}" for name in columns)
        out.append(f"{case['id'][:7]:<8}" + "".join(f"{cell:>16}" for cell in cells))
    return "\n".join(out)
