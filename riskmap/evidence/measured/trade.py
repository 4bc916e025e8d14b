"""What practitioners in Texas say of slabs on clay, compared with the model: it is computed, and measured nowhere.

All rows have the same ground: even clay, the default diffusivity and depth, a slab of 6 m half width, and nothing
varied. The weather is that of eleven climate divisions. Each row is given for both drivers of the surface.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from riskmap.common.units import MM_PER_INCH
from riskmap.evidence.known_answers.case_file import behaviour, read_divisions
from riskmap.evidence.measured import day_driver
from riskmap.evidence.measured.movement import ALPHA, DEPTH, RESTRAINT, cells_of
from riskmap.evidence.measured.wetness import CLIMATE, MOVEMENT
from riskmap.movement import day_steps, kernels, surface, trace
from riskmap.movement import reduced_model as rm
from riskmap.movement.young import SETTLED_MONTHS, thirds

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]

HALF_WIDTH_M, EXTENSIBILITY = 6.0, 9.0  # a usual slab on expansive clay
FIRST_YEAR = 1895  # of the divisions' records
OLD_POUR_YEAR = 1938  # twelve pours, one per month: old by 1951
POUR_EVERY_MONTHS = 5  # for the young slabs: every fifth month of the years, so that no season is left out
# Centre of each division [degrees north], from memory; only the radiation above the air depends on it.
DIVISIONS = {
    "0504": ("Platte, Colorado", 39.5), "1408": ("south-central Kansas", 37.5), "3405": ("central Oklahoma", 36.1),
    "4102": ("low rolling plains, Texas", 33.3), "4103": ("north-central Texas", 32.5),
    "4105": ("Trans-Pecos, Texas", 30.7), "4108": ("upper coast, Texas", 29.5),
    "0306": ("east-central Arkansas", 34.9), "0309": ("south-east Arkansas", 33.6),
    "1304": ("west-central Iowa", 42.0), "1305": ("central Iowa", 42.0)}
HEADING = ("division", "edge above middle, old slab, % of the months of 1951-2020",
           "the same in the first seven years, poured in the wettest, middle, driest third",
           "lowest middle after a dry pour, mm", "years to settle", "drought of 2011 over mean dome",
           "yearly range, middle over edge", "edge distance, m")


@dataclass(frozen=True)
class Facts:
    """The results of one driver in one division.

    Attributes
    ----------
    edge_high_pct : tuple of float
        Smallest and largest share of the months of 1951-2020 in which the edge of an old slab is above its middle, over
        twelve pours of one year. [%]
    young_edge_high_pct : tuple of float
        The same for the first seven years, averaged over the pours of the wettest, the middle and the driest third. [%]
    young_lowest_mm : tuple of float
        Lowest middle above the edge within the first seven years, by third. [mm]
    settled_years : float
        Years until the yearly mean of the middle is within 10 % of its last, mean over the twelve pours.
    drought_ratio : float
        Largest dome from June 2011 to May 2012 divided by the mean dome of 1951-2020.
    middle_share : float
        Yearly range of the middle divided by that of the edge, means of 1951-2020.
    edge_distance_m : float
        Distance in from the edge at which the mean yearly range of suction just below the slab falls to 0.1 pF. [m]
    """

    edge_high_pct: tuple[float, float]
    young_edge_high_pct: tuple[float, float, float]
    young_lowest_mm: tuple[float, float, float]
    settled_years: float
    drought_ratio: float
    middle_share: float
    edge_distance_m: float


@lru_cache(maxsize=1)
def _table(open_data: Path) -> pd.DataFrame:
    return read_divisions(open_data)


def suction(open_data: Path, division: str, driver: str) -> Array:
    """Return surface suction at month ends since 1895 by `day` steps on monthly data or the `month` bucket. [pF]"""
    rows = _table(open_data)
    rows = rows[rows["division"] == division]
    rain = MM_PER_INCH * rows["precip_in"].to_numpy(float)
    if driver == "month":
        filled = surface.filling(rain, MM_PER_INCH * rows["pet_in"].to_numpy(float), CLIMATE.rain_factor,
                                 CLIMATE.bucket_capacity_mm, 0.5)
    else:
        days = day_steps.from_months(rain, (rows["tavg_f"].to_numpy(float) - 32) / 1.8, first_month=12 * FIRST_YEAR,
                                     latitude_deg=DIVISIONS[division][1])
        filled = day_driver.wet_share(day_driver.filling(days))
    return MOVEMENT.dry_limit_pf - (MOVEMENT.dry_limit_pf - MOVEMENT.wet_limit_pf) * filled


def facts(open_data: Path, division: str, driver: str) -> Facts:
    """Return the facts of one division by one driver (see `Facts`)."""
    level = suction(open_data, division, driver)
    first = 12 * (CLIMATE.equilibrium_first_year - FIRST_YEAR)
    stop = 12 * (CLIMATE.equilibrium_last_year + 1 - FIRST_YEAR)
    covered = surface.equilibrium(level[first - (CLIMATE.equilibrium_months - 1) : stop],
                                  window=CLIMATE.equilibrium_months, percentile=CLIMATE.equilibrium_percentile)
    relative = level[:stop] - covered
    model = rm.cached(HALF_WIDTH_M / DEPTH)
    cells = cells_of(model, EXTENSIBILITY)
    spin_up = float(relative[first:].mean())

    def moved(pour: int) -> trace.Ground:
        return trace.ground(model, relative, pour, diffusivity_m2_per_yr=ALPHA, active_depth_m=DEPTH,
                            restraint=RESTRAINT, index_cells=cells, spin_up_mean_pf=spin_up)

    start = 12 * (OLD_POUR_YEAR - FIRST_YEAR)
    old = [moved(pour) for pour in range(start, start + 12)]
    domes = [1000 * ground.dome_m[first - start - month :] for month, ground in enumerate(old)]
    high = [100 * float((dome < 0).mean()) for dome in domes]
    drought = domes[0][12 * (2011 - CLIMATE.equilibrium_first_year) + 5 :][:12].max() / domes[0].mean()
    ranges = [np.ptp(series[first - start :].reshape(-1, 12), axis=1).mean()
              for series in (old[0].heave_m[:, 0], old[0].heave_m[:, -1])]
    settled = [behaviour(1000 * np.hstack([ground.heave_m[:, ::-1], ground.heave_m[:, 1:]]))["settled_yr"]
               for ground in old]
    pours = np.arange(first, stop - SETTLED_MONTHS, POUR_EVERY_MONTHS)
    young = np.array([1000 * moved(int(pour)).dome_m[1 : SETTLED_MONTHS + 1] for pour in pours])
    third = thirds(level, pours, slice(first, stop))
    by_third = [young[third == k] for k in range(3)]
    wet, middle, dry = ((100 * float((part < 0).mean()), float(part.min())) for part in by_third)
    return Facts((min(high), max(high)), (wet[0], middle[0], dry[0]), (wet[1], middle[1], dry[1]),
                 float(np.mean(settled)), float(drought), float(ranges[0] / ranges[1]),
                 _edge_distance(model, relative, slice(first, stop)))


def _edge_distance(model: rm.ReducedModel, relative: Array, years: slice) -> float:
    """Return how far in from the edge the yearly range of suction just below an old slab reaches 0.1 pF. [m]"""
    decay, early, late = rm.step_factors(model.rates, ALPHA / (12 * DEPTH**2))
    states = np.empty((relative.size, model.rates.size))
    kernels.march(relative, np.zeros(model.rates.size), decay, early * model.inputs, late * model.inputs, states)
    below = states @ (model.output[:, 0] / model.depth_edges[1]).T  # first depth cell, from the middle to the edge
    yearly = np.ptp(below[years].reshape(-1, 12, below.shape[1]), axis=1).mean(axis=0)
    return float(np.interp(0.1, yearly, np.linspace(HALF_WIDTH_M, 0, yearly.size)))


def table(open_data: Path) -> str:
    """Return the Markdown table of all divisions, day steps first and the monthly bucket in brackets.

    If the open data lack the divisions, it returns a sentence that says so.
    """
    if not (open_data / "drought" / "climate_divisions").is_dir():
        return "**Not computed: the climate divisions are absent from the open data.**"
    lines = ["| " + " | ".join(HEADING) + " |", "| --- " * len(HEADING) + "|"]
    for division, (name, _) in DIVISIONS.items():
        pairs = zip(_cells_of(facts(open_data, division, "day")), _cells_of(facts(open_data, division, "month")),
                    strict=True)
        lines.append(" | ".join([f"| {name} ({division})", *(f"{days} ({months})" for days, months in pairs)]) + " |")
    return "\n".join(lines)


def _cells_of(row: Facts) -> tuple[str, ...]:
    """Return the printed cells of one driver."""
    least, most = (f"{value:.1f}" for value in row.edge_high_pct)
    return (least if least == most else f"{least} to {most}", ", ".join(f"{v:.0f}" for v in row.young_edge_high_pct),
            f"{row.young_lowest_mm[2]:.0f}", f"{row.settled_years:.1f}", f"{row.drought_ratio:.1f}",
            f"{row.middle_share:.2f}", f"{row.edge_distance_m:.1f}")
