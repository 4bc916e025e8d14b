"""Surface suction of one climate cell for every draw, and the past years that are replayed.

Months measured by rain and temperature run the bucket; months known only by an index or by weekly categories take
the month's climatology shifted by the index, with the part that the index leaves unexplained drawn. The record is
preceded by a repeat of its first years, so that the ground has forgotten its start before the first pour.
Method: notebooks/method.md, section 4; equilibrium and spin-up section 5.2 and 5.3; past years section 8.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from riskmap.common.constants import MOST_USUAL_MONTHS
from riskmap.common.settings import ClimateSettings, MovementSettings
from riskmap.common.weather import CATEGORY, CLIMATOLOGY, INDEX, RECORD, usual_months
from riskmap.movement import kernels, reduced_model, surface
from riskmap.movement.draws import Draws, replayed_years

if TYPE_CHECKING:
    from riskmap.common.weather import ClimateHistory

Array = NDArray[np.float64]

# Unexplained part of the standardised driver by source: 2 index, sqrt(1 - 0.77^2) (rank correlation of SPEI with bucket
# storage .72-.85 in six divisions, measured); 3 weekly category, 40 % of the variance explained (25-55 % measured);
# 4 climatology only.
NOISE_BY_SOURCE = {INDEX: 0.64, CATEGORY: 0.77, CLIMATOLOGY: 1.0}
TOO_DRY_MEAN, TOO_DRY_FILLING, TOO_DRY_SHARE = 0.15, 0.05, 0.5  # judgement: watering and leaks decide
SEMI_ARID_MEAN = 0.40  # judgement: below it PET is varied too, times 1.0-1.4
SEMI_ARID_PET = 0.4
SHORTEST_RULE_YEARS = 30
OUTLOOK_PERCENTILES = (10, 50, 90)


@dataclass(frozen=True)
class Driver:
    """Surface suction of one cell.

    Attributes
    ----------
    first_month : int
        Month number of axis place 0 (the repeated years included).
    record : int
        Axis place of the first real month.
    suction_pf : array, shape (n_draw, n_month)
    equilibrium_pf : array, shape (n_draw,)
    normal : tuple of int
        First and last axis place of the normal period.
    starts : int array, shape (n_draw, 6)
        Start places of three replayed years and of the dry, middle and wet year.
    usual : int
        Place of a past month of the same calendar month whose state is the middle one: the reference's `now`.
    outlook_years : tuple of str
        Names of the dry, middle and wet year, such as `2010-09 to 2011-08`.
    state : str
        Why the cell gives no number; empty when it does.
    flags : tuple of str
    """

    first_month: int
    record: int
    suction_pf: Array
    equilibrium_pf: Array
    normal: tuple[int, int]
    starts: NDArray[np.int64]
    usual: int
    outlook_years: tuple[str, ...] = ()
    state: str = ""
    flags: tuple[str, ...] = ()
    facts: dict[str, float] = field(default_factory=dict)

    @property
    def now(self) -> int:
        """Axis place of the present month."""
        return self.suction_pf.shape[1] - 1


@dataclass(frozen=True)
class _Record:
    precipitation_mm: Array
    pet_mm: Array
    z: Array
    source: NDArray[np.int8]
    first_month: int
    start: int  # axis place of the first real month

    @property
    def calendar(self) -> NDArray[np.int64]:
        return (self.first_month + np.arange(self.source.size)) % 12

    def years(self, first: int, last: int) -> NDArray[np.bool_]:
        """Real months from January of `first` to December of `last`."""
        place = np.arange(self.source.size)
        year = (self.first_month + place) // 12
        return (year >= first) & (year <= last) & (place >= self.start)


def _record(history: ClimateHistory, cell: int, spin_up_years: int) -> _Record:
    source = history.source[cell]
    begin = int(np.argmax(source > 0))
    real = slice(begin, source.size)
    length = source.size - begin
    lead = 12 * spin_up_years
    cycle = min(lead, length // 12 * 12) or length
    # a repeat that ends just before the record and keeps the calendar
    places = (np.arange(-lead, 0) % cycle) if cycle % 12 == 0 else np.zeros(0, dtype=np.int64)
    take = np.concatenate([places, np.arange(length)])
    return _Record(history.precipitation_mm[cell, real][take], history.pet_mm[cell, real][take],
                   history.z[cell, real][take], source[real][take],
                   history.first_month + begin - places.size, places.size)


def _suction(record: _Record, *, rain_factor: float, capacity_mm: float, pet_scale: float, wet: float, dry: float,
             noise: float, climate: ClimateSettings) -> Array:
    """Return surface suction of one draw; segments between index months restart from the index's filling."""
    measured = record.source == RECORD
    pet = record.pet_mm * pet_scale
    if measured.all():
        return dry - (dry - wet) * surface.filling(record.precipitation_mm, pet, rain_factor, capacity_mm, 1.0)
    suction = dry - (dry - wet) * surface.filling(np.where(measured, record.precipitation_mm, np.nan), pet, rain_factor,
                                                  capacity_mm, 1.0)
    use = measured & record.years(climate.normal_first_year, climate.normal_last_year)
    if use.sum() < 12 * 10:
        use = measured & (np.arange(measured.size) >= record.start)
    mean, sd = surface.monthly_climatology(suction, record.calendar, use)
    spread = np.array([0.0, 0.0, *(NOISE_BY_SOURCE[s] for s in (INDEX, CATEGORY, CLIMATOLOGY))])[record.source]
    by_index = np.clip(surface.from_score(record.z + spread * noise, mean[record.calendar], sd[record.calendar],
                                          slope=climate.index_slope), wet, dry)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], measured, [False]]).astype(np.int8)))
    out = by_index
    for first, stop in edges.reshape(-1, 2):
        start = 1.0 if first == 0 else (dry - out[first - 1]) / (dry - wet)
        out[first:stop] = dry - (dry - wet) * surface.filling(
            record.precipitation_mm[first:stop], pet[first:stop], rain_factor, capacity_mm, start)
    return out


def _equilibrium(record: _Record, suction: Array, climate: ClimateSettings) -> tuple[float, bool]:
    use = record.years(climate.equilibrium_first_year, climate.equilibrium_last_year)
    short = use.sum() < 12 * SHORTEST_RULE_YEARS
    if short:
        use = np.arange(suction.size) >= record.start
        short = use.sum() < 12 * SHORTEST_RULE_YEARS
    # running means may reach back before the first month of the rule's years
    first = max(int(np.argmax(use)) - (climate.equilibrium_months - 1), record.start)
    last = int(suction.size - np.argmax(use[::-1]))
    return surface.equilibrium(suction[first:last], window=climate.equilibrium_months,
                               percentile=climate.equilibrium_percentile), short


def _normal(record: _Record, climate: ClimateSettings) -> tuple[int, int]:
    use = np.flatnonzero(record.years(climate.normal_first_year, climate.normal_last_year))
    if use.size < 12 * 10:
        last = record.source.size - 1
        return max(record.start, last - 12 * 30 + 1), last
    return int(use[0]), int(use[-1])


def _years_from_dry_to_wet(record: _Record, suction: Array, equilibrium: float, movement: MovementSettings) \
        -> tuple[NDArray[np.int64], int]:
    """Return start places of past years, ordered by the edge's movement at the end of the year, and the usual one.

    The order is found once per cell with the middle parameters and a uniform soil: it depends on the weather. The
    usual place is the start whose state has the middle edge movement.
    """
    now = suction.size - 1
    starts = np.arange(now - 12, record.start - 1, -12)[::-1]
    starts = np.array([s for s in starts if (record.source[s + 1 : s + 13] == RECORD).all()], dtype=np.int64)
    if starts.size < 2:
        return starts, suction.size - 1
    model = reduced_model.cached(round(6.0 / movement.active_depth_m, 1))
    dtau = movement.diffusivity_m2_per_yr / (12 * movement.active_depth_m**2)
    decay, early, late = reduced_model.step_factors(model.rates, dtau)
    driver = suction - equilibrium
    weight = model.output[-1].sum(axis=0)  # depth integral at the edge
    # every replay starts from the same state, so only the weather's forced response differs
    moved = np.zeros(starts.size)
    state = np.zeros((starts.size, weight.size))
    for k in range(12):
        before = driver[starts + k] if k else np.full(starts.size, driver[now])
        state = state * decay + model.inputs * (np.outer(before, early) + np.outer(driver[starts + k + 1], late))
    moved = -state @ weight
    always = np.empty((suction.size, model.rates.size))
    kernels.march(driver, driver[record.start :].mean() * model.inputs / model.rates, decay, early * model.inputs,
                  late * model.inputs, always)
    level = np.argsort(-(always[starts] @ weight), kind="stable")
    return starts[np.argsort(moved, kind="stable")], int(starts[level[starts.size // 2]])


def _span(first_month: int, start: int) -> str:
    a, b = first_month + start + 1, first_month + start + 12
    return f"{a // 12}-{a % 12 + 1:02d} to {b // 12}-{b % 12 + 1:02d}"


def make(history: ClimateHistory, cell: int, draws: Draws, climate: ClimateSettings,
         movement: MovementSettings) -> Driver:
    """Return the driver of one cell. (method.md, section 4)

    Parameters
    ----------
    history : ClimateHistory
        From the climate stage: arrays (n_cell, n_month) of month ends, with the source of each month.
    cell : int
        Row of the history.
    draws : Draws
    climate, movement : settings

    Notes
    -----
    The middle run (default settings, nothing varied) decides about dry climates and names the outlook years.
    """
    record = _record(history, cell, climate.spin_up_years)
    middle = _suction(record, rain_factor=climate.rain_factor, capacity_mm=climate.bucket_capacity_mm, pet_scale=1.0,
                      wet=movement.wet_limit_pf, dry=movement.dry_limit_pf, noise=0.0, climate=climate)
    normal = _normal(record, climate)
    s = (movement.dry_limit_pf - middle[normal[0] : normal[1] + 1]) / (movement.dry_limit_pf - movement.wet_limit_pf)
    flags: list[str] = []
    empty = Driver(record.first_month, record.start, middle[None], np.zeros(1), normal, np.zeros((1, 6), np.int64),
                   middle.size - 1)
    if not (record.source == RECORD).any():
        return _without(empty, "no month with rain and temperature: the index alone has no seasonal cycle here")
    if (lost := int(usual_months(history.source[cell : cell + 1])[0])) > MOST_USUAL_MONTHS:
        return _without(empty, f"{lost} months up to now have no rain, index or weekly map; up to {MOST_USUAL_MONTHS} "
                        "are bridged with the usual season")
    if s.mean() < TOO_DRY_MEAN or (s < TOO_DRY_FILLING).mean() > TOO_DRY_SHARE:
        return _without(empty, "climate too dry for this driver: watering and leaks decide")
    semi_arid = s.mean() < SEMI_ARID_MEAN
    flags += ["semi_arid_driver_untested"] if semi_arid else []
    flags += ["frost_not_modelled"] if history.coldest_normal_c[cell] < 0 else []
    middle_equilibrium, short = _equilibrium(record, middle, climate)
    flags += ["short_climate_record"] if short else []
    order, usual = _years_from_dry_to_wet(record, middle, middle_equilibrium, movement)
    if order.size < 2:
        return _without(empty, "fewer than two whole past years in the climate record")
    pet_scale = 1 + SEMI_ARID_PET * draws.pet_scale if semi_arid else np.ones(draws.count)
    suction = np.empty((draws.count, middle.size))
    equilibrium = np.empty(draws.count)
    for d in range(draws.count):
        suction[d] = _suction(record, rain_factor=draws.rain_factor[d], capacity_mm=draws.bucket_mm[d],
                              pet_scale=pet_scale[d], wet=draws.wet_limit_pf[d], dry=draws.dry_limit_pf[d],
                              noise=draws.index_noise[d], climate=climate)
        equilibrium[d] = _equilibrium(record, suction[d], climate)[0]
    equilibrium = np.clip(equilibrium + draws.equilibrium_shift_pf, *movement.guard_pf)
    named = order[[round(p / 100 * (order.size - 1)) for p in OUTLOOK_PERCENTILES]]
    replays = order[replayed_years(draws.replay_rank, draws.count, order.size)]
    return Driver(record.first_month, record.start, suction, equilibrium, normal,
                  np.column_stack([replays, np.tile(named, (draws.count, 1))]).astype(np.int64), usual,
                  tuple(_span(record.first_month, int(start)) for start in named), "", tuple(flags),
                  {"mean_filling": float(s.mean()), "equilibrium_pf": float(middle_equilibrium),
                   "past_years": float(order.size)})


def _without(driver: Driver, state: str) -> Driver:
    return Driver(driver.first_month, driver.record, driver.suction_pf, driver.equilibrium_pf, driver.normal,
                  driver.starts, driver.usual, (), state)
