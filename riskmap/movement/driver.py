"""Surface suction of one climate cell for every model run, and the past years that are replayed.

In months with measured rain and temperature the bucket is stepped, by days or by months. A model run uses one of the
two throughout; by default every second one uses the monthly bucket. Months known only by an index or by weekly
categories use the month's climatology shifted by the index; the part that the index leaves unexplained is sampled. The
record is preceded by a repeat of its first years, so that the ground has forgotten its start before the first pour.
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
from riskmap.movement import day_record, day_steps, kernels, reduced_model, surface
from riskmap.movement.draws import Draws, replayed_years

if TYPE_CHECKING:
    from riskmap.common.weather import ClimateHistory

Array = NDArray[np.float64]

# Unexplained part of the standardised driver by source: 2 index, sqrt(1 - 0.77^2) (rank correlation of SPEI with bucket
# storage .72-.85 in six divisions, measured); 3 weekly category, 40 % of the variance explained (25-55 % measured); 4
# climatology only. These were found for the monthly bucket and are used for the day steps too, where they were not
# measured.
NOISE_BY_SOURCE = {INDEX: 0.64, CATEGORY: 0.77, CLIMATOLOGY: 1.0}
TOO_DRY_MEAN, TOO_DRY_FILLING, TOO_DRY_SHARE = 0.15, 0.05, 0.5  # judgement: in drier climates watering and leaks decide
SEMI_ARID_MEAN = 0.40  # judgement: in drier climates PET is varied too, times 1.0-1.4
SEMI_ARID_PET = 0.4
SHORTEST_RULE_YEARS = 30
WHATIF_PERCENTILES = (10, 50, 90)


@dataclass(frozen=True)
class Driver:
    """Surface suction of one cell.

    Attributes
    ----------
    first_month : int
        Month number of axis position 0 (including the repeated years).
    record : int
        Axis position of the first real month.
    suction_pf : array, shape (n_draw, n_month)
    equilibrium_pf : array, shape (n_draw,)
    normal : tuple of int
        First and last axis position of the normal period.
    starts : int array, shape (n_draw, 6)
        Start positions of three replayed years and of the dry, average and wet year.
    usual : int
        Position of a past month of the same calendar month whose state is the median: the present month of the typical
        lot.
    whatif_years : tuple of str
        Names of the dry, average and wet year, such as `2010-09 to 2011-08`.
    state : str
        Why the cell gives no estimate; empty when it does.
    flags : tuple of str
    """

    first_month: int
    record: int
    suction_pf: Array
    equilibrium_pf: Array
    normal: tuple[int, int]
    starts: NDArray[np.int64]
    usual: int
    whatif_years: tuple[str, ...] = ()
    state: str = ""
    flags: tuple[str, ...] = ()
    facts: dict[str, float] = field(default_factory=dict)

    @property
    def now(self) -> int:
        """Axis position of the present month."""
        return self.suction_pf.shape[1] - 1


@dataclass(frozen=True)
class Record:
    """Months of one cell, including the repeated years; with `days` where a model run needs them."""

    precipitation_mm: Array
    pet_mm: Array
    z: Array
    source: NDArray[np.int8]
    first_month: int
    start: int  # axis position of the first real month
    days: day_steps.Days | None

    @property
    def calendar(self) -> NDArray[np.int64]:
        """Calendar month of each position, 0 for January."""
        return (self.first_month + np.arange(self.source.size)) % 12

    def years(self, first: int, last: int) -> NDArray[np.bool_]:
        """Real months from January of `first` to December of `last`."""
        place = np.arange(self.source.size)
        year = (self.first_month + place) // 12
        return (year >= first) & (year <= last) & (place >= self.start)


def record(history: ClimateHistory, cell: int, climate: ClimateSettings) -> Record:
    """Return the months of one cell on the axis of its driver; pass them to `make` when it is called more than once.

    Raises
    ------
    ValueError
        When the driver needs days and the history has no temperature, because its run was made before there were day
        steps.
    """
    source = history.source[cell]
    begin = int(np.argmax(source > 0))
    real = slice(begin, source.size)
    length = source.size - begin
    lead = 12 * climate.spin_up_years
    cycle = min(lead, length // 12 * 12) or length
    # the repeat ends just before the record and keeps the calendar
    places = (np.arange(-lead, 0) % cycle) if cycle % 12 == 0 else np.zeros(0, dtype=np.int64)
    take = np.concatenate([places, np.arange(length)])
    days = None if climate.driver == "month" else _days(history, cell).take(begin + take)
    return Record(history.precipitation_mm[cell, real][take], history.pet_mm[cell, real][take],
                  history.z[cell, real][take], source[real][take],
                  history.first_month + begin - places.size, places.size, days)


def _days(history: ClimateHistory, cell: int) -> day_steps.Days:
    """Return the days of a cell on the axis of the history: its own where it has any, otherwise one rain per week."""
    if np.isnan(history.temperature_c[cell][history.source[cell] == RECORD]).any():
        raise ValueError(f"cell {history.cells[cell]} has no temperature; its run can use the monthly driver only")
    latitude = float(history.latitude_deg[cell])
    by_months = day_steps.from_months(history.precipitation_mm[cell], history.temperature_c[cell],
                                      first_month=history.first_month, latitude_deg=latitude)
    own = history.days[cell] if history.days else None
    if own is None:
        return by_months
    by_days = day_steps.from_days(own.rain_mm, own.temperature_c, first_month=history.first_month,
                                  n_month=history.source.shape[1], latitude_deg=latitude)
    return by_days.or_else(by_months)


def _usual(record: Record, climate: ClimateSettings) -> NDArray[np.bool_]:
    """Return the measured months from which the usual season is computed."""
    measured = record.source == RECORD
    use = measured & record.years(climate.normal_first_year, climate.normal_last_year)
    return use if use.sum() >= 12 * 10 else measured & (np.arange(measured.size) >= record.start)


def _unexplained(record: Record) -> Array:
    """Return the share of each month's score that its source leaves unexplained."""
    return np.array([0.0, 0.0, *(NOISE_BY_SOURCE[s] for s in (INDEX, CATEGORY, CLIMATOLOGY))])[record.source]


def _by_days(record: Record, drawn: day_record.Drawn, noise: Array, climate: ClimateSettings) -> Array:
    """Return surface suction by day steps for every model run, shape (n_draw, n_month)."""
    assert record.days is not None
    score = record.z + _unexplained(record) * noise[:, None]
    return day_record.suction(record.days, record.source == RECORD, score, calendar=record.calendar,
                              use=_usual(record, climate), drawn=drawn, slope=climate.index_slope)


def _middle_by_days(record: Record, climate: ClimateSettings, movement: MovementSettings) -> Array:
    """Return surface suction by day steps with the default settings and nothing varied, shape (n_month,)."""
    one = (climate.no_stress_share, climate.curve_number, climate.bucket_capacity_mm, climate.low_filling,
           climate.high_filling, movement.wet_limit_pf, movement.dry_limit_pf, 1.0)
    return _by_days(record, day_record.Drawn(*(np.array([value]) for value in one)), np.zeros(1), climate)[0]


def without_draw(record: Record, by: str, climate: ClimateSettings, movement: MovementSettings) -> Array:
    """Return surface suction with the default settings and nothing varied, by `day` steps or by `month`. [pF]

    Shape (n_month,), on the axis of the record. (method.md, section 4)
    """
    if by == "day":
        return _middle_by_days(record, climate, movement)
    return _suction(record, rain_factor=climate.rain_factor, capacity_mm=climate.bucket_capacity_mm, pet_scale=1.0,
                    wet=movement.wet_limit_pf, dry=movement.dry_limit_pf, noise=0.0, climate=climate)


def covered_equilibrium(record: Record, suction: Array, climate: ClimateSettings) -> float:
    """Return the suction under a slab that corresponds to a surface suction. [pF] (method.md, section 5.2)"""
    return _equilibrium(record, suction, climate)[0]


def _suction(record: Record, *, rain_factor: float, capacity_mm: float, pet_scale: float, wet: float, dry: float,
             noise: float, climate: ClimateSettings) -> Array:
    """Return surface suction of one model run by the monthly bucket; after index months it starts from their level."""
    measured = record.source == RECORD
    pet = record.pet_mm * pet_scale
    if measured.all():
        return dry - (dry - wet) * surface.filling(record.precipitation_mm, pet, rain_factor, capacity_mm, 1.0)
    suction = dry - (dry - wet) * surface.filling(np.where(measured, record.precipitation_mm, np.nan), pet, rain_factor,
                                                  capacity_mm, 1.0)
    mean, sd = surface.monthly_climatology(suction, record.calendar, _usual(record, climate))
    score = record.z + _unexplained(record) * noise
    by_index = np.clip(surface.from_score(score, mean[record.calendar], sd[record.calendar],
                                          slope=climate.index_slope), wet, dry)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], measured, [False]]).astype(np.int8)))
    out = by_index
    for first, stop in edges.reshape(-1, 2):
        start = 1.0 if first == 0 else (dry - out[first - 1]) / (dry - wet)
        out[first:stop] = dry - (dry - wet) * surface.filling(
            record.precipitation_mm[first:stop], pet[first:stop], rain_factor, capacity_mm, start)
    return out


def _equilibrium(record: Record, suction: Array, climate: ClimateSettings) -> tuple[float, bool]:
    use = record.years(climate.equilibrium_first_year, climate.equilibrium_last_year)
    short = use.sum() < 12 * SHORTEST_RULE_YEARS
    if short:
        use = np.arange(suction.size) >= record.start
        short = use.sum() < 12 * SHORTEST_RULE_YEARS
    # running means may extend back before the first of these years
    first = max(int(np.argmax(use)) - (climate.equilibrium_months - 1), record.start)
    last = int(suction.size - np.argmax(use[::-1]))
    return surface.equilibrium(suction[first:last], window=climate.equilibrium_months,
                               percentile=climate.equilibrium_percentile), short


def _normal(record: Record, climate: ClimateSettings) -> tuple[int, int]:
    use = np.flatnonzero(record.years(climate.normal_first_year, climate.normal_last_year))
    if use.size < 12 * 10:
        last = record.source.size - 1
        return max(record.start, last - 12 * 30 + 1), last
    return int(use[0]), int(use[-1])


def _years_from_dry_to_wet(record: Record, suction: Array, equilibrium: float, movement: MovementSettings) \
        -> tuple[NDArray[np.int64], int]:
    """Return start positions of past years, ordered by the edge's movement at the end of the year, and the usual one.

    The order is found once per cell with the median parameters and a uniform soil, because it depends on the weather.
    The usual position is the start whose state has the median edge movement.
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
    # every replay starts from the same state, so that only the weather's forced response differs
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


def by_month(draws: Draws, climate: ClimateSettings) -> NDArray[np.bool_]:
    """Return which model runs use the monthly bucket; the others use day steps. (method.md, section 4)"""
    return draws.driver_rank % 2 == 1 if climate.driver == "both" else np.full(draws.count, climate.driver == "month")


def make(history: ClimateHistory, cell: int, draws: Draws, climate: ClimateSettings, movement: MovementSettings,
         of_cell: Record | None = None) -> Driver:
    """Return the driver of one cell. (method.md, section 4)

    Parameters
    ----------
    history : ClimateHistory
        The result of the climate stage: arrays (n_cell, n_month) of month ends, with the source of each month.
    cell : int
        Row of the history.
    draws : Draws
    climate, movement : settings
    of_cell : Record, optional
        As returned by `record` for the same history, cell and settings.

    Notes
    -----
    The median model run (default settings, nothing varied) names the what-if years; it uses day steps unless the
    monthly bucket is set. Whether a climate is too dry is always judged by the monthly bucket, because its limits were
    set for that.
    """
    months = record(history, cell, climate) if of_cell is None else of_cell
    middle = without_draw(months, "month", climate, movement)
    normal = _normal(months, climate)
    own = middle if climate.driver == "month" else _middle_by_days(months, climate, movement)
    s = (movement.dry_limit_pf - middle[normal[0] : normal[1] + 1]) / (movement.dry_limit_pf - movement.wet_limit_pf)
    flags: list[str] = []
    empty = Driver(months.first_month, months.start, own[None], np.zeros(1), normal, np.zeros((1, 6), np.int64),
                   middle.size - 1)
    if not (months.source == RECORD).any():
        return _without(empty, "no month with rain and temperature: the index alone has no seasonal cycle here")
    if (lost := int(usual_months(history.source[cell : cell + 1])[0])) > MOST_USUAL_MONTHS:
        return _without(empty, f"{lost} months up to now have no rain, index or weekly map; up to {MOST_USUAL_MONTHS} "
                        "are bridged with the usual season")
    if s.mean() < TOO_DRY_MEAN or (s < TOO_DRY_FILLING).mean() > TOO_DRY_SHARE:
        return _without(empty, "climate too dry for this driver: watering and leaks decide")
    semi_arid = s.mean() < SEMI_ARID_MEAN
    flags += ["semi_arid_driver_untested"] if semi_arid else []
    flags += ["frost_not_modelled"] if history.coldest_normal_c[cell] < 0 else []
    middle_equilibrium, short = _equilibrium(months, own, climate)
    flags += ["short_climate_record"] if short else []
    order, usual = _years_from_dry_to_wet(months, own, middle_equilibrium, movement)
    if order.size < 2:
        return _without(empty, "fewer than two whole past years in the climate record")
    pet_scale = 1 + SEMI_ARID_PET * draws.pet_scale if semi_arid else np.ones(draws.count)
    suction = np.empty((draws.count, middle.size))
    equilibrium = np.empty(draws.count)
    monthly = by_month(draws, climate)
    if not monthly.all():
        drawn = day_record.Drawn(*(values[~monthly] for values in (
            draws.no_stress_share, draws.curve_number, draws.bucket_mm, draws.low_filling, draws.high_filling,
            draws.wet_limit_pf, draws.dry_limit_pf, pet_scale)))
        suction[~monthly] = _by_days(months, drawn, draws.index_noise[~monthly], climate)
    for d in np.flatnonzero(monthly).tolist():
        suction[d] = _suction(months, rain_factor=draws.rain_factor[d], capacity_mm=draws.bucket_mm[d],
                              pet_scale=pet_scale[d], wet=draws.wet_limit_pf[d], dry=draws.dry_limit_pf[d],
                              noise=draws.index_noise[d], climate=climate)
    for d in range(draws.count):
        equilibrium[d] = _equilibrium(months, suction[d], climate)[0]
    equilibrium = np.clip(equilibrium + draws.equilibrium_shift_pf, *movement.guard_pf)
    named = order[[round(p / 100 * (order.size - 1)) for p in WHATIF_PERCENTILES]]
    replays = order[replayed_years(draws.replay_rank, draws.count, order.size)]
    return Driver(months.first_month, months.start, suction, equilibrium, normal,
                  np.column_stack([replays, np.tile(named, (draws.count, 1))]).astype(np.int64), usual,
                  tuple(_span(months.first_month, int(start)) for start in named), "", tuple(flags),
                  {"mean_filling": float(s.mean()), "equilibrium_pf": float(middle_equilibrium),
                   "past_years": float(order.size), "draws_by_day_steps": float((~monthly).sum()),
                   "draws_by_month": float(monthly.sum())})


def _without(driver: Driver, state: str) -> Driver:
    return Driver(driver.first_month, driver.record, driver.suction_pf, driver.equilibrium_pf, driver.normal,
                  driver.starts, driver.usual, (), state)
