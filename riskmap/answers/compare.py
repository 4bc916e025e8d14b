"""What changed between two runs, lot by lot, and why: parts that add up to the change.

The parts come from computing again, one thing exchanged at a time, in a fixed order: code, settings, lots, soil,
weather of months that both runs know, new months, calibration. Each part is the step between two neighbours, so their
sum is the change whatever the order; with another order single parts could differ where two things act on each other.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from riskmap.answers import compared_weather
from riskmap.common import month_numbers
from riskmap.common.errors import LayerError, joined, visible
from riskmap.common.weather import ClimateHistory, MovementInputs
from riskmap.run import record, reuse, store
from riskmap.run.code_digest import code_digest
from riskmap.run.workers import InProcess

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from riskmap.common.results import Results
    from riskmap.common.settings import Area

CAUSES = {
    "code": "another version of the calculation",
    "settings": "other settings",
    "lots": "the lot file: outline, slab or pour date",
    "soil": "the soil survey was refreshed",
    "weather_revised": "weather of past months was revised",
    "weather_new": "new months of weather, and time passing",
    "calibration": "another calibration",
}
NUMBERS = ("expected_movement_mm", "long_run_mm", "bend_now_mm")
SHOWN = "expected_movement_mm"
NOTABLE_MM = 2.0  # a change below what is shown (2 mm, 0.1 in) is no mover
_SLAB = ["half_width_m", "half_width_known", "section_mn_m2", "stiffness_basis", "plan_factor"]
_ATTRIBUTES = [*_SLAB, "pour_early_month", "pour_late_month"]
_DATES = ["pour_from", "pour_to", "pour_date_basis"]  # as given; archetypes hold them coarser with age


@dataclass(frozen=True)
class Change:
    """What changed.

    Attributes
    ----------
    lots : DataFrame
        One row per lot of either run, those of B first in B's order: lot_id, kind (`changed`, `same`, `new`, `gone`,
        `state_changed`), state_a, state_b, for each of `NUMBERS` `<name>_a`, `<name>_b`, `<name>_change`, for each
        cause `<cause>_part_mm` (of the expected movement), and `why`, two lines at most.
    counts : dict
        Lots by kind, movers, and the largest share of each cause.
    notes : tuple of str
        What limits the split.
    weeks : dict
        Valid dates of weekly maps: `new`, `gone`, `reissued` (same date, other content), `missing_now` (no map seven
        days after another, inside B's span).
    runs : dict
        `before` and `after`: name and month of both runs, where they have folders.
    """

    lots: pd.DataFrame
    counts: dict[str, Any]
    notes: tuple[str, ...]
    weeks: dict[str, list[str]]
    runs: dict[str, str] = field(default_factory=dict)

    @property
    def same(self) -> bool:
        """Whether nothing changed."""
        return self.counts["same"] == len(self.lots)

    @property
    def lines(self) -> list[str]:
        """What changed, by how much and why, which weekly maps differ, and what limits the split, for people."""
        counts = self.counts
        sizes = {cause: size for cause, size in counts["mean_size_of_part_mm"].items() if size >= 0.005}
        return [f"before: {self.runs['before']}, {counts['lots_before']:,} lots",
                f"after:  {self.runs['after']}, {counts['lots_now']:,} lots",
                f"{counts['same']:,} the same, {counts['changed']:,} changed, {counts['state_changed']:,} with another "
                f"state, {counts['new']:,} new, {counts['gone']:,} gone",
                f"{counts['moved_up']:,} up and {counts['moved_down']:,} down by {counts['notable_mm']:g} mm or more",
                *(f"  {size:6.2f} mm a lot on average: {CAUSES[cause]}"
                  for cause, size in sorted(sizes.items(), key=lambda item: -item[1])),
                *week_lines(self.weeks), *self.notes]


def compare(a: Results, b: Results, cache: store.Store | None = None, workers: int | None = None) -> Change:
    """Compare an earlier run `a` with a later run `b`.

    Parameters
    ----------
    a, b : Results
        As `record.read` gives them.
    cache : Store, optional
        Columns that were computed before.
    workers : int, optional

    Raises
    ------
    LayerError
        When the runs are of two areas, a run has no record of its inputs, or `b` ends before `a`.
    """
    _of_one_area(a, b)
    if a.inputs is None or b.inputs is None:
        raise LayerError("E-CMP-001 a run has no record of what it was computed from; run the estimate again.")
    if _month(b) < _month(a):
        raise LayerError(f"E-CMP-002 the second run ends in {b.today}, before the first ({a.today}). Name the earlier "
                         "run first.")
    pairs = _pairs(a.lots["lot_id"], b.lots["lot_id"])
    both = pairs[(pairs["a"] >= 0) & (pairs["b"] >= 0)]
    steps = _Steps(a, b, both, cache or store.Store(None), workers)
    table = _side_by_side(a, b, pairs)
    with_number = (table["state_a"] == "") & (table["state_b"] == "") & (table["a"] >= 0) & (table["b"] >= 0)
    parts = _parts(steps, table, with_number.to_numpy())
    table = pd.concat([table, parts], axis=1)
    table["kind"] = _kinds(table, with_number)
    table["why"] = _why(table, a, b)
    columns = ["lot_id", "kind", "state_a", "state_b",
               *(f"{name}_{what}" for name in NUMBERS for what in ("a", "b", "change")),
               *(f"{cause}_part_mm" for cause in CAUSES), "why", "a", "b"]
    table = table[columns].rename(columns={"a": "lot_row_a", "b": "lot_row_b"})
    return Change(table, _counts(table), tuple(steps.notes), weekly_maps(a, b))


def _of_one_area(a: Results, b: Results) -> None:
    """Refuse runs of two areas: lots of equal identifier would be taken for one lot that changed."""
    if a.area_name != b.area_name:
        raise LayerError(f"E-RUN-045 the runs are of two areas, '{visible(a.area_name)}' and '{visible(b.area_name)}': "
                         "lots with the same identifier are not the same lots, so nothing was compared. Name two runs "
                         "of one area. If the area was only renamed, estimate it once more under its former name.")


# What `weekly_maps` tells, in words.
WEEKS = {
    "new": "weekly maps that only the second run has",
    "gone": "weekly maps that only the first run has",
    "reissued": "weekly maps issued again with other content",
    "missing_now": "weeks without a map between the first and the last map of the second run",
}


def week_lines(weeks: dict[str, list[str]]) -> list[str]:
    """Return one line for each kind of `weekly_maps` that has any."""
    return [f"{WEEKS[what]}: {joined(dates)}" for what, dates in weeks.items() if dates]


def expected_since(now: Results, before: Results) -> pd.Series:
    """Return the change of the expected movement since another run, in row order; missing where one has no number. [mm]

    Parameters
    ----------
    now, before : Results
        The n-th row of a repeated identifier meets the n-th.

    Raises
    ------
    LayerError
        When the runs are of two areas.
    """
    _of_one_area(before, now)
    keys = [pd.MultiIndex.from_arrays([ids, ids.groupby(ids).cumcount()])
            for ids in (run.lots["lot_id"].astype("str") for run in (now, before))]
    known = pd.Series(before.lots[SHOWN].to_numpy(float), index=keys[1]).reindex(keys[0])
    return pd.Series(now.lots[SHOWN].to_numpy(float) - known.to_numpy(), index=now.lots.index, name="change_mm")


def weekly_maps(a: Results, b: Results) -> dict[str, list[str]]:
    """Return which weekly maps are new, gone, re-issued, or missing between the first and the last of B.

    Weeks are known by their valid date, their content by the classes at the climate cells and, where both runs keep
    them, by the shapes near the lots: a file that is only newer or has another name is no new map.
    """
    before, after = _week_contents(a), _week_contents(b)
    days = pd.to_datetime(pd.Series(sorted(after), dtype=str))
    expected = pd.date_range(days.min(), days.max(), freq="7D") if len(days) else pd.DatetimeIndex([])
    return {"new": sorted(set(after) - set(before)), "gone": sorted(set(before) - set(after)),
            "reissued": sorted(week for week in set(before) & set(after) if _differ(before[week], after[week])),
            "missing_now": [day.date().isoformat() for day in expected if day.date().isoformat() not in after]}


def _differ(before: tuple[object, ...], after: tuple[object, ...]) -> bool:
    """Return whether a week has other content; what only one run keeps (shapes of months long past) is not compared."""
    return any(one != other for one, other in zip(before, after, strict=False))


def _week_contents(run: Results) -> dict[str, tuple[object, ...]]:
    import hashlib

    import shapely

    out: dict[str, tuple[object, ...]] = {}
    ordered = run.drought_weeks.sort_values(["valid_date", "cell_id"])
    for week, group in ordered.groupby("valid_date"):
        out[str(week)] = (tuple(zip(group["cell_id"], group["category"], strict=True)),)
    if run.drought_shapes is not None and len(run.drought_shapes):
        for week, shapes in run.drought_shapes.groupby("valid_date"):
            # rounded: reading the same map twice must not differ by the last digit of a clipped corner
            rounded = shapely.normalize(shapely.set_precision(shapes.geometry.to_numpy(), 1e-5))
            wkb = sorted(zip(shapes["category"], shapely.to_wkb(rounded), strict=True))
            out[str(week)] = (*out.get(str(week), ()), hashlib.sha256(repr(wkb).encode()).hexdigest())
    return out


def _month(run: Results) -> int:
    year, month = run.today.split("-")
    return month_numbers.month_number(int(year), int(month))


def _pairs(ids_a: pd.Series, ids_b: pd.Series) -> pd.DataFrame:
    """Return positions in A and B, -1 where there is none, B's rows first; the n-th of a repeated id meets the n-th."""
    frames = []
    for side, ids in (("a", ids_a), ("b", ids_b)):
        text = ids.astype("str")
        frames.append(pd.DataFrame({"lot_id": text.to_numpy(), "n": text.groupby(text).cumcount().to_numpy(),
                                    side: np.arange(len(text))}))
    merged = frames[1].merge(frames[0], on=["lot_id", "n"], how="outer", sort=False)
    merged = merged.sort_values(["b", "a"], na_position="last", kind="stable").reset_index(drop=True)
    return merged.assign(a=merged["a"].fillna(-1).astype(np.int64), b=merged["b"].fillna(-1).astype(np.int64))


def _taken(values: pd.Series, where: NDArray[np.int64]) -> NDArray[Any]:
    """Return values by position; missing where the position is -1."""
    return values.reset_index(drop=True).reindex(where).to_numpy()


def _side_by_side(a: Results, b: Results, pairs: pd.DataFrame) -> pd.DataFrame:
    table = pairs[["lot_id", "a", "b"]].copy()
    for side, run in (("a", a), ("b", b)):
        where = pairs[side].to_numpy()
        table[f"state_{side}"] = pd.Series(_taken(run.lots["state"], where)).fillna("").to_numpy()
        for name in NUMBERS:
            table[f"{name}_{side}"] = _taken(run.lots[name], where).astype(float)
    return table


# ---------------------------------------------------------------- one thing exchanged at a time
class _Steps:
    """Computes the pairs of lots between run A and run B."""

    def __init__(self, a: Results, b: Results, both: pd.DataFrame, cache: store.Store, workers: int | None) -> None:
        assert a.inputs is not None
        assert b.inputs is not None
        self.a, self.b, self.both, self.cache, self.pool = a, b, both, cache, InProcess(workers)
        self.of_a: MovementInputs = a.inputs
        self.of_b: MovementInputs = b.inputs
        self.area_a, self.area_b = (record.area_of(run) for run in (a, b))
        self.notes: list[str] = []
        drivers = tuple(area.climate_settings.driver for area in (self.area_a, self.area_b))
        self.history_a, told = compared_weather.of_first(self.of_a.history, self.of_b.history, *drivers)
        self.notes += told
        self.same_code = a.facts.get("code") == b.facts.get("code") == code_digest()
        if not self.same_code:
            self.notes.append("The runs or this program differ in code: that part is what is left when the first run "
                              "is computed again with this program.")
        self.other_code = a.facts.get("code") != b.facts.get("code")
        shift = int(self.of_a.profile["profile_id"].max()) + 1 if len(self.of_a.profile) else 0
        self.profile = pd.concat([self.of_a.profile, self.of_b.profile.assign(
            profile_id=self.of_b.profile["profile_id"] + shift)], ignore_index=True)
        self.layer = pd.concat([self.of_a.layer, self.of_b.layer.assign(
            profile_id=self.of_b.layer["profile_id"] + shift)], ignore_index=True)
        self.mixture_a = self.of_a.archetype_profile
        mixture = self.of_b.archetype_profile
        self.mixture_b = mixture.assign(profile_id=mixture["profile_id"] + shift)
        self.archetype_a = self.of_a.lot_archetype[both["a"].to_numpy()]
        self.archetype_b = self.of_b.lot_archetype[both["b"].to_numpy()]
        self.usable = (self.archetype_a >= 0) & (self.archetype_b >= 0)

    def by_code(self, role: str) -> bool:
        """Return whether what was read in a role can differ by our code only: same files, read by the same settings."""
        settings = {"soil": ("crs", "soil_settings"), "lots": ("crs", "lot_settings"), "climate": ("climate_settings",)}
        return self.other_code and _same_input(self.a, self.b, role) and all(
            getattr(self.area_a, name) == getattr(self.area_b, name) for name in settings[role])

    def values(self, *, attributes: NDArray[np.bool_], soil: NDArray[np.bool_], cell: str, area: Area,
               history: ClimateHistory) -> pd.DataFrame:
        """Return `NUMBERS` per pair; masks tell which pairs take slab and pour, and soil, of B; `cell` is a or b."""
        use = np.flatnonzero(self.usable)
        took, ground = attributes[use], soil[use]
        key = pd.DataFrame({"attr": np.where(took, self.archetype_b[use], self.archetype_a[use]), "attr_b": took,
                            "soil": np.where(ground, self.archetype_b[use], self.archetype_a[use]), "soil_b": ground,
                            "cell": (self.archetype_b if cell == "b" else self.archetype_a)[use]})
        unique = key.drop_duplicates().reset_index(drop=True)
        number = key.merge(unique.reset_index(names="number"), on=list(key.columns), how="left")["number"].to_numpy()
        archetype = pd.DataFrame(np.where(unique[["attr_b"]].to_numpy(), self._attributes(self.of_b, unique["attr"]),
                                          self._attributes(self.of_a, unique["attr"])), columns=_ATTRIBUTES)
        like = self.of_b.archetype if len(self.of_b.archetype) else self.of_a.archetype
        archetype = archetype.astype({name: like[name].dtype for name in _ATTRIBUTES})
        cells = self.of_b.archetype if cell == "b" else self.of_a.archetype
        archetype.insert(0, "cell_id", cells["cell_id"].to_numpy()[unique["cell"]])
        mixed = [frame.merge(unique.loc[unique["soil_b"] == is_b, ["soil"]].reset_index(names="number"),
                             left_on="archetype_id", right_on="soil")
                 for frame, is_b in ((self.mixture_a, False), (self.mixture_b, True))]
        mixture = pd.concat(mixed)[["number", "profile_id", "weight"]].rename(columns={"number": "archetype_id"})
        mixture = mixture.sort_values(["archetype_id", "profile_id"], kind="stable").reset_index(drop=True)
        models = reuse.simulate(self.cache, area, archetype, mixture, self.profile, self.layer, history,
                                pool=self.pool).archetype
        out = pd.DataFrame(np.nan, index=self.both.index, columns=list(NUMBERS))
        out.iloc[use] = models.reindex(columns=list(NUMBERS)).to_numpy(float)[number]  # absent when none has a number
        return out

    @staticmethod
    def _attributes(inputs: MovementInputs, archetype: pd.Series) -> NDArray[np.object_]:
        # a number of the other run may lie beyond this one's table: it is masked out afterwards
        place = np.minimum(archetype.to_numpy(), len(inputs.archetype) - 1)
        return inputs.archetype[_ATTRIBUTES].astype(object).to_numpy()[place]

    def changed_lots(self) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Return which pairs have another slab, pour date or outline, and which another outline."""
        old = self.a.lots.iloc[self.both["a"]].reset_index(drop=True)
        new = self.b.lots.iloc[self.both["b"]].reset_index(drop=True)
        differs = np.zeros(len(self.both), dtype=bool)
        use = self.usable
        for name in _SLAB:
            differs[use] |= (self.of_a.archetype[name].to_numpy()[self.archetype_a[use]]
                             != self.of_b.archetype[name].to_numpy()[self.archetype_b[use]])
        undated = ((old["pour_date_basis"] == "none") & (new["pour_date_basis"] == "none")).to_numpy(dtype=bool)
        for name in _DATES:
            left, right = old[name], new[name]
            same = ((left == right) | (left.isna() & right.isna())).to_numpy(dtype=bool)
            if name == "pour_to":  # without a date it is the present month, which moves by itself
                same = same | undated
            differs |= ~same
        outline = ~_same_shapes(old.geometry.to_numpy(), new.geometry.to_numpy())
        return differs | outline, outline


def _same_shapes(left: NDArray[np.object_], right: NDArray[np.object_]) -> NDArray[np.bool_]:
    import shapely

    missing = shapely.is_missing(left) & shapely.is_missing(right)
    same: NDArray[np.bool_] = missing | shapely.equals_exact(left, right, tolerance=1e-9, normalize=True)
    return same


def _parts(steps: _Steps, table: pd.DataFrame, with_number: NDArray[np.bool_]) -> pd.DataFrame:
    """Return `<cause>_part_mm` of the expected movement, and the change of each of `NUMBERS`, per row of `table`."""
    n = len(steps.both)
    yes, no = np.ones(n, dtype=bool), np.zeros(n, dtype=bool)
    changed, outline = steps.changed_lots()
    same_soil = _same_input(steps.a, steps.b, "soil")
    if not same_soil and outline.any():
        steps.notes.append("Where both the outline of a lot and the soil survey changed, their common part is told as "
                           "the lot file's.")
    history_a, known = steps.history_a, compared_weather.known(
        steps.history_a, steps.of_b.history, _month(steps.b) - _month(steps.a))
    # Under an unchanged outline soil can change with the survey, with settings of how it is read, or with our code.
    soil_by_settings = yes if same_soil else no
    given_a = {"attributes": no, "soil": no, "cell": "a", "area": steps.area_a, "history": history_a}
    read_by_code = {**given_a, "soil": soil_by_settings & ~outline if steps.by_code("soil") else no,
                    "attributes": changed & ~outline if steps.by_code("lots") else no}
    chain: list[tuple[str, dict[str, Any]]] = [
        ("", given_a),
        ("code", read_by_code),
        ("settings", {**read_by_code, "soil": soil_by_settings & ~outline, "area": steps.area_b}),
        ("lots", {"attributes": changed, "soil": soil_by_settings | outline, "cell": "a", "area": steps.area_b,
                  "history": history_a}),
        ("soil", {"attributes": changed, "soil": yes, "cell": "a", "area": steps.area_b, "history": history_a}),
        ("code" if steps.by_code("climate") else "weather_revised",
         {"attributes": changed, "soil": yes, "cell": "b", "area": steps.area_b, "history": known}),
        ("weather_new", {"attributes": yes, "soil": yes, "cell": "b", "area": steps.area_b,
                         "history": steps.of_b.history}),
    ]
    values = [steps.values(**masks) for _, masks in chain]
    stored_a = steps.a.lots[list(NUMBERS)].iloc[steps.both["a"]].to_numpy(float)
    stored_b = steps.b.lots[list(NUMBERS)].iloc[steps.both["b"]].to_numpy(float)
    as_stored = not steps.same_code or _calibrated(steps)  # else full digits, which the tables no longer have
    first = stored_a if as_stored else values[0].to_numpy()
    last = stored_b if as_stored else values[-1].to_numpy()
    shown = NUMBERS.index(SHOWN)
    parts = {cause: np.zeros(n) for cause in CAUSES}
    begun, left = values[0].to_numpy()[:, shown] - first[:, shown], last[:, shown] - values[-1].to_numpy()[:, shown]
    if _calibrated(steps) and not steps.same_code:
        parts["code"], parts["calibration"] = begun, left
    else:
        parts["calibration" if _calibrated(steps) else "code"] = begun + left
    for (cause, _), before, after in zip(chain[1:], values[:-1], values[1:], strict=True):
        parts[cause] = parts[cause] + (after - before)[SHOWN].to_numpy()
    out = pd.DataFrame(np.nan, index=table.index, columns=[*(f"{c}_part_mm" for c in CAUSES),
                                                            *(f"{name}_change" for name in NUMBERS)])
    place = table.index[(table["a"] >= 0) & (table["b"] >= 0)]
    for cause in CAUSES:
        out.loc[place, f"{cause}_part_mm"] = parts[cause]
    for k, name in enumerate(NUMBERS):
        out.loc[place, f"{name}_change"] = last[:, k] - first[:, k]
    out.loc[~with_number] = np.nan
    return out


def _calibrated(steps: _Steps) -> bool:
    return any(run.facts.get("calibration") for run in (steps.a, steps.b))


def _same_input(a: Results, b: Results, role: str) -> bool:
    """Return whether both runs read files of the same content in one role."""
    digests = [sorted(run.facts.get("input_sha256", {}).get(role, [])) for run in (a, b)]
    return bool(digests[0]) and digests[0] == digests[1]


# ---------------------------------------------------------------- words
def _kinds(table: pd.DataFrame, with_number: pd.Series) -> NDArray[np.object_]:
    moved = table[[f"{name}_change" for name in NUMBERS]].abs().max(axis=1) > 0
    choices = [table["a"] < 0, table["b"] < 0, ~with_number & (table["state_a"] != table["state_b"]), moved]
    kinds: NDArray[np.object_] = np.select(choices, ["new", "gone", "state_changed", "changed"], "same").astype(object)
    return kinds


def _why(table: pd.DataFrame, a: Results, b: Results) -> NDArray[np.object_]:
    """Return at most two lines a lot: what moved, and the two largest parts."""
    out = np.full(len(table), "", dtype=object)
    changed = table["kind"].to_numpy() == "changed"
    parts = table[[f"{cause}_part_mm" for cause in CAUSES]].to_numpy(float)
    order = np.argsort(-np.nan_to_num(np.abs(parts)), axis=1, kind="stable")
    names = np.array(list(CAUSES.values()), dtype=object)
    rows = np.flatnonzero(changed)
    total = table[f"{SHOWN}_change"].to_numpy(float)
    for i in rows:
        reasons = [f"{parts[i, k]:+.1f} mm {names[k]}" for k in order[i, :2] if abs(parts[i, k]) >= 0.05]
        out[i] = f"expected movement {total[i]:+.1f} mm\n" + ("; ".join(reasons) or "no part reaches 0.1 mm")
    state = table["kind"].to_numpy() == "state_changed"
    for side, run in (("a", a), ("b", b)):
        reason = pd.Series(_taken(run.lots["state_reason"], table[side].to_numpy())).fillna("").to_numpy()
        words = np.where(table[f"state_{side}"].to_numpy() == "", "a number",
                         table[f"state_{side}"].to_numpy() + np.where(reason == "", "", " (" + reason + ")"))
        out[state] = out[state] + ("before: " if side == "a" else "\nnow: ") + words[state]
    out[table["kind"].to_numpy() == "new"] = "only in the second run"
    out[table["kind"].to_numpy() == "gone"] = "only in the first run"
    return out


def _counts(table: pd.DataFrame) -> dict[str, Any]:
    kinds = table["kind"].value_counts()
    change = table[f"{SHOWN}_change"].to_numpy(float)
    parts = table[[f"{cause}_part_mm" for cause in CAUSES]]
    mean = parts.abs().mean().fillna(0.0)
    return {
        "lots_before": int((table["lot_row_a"] >= 0).sum()), "lots_now": int((table["lot_row_b"] >= 0).sum()),
        **{kind: int(kinds.get(kind, 0)) for kind in ("same", "changed", "state_changed", "new", "gone")},
        "moved_up": int((change >= NOTABLE_MM).sum()), "moved_down": int((change <= -NOTABLE_MM).sum()),
        "notable_mm": NOTABLE_MM,
        "median_change_mm": float(np.nanmedian(change)) if np.isfinite(change).any() else None,
        "mean_size_of_part_mm": {cause: float(mean[f"{cause}_part_mm"]) for cause in CAUSES},
    }
