"""The compiled path: from surface suction of one model run to the movement of every archetype that shares it.

For one climate cell, one width class and one model run, the strip that always had a slab ("always-slabbed") and the
open ground are stepped once through the whole record. A slab poured at month p then differs from the always-slabbed one
by a correction that only decays: c(t) = C(t) + exp(-rates (t - p)) (initial a(p) - C(p)), an exact identity. Soil
enters linearly as a row of weights. So a further soil costs two products per month, a further pour date costs a short
sum, and each solution of a slab is shared by all pour dates whose correction has died away.

Work per model run: n_month (n_mode + n_z) once; 2 n_month n_mode and n_point n_z n_mode per soil; per pour date about
n_active * months of correction plus at most 25 slab solutions, each starting from the contact of the one before, and
none for old slabs. Past months (`kernels_past`) add one solution each, again none for old slabs.
Method: notebooks/method.md, section 5.5, 5.6, 6, 7 and 9.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from riskmap.movement import life
from riskmap.movement.compiled import compiled
from riskmap.movement.draw_inputs import Axis, Drawn, GroundModel, Layers, OppositeModel, StripModel, Units
from riskmap.movement.kernels_past import GONE_M, Single, past_grounds, past_slabs
from riskmap.movement.kernels_series import range_of, yearly_swing
from riskmap.movement.kernels_slab import (
    bending_weights,
    copy_into,
    copy_rows,
    ground_shape,
    one_side,
    settled_slab,
    shared_slab,
    slab_at,
    slab_on,
    tilt_on,
)
from riskmap.movement.kernels_soil import cell_strain_index, compression_index, triangular_one
from riskmap.movement.slab import assemble, deflect
from riskmap.movement.young import SETTLED_MONTHS

Array = NDArray[np.float64]
Months = NDArray[np.int64]

# Columns of the result block of one model run and archetype; lengths in m, months as positions on the time axis.
QUANTITIES = (
    "bend_now", "ratio_now", "deflection_max", "month_max", "deflection_min", "soil_differential_now",
    "edge_now", "middle_now", "replay_0", "replay_1", "replay_2", "replay_ratio_0", "replay_ratio_1",
    "replay_ratio_2", "worst_dry", "worst_average", "worst_wet", "long_run", "seasonal_range", "edge_range",
    "settlement", "phase", "dome_share", "tilt_now", "tilt_leak", "tilt_watering", "tilt_tree",
    "change_0", "change_1", "change_2", "change_dry", "change_average", "change_wet", "rise_0", "rise_1", "rise_2",
    "fall_0", "fall_1", "fall_2", "largest_dry", "largest_average", "largest_wet", "edge_high",
    "edge_gap",
)
NOW, RATIO_NOW, MAX, MONTH_MAX, MIN, SOIL_NOW, EDGE, CENTER, REPLAY = 0, 1, 2, 3, 4, 5, 6, 7, 8
REPLAY_RATIO, NAMED_WORST, LONG_RUN, SEASONAL, EDGE_RANGE, SETTLEMENT = 11, 14, 17, 18, 19, 20
PHASE, DOME_SHARE, TILT, SCENARIO = 21, 22, 23, 24
CHANGE, WHATIF, RISE, FALL, WHATIF_LARGEST, EDGE_HIGH, EDGE_GAP = 27, 30, 33, 36, 39, 42, 43
REUSE_SHARE = 0.005  # a correction below this share of the edge range reuses the shared slab solves (judgement)
TIE_M = 1e-9  # months this near to the largest tie with it: far above rounding, far below what is shown (judgement)
APART_MONTHS = 6  # extremes solved are at least this far apart
TILE_MONTHS = 8  # months turned at once from rows into columns: they fill a line of the processor's memory
REPLAYS, WHATIFS, HORIZON = 3, 3, 12
WORST, WORST_DEPARTED, HIGHEST, LOWEST, LAST = 0, 1, 2, 3, 4  # what is stored of a replayed year, in this order
SCENARIO_MONTHS = 24  # how long a leak, watering or a tree has acted on one side when its tilt is reported (judgement)
SCENARIOS = 3


@compiled
def march(driver: Array, start: Array, decay: Array, early: Array, late: Array, out: Array) -> None:
    """Step the modes through the record, exactly for a driver that is linear between month ends.

    Method: method.md, section 5.5. [pF]
    driver (n_month,), start (n_mode,), decay, early, late (n_mode,): factors with the inputs multiplied in; out
    (n_month, n_mode) is filled with the state at every month end.
    """
    state = start.copy()
    copy_into(state, out[0])
    for j in range(1, driver.size):
        before, now = driver[j - 1], driver[j]
        for i in range(state.size):
            state[i] = decay[i] * state[i] + early[i] * before + late[i] * now
            out[j, i] = state[i]


@compiled
def worst_months(series: Array, first: int, last: int, sign: float, months: Months) -> None:
    """Fill `months` with the largest values of sign * series between first and last (inclusive), kept apart.

    Method: method.md, section 7.
    Months are at least APART_MONTHS apart; -1 where no month is left. Of months that tie, the last is taken: before the
    record its weather is repeated, and a month of the record is meant.
    """
    for n in range(months.size):
        best, where = -np.inf, -1
        for t in range(first, last + 1):
            value = sign * series[t]
            if value > best - TIE_M:
                free = True
                for other in months[:n]:
                    if abs(other - t) < APART_MONTHS:
                        free = False
                if free:
                    best, where = max(best, value), t
        months[n] = where


@compiled
def project(by_mode: Array, row: Array, first: int, out: Array) -> None:
    """Fill out (n_month,) from month `first` with the history of one output. [m] (method.md, section 5.6)

    by_mode (n_mode, n_month): states with the months side by side, so that a core can add several months at once; each
    month is still summed mode by mode. row (n_mode,).
    """
    out[:first] = np.nan
    last = out[first:]
    last[:] = 0.0
    for i in range(row.size):
        weight, states = row[i], by_mode[i, first:]
        for t in range(last.size):
            last[t] += weight * states[t]


@compiled
def weighted_rows(strain: Array, output: Array, rows: Array) -> None:
    """Fill rows (n_mode, n_point) with the product of strain (n_z,) and output (n_point, n_z, n_mode).

    Method: method.md, section 6. [m per pF]
    """
    total = np.empty(rows.shape[0])
    for j in range(rows.shape[1]):
        total[:] = 0.0
        for z in range(strain.size):
            for i in range(total.size):
                total[i] += strain[z] * output[j, z, i]
        for i in range(total.size):
            rows[i, j] = total[i]


@compiled
def correction(row: Array, delta: Array, decay: Array, months: int, reuse_below: float) -> tuple[Array, int]:
    """Return what a pour adds to a shared history, and the month from which that is negligible.

    Method: method.md, section 5.6. [m]
    row, delta (n_mode,): output weights and state difference at the pour; decay (n_mode,) per month;
    months: number of months after the pour to fill (index 0 is the pour).
    """
    out = np.zeros(months + 1)
    part = row * delta
    active = part.size
    reuse = months + 1
    for k in range(months + 1):
        while active > 0 and abs(part[active - 1]) < GONE_M:
            active -= 1
        total, size = 0.0, 0.0
        for i in range(active):
            total += part[i]
            size += abs(part[i])
            part[i] *= decay[i]
        out[k] = total
        if size < reuse_below:
            if reuse > k:
                reuse = k
            if active == 0:
                break
    return out, reuse


@compiled
def replayed(states: Array, bend: Array, row: Array, decay: Array, early: Array, driver: Array, now: int, start: int,
             out: Array) -> None:
    """Fill `out` (12,) with the bending of the next months if the year after month `start` were repeated.

    Method: method.md, section 5.6. [m]
    This is exact for the linear model: c(k) = C(start+k) + decay^k (C(now) - C(start)) + decay^(k-1) early (u(now) -
    u(start)).
    """
    jump = driver[now] - driver[start]
    part = row * (decay * (states[now] - states[start]) + early * jump)
    for k in range(HORIZON):
        total = bend[start + k + 1]
        for i in range(part.size):
            total += part[i]
            part[i] *= decay[i]
        out[k] = total


@compiled
def replayed_state(k: int, start: int, now: int, states: Array, powers: Array, decay: Array, early: Array,
                   jump: float) -> Array:
    """Return the always-slabbed state k + 1 months from now if the year after month `start` were repeated. [pF]

    Method: method.md, section 5.6. states (n_month, n_mode), powers (n_month, n_mode), decay and early (n_mode,);
    jump: driver of the present month minus that of `start`. [pF]
    """
    state = states[start + k + 1].copy()
    for i in range(state.size):
        state[i] += powers[k, i] * (decay[i] * (states[now, i] - states[start, i]) + early[i] * jump)
    return state


@compiled
def changes(today: float, year: Array) -> tuple[float, float, float]:
    """Return change, rise and fall of the bending within a replayed year. [m] (method.md, section 9)

    today: present bending on the branch that the year took; year (5,): bending in the HIGHEST, LOWEST and LAST month.
    fall <= change <= rise, fall <= 0 <= rise.
    """
    change = year[LAST] - today
    return change, max(0.0, year[HIGHEST] - today, change), min(0.0, year[LOWEST] - today, change)


@compiled
def run_draw(d: int, driver: Array, model: StripModel, opposite: OppositeModel, ground: GroundModel, drawn: Drawn,
             layers: Layers, units: Units, axis: Axis, starts: Months, out: Array, past: Single) -> None:
    """Compute every quantity of one model run for all archetypes of a group. (method.md, section 8)

    Parameters
    ----------
    d : int
        Number of the model run: second axis of `out`.
    driver : array, shape (n_month,)
        Surface suction minus the covered equilibrium. [pF]
    model, opposite, ground, drawn, layers, units, axis
        As in `draw_inputs`; units are ordered by profile, and by class within a profile.
    starts : int array, shape (6,)
        Start months of three replayed years and of the dry, average and wet year.
    out : array, shape (n_unit, n_draw, n_quantity)
    past : array, shape (n_unit, n_draw, n_past)
        Filled with the height of the slab's middle above its edge at the ends of the n_past months before `now`. [m]
    """
    decay, early, output, now, half_width = model.decay, model.early, model.output, axis.now, drawn.half_width_m
    n_month, n_mode, n_point, n_z = driver.size, decay.size, output.shape[0], output.shape[1]

    first_asked, oldest = axis.normal_first, now
    for start in starts:
        first_asked = min(first_asked, start)
    for month in units.early:
        oldest = min(oldest, month)
    first_asked = min(first_asked, oldest)

    states = np.empty((n_month, n_mode))
    march(driver, model.steady, decay, early, model.late, states)
    by_mode = np.empty((n_mode, n_month))
    for first in range(first_asked, n_month, TILE_MONTHS):
        for i in range(n_mode):
            for month in range(first, min(first + TILE_MONTHS, n_month)):
                by_mode[i, month] = states[month, i]
    initial_by_depth = np.ascontiguousarray(model.initial.T)
    ground_states = np.empty((n_month, n_z))
    march(driver, ground.steady, ground.decay, ground.early, ground.late, ground_states)

    usual = np.zeros(n_mode)  # state difference at a pour, mean over the normal period
    for month in range(axis.normal_first, axis.normal_last + 1):
        for i in range(n_mode):
            usual[i] -= states[month, i]
        for k in range(n_z):  # modes side by side; each is still summed depth by depth, so its digits stay
            a = ground_states[month, k]
            for i in range(n_mode):
                usual[i] += initial_by_depth[k, i] * a
    for i in range(n_mode):
        usual[i] /= axis.normal_last + 1 - axis.normal_first
    center_left = np.empty(n_mode)

    powers = np.ones((now - oldest + HORIZON + 1, n_mode))  # decay by number of months, for the oldest slab of all
    for k in range(1, powers.shape[0]):
        for i in range(n_mode):
            powers[k, i] = powers[k - 1, i] * decay[i]
    spacing = half_width / (n_point - 1)
    rows = np.empty((n_mode, n_point))
    o_rows = np.empty((opposite.decay.size, n_point))
    scenario = np.empty(SCENARIOS)
    shared_tilt = np.nan
    ground_row = np.empty(n_z)
    bend, edge = np.empty(n_month), np.empty(n_month)
    shared = np.empty((n_month, 3))
    base = np.empty((REPLAYS + WHATIFS, HORIZON))
    base_slab = np.empty((REPLAYS + WHATIFS, 5))
    base_last = np.empty((REPLAYS + WHATIFS, n_point))  # ground at the end of the replayed year, without a pour
    last_added = np.empty(n_point)  # what the pour adds to it
    year = np.empty(5)
    everywhere, touching = np.ones(n_point, dtype=np.bool_), np.ones(n_point, dtype=np.bool_)
    contact, shape = np.ones(n_point, dtype=np.bool_), np.empty(n_point)
    months = np.empty(3, dtype=np.int64)
    n_class = drawn.stiffness.size
    halves, wholes = np.empty((n_class, 8, n_point)), np.empty((n_class, 8, 2 * n_point - 1))
    weights, flats = np.empty((n_class, n_point)), np.empty((n_class, n_point))
    for c in range(n_class):
        stiffness, spring, load, edge_load = (drawn.stiffness[c], drawn.spring_n_m3, drawn.load_pa,
                                              drawn.edge_load_n_m)
        copy_rows(assemble(n_point, spacing, stiffness, spring, load, edge_load, True), halves[c])
        copy_rows(assemble(2 * n_point - 1, spacing, stiffness, spring, load, edge_load, False), wholes[c])
        copy_into(bending_weights(halves[c]), weights[c])
        copy_into(deflect(np.zeros(n_point), halves[c], False), flats[c])
    half, whole, flat = halves[0], wholes[0], flats[0]
    own = halves[0].copy()  # keeps the factors of one slab's contact from one solution to the next
    past_ground, past_shared = np.empty((past.shape[2], n_point)), np.empty(past.shape[2])
    row_bend = np.zeros(n_mode)
    edges_m = np.empty(n_z + 1)
    for z in range(n_z + 1):
        edges_m[z] = ground.depth_edges[z] * drawn.active_depth_m
    long_run = edge_range = swing = 0.0

    for n in range(units.profile.size):
        new_profile = n == 0 or units.profile[n] != units.profile[n - 1]
        if new_profile:
            p = units.profile[n]
            index = np.empty(layers.top_m.shape[1])
            for layer in range(index.size):
                lep = triangular_one(drawn.extensibility, layers.low_pct[p, layer], layers.middle_pct[p, layer],
                                     layers.high_pct[p, layer])
                index[layer] = layers.factor[p, layer] * compression_index(lep, drawn.lep_cap_pct, drawn.span_pf)
            strain = cell_strain_index(edges_m, layers.top_m[p], layers.bottom_m[p], index)
            # drier is lower: movement = - restraint * sum(share index dz * suction); `output` already includes the cell
            # size
            for z in range(n_z):
                strain[z] *= -drawn.restraint * ground.share[z] / (ground.depth_edges[z + 1] - ground.depth_edges[z])
            weighted_rows(strain, output, rows)
            weighted_rows(strain, opposite.output, o_rows)
            ground_row[:] = 0.0
            for z in range(n_z):
                for k in range(n_z):
                    ground_row[k] += strain[z] * ground.output[z, k]
            project(by_mode, rows[:, n_point - 1].copy(), axis.normal_first, edge)
            edge_range = range_of(edge[axis.normal_first : axis.normal_last + 1])
            swing = yearly_swing(edge, axis.normal_first, axis.normal_last, axis.first_calendar)
            past_grounds(rows, states, now, past_ground)
            for r in range(REPLAYS + WHATIFS):
                state = replayed_state(HORIZON - 1, starts[r], now, states, powers, decay, early,
                                       driver[now] - driver[starts[r]])
                copy_into(ground_shape(rows, state), base_last[r])
        if new_profile or units.stiffness[n] != units.stiffness[n - 1]:
            half, whole, flat = halves[units.stiffness[n]], wholes[units.stiffness[n]], flats[units.stiffness[n]]
            copy_rows(half, own)
            row_bend[:] = 0.0
            for j in range(n_point):
                for i in range(n_mode):
                    row_bend[i] += weights[units.stiffness[n], j] * rows[i, j]
            project(by_mode, row_bend, first_asked, bend)
            for r in range(REPLAYS + WHATIFS):
                replayed(states, bend, row_bend, decay, early, driver, now, starts[r], base[r])
            shared[:] = np.nan
            past_shared[:] = np.nan
            base_slab[:] = np.nan
            shared_tilt = np.nan
            for s in range(SCENARIOS):
                # the same difference on the other side tilts as much the other way
                mirrored = s > 0 and drawn.scenario_pf[s] == -drawn.scenario_pf[0]
                scenario[s] = -scenario[0] if mirrored else tilt_on(
                    ground_shape(rows, states[now]),
                    one_side(o_rows, opposite.decay, opposite.steady, drawn.scenario_pf[s], SCENARIO_MONTHS),
                    whole, 2 * half_width, everywhere)
            long_run = 0.0
            for sign in (1.0, -1.0):
                worst_months(bend, axis.normal_first, axis.normal_last, sign, months)
                for t in months:
                    # a dish counts only where it can exceed the dome, because lifted edges at most halve the dome's
                    # bending
                    if t < 0 or sign * bend[t] <= 0 or (sign < 0 and -bend[t] < long_run):
                        continue
                    long_run = max(long_run, abs(shared_slab(t, states, rows, half, flat, shared)[0]))

        pour = min(units.early[n] + int(drawn.pour * (units.late[n] - units.early[n] + 1)), units.late[n])
        age = now - pour
        delta = -states[pour]
        datum = 0.0
        for k in range(n_z):
            a = ground_states[pour, k]
            datum += ground_row[k] * a
            for i in range(n_mode):
                delta[i] += initial_by_depth[k, i] * a
        added, reuse = correction(row_bend, delta, decay, age + HORIZON, REUSE_SHARE * edge_range)
        history = bend[pour : now + 1] + added[: age + 1]  # an array expression: a loop here is slower (measured)
        result = out[n, d]
        past_slabs(age, now - units.late[n], reuse, past_ground, delta, powers, rows, half, flat, past_shared,
                   past[n, d])
        touching[:] = True  # each slab begins from full contact, so that the slab before it cannot matter
        factored = bool(0)  # not the constant False, for which the compiler would compile all callees once more
        largest, deepest = 0.0, 0.0
        month_max: int = int(pour)
        for sign in (1.0, -1.0):
            worst_months(history, 0, age, sign, months)
            for m in months:
                if m < 0 or sign * history[m] <= 0:
                    continue
                middle, departed, factored = slab_at(m, pour, reuse, states, delta, powers, rows, half, flat, shared,
                                                     own, touching, factored, shape)
                if middle > largest + TIE_M:
                    largest, month_max = middle, int(pour + m)
                deepest = min(deepest, middle)
        middle, departed, factored = slab_at(age, pour, reuse, states, delta, powers, rows, half, flat, shared, own,
                                             touching, factored, shape)
        for j in range(n_point):
            contact[j] = touching[j] or age >= reuse  # of today's slab
        if middle > largest:
            largest, month_max = middle, int(now)
        result[NOW], result[RATIO_NOW] = middle, abs(departed) / (2 * half_width)
        result[MAX], result[MONTH_MAX], result[MIN] = largest, month_max, min(deepest, middle)
        left_center, center_now, edge_now = 0.0, -datum, -datum
        for i in range(n_mode):
            left = powers[age, i] * delta[i]
            center_left[i] = rows[i, 0] * left
            left_center += center_left[i]
            center_now += rows[i, 0] * (states[now, i] + left)
            edge_now += rows[i, n_point - 1] * (states[now, i] + left)
        result[CENTER], result[EDGE], result[SOIL_NOW] = center_now, edge_now, center_now - edge_now
        gap = shared[now, 2] if age >= reuse else shape[n_point - 1] - (edge_now + datum)
        result[EDGE_GAP] = max(gap, 0.0)
        old = age + 1 >= reuse  # then the correction is left out, so that the first pour date cannot matter
        today = middle  # start of the changes: on the branch of the months to come, otherwise they would contain a jump
        if old:
            today = shared_slab(now, states, rows, half, flat, shared)[0]
        else:
            last_added[:] = 0.0
            for i in range(n_mode):
                left = powers[age + HORIZON, i] * delta[i]
                if (abs(rows[i, 0]) + abs(rows[i, n_point - 1])) * abs(left) >= GONE_M:
                    for j in range(n_point):
                        last_added[j] += rows[i, j] * left
        if age == 0:
            today = 0.0  # poured level this month
        for r in range(REPLAYS + WHATIFS):
            if old and not np.isnan(base_slab[r, WORST]):
                copy_into(base_slab[r], year)
            else:
                worst, where, highest, lowest = -1.0, 0, 0, 0
                most, least = -np.inf, np.inf
                for k in range(HORIZON):
                    value = base[r, k] + (0.0 if old else added[age + 1 + k])
                    if abs(value) > worst:
                        worst, where = abs(value), k
                    if value > most:
                        most, highest = value, k
                    if value < least:
                        least, lowest = value, k
                jump = driver[now] - driver[starts[r]]
                for place, month in ((WORST, where), (HIGHEST, highest), (LOWEST, lowest), (LAST, HORIZON - 1)):
                    if place != WORST and month == where:
                        year[place] = year[WORST]
                    elif place == LAST and month == highest:
                        year[LAST] = year[HIGHEST]
                    elif place == LAST and month == lowest:
                        year[LAST] = year[LOWEST]
                    elif old:
                        state = replayed_state(month, starts[r], now, states, powers, decay, early, jump)
                        year[place], departed, _ = slab_on(rows, state, half, flat)
                    elif place == LAST:
                        year[LAST], departed, factored = settled_slab(base_last[r] + last_added, own, flat, touching,
                                                                      factored, shape)
                    else:
                        state = replayed_state(month, starts[r], now, states, powers, decay, early, jump)
                        for i in range(n_mode):
                            state[i] += powers[age + 1 + month, i] * delta[i]
                        year[place], departed, factored = settled_slab(ground_shape(rows, state), own, flat, touching,
                                                                       factored, shape)
                    if place == WORST:
                        year[WORST_DEPARTED] = departed
                if old:
                    copy_into(year, base_slab[r])
            change, rise, fall = changes(today, year)
            result[CHANGE + r] = change
            if r < REPLAYS:
                result[REPLAY + r], result[REPLAY_RATIO + r] = abs(year[WORST]), abs(year[WORST_DEPARTED]) / (
                    2 * half_width)
                result[RISE + r], result[FALL + r] = rise, fall
            else:
                result[NAMED_WORST + r - REPLAYS] = abs(year[WORST])
                result[WHATIF_LARGEST + r - REPLAYS] = rise if rise >= -fall else fall
        settled = age >= reuse and opposite.decay[0] ** age < REUSE_SHARE
        if settled and not np.isnan(shared_tilt):
            result[TILT] = shared_tilt
        else:
            state = states[now].copy()
            if age < reuse:
                for i in range(n_mode):
                    state[i] += powers[age, i] * delta[i]
            held = 12 * 1000 if settled else age
            opposed = one_side(o_rows, opposite.decay, opposite.steady, drawn.sides_pf, held)
            result[TILT] = tilt_on(ground_shape(rows, state), opposed, whole, 2 * half_width, contact)
            if settled:
                shared_tilt = result[TILT]
        for s in range(SCENARIOS):
            result[SCENARIO + s] = scenario[s]
        result[LONG_RUN], result[SEASONAL], result[EDGE_RANGE] = long_run, swing, edge_range
        settled_share = life.settled(age, drawn.settlement_yr)
        result[SETTLEMENT] = drawn.settlement_m * settled_share
        whole_rise = life.whole_rise(rows[:, 0], delta, usual)
        if whole_rise <= REUSE_SHARE * edge_range:  # nothing to grow
            whole_rise = 0.0
        result[DOME_SHARE] = life.share_reached(left_center, whole_rise)
        first_months, high = min(age, SETTLED_MONTHS), 0
        for k in range(1, first_months + 1):
            high += history[k] < 0
        result[EDGE_HIGH] = high / first_months if first_months else 0.0
        result[PHASE] = life.phase(settled_share, whole_rise == 0.0 or life.rests(center_left, decay, whole_rise))
