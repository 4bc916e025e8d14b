"""Invented surveys from known parameters: does the calibration find them, and does it notice when it cannot?

Nothing here is measured. A truth is one set of common parameters, sampled like those of a run but with another seed.
Every house has its own soil, width and pour month, a discrepancy that is proportional to the movement and similar
between neighbours, as-built unevenness and reading error. `study` repeats this over many truths and reports how often
the truth lies where the calibration says. It proves that the machinery works, not that the model fits any real ground.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.answers.calibration import blocks, fitting, physical, predict, statistical
from riskmap.answers.calibration.fitting import Fit, SurveyRows
from riskmap.answers.calibration.physical import Rows
from riskmap.answers.survey.expected import AS_BUILT_DOME_SD_MM
from riskmap.movement import draws as random

if TYPE_CHECKING:
    from riskmap.common.settings import Area
    from riskmap.common.weather import MovementInputs
    from riskmap.movement.draws import Draws

Array = NDArray[np.float64]

OWN = ("component", "extensibility", "half_width", "pour")  # sampled separately for every house
VARIANTS = 8  # number of own-parameter sets that the houses of one truth share
CHANGE_SD_MM, SINGLE_SD_MM = 3.6, 2.5  # reading errors given to the invented surveys
TRUTH_SEED = 77


@dataclass(frozen=True)
class Town:
    """Invented houses, with what the run expects of them and what every truth gives.

    Attributes
    ----------
    table : DataFrame
        One row per survey: house, archetype, kind, first_month, second_month, x_m, y_m, lep_pct, pour_month.
    draws, truth_draws : Draws
        The draws of the run, and those of the truths, `VARIANTS` for each truth.
    expected : Expected
    truth_mm : array, shape (n_row, n_truth, VARIANTS)
    """

    table: pd.DataFrame
    draws: Draws
    truth_draws: Draws
    expected: predict.Expected
    truth_mm: Array

    @property
    def features(self) -> Array:
        """Terms of the statistical layer, shape (n_row, 8)."""
        return statistical.of_rows(self.table)

    def rows(self, value_mm: Array) -> Rows:
        """Return survey rows with these values."""
        single = (self.table["kind"] == "single").to_numpy()
        return Rows(value_mm, np.where(single, SINGLE_SD_MM, CHANGE_SD_MM), single,
                    self.table["house"].to_numpy(np.int64), self.table["x_m"].to_numpy(float),
                    self.table["y_m"].to_numpy(float))

    def survey(self, value_mm: Array, source: list[str] | None = None) -> SurveyRows:
        """Return a survey with these values, ready to fit."""
        return SurveyRows(self.rows(value_mm), self.expected, self.features, None,
                          source or ["source 1"] * len(self.table))

    def part(self, where: NDArray[np.bool_]) -> Town:
        """Return some rows."""
        return replace(self, table=self.table[where].reset_index(drop=True), expected=self.expected.rows(where),
                       truth_mm=self.truth_mm[where])


def truths(settings: Any, count: int, seed: int = TRUTH_SEED) -> Draws:
    """Return draws of `count` truths: each `VARIANTS` in a row share the common parameters, not the houses' own."""
    common = random.make(settings.model_copy(update={"draws": max(count, 20), "seed": seed}))
    every = random.make(settings.model_copy(update={"draws": max(count, 20) * VARIANTS, "seed": seed + 1}))
    rng = np.random.default_rng([seed, 2])
    order = rng.permutation(every.count)
    held: dict[str, Any] = {f.name: np.repeat(getattr(common, f.name), VARIANTS, axis=0) for f in fields(common)
                            if f.name not in OWN}
    return replace(every, **held, **{name: getattr(every, name)[order] for name in OWN})


def town(table: pd.DataFrame, inputs: MovementInputs, area: Area, count: int, *, seed: int = TRUTH_SEED,
         workers: int | None = 1) -> Town:
    """Compute what a run expects of invented survey rows, and what `count` truths give.

    Parameters
    ----------
    table : DataFrame
        As in `Town.table`; every survey must be after the pour.
    """
    own, others = random.make(area.movement), truths(area.movement, count, seed)
    expected = predict.smooth(*predict.of_rows(table, inputs, area, own, workers=workers), own)
    truth = predict.of_rows(table, inputs, area, others, one_soil=True, workers=workers)[0]
    return Town(table, own, others, expected, truth.reshape(len(table), -1, VARIANTS)[:, :count])


def near_field(x_m: Array, y_m: Array, range_m: float, rng: np.random.Generator) -> Array:
    """Return a normal field of unit variance with correlation exp(-distance / range), shape (n,)."""
    away = np.hypot(x_m[:, None] - x_m, y_m[:, None] - y_m)
    field: Array = np.linalg.cholesky(np.exp(-away / range_m) + 1e-9 * np.eye(x_m.size)) @ rng.normal(size=x_m.size)
    return field


def invent(town: Town, truth: int, seed: int, *, discrepancy: float = 0.15, near_share: float = 0.5,
           range_m: float = blocks.RANGE_M, near_mm: float = 0.0) -> Array:
    """Return invented survey values of one truth, shape (n_row,). [mm]

    Parameters
    ----------
    town : Town
    truth, seed : int
        Which truth to use; seed of everything else.
    discrepancy, near_share : float
        Share of the movement that no model run explains (one standard deviation), and share of its variance that
        neighbours have in common.
    range_m : float
        Correlation range. [m]
    near_mm : float
        Standard deviation of a further error that neighbours share and that does not follow the movement. [mm]
    """
    rng = np.random.default_rng([seed, truth])
    table = town.table
    house = table["house"].to_numpy(np.int64)
    count = int(house.max()) + 1
    variant, own, built = rng.integers(VARIANTS, size=count), rng.normal(size=count), rng.normal(size=count)
    moved = town.truth_mm[np.arange(len(table)), truth, variant[house]]
    x, y = (table[name].to_numpy(float) for name in ("x_m", "y_m"))
    first = np.unique(house, return_index=True)[1]
    shared, further = (np.zeros(count) for _ in range(2))
    for field in (shared, further):
        field[house[first]] = near_field(x[first], y[first], range_m, rng)
    off = discrepancy * (np.sqrt(1 - near_share) * own + np.sqrt(near_share) * shared)[house]
    rows = town.rows(moved)
    noise = rng.normal(size=len(table)) * rows.reading_sd_mm + built[house] * AS_BUILT_DOME_SD_MM * rows.single
    return moved * (1 + off) + near_mm * further[house] + noise


def of_known_factor(town: Town, factor: float, seed: int, *, discrepancy: float = 0.15, near_share: float = 0.5,
                    range_m: float = blocks.RANGE_M) -> Array:
    """Return invented survey values of houses that move `factor` times as much as modelled, shape (n_row,). [mm]

    Each value is the model's median times the factor, plus a proportional discrepancy of which neighbours have a share
    in common, the scatter of the house, its as-built shape and a reading error. Rows of one house share all of these
    except the reading error.
    """
    rng = np.random.default_rng([seed, 5])
    house = town.table["house"].to_numpy(np.int64)
    count = int(house.max()) + 1
    own, scatter, built = (rng.normal(size=count)[house] for _ in range(3))
    x, y = (town.table[name].to_numpy(float) for name in ("x_m", "y_m"))
    first = np.unique(house, return_index=True)[1]
    shared = np.zeros(count)
    shared[house[first]] = near_field(x[first], y[first], range_m, rng)
    modelled = physical.ranges(town.expected, physical.even(town.draws.count))[0]
    rows = town.rows(modelled)
    off = discrepancy * (np.sqrt(1 - near_share) * own + np.sqrt(near_share) * shared[house])
    noise = rng.normal(size=len(house)) * rows.reading_sd_mm + built * AS_BUILT_DOME_SD_MM * rows.single
    return factor * modelled * (1 + off) + scatter * town.expected.scatter + noise


def factor_study(town: Town, factor: float, seeds: int, bending: predict.Expected | None = None) -> pd.DataFrame:
    """Calibrate against surveys of a known factor; one row per seed and per factor that could be computed.

    Parameters
    ----------
    town : Town
        It has single surveys or changes.
    factor : float
    seeds : int
    bending : Expected, optional
        As in `SurveyRows`, for changes.

    Returns
    -------
    DataFrame
        seed, on, and the fields of `factors.Factor`.
    """
    out = []
    for seed in range(seeds):
        survey = replace(town.survey(of_known_factor(town, factor, seed)), bending=bending)
        fit = fitting.fit(survey, with_sources=False)
        out += [{"seed": seed, "on": fit.physical.on, **vars(found)} for found in fit.factors]
    return pd.DataFrame(out)


def study(town: Town, seeds: int = 1, **options: float) -> pd.DataFrame:
    """Calibrate against invented surveys of every truth; one row per truth and seed.

    Returns
    -------
    DataFrame
        truth, seed, on, statistical_on, ess, exponent, errors and coverages of `fitting.Fit`, and for each common
        parameter `<name>_in`: whether the truth lies in the posterior's 80 % range, `<name>_p10`, `_p50`, `_p90`,
        `<name>_truth`.
    """
    values = predict.parameters(town.draws)
    true = predict.parameters(town.truth_draws)
    out = []
    for truth in range(town.truth_mm.shape[1]):
        for seed in range(seeds):
            fit = fitting.fit(town.survey(invent(town, truth, seed, **options)), with_sources=False)
            row: dict[str, Any] = {"truth": truth, "seed": seed} | _facts_of_fit(fit)
            for name in predict.SUMMARISED:
                low, middle, high = physical.quantiles(values[name][None, :], fit.weights.weight)[:, 0]
                value = true[name][truth * VARIANTS]
                row |= {f"{name}_truth": value, f"{name}_p10": low, f"{name}_p50": middle, f"{name}_p90": high,
                        f"{name}_in": bool(low <= value <= high)}
            out.append(row)
    return pd.DataFrame(out)


def _facts_of_fit(fit: Fit) -> dict[str, Any]:
    one, two = fit.physical, fit.statistical
    return {"on": one.on, "statistical_on": two.on, "ess": fit.weights.ess,
            "ess_untempered": fit.weights.ess_untempered, "exponent": fit.weights.exponent,
            "discrepancy": fit.weights.discrepancy, "range_m": fit.range_m,
            "uncalibrated_mm": fit.uncalibrated_mm, "constant_mm": fit.constant_mm, "blocked_mm": one.blocked_mm,
            "random_mm": one.random_mm, "statistical_blocked_mm": two.blocked_mm,
            "statistical_random_mm": two.random_mm, "coverage_before": fit.coverage_before, "coverage": one.coverage,
            "coverage_scaled": one.coverage_scaled, "scale": one.scale, "quarantined": int(fit.quarantined.sum()),
            "refused": " ".join(r.code for r in fit.refusals)}


def summary(table: pd.DataFrame, draws: Draws) -> list[str]:
    """Return the table of recovery and coverage as lines of text."""
    prior = predict.parameters(draws)
    lines = [f"{len(table)} invented surveys; physical layer on in {100 * table['on'].mean():.0f} %, statistical in "
             f"{100 * table['statistical_on'].mean():.0f} %; median effective sample size {table['ess'].median():.0f} "
             f"(untempered {table['ess_untempered'].median():.0f})",
             f"{'parameter':<24}{'truth inside 80 %':>18}{'width / prior':>15}{'correlation':>13}"]
    for name in predict.SUMMARISED:
        low, high = np.percentile(prior[name], (10, 90))
        width = ((table[f"{name}_p90"] - table[f"{name}_p10"]) / (high - low)).median()
        lines.append(f"{name:<24}{100 * table[f'{name}_in'].mean():>16.0f} %{width:>15.2f}"
                     f"{table[f'{name}_truth'].corr(table[f'{name}_p50']):>13.2f}")
    lines += [f"{words:<44}{table[name].mean():>8.2f}" for name, words in (
        ("coverage_before", "coverage of 80 % ranges, uncalibrated"), ("coverage", "the same, left out by block"),
        ("coverage_scaled", "the same, scaled by the other blocks"), ("uncalibrated_mm", "error uncalibrated, mm"),
        ("constant_mm", "error of a constant, blocked, mm"), ("blocked_mm", "error physical, blocked, mm"),
        ("random_mm", "error physical, random, mm"), ("statistical_blocked_mm", "error statistical, blocked, mm"),
        ("statistical_random_mm", "error statistical, random, mm"))]
    return lines
