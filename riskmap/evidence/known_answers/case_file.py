"""Cases in a file: solver cases, driver months and the equilibrium rule, and mixtures, each against its stated limit.

Format: `format_version` 2 as described with the reference values (drivers, cases, mixtures with their conventions). The
cases show whether the equations are solved, not whether they are right.
"""

from __future__ import annotations

import gzip
import json
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.common.errors import LayerError
from riskmap.common.units import MM_PER_INCH
from riskmap.movement import draws as random
from riskmap.movement import kernels_soil, reduced_model, surface, trace

Array = NDArray[np.float64]

FIRST_YEAR = 1895
LIMIT_PF = 0.001
SLAB = {"spring": 2e6, "load": 6e3, "edge_load": 12e3}
DRY_PF, WET_PF, DRY_SD, WET_SD, OFFSET_SD = 4.3, 2.9, 0.12, 0.15, 0.15  # as the file's conventions say
RESTRAINT = (0.5, 0.8)


@dataclass(frozen=True)
class Line:
    """One comparison: what is compared, our largest difference, the limit, and where the difference occurs."""

    kind: str
    name: str
    difference: float
    limit: float
    unit: str
    where: str

    @property
    def passed(self) -> bool:
        """True when the difference is a number inside the limit."""
        return bool(self.difference <= self.limit)


def load(path: Path) -> dict[str, Any]:
    """Read a case file (.json or .json.gz) of cases with drivers, or of day steps; LayerError when it is neither."""
    from riskmap.evidence.known_answers import case_file_daily

    try:
        text = gzip.decompress(path.read_bytes()).decode() if path.suffix == ".gz" else path.read_text("utf-8")
        content = json.loads(text)
    except (OSError, ValueError, EOFError, zlib.error) as error:
        raise LayerError(f"E-SLF-001 {path.name}: cannot be read as a case file: {error}.") from None
    if of_cracked_ground(content) or case_file_daily.is_one(content):
        return dict(content)
    missing = [] if not isinstance(content, dict) else [k for k in ("drivers", "cases") if k not in content]
    if not isinstance(content, dict) or missing or content.get("format_version") != 2:
        raise LayerError(f"E-SLF-002 {path.name}: not a case file of format_version 2 with drivers and cases, nor one "
                         "of day steps, nor one of cracked ground.")
    return content


def of_cracked_ground(content: Any) -> bool:
    """Return whether the content of a file is cases of cracked ground, which name a division instead of drivers."""
    cases = content.get("cases") if isinstance(content, dict) else None
    return isinstance(cases, list) and bool(cases) and all(
        isinstance(case, dict) and isinstance(case.get("input"), dict) and "cracked_depth_m" in case["input"]
        for case in cases)


def place(month: str) -> int:
    """Return the position of a month, YYYY-MM, in a series that begins in 1895-01."""
    return (int(month[:4]) - FIRST_YEAR) * 12 + int(month[5:]) - 1


def strain_cells(horizons: list[dict[str, Any]], lep_pct: Array, model: reduced_model.ReducedModel,
                 depth: float) -> Array:
    """Return the strain index of the model's depth cells as the files' conventions say. [m per pF]"""
    top = np.array([h["top_cm"] for h in horizons]) / 100
    bottom = np.array([h["bottom_cm"] for h in horizons]) / 100
    index = np.array([kernels_soil.compression_index(float(v), 20.0, 2.97) for v in lep_pct])
    bottom[-1] = max(bottom[-1], 2.0)
    return kernels_soil.cell_strain_index(model.depth_edges * depth, np.append(top, bottom[-1]),
                                         np.append(bottom, 100.0), np.append(index, index[-1] / 2))


def _sides(inputs: dict[str, Any], after: Array) -> tuple[Array, Array]:
    sides = inputs["sides"]
    if sides["kind"] == "offset":
        return after + sides["left_pf"], after + sides["right_pf"]
    return np.minimum(after, sides["left_max_pf"]), after


def solve_case(case: dict[str, Any], drivers: dict[str, Any]) -> tuple[Array, float]:
    """Return ground movement from left to right edge, shape (n_after, n_node) in mm, and the half width in m."""
    inputs = case["input"]
    depth, width = inputs["active_depth_m"], inputs["half_width_m"]
    model = reduced_model.build(width / depth)
    surface_pf = np.array(drivers[inputs["driver"]]["u_s_pf"])
    pour, u_e = place(inputs["pour_end_of"]), inputs["u_e_pf"]
    common = {
        "diffusivity_m2_per_yr": inputs["alpha_m2_per_yr"], "active_depth_m": depth,
        "restraint": inputs["lateral_factor"],
        "index_cells": strain_cells(inputs["horizons"], np.array([h["lep_pct"] for h in inputs["horizons"]]), model,
                                    depth),
    }
    if "sides" in inputs:
        left, right = _sides(inputs, surface_pf[pour:])
        opposite = reduced_model.build(width / depth, antisymmetric=True)
        heave = trace.two_sided(model, opposite, surface_pf - u_e, left - u_e, right - u_e, pour, **common).heave_m
    else:
        half = trace.ground(model, surface_pf - u_e, pour, **common).heave_m
        heave = np.hstack([half[:, :0:-1], half])
    return heave * 1e3, width


def check_case(case: dict[str, Any], drivers: dict[str, Any]) -> Line:
    """Return the largest difference of a solver case in mm; slab ratio and tilt are multiplied by the slab's length."""
    heave, width = solve_case(case, drivers)
    across = np.linspace(-width, width, heave.shape[1])
    expected, months = case["heave_mm"], case["heave_mm"]["month_after_pour"]
    misses: dict[str, float] = {}
    points = {"centre": 0.0, "edge": width, "left_edge": -width, "in_1m": width - 1, "in_2m": width - 2}
    for name, x in points.items():
        for month, value in zip(months, expected[name], strict=True):
            misses[f"{name} month {month}"] = np.interp(x, across, heave[month]) - value
    dome = heave[:, heave.shape[1] // 2] - (heave[:, 0] + heave[:, -1]) / 2
    for which in ("max", "min", "now"):
        month = case["dome"][which]["month_after_pour"]
        misses[f"dome {which}"] = dome[month] - case["dome"][which]["value_mm"]
        for stiffness in (5, 20, 60):
            middle, departure, tilt = trace.whole_slab_since_pour(heave[month] / 1e3, width, stiffness=stiffness * 1e6,
                                                                  **SLAB)
            slab = case["slab"][f"ei_{stiffness}"][which]
            misses[f"slab {stiffness} {which}"] = middle * 1e3 - slab["mid_mm"]
            misses[f"ratio {stiffness} {which}"] = (abs(departure) / (2 * width) - slab["ratio"]) * 2 * width * 1e3
            misses[f"tilt {stiffness} {which}"] = (tilt * 100 - slab["tilt_pct"]) / 100 * 2 * width * 1e3
    where = max(misses, key=lambda name: abs(misses[name]))
    return Line("solver", case["id"], abs(misses[where]), case["tolerance_mm"], "mm", where)


def behaviour(heave_mm: Array) -> dict[str, float]:
    """Return what practitioners look for after month 84: dome, steady middle, active edge, dishes; and the time to
    settle.

    heave_mm (n_after, n_node): movement from left to right edge. `settled_yr` is when the yearly mean of the middle
    first comes within 10 % of its mean over the last ten years; nan when the history is shorter than 20 years.
    """
    middle, edge = heave_mm[:, heave_mm.shape[1] // 2], heave_mm[:, -1]
    dome = middle - (heave_mm[:, 0] + edge) / 2
    late = slice(84, None)
    settled = float("nan")
    if middle.size > 240:
        yearly = np.convolve(middle, np.ones(12) / 12, "valid")
        end = middle[-120:].mean()
        settled = (float(np.argmax(np.abs(yearly - end) <= 0.1 * abs(end))) + 6) / 12
    return {"dome_mean_mm": float(dome[late].mean()), "dome_max_mm": float(dome[late].max()),
            "dome_min_mm": float(dome[late].min()), "centre_range_mm": float(np.ptp(middle[late])),
            "edge_range_mm": float(np.ptp(edge[late])), "dish_months_pct": float(100 * (dome[late] < 0).mean()),
            "settled_yr": settled}


def check_behaviour(case: dict[str, Any], drivers: dict[str, Any]) -> Iterator[Line]:
    """Yield our behaviour after month 84 against the case's: millimetres within its tolerance, dishes within a point.

    Dishes are counted in whole months, so in a short history one month more or less is allowed.
    """
    expected = case.get("after_month_84")
    if not expected:
        return
    ours = behaviour(solve_case(case, drivers)[0])
    one_month = 100 / (case["heave_mm"]["month_after_pour"][-1] - 83)
    misses = {name: abs(ours[name] - value) / (max(1.0, 1.01 * one_month) if name.endswith("_pct")
                                               else case["tolerance_mm"]) for name, value in expected.items()}
    where = max(misses, key=lambda name: misses[name])
    yield Line("behaviour", case["id"], misses[where], 1.0, "of the limit", where)


def facts(content: dict[str, Any]) -> str:
    """Return the practical figures of the cases with a long history as a table, ours next to the file's.

    `2011` is the largest dome of that drought divided by the mean dome (ours only).
    """
    columns = {"dome_mean_mm": "dome mean", "dome_max_mm": "dome max", "dome_min_mm": "dome min",
               "centre_range_mm": "middle range", "edge_range_mm": "edge range", "dish_months_pct": "dish %"}
    out = [f"{'case':<24}{'settled':>8}{'2011':>7}" + "".join(f"{name:>16}" for name in columns.values())]
    for case in content["cases"]:
        expected = case.get("after_month_84")
        if not expected or case["heave_mm"]["month_after_pour"][-1] < 240:
            continue
        heave = solve_case(case, content["drivers"])[0]
        ours = behaviour(heave)
        dome = heave[:, heave.shape[1] // 2] - (heave[:, 0] + heave[:, -1]) / 2
        pour = place(case["input"]["pour_end_of"])
        drought = dome[place("2011-06") - pour : place("2012-06") - pour].max() / ours["dome_mean_mm"]
        cells = (f"{ours[name]:.1f} / {expected[name]:.1f}" for name in columns)
        out.append(f"{case['id'][:23]:<24}{ours['settled_yr']:>6.1f} y{drought:>6.1f}x"
                   + "".join(f"{cell:>16}" for cell in cells))
    return "\n".join(out)


def check_driver(name: str, driver: dict[str, Any], divisions: pd.DataFrame | None) -> Iterator[Line]:
    """Yield check months and equilibrium rule of a bucket driver; without divisions, from the series in the file.

    A driver of kind bucket is always the monthly one.
    """
    if driver["kind"] != "bucket":
        return
    if "file" in driver["pet"] and divisions is not None:
        rows = divisions[divisions["division"] == driver["division"]]
        filling = surface.filling(rows["precip_in"].to_numpy(float) * MM_PER_INCH,
                                  rows["pet_in"].to_numpy(float) * MM_PER_INCH, driver["rain_factor"],
                                  driver["capacity_mm"], 1.0)
        suction = (DRY_PF - (DRY_PF - WET_PF) * filling).round(4)
        misses = {month: abs(suction[place(month)] - value) for month, value in driver["u_s_pf_check"].items()}
        where = max(misses, key=lambda month: misses[month])
        yield Line("driver", name, misses[where], LIMIT_PF, "pF", where)
    elif "u_s_pf" in driver:
        suction = np.array(driver["u_s_pf"])
    else:
        return
    rule = surface.equilibrium(suction[place("1950-05") : place("2020-12") + 1], window=9, percentile=3.0)
    yield Line("equilibrium", name, abs(rule - driver["u_e_rule_pf"]), LIMIT_PF, "pF", "rule")


def mixture_quantities(mixture: dict[str, Any], driver: dict[str, Any], draws: int, seed: int) -> dict[str, Array]:
    """Return dome and centre quantities of every model run of a mixture, shape (draws,) each, in mm."""
    from scipy.special import ndtri

    u = random.stratified(draws, seed)
    described = [c for c in mixture["components"] if c["horizons"]]
    share = np.cumsum([c["comppct"] for c in described])
    which = np.searchsorted(share / share[-1], u["component"], side="right")
    surface_pf, pour = np.array(driver["u_s_pf"]), place(mixture["pour_end_of"])
    filling = (DRY_PF - surface_pf) / (DRY_PF - WET_PF)
    s_e = (DRY_PF - mixture["u_e_median_pf"]) / (DRY_PF - WET_PF)
    alpha = np.clip(1.85 * np.exp(mixture["alpha_sigma_ln"] * ndtri(u["diffusivity"])),
                    *mixture["alpha_clip_m2_per_yr"])
    model = reduced_model.cached(round(12 / 7, 4))
    out = {name: np.empty(draws) for name in ("dome_max", "dome_min", "dome_now", "centre_now")}
    for d in range(draws):
        wet, dry = WET_PF + WET_SD * ndtri(u["wet_limit"][d]), DRY_PF + DRY_SD * ndtri(u["dry_limit"][d])
        u_e = dry - (dry - wet) * s_e + OFFSET_SD * ndtri(u["equilibrium_common"][d])
        horizons = described[which[d]]["horizons"]
        triples = np.array([h["lep_l_r_h_pct"] for h in horizons])
        lep = random.triangular(u["extensibility"][d], triples[:, 0], triples[:, 1], triples[:, 2])
        moved = trace.ground(
            model, dry - (dry - wet) * filling - u_e, pour, diffusivity_m2_per_yr=float(alpha[d]), active_depth_m=3.5,
            restraint=RESTRAINT[0] + (RESTRAINT[1] - RESTRAINT[0]) * u["restraint"][d],
            index_cells=strain_cells(horizons, lep, model, 3.5))
        dome = moved.dome_m * 1e3
        out["dome_max"][d], out["dome_min"][d], out["dome_now"][d] = dome.max(), dome.min(), dome[-1]
        out["centre_now"][d] = moved.heave_m[-1, 0] * 1e3
    return out


def check_mixture(mixture: dict[str, Any], drivers: dict[str, Any], draws: int = 400, seed: int = 1) -> Iterator[Line]:
    """Yield the worst percentile of each quantity divided by its limit, 4 sqrt(se^2 + sd_200^2 * 200 / n)."""
    ours = mixture_quantities(mixture, drivers[mixture["driver"]], draws, seed)
    for name, answer in mixture["mm"].items():
        difference = np.abs(np.percentile(ours[name], (10, 50, 90)) - answer["p10_p50_p90"])
        limit = 4 * np.sqrt(np.square(answer["standard_error"]) + np.square(answer["sd_of_200_draws"]) * 200 / draws)
        worst = int(np.argmax(difference / limit))
        yield Line("mixture", f"{mixture['id']} {name}", float(difference[worst]), float(limit[worst]), "mm",
                   ("p10", "p50", "p90")[worst])


def check(content: dict[str, Any], divisions: pd.DataFrame | None = None) -> list[Line]:
    """Return every comparison of a case file; drivers also from the climate divisions when they are given."""
    drivers = content["drivers"]
    lines = [line for name, driver in drivers.items() for line in check_driver(name, driver, divisions)]
    lines += [check_case(case, drivers) for case in content["cases"]]
    lines += [line for case in content["cases"] for line in check_behaviour(case, drivers)]
    lines += [line for mixture in content.get("mixtures", ()) for line in check_mixture(mixture, drivers)]
    return lines


def text(lines: list[Line], most: int = 12) -> str:
    """Return a summary by kind and the comparisons nearest to or beyond their limit."""
    out = []
    for kind in dict.fromkeys(line.kind for line in lines):
        of_kind = [line for line in lines if line.kind == kind]
        out.append(f"{kind:<12} {sum(line.passed for line in of_kind)} of {len(of_kind)} inside the limit")
    ranked = sorted(lines, key=lambda line: -line.difference / line.limit)
    out.append("\nlargest shares of the limit:")
    out += [f"  {line.difference / line.limit:6.2f}  {line.kind:<11} {line.name[:48]:<48} {line.difference:8.4f} of "
            f"{line.limit:.4f} {line.unit} ({line.where})" for line in ranked[:most]]
    return "\n".join(out)


def read_divisions(folder: Path) -> pd.DataFrame:
    """Return the climate divisions of an open data folder."""
    paths = sorted((folder / "drought" / "climate_divisions").glob("nclimdiv*.csv.gz"))
    return pd.concat([pd.read_csv(path, dtype={"division": str}) for path in paths], ignore_index=True)


@dataclass(frozen=True)
class Comparisons:
    """Every comparison of a case file, and its practical figures, ours next to the file's.

    `with_drivers` says whether driver months were computed again, which needs the open data folder.
    """

    lines: list[Line]
    trade_facts: str
    with_drivers: bool

    @property
    def passed(self) -> bool:
        """Whether all comparisons lie inside their limits."""
        return all(line.passed for line in self.lines)

    def text(self) -> str:
        """Return the comparisons for people."""
        left_out = "" if self.with_drivers else \
            "\n\nDriver months and stations were not recomputed: that needs the open data folder."
        facts = self.trade_facts and f"\n\ntrade facts after month 84, mm, ours / file's:\n{self.trade_facts}"
        return f"{text(self.lines)}{facts}{left_out}"

    def as_json(self) -> str:
        """Return the comparisons for programs; a difference that is not a number becomes null."""
        lines = [{**vars(line), "difference": line.difference if np.isfinite(line.difference) else None,
                  "passed": line.passed} for line in self.lines]
        return json.dumps({"comparisons": lines, "trade_facts": self.trade_facts, "with_drivers": self.with_drivers},
                          indent=1, ensure_ascii=False)


def compared(path: Path, open_data: Path | None = None) -> Comparisons:
    """Return the comparisons of a case file; driver months only with the open data folder.

    Raises
    ------
    LayerError
        When the file cannot be read or is not a case file, or when a part of it is missing or of the wrong kind; or
        when there are cases of cracked ground but no open data folder.
    """
    # this file is written with the parts of this module
    from riskmap.evidence.known_answers import case_file_daily, cracked_cases

    content = load(path)
    by_days = case_file_daily.is_one(content)
    divisions = read_divisions(open_data) if open_data and not by_days else None
    try:
        if of_cracked_ground(content):
            if divisions is None:
                raise LayerError(f"E-SLF-004 {path.name}: cases of cracked ground name climate divisions; give the "
                                 "open data folder that contains drought/climate_divisions.")
            return Comparisons(cracked_cases.check(content, divisions), cracked_cases.facts(content, divisions), True)
        lines = case_file_daily.check(content, open_data) if by_days else check(content, divisions)
    except (KeyError, TypeError, ValueError, IndexError, AttributeError) as error:
        raise LayerError(f"E-SLF-003 {path.name}: a driver or case lacks a part or has the wrong kind of value: "
                         f"{type(error).__name__}: {error}.") from None
    return Comparisons(lines, "" if by_days else facts(content), open_data is not None)
