"""Solver, driver and mixtures against the independent solution (values by a slow march and a grid-free series).

The referee says whether the equations are solved, not whether they are right. Limits are its own: movement
max(1 % of the edge range, 0.3 mm), driver 0.001 pF, mixtures four standard errors.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from riskmap.movement import kernels, surface, trace
from riskmap.movement import reduced_model as rm

LIMIT_PF = 0.001


@pytest.fixture(scope="module")
def cases(referee: Path) -> dict[str, Any]:
    return json.loads((referee / "cases_shared.json").read_text())


@pytest.fixture(scope="module")
def divisions(open_data: Path) -> pd.DataFrame:
    folder = open_data / "drought" / "climate_divisions"
    return pd.concat(pd.read_csv(path, dtype={"division": str}) for path in sorted(folder.glob("nclimdiv*.csv.gz")))


def index_cells(horizons: list[dict[str, float]], model: rm.ReducedModel, depth: float) -> np.ndarray:
    top = np.array([h["top_cm"] for h in horizons]) / 100
    bottom = np.array([h["bottom_cm"] for h in horizons]) / 100
    index = np.array([kernels.compression_index(h["lep_pct"], 20.0, 2.97) for h in horizons])
    bottom[-1] = max(bottom[-1], 2.0)
    return kernels.cell_strain_index(model.depth_edges * depth, np.append(top, bottom[-1]), np.append(bottom, 100.0),
                                     np.append(index, index[-1] / 2))


def place(month: str) -> int:
    return (int(month[:4]) - 1895) * 12 + int(month[5:]) - 1


def test_every_symmetric_case(cases: dict[str, Any]) -> None:
    shares = {}
    for case in cases["cases"]:
        given = case["input"]
        if "sides" in given:
            continue
        depth, width = given["active_depth_m"], given["half_width_m"]
        model = rm.build(width / depth)
        driver = np.array(cases["drivers"][given["driver"]]["u_s_pf"]) - given["u_e_pf"]
        ours = trace.ground(model, driver, place(given["pour_end_of"]),
                            diffusivity_m2_per_yr=given["alpha_m2_per_yr"], active_depth_m=depth,
                            restraint=given["lateral_factor"],
                            index_cells=index_cells(given["horizons"], model, depth))
        heave = case["heave_mm"]
        months = heave["month_after_pour"]
        across = np.linspace(0, width, rm.PROFILE_POINTS)
        misses = [np.interp(x, across, ours.heave_m[m] * 1e3) - value
                  for x, name in ((0, "centre"), (width, "edge"), (width - 1, "in_1m"), (width - 2, "in_2m"))
                  for m, value in zip(months, heave[name], strict=True)]
        for which in ("max", "min", "now"):
            m = case["dome"][which]["month_after_pour"]
            misses.append(ours.dome_m[m] * 1e3 - case["dome"][which]["value_mm"])
            for stiffness in (5, 20, 60):
                middle, departure = trace.slab_since_pour(ours.heave_m[m], width, stiffness=stiffness * 1e6, spring=2e6,
                                                          load=6e3, edge_load=12e3)
                slab = case["slab"][f"ei_{stiffness}"][which]
                misses += [middle * 1e3 - slab["mid_mm"], abs(departure) * 1e3 - abs(slab["dmax_mm"])]
        shares[case["id"]] = np.abs(misses).max() / case["tolerance_mm"]
    assert len(shares) >= 25
    assert max(shares.values()) < 1.0, {name: round(s, 2) for name, s in shares.items() if s >= 1}


def test_driver_months_and_equilibrium_rule(cases: dict[str, Any], divisions: pd.DataFrame) -> None:
    checked = 0
    for name, driver in cases["drivers"].items():
        if driver["kind"] != "bucket" or "file" not in driver["pet"]:
            continue
        rows = divisions[divisions["division"] == driver["division"]]
        filling = surface.filling(rows["precip_in"].to_numpy() * 25.4, rows["pet_in"].to_numpy() * 25.4,
                                  driver["rain_factor"], driver["capacity_mm"], 1.0)
        suction = (4.3 - 1.4 * filling).round(4)
        for month, value in driver["u_s_pf_check"].items():
            assert suction[place(month)] == pytest.approx(value, abs=LIMIT_PF), (name, month)
        from_1951 = suction[place("1950-05") : place("2020-12") + 1]
        assert surface.equilibrium(from_1951, window=9, percentile=3.0) == \
            pytest.approx(driver["u_e_rule_pf"], abs=LIMIT_PF), name
        checked += 1
    assert checked >= 11


def test_every_case_with_unequal_sides(cases: dict[str, Any]) -> None:
    shares = {}
    for case in cases["cases"]:
        given = case["input"]
        if "sides" not in given:
            continue
        depth, width, sides = given["active_depth_m"], given["half_width_m"], given["sides"]
        model, opposite = rm.build(width / depth), rm.build(width / depth, antisymmetric=True)
        surface_pf = np.array(cases["drivers"][given["driver"]]["u_s_pf"])
        pour = place(given["pour_end_of"])
        after = surface_pf[pour:]
        if sides["kind"] == "offset":
            left, right = after + sides["left_pf"], after + sides["right_pf"]
        else:
            left, right = np.minimum(after, sides["left_max_pf"]), after
        u_e = given["u_e_pf"]
        ours = trace.two_sided(model, opposite, surface_pf - u_e, left - u_e, right - u_e, pour,
                               diffusivity_m2_per_yr=given["alpha_m2_per_yr"], active_depth_m=depth,
                               restraint=given["lateral_factor"],
                               index_cells=index_cells(given["horizons"], model, depth))
        heave, across = case["heave_mm"], np.linspace(-width, width, ours.heave_m.shape[1])
        misses = [np.interp(x, across, ours.heave_m[m] * 1e3) - value
                  for x, name in ((0, "centre"), (width, "edge"), (-width, "left_edge"), (width - 1, "in_1m"))
                  for m, value in zip(heave["month_after_pour"], heave[name], strict=True)]
        for which in ("max", "min", "now"):
            m = case["dome"][which]["month_after_pour"]
            misses.append(ours.dome_m[m] * 1e3 - case["dome"][which]["value_mm"])
            for stiffness in (5, 20, 60):
                middle, departure, tilt = trace.whole_slab_since_pour(
                    ours.heave_m[m], width, stiffness=stiffness * 1e6, spring=2e6, load=6e3, edge_load=12e3)
                slab = case["slab"][f"ei_{stiffness}"][which]
                misses += [middle * 1e3 - slab["mid_mm"], abs(departure) * 1e3 - abs(slab["dmax_mm"]),
                           (tilt * 100 - slab["tilt_pct"]) / 100 * 2 * width * 1e3]
        shares[case["id"]] = np.abs(misses).max() / case["tolerance_mm"]
    assert len(shares) == 3
    assert max(shares.values()) < 1.0, shares
