"""How long the middle of a slab takes to its final height: computed, and measured nowhere.

The limits between growth and rest are shares (`movement.life`); this says how many years they take, in climate
divisions by the default ground and for the archetypes of a run over all its model runs. It is computed in plain NumPy
from the modes, apart from the compiled path, so that the two can be compared.
Method: notebooks/method.md, section 9.1.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.evidence.measured import trade
from riskmap.evidence.measured.movement import ALPHA, DEPTH, RESTRAINT, cells_of
from riskmap.evidence.measured.wetness import CLIMATE
from riskmap.movement import draws as random
from riskmap.movement import driver as weather
from riskmap.movement import kernels, life, reduced_model, summary, surface, trace
from riskmap.movement.run_draws import Engine
from riskmap.movement.soil_units import depth_caps, layer_arrays, units_of, with_stiffness

if TYPE_CHECKING:
    from riskmap.common.settings import ClimateSettings, MovementSettings, SoilSettings
    from riskmap.common.weather import MovementInputs
    from riskmap.movement.draw_inputs import Units

Array = NDArray[np.float64]

SHARES = (0.5, 0.9, life.GROWN_SHARE)
DIVISIONS = ("0504", "1408", "3405", "4103", "4105", "0306", "1304")  # of `trade.DIVISIONS`: dry to humid, cold to warm
MM = 1000.0
HEADING = ("division", "usual rise of the middle, mm", *(f"years to {share:.0%}" for share in SHARES),
           "poured in the driest tenth of the months: rise, mm", "in the wettest tenth: rise, mm",
           "wettest tenth, years to 95 %")


@dataclass(frozen=True)
class Pours:
    """What slabs have to move that were poured in each month of a record, one ground.

    Attributes
    ----------
    part : array, shape (n_pour, n_mode)
        Movement of the middle that is left at the pour, by mode. [m]
    decay : array, shape (n_mode,)
        Per month.
    usual_part : array, shape (n_mode,)
        The same of the mean over the normal period. [m]
    """

    part: Array
    decay: Array
    usual_part: Array

    def years(self, share: float) -> Array:
        """Return the years after which the middle stays within the rest of a share, shape (n_pour,)."""
        whole = np.maximum(np.abs(self.part.sum(axis=1)), abs(self.usual_part.sum()))
        return life.years_to(share, self.part, self.decay, whole)

    def usual_years(self, share: float) -> float:
        """Return the same for a slab that was poured on the mean ground of the normal period."""
        part = self.usual_part[None, :]
        return float(life.years_to(share, part, self.decay, np.abs(part.sum(axis=1)))[0])

    @property
    def rise_mm(self) -> Array:
        """Final movement of the middle, up positive, shape (n_pour,). [mm]"""
        return -MM * self.part.sum(axis=1)


def differences(model: reduced_model.ReducedModel, suction: Array, mean: float,
                dtau: float) -> tuple[Array, Array, Array]:
    """Return the always-slabbed strip, what a pour in each month adds to it (both n_month, n_mode), decay per month.

    suction (n_month,): surface suction minus the covered equilibrium, mean: of the straight first profile [pF]; dtau:
    months in dimensionless time. Method: method.md, section 5.6. [pF]
    """
    decay, early, late = reduced_model.step_factors(model.rates, dtau)
    g_decay, g_early, g_late = reduced_model.step_factors(model.ground_rates, dtau)
    states, ground = np.empty((suction.size, model.rates.size)), np.empty((suction.size, model.ground_rates.size))
    kernels.march(suction, mean * model.inputs / model.rates, decay, early * model.inputs, late * model.inputs, states)
    kernels.march(suction, mean * model.ground_inputs / model.ground_rates, g_decay, g_early * model.ground_inputs,
                  g_late * model.ground_inputs, ground)
    return states, ground @ model.initial.T - states, decay


def of_division(open_data: Path, division: str) -> Pours:
    """Return the pours of 1951-2020 in one division: the ground of `trade`, by day steps on monthly data."""
    level = trade.suction(open_data, division, "day")
    first = 12 * (CLIMATE.equilibrium_first_year - trade.FIRST_YEAR)
    stop = 12 * (CLIMATE.equilibrium_last_year + 1 - trade.FIRST_YEAR)
    covered = surface.equilibrium(level[first - (CLIMATE.equilibrium_months - 1) : stop],
                                  window=CLIMATE.equilibrium_months, percentile=CLIMATE.equilibrium_percentile)
    relative = level[:stop] - covered
    model = reduced_model.cached(trade.HALF_WIDTH_M / DEPTH)
    _, delta, decay = differences(model, relative, float(relative[first:].mean()), ALPHA / (12 * DEPTH**2))
    row = trace.strain_rows(model, cells_of(model, trade.EXTENSIBILITY), RESTRAINT)[0][0]
    normal = slice(12 * (CLIMATE.normal_first_year - trade.FIRST_YEAR),
                   12 * (CLIMATE.normal_last_year + 1 - trade.FIRST_YEAR))
    return Pours(row * delta[first:], decay, row * delta[normal].mean(axis=0))


def table(open_data: Path) -> str:
    """Return the Markdown table of some divisions; where the open data lack them, a sentence that says so."""
    if not (open_data / "drought" / "climate_divisions").is_dir():
        return "**Not computed: the climate divisions are absent from the open data.**"
    lines = ["| " + " | ".join(HEADING) + " |", "| --- " * len(HEADING) + "|"]
    for division in DIVISIONS:
        pours = of_division(open_data, division)
        rise, years = pours.rise_mm, pours.years(life.GROWN_SHARE)
        low, high = np.quantile(rise, (0.1, 0.9))
        wet = years[rise <= low]
        cells = (f"{trade.DIVISIONS[division][0]} ({division})", f"{-MM * pours.usual_part.sum():.0f}",
                 *(f"{pours.usual_years(share):.1f}" for share in SHARES), f"{rise[rise >= high].mean():.0f}",
                 f"{rise[rise <= low].mean():.0f}", f"{wet.min():.1f} to {wet.max():.1f}")
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def of_archetypes(inputs: MovementInputs, movement: MovementSettings, climate: ClimateSettings,
                  soil: SoilSettings) -> pd.DataFrame:
    """Return how long the middle of each archetype takes, over all model runs.

    Parameters
    ----------
    inputs : MovementInputs
    movement, climate, soil : settings

    Returns
    -------
    DataFrame
        One row per archetype with an estimate, by `archetype`: for each of `SHARES` the columns `years_50`, `years_90`,
        `years_95`, each also with `_p10` and `_p90`, over the model runs; one that never gets there within
        `life.MOST_MONTHS` counts as that long. `rest_share`: share of the model runs in which the middle rests in the
        present month, early settlement left aside.
    """
    archetypes, stiffnesses = with_stiffness(inputs.archetype, movement)
    engine = Engine(random.make(movement), layer_arrays(inputs.profile, inputs.layer, soil),
                    depth_caps(inputs.profile), stiffnesses, soil.lep_cap_pct, movement)
    found = []
    for cell, of_cell in archetypes.groupby("cell_id", sort=True):
        driver = weather.make(inputs.history, inputs.history.cells.index(str(cell)), engine.draws, climate, movement)
        if driver.state:
            continue
        for key, archetype in of_cell.groupby(["half_width_m", "half_width_basis"], sort=True):
            half_width, basis = cast("tuple[float, str]", key)
            parts = inputs.archetype_profile[inputs.archetype_profile["archetype_id"].isin(archetype.index)]
            units, number = units_of(archetype, parts, driver, engine.cap_m)
            years = np.empty((units.profile.size, engine.draws.count, len(SHARES) + 1))
            for d in range(engine.draws.count):
                years[:, d] = _of_draw(d, units, engine, driver, float(half_width), basis)
            chosen = summary.choose_units(parts["archetype_id"].to_numpy(), number, parts["weight"].to_numpy(),
                                          engine.draws.component)
            mixed = years[chosen, np.arange(engine.draws.count)[None, :]]
            columns: dict[str, Array] = {"archetype": archetype.index.to_numpy()}
            for s, share in enumerate(SHARES):
                name = f"years_{100 * share:.0f}"
                columns[f"{name}_p10"], columns[name], columns[f"{name}_p90"] = np.quantile(
                    mixed[:, :, s], (0.1, 0.5, 0.9), axis=1)
            found.append(pd.DataFrame({**columns, "rest_share": mixed[:, :, -1].mean(axis=1)}))
    return pd.concat(found, ignore_index=True).sort_values("archetype", ignore_index=True)


def _of_draw(d: int, units: Units, engine: Engine, driver: weather.Driver, half_width_m: float,
             basis: str) -> Array:
    """Return the years to each of `SHARES` and whether the middle rests now, shape (n_unit, n_share + 1)."""
    draws = engine.draws
    pour = np.minimum(units.early + (draws.pour[d] * (units.late - units.early + 1)).astype(np.int64), units.late)
    cap = engine.cap_m[units.profile]
    suction = driver.suction_pf[d] - driver.equilibrium_pf[d]
    first, last = driver.normal
    out = np.empty((units.profile.size, len(SHARES) + 1))
    for one_cap in np.unique(cap):
        depth, ratio, crack = engine.strip(d, float(one_cap), half_width_m, basis)
        model = reduced_model.cached(ratio, False, crack)
        states, delta, decay = differences(model, suction, float(suction[driver.record :].mean()),
                                           float(draws.diffusivity_m2_per_yr[d]) / (12 * depth**2))
        usual = delta[first : last + 1].mean(axis=0)
        for profile in np.unique(units.profile[cap == one_cap]):
            cells = engine.cells(d, int(profile), model.depth_edges * depth)
            rows, _ = trace.strain_rows(model, cells, float(draws.restraint[d]))
            here = np.flatnonzero(units.profile == profile)
            part = rows[0] * delta[pour[here]]
            whole = np.maximum(np.abs(part.sum(axis=1)), abs(rows[0] @ usual))
            edge_range = np.ptp(states[first : last + 1] @ rows[-1])
            whole = np.where(whole <= kernels.REUSE_SHARE * edge_range, 0.0, whole)
            for s, share in enumerate(SHARES):
                years = np.where(whole > 0, life.years_to(share, part, decay, whole), 0.0)
                out[here, s] = np.where(np.isnan(years), life.MOST_MONTHS / 12, years)
            out[here, -1] = 12 * out[here, SHARES.index(life.GROWN_SHARE)] <= driver.now - pour[here]
    return out
