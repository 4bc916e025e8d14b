"""Fits both layers to survey rows, and decides whether either may be switched on."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from riskmap.answers.calibration import blocks, crossval, factors, physical, statistical
from riskmap.answers.calibration.crossval import LeftOut, Ranges
from riskmap.answers.calibration.factors import Factor
from riskmap.answers.calibration.physical import Rows, Weights
from riskmap.answers.calibration.predict import Expected
from riskmap.common.errors import counted

Array = NDArray[np.float64]
Whole = NDArray[np.int64]
Flags = NDArray[np.bool_]

FEWEST_HOUSES, FEWEST_BLOCKS = 30, 5  # judgement: with fewer it is never switched on
OUTLIER_Z = 3.5  # Iglewicz & Hoaglin 1993, from memory
MOST_QUARANTINED = 0.2  # judgement: beyond it the rows do not belong together
CLEAR = 1.0  # judgement: gains below one standard deviation over blocks do not count
# judgement: sources disagree when their medians differ by this many standard deviations, and by this many errors
SOURCE_APART, SOURCE_CLEAR = 1.0, 3.0
LONGER = (2.0, 4.0)  # multiples of the stated correlation range that are tried
EVIDENCE = 2.0  # judgement: by how much the log evidence of a longer range must be better


@dataclass(frozen=True)
class SurveyRows:
    """Survey rows with everything that the fit needs.

    Attributes
    ----------
    rows : Rows
    expected : Expected
    features : array, shape (n_row, 8)
        `statistical.terms` at the survey, or the difference of two.
    block : list of str or None
        Block as the file gives it; None for blocks by place.
    source : list of str
    bending : Expected, optional
        Bending of the house of each row at its last survey; used where all surveys are changes.
    """

    rows: Rows
    expected: Expected
    features: Array
    block: list[str] | None
    source: list[str]
    bending: Expected | None = None

    def part(self, where: Flags) -> SurveyRows:
        """Return some rows."""
        rows = np.flatnonzero(where).tolist()
        return SurveyRows(self.rows.rows(where), self.expected.rows(where), self.features[where],
                          None if self.block is None else [self.block[k] for k in rows], [self.source[k] for k in rows],
                          None if self.bending is None else self.bending.rows(where))


@dataclass(frozen=True)
class Refusal:
    """Why a layer stays off."""

    code: str
    layer: str
    text: str


@dataclass(frozen=True)
class Layer:
    """One layer as it was tested.

    Attributes
    ----------
    on : bool
    blocked_mm, random_mm : float
        Error of rows left out by block and at random. [mm]
    gain, gain_sd : float
        By how much the squared error by block falls against the model without this layer, and one standard deviation
        over blocks.
    coverage, coverage_scaled : float
        Share of rows left out by block in the 80 % range, without a scale and with the scale of the other blocks.
    scale : float
        Conformal scale of the range.
    """

    on: bool = False
    blocked_mm: float = math.nan
    random_mm: float = math.nan
    gain: float = math.nan
    gain_sd: float = math.nan
    coverage: float = math.nan
    coverage_scaled: float = math.nan
    scale: float = 1.0


@dataclass(frozen=True)
class SourceInfluence:
    """One source.

    Attributes
    ----------
    name : str
    rows : int
    moves_mm, moves_share : float
        Mean shift of the medians when the source is left out, in mm and in halves of the 80 % range.
    offset, offset_error : float
        Median robust z of its rows minus that of the other rows, including quarantined rows; its standard error over
        houses.
    gains_without : bool or None
        Whether, without this source, the physical layer still predicts better than the uncalibrated model; None when
        too few houses would remain. This is not the test for switching on: half of the houses can rarely show a clear
        gain.
    """

    name: str
    rows: int
    moves_mm: float
    moves_share: float
    offset: float
    offset_error: float
    gains_without: bool | None


@dataclass(frozen=True)
class Fit:
    """Result.

    Attributes
    ----------
    z : array, shape (n_row,)
        Robust z of every row.
    quarantined : bool array, shape (n_row,)
    block : list of str
        Block of every row that was used for the splits.
    houses, blocks : int
        Counts that were compared with the least counts.
    range_m : float
        Correlation range that was used.
    weights : Weights
    coefficients : array, shape (8,)
    penalty : float
    physical, statistical : Layer
    uncalibrated_mm, constant_mm : float
        Error of the same rows without calibration, and of a constant.
    coverage_before : float
    ranges_before : Ranges
    left : LeftOut or None
        Rows left out by block; nan for quarantined ones.
    refusals, sources, factors : tuple
    """

    z: Array
    quarantined: Flags
    block: list[str]
    houses: int
    blocks: int
    range_m: float
    weights: Weights
    coefficients: Array
    penalty: float
    physical: Layer
    statistical: Layer
    uncalibrated_mm: float
    constant_mm: float
    coverage_before: float
    ranges_before: Ranges
    left: LeftOut | None
    refusals: tuple[Refusal, ...] = ()
    sources: tuple[SourceInfluence, ...] = field(default=())
    factors: tuple[Factor, ...] = ()


def _block_counts(survey: SurveyRows, range_m: float) -> tuple[list[str], int]:
    """Return the block of each row, and the count of blocks.

    Blocks that the file names never count as more than blocks by place would.
    """
    place = blocks.by_place(survey.rows.x_m, survey.rows.y_m, range_m)
    of_row = survey.block if survey.block is not None else place
    return of_row, min(len(set(of_row)), len(set(place)))


def fit(survey: SurveyRows, range_m: float = blocks.RANGE_M, *, with_sources: bool = True) -> Fit:
    """Fit and test both layers.

    Parameters
    ----------
    survey : SurveyRows
        Rows that are compared; each has an expectation.
    range_m : float
        Correlation range. Blocks by place and buffers are at least this wide. [m]
    with_sources : bool
        Also fit without each source.
    """
    before = crossval.uncalibrated(survey.expected)
    z = crossval.robust_z(survey.rows, before)
    out = np.abs(z) > OUTLIER_Z
    used = survey.part(~out)
    range_m = longer_range(used, range_m)
    block, count = _block_counts(survey, range_m)
    of_used = [block[k] for k in np.flatnonzero(~out).tolist()]
    count = _block_counts(used, range_m)[1]
    houses = int(np.unique(used.rows.house).size)
    draws = survey.expected.common.shape[1]
    empty = Fit(z, out, block, houses, count, range_m, physical.even(draws), np.zeros(len(statistical.TERMS)), 0.0,
                Layer(), Layer(), crossval.error_mm(used.rows, before.middle[~out]), math.nan,
                crossval.coverage(crossval.scores(used.rows, Ranges(*(v[~out] for v in _arrays(before))))), before,
                None)
    few = _too_few(houses, count, float(out.mean()))
    if few:
        return replace(empty, refusals=tuple(few))
    tested = _tested(empty, used, of_used, ~out)
    return replace(tested, **_influence(tested, survey)) if with_sources else tested


def _arrays(ranges: Ranges) -> tuple[Array, Array, Array]:
    return ranges.middle, ranges.low, ranges.high


def _too_few(houses: int, count: int, quarantined: float) -> list[Refusal]:
    out = []
    if houses < FEWEST_HOUSES:
        out.append(Refusal("E-CAL-100", "physical", f"{counted(houses, 'house')} can be compared, at least "
                           f"{FEWEST_HOUSES} are needed. Survey more houses."))
    if count < FEWEST_BLOCKS:
        out.append(Refusal("E-CAL-101", "physical", f"the houses lie in {counted(count, 'block')}, at least "
                           f"{FEWEST_BLOCKS} are needed. Survey houses in other places."))
    if quarantined > MOST_QUARANTINED:
        out.append(Refusal("E-CAL-102", "physical", f"{100 * quarantined:.0f} % of the rows are outliers, at most "
                           f"{100 * MOST_QUARANTINED:.0f} % may be. Check units, signs and sources."))
    return out


def longer_range(survey: SurveyRows, range_m: float) -> float:
    """Return the stated correlation range, or a longer one when the surveys clearly call for it. [m]"""
    if len(survey.source) < crossval.FEWEST_FITTED:
        return range_m
    evidence = {}
    for factor in (1.0, *LONGER):
        likelihood, _ = physical.log_likelihood(survey.rows, survey.expected, factor * range_m)
        top = likelihood.max()
        evidence[factor] = float(top + np.log(np.exp(likelihood - top).mean()))
    best = max(evidence, key=lambda factor: evidence[factor])
    return best * range_m if evidence[best] > evidence[1.0] + EVIDENCE else range_m


def _tested(empty: Fit, used: SurveyRows, names: list[str], mask: Flags) -> Fit:
    """Return the fit of the used rows, with both layers tested."""
    rows, range_m = used.rows, empty.range_m
    block = np.unique(np.array(names, dtype=object).astype(str), return_inverse=True)[1].astype(np.int64)
    splits = list(blocks.blocked(names, [str(k) for k in rows.house.tolist()], rows.x_m, rows.y_m, range_m))
    left = crossval.left_out(rows, used.expected, used.features, block, splits, range_m)
    known = left.known
    if not known.any():
        no = Refusal("E-CAL-103", "physical", "with a block and its neighbourhood left out too few rows remain to fit. "
                     "Survey houses that lie further apart.")
        return replace(empty, refusals=(no,))
    chance = crossval.left_out(rows, used.expected, used.features, block, blocks.at_random(rows.value_mm.size,
                               len(splits)), range_m)
    before = Ranges(*(np.where(known, v[mask], np.nan) for v in _arrays(empty.ranges_before)))
    weights = physical.fit(rows, used.expected, range_m)
    one = _layer(rows, block, before.middle, left.physical, chance.physical)
    two = _layer(rows, block, left.physical.middle, left.statistical, chance.statistical)
    refusals = _physical_refusals(rows, block, one, left)
    one = replace(one, on=not refusals)
    refusals += _statistical_refusals(two, one)
    two = replace(two, on=one.on and two.gain > CLEAR * two.gain_sd)
    apart = rows.value_mm - physical.ranges(used.expected, weights)[0]
    coefficients, penalty = statistical.fit(used.features, apart, rows.noise_mm, block)
    return replace(
        empty, weights=weights, coefficients=coefficients, penalty=penalty, physical=one, statistical=two,
        uncalibrated_mm=crossval.error_mm(rows, before.middle), constant_mm=crossval.error_mm(rows, left.constant),
        coverage_before=crossval.coverage(crossval.scores(rows, before)), left=_spread(left, mask),
        refusals=tuple(refusals), factors=factors.of(rows, used.expected, used.bending, weights, range_m))


def _layer(rows: Rows, block: Whole, below: Array, left: Ranges, chance: Ranges) -> Layer:
    score = crossval.scores(rows, left)
    gained, sd = crossval.gain(rows, block, below, left.middle)
    return Layer(False, crossval.error_mm(rows, left.middle), crossval.error_mm(rows, chance.middle), gained, sd,
                 crossval.coverage(score), crossval.scaled_coverage(score, block), crossval.scale_of(score))


def _physical_refusals(rows: Rows, block: Whole, layer: Layer, left: LeftOut) -> list[Refusal]:
    out = []
    if not layer.gain > CLEAR * layer.gain_sd:
        out.append(Refusal("E-CAL-104", "physical", "left out by block, the calibrated model is not clearly nearer to "
                           "the surveys than the uncalibrated one."))
    gained, sd = crossval.gain(rows, block, left.constant, left.physical.middle)
    if not gained > CLEAR * sd:
        out.append(Refusal("E-CAL-105", "physical", "left out by block, the calibrated model is not clearly nearer to "
                           "the surveys than one constant for all houses: they do not show soil, age and weather."))
    return out


def _statistical_refusals(layer: Layer, below: Layer) -> list[Refusal]:
    if not below.on:
        return [Refusal("E-CAL-110", "statistical", "the physical layer below it is off.")]
    if not layer.gain > CLEAR * layer.gain_sd:
        return [Refusal("E-CAL-111", "statistical", "left out by block, it is not clearly nearer to the surveys than "
                        "the physical layer alone.")]
    return []


def _spread(left: LeftOut, mask: Flags) -> LeftOut:
    """Return the same values for all rows, nan where a row was not used."""
    def wide(values: Array) -> Array:
        out = np.full(mask.size, np.nan)
        out[mask] = values
        return out

    return LeftOut(Ranges(*map(wide, _arrays(left.physical))), Ranges(*map(wide, _arrays(left.statistical))),
                   wide(left.constant))


def _influence(tested: Fit, survey: SurveyRows) -> dict[str, Any]:
    """Return how the fit changes without each source, and refusals when sources disagree or one alone decides."""
    names = sorted(set(survey.source), key=lambda name: (len(name), name))
    if len(names) < 2 or tested.left is None:
        return {}
    sources = tuple(_one_source(name, tested, survey) for name in names)
    refusals = []
    apart = [s.name for s in sources if abs(s.offset) > max(SOURCE_APART, SOURCE_CLEAR * s.offset_error)]
    alone = [s.name for s in sources if s.gains_without is False]
    if apart:
        refusals.append(Refusal("E-CAL-107", "physical", f"sources disagree: {' and '.join(apart[:2])} measured "
                                "clearly more or less than the others. Check zeros, signs and instruments."))
    if tested.physical.on and alone:
        refusals.append(Refusal("E-CAL-106", "physical", f"the gain rests on {alone[0]} alone: without it the layer "
                                "is not nearer to the surveys. Have houses measured by others."))
    if refusals and tested.physical.on:
        refusals.append(Refusal("E-CAL-110", "statistical", "the physical layer below it is off."))
    off = bool(refusals)
    return {"sources": sources, "refusals": (*tested.refusals, *refusals),
            "physical": replace(tested.physical, on=tested.physical.on and not off),
            "statistical": replace(tested.statistical, on=tested.statistical.on and not off)}


def _one_source(name: str, tested: Fit, survey: SurveyRows) -> SourceInfluence:
    used, own = ~tested.quarantined, np.array([entry == name for entry in survey.source])
    middle, low, high = physical.ranges(survey.expected.rows(used), tested.weights)
    rest = survey.part(used & ~own)
    weights = (physical.fit(rest.rows, rest.expected, tested.range_m) if rest.source
               else physical.even(survey.expected.common.shape[1]))
    moves = np.abs(physical.ranges(survey.expected.rows(used), weights)[0] - middle)
    enough = (np.unique(rest.rows.house).size >= FEWEST_HOUSES
              and _block_counts(rest, tested.range_m)[1] >= FEWEST_BLOCKS)
    without = fit(rest, tested.range_m, with_sources=False).physical.gain > 0 if enough else None
    houses = [np.unique(survey.rows.house[mask]).size for mask in (own, ~own)]
    return SourceInfluence(name, int(own.sum()), float(moves.mean()),
                           float((moves / np.maximum((low + high) / 2, 1e-6)).mean()),
                           float(np.median(tested.z[own]) - np.median(tested.z[~own])),
                           1.2533 * math.sqrt(1 / houses[0] + 1 / houses[1]), without)
