"""Every lot of two runs computed again with one thing exchanged at a time; each change is the part of its cause.

The order is fixed: code, settings, lots, buildings, soil, weather of months that both runs know, new months,
calibration. Each part is the step between two neighbours, so the parts add up to the change whatever the order. With
another order, single parts could differ where two things affect each other.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from riskmap.answers import compared_weather
from riskmap.common import month_numbers
from riskmap.common.constants import SIZE_FROM_FOOTPRINT
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
    "buildings": "the outlines of buildings: slab size",
    "soil": "the refreshed soil survey",
    "weather_revised": "revised weather of past months",
    "weather": "new months of weather, and time passing",
    "calibration": "another calibration",
}
# what is compared, in the order of the questions: short name -> column of the estimate
NUMBERS = {"now": "bend_now_mm", "next": "change_next_mm", "expected": "expected_movement_mm",
           "long_run": "long_run_mm"}
_COLUMNS = list(NUMBERS.values())
_SLAB = ["half_width_m", "half_width_basis", "section_mn_m2", "stiffness_basis", "plan_factor"]
_POUR = ["pour_early_month", "pour_late_month"]
_ATTRIBUTES = [*_SLAB, *_POUR]
# as the lot file gives them; archetypes round them more coarsely with age
_DATES = ["pour_from", "pour_to", "pour_date_basis"]


def part_columns(short: str) -> list[str]:
    """Return the names of the parts of one of `NUMBERS`, in the order of the exchanges."""
    return [f"{short}_part_{cause}_mm" for cause in CAUSES]


def month_of(run: Results) -> int:
    """Return the number of a run's present month."""
    return month_numbers.parse_month(run.today)


class Steps:
    """Computes the pairs of lots between run A and run B; `notes` collects what limits the split into causes."""

    def __init__(self, a: Results, b: Results, both: pd.DataFrame, cache: store.Store, workers: int | None) -> None:
        """Prepare both runs; `both` has the positions `a` and `b` of each lot that is in both."""
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
        """Return whether what was read in a role can differ only by our code: same files, read by the same settings."""
        settings = {"soil": ("crs", "soil_settings"), "lots": ("crs", "lot_settings"), "climate": ("climate_settings",)}
        return self.other_code and _same_input(self.a, self.b, role) and all(
            getattr(self.area_a, name) == getattr(self.area_b, name) for name in settings[role])

    def values(self, *, slab: NDArray[np.bool_], pour: NDArray[np.bool_], soil: NDArray[np.bool_], cell: str,
               area: Area, history: ClimateHistory) -> pd.DataFrame:
        """Return the columns of `NUMBERS` per pair, in mm.

        Masks say which pairs take the slab from B, which the pour, and which the soil; `cell` is a or b.
        """
        use = np.flatnonzero(self.usable)
        given: dict[str, Any] = {}
        for name, mask in (("slab", slab), ("pour", pour), ("soil", soil)):
            took = mask[use]
            given |= {name: np.where(took, self.archetype_b[use], self.archetype_a[use]), f"{name}_b": took}
        key = pd.DataFrame({**given,
                            "cell": (self.archetype_b if cell == "b" else self.archetype_a)[use]})
        unique = key.drop_duplicates().reset_index(drop=True)
        number = key.merge(unique.reset_index(names="number"), on=list(key.columns), how="left")["number"].to_numpy()
        archetype = pd.concat([pd.DataFrame(
            np.where(unique[[f"{name}_b"]].to_numpy(), self._attributes(self.of_b, unique[name], columns),
                     self._attributes(self.of_a, unique[name], columns)), columns=columns)
            for name, columns in (("slab", _SLAB), ("pour", _POUR))], axis=1)
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
        out = pd.DataFrame(np.nan, index=self.both.index, columns=_COLUMNS)
        out.iloc[use] = models.reindex(columns=_COLUMNS).to_numpy(float)[number]  # absent when no lot has an estimate
        return out

    @staticmethod
    def _attributes(inputs: MovementInputs, archetype: pd.Series, columns: list[str]) -> NDArray[np.object_]:
        # an archetype number of the other run may be beyond this run's table; it is masked out afterwards
        place = np.minimum(archetype.to_numpy(), len(inputs.archetype) - 1)
        return inputs.archetype[columns].astype(object).to_numpy()[place]

    def changed_lots(self) -> tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.bool_]]:
        """Return which pairs differ in slab, pour date or outline; which in outline; which in slab through a building.

        The last are those whose slab differs and comes from a building in one of the runs, where the runs read
        different files of buildings.
        """
        old = self.a.lots.iloc[self.both["a"]].reset_index(drop=True)
        new = self.b.lots.iloc[self.both["b"]].reset_index(drop=True)
        differs = np.zeros(len(self.both), dtype=bool)
        use = self.usable
        for name in _SLAB:
            differs[use] |= (self.of_a.archetype[name].to_numpy()[self.archetype_a[use]]
                             != self.of_b.archetype[name].to_numpy()[self.archetype_b[use]])
        outlined = np.zeros(len(self.both), dtype=bool)
        if _digests(self.a, "buildings") != _digests(self.b, "buildings"):
            basis_a, basis_b = (of.archetype["half_width_basis"].to_numpy()[archetype[use]]
                                for of, archetype in ((self.of_a, self.archetype_a), (self.of_b, self.archetype_b)))
            outlined[use] = differs[use] & ((basis_a == SIZE_FROM_FOOTPRINT) | (basis_b == SIZE_FROM_FOOTPRINT))
        undated = ((old["pour_date_basis"] == "none") & (new["pour_date_basis"] == "none")).to_numpy(dtype=bool)
        for name in _DATES:
            left, right = old[name], new[name]
            same = ((left == right) | (left.isna() & right.isna())).to_numpy(dtype=bool)
            if name == "pour_to":  # without a date it is the present month, which moves on by itself
                same = same | undated
            differs |= ~same
        outline = ~_same_shapes(old.geometry.to_numpy(), new.geometry.to_numpy())
        return differs | outline, outline, outlined


def _same_shapes(left: NDArray[np.object_], right: NDArray[np.object_]) -> NDArray[np.bool_]:
    import shapely

    missing = shapely.is_missing(left) & shapely.is_missing(right)
    same: NDArray[np.bool_] = missing | shapely.equals_exact(left, right, tolerance=1e-9, normalize=True)
    return same


def parts(steps: Steps, table: pd.DataFrame, with_number: NDArray[np.bool_]) -> pd.DataFrame:
    """Return the parts of every cause and the change of each of `NUMBERS`, in mm, per row of `table`.

    Parameters
    ----------
    steps : Steps
    table : DataFrame
        `a` and `b` are the positions of a lot in both runs, -1 where a run does not have it.
    with_number : bool array
        Rows with an estimate in both runs; all others stay empty.
    """
    stored = [run.lots[_COLUMNS].iloc[steps.both[side]].to_numpy(float)
              for run, side in ((steps.a, "a"), (steps.b, "b"))]
    chain = _chain(steps)
    values = [steps.values(**masks).to_numpy(float) for _, masks in chain]
    calibrated = _calibrated(steps)
    as_stored = not steps.same_code or calibrated  # otherwise full digits, which the tables no longer have
    first, last = stored if as_stored else (values[0], values[-1])
    made = {cause: np.zeros(first.shape) for cause in CAUSES}
    begun, left = values[0] - first, last - values[-1]
    if calibrated and not steps.same_code:
        made["code"], made["calibration"] = begun, left
    else:
        made["calibration" if calibrated else "code"] = begun + left
    for (cause, _), before, after in zip(chain[1:], values[:-1], values[1:], strict=True):
        made[cause] = made[cause] + (after - before)
    change = last - first
    place = table.index[(table["a"] >= 0) & (table["b"] >= 0)]
    out = pd.DataFrame(np.nan, index=table.index, columns=[
        name for short, column in NUMBERS.items() for name in (f"{column}_change", *part_columns(short))])
    for k, (short, column) in enumerate(NUMBERS.items()):
        out.loc[place, f"{column}_change"] = change[:, k]
        for cause, name in zip(CAUSES, part_columns(short), strict=True):
            out.loc[place, name] = made[cause][:, k]
    out.loc[~with_number] = np.nan
    return out


def _chain(steps: Steps) -> list[tuple[str, dict[str, Any]]]:
    """Return each cause with the arguments for `Steps.values` after its exchange; the first entry is run A."""
    n = len(steps.both)
    yes, no = np.ones(n, dtype=bool), np.zeros(n, dtype=bool)
    changed, outline, outlined = steps.changed_lots()
    same_soil = _same_input(steps.a, steps.b, "soil")
    if not same_soil and outline.any():
        steps.notes.append("Where both the outline of a lot and the soil survey changed, their common part is counted "
                           "as the lot file's.")
    history_a, known = steps.history_a, compared_weather.known(
        steps.history_a, steps.of_b.history, month_of(steps.b) - month_of(steps.a))
    # Where the outline is unchanged, soil can change with the survey, with the settings for reading it, or with our
    # code.
    soil_by_settings = yes if same_soil else no
    given_a = {"slab": no, "pour": no, "soil": no, "cell": "a", "area": steps.area_a, "history": history_a}
    by_code = changed & ~outline if steps.by_code("lots") else no
    read_by_code = {**given_a, "soil": soil_by_settings & ~outline if steps.by_code("soil") else no,
                    "slab": by_code & ~outlined, "pour": by_code}
    by_lots = {"slab": changed & ~outlined, "pour": changed, "soil": soil_by_settings | outline, "cell": "a",
               "area": steps.area_b, "history": history_a}
    by_buildings = {**by_lots, "slab": changed}
    return [
        ("", given_a),
        ("code", read_by_code),
        ("settings", {**read_by_code, "soil": soil_by_settings & ~outline, "area": steps.area_b}),
        ("lots", by_lots),
        ("buildings", by_buildings),
        ("soil", {**by_buildings, "soil": yes}),
        ("code" if steps.by_code("climate") else "weather_revised",
         {**by_buildings, "soil": yes, "cell": "b", "history": known}),
        ("weather", {"slab": yes, "pour": yes, "soil": yes, "cell": "b", "area": steps.area_b,
                     "history": steps.of_b.history}),
    ]


def _calibrated(steps: Steps) -> bool:
    return any(run.facts.get("calibration") for run in (steps.a, steps.b))


def _same_input(a: Results, b: Results, role: str) -> bool:
    """Return whether both runs read files of the same content in one role."""
    digests = [_digests(run, role) for run in (a, b)]
    return bool(digests[0]) and digests[0] == digests[1]


# role of an input -> cause that another content of it is
_ROLES = {"lots": "lots", "buildings": "buildings", "soil": "soil", "climate": "weather", "climate_cells": "weather",
          "drought": "weather", "index": "weather"}


def what_differs(a: Results, b: Results) -> list[str]:
    """Return the causes for which two runs can differ, in the order of `CAUSES`, from what their manifests say alone.

    Nothing is computed: where it is one cause, every change comes from it; where there are several, only `compare`
    divides the change between them. Weather is one cause here, revised or new.
    """
    found = {cause for role, cause in _ROLES.items()
             if (_digests(a, role) or _digests(b, role)) and not _same_input(a, b, role)}
    if a.today != b.today:
        found.add("weather")
    if a.facts.get("code") != b.facts.get("code"):
        found.add("code")
    if a.facts.get("calibration") != b.facts.get("calibration"):
        found.add("calibration")
    areas = (record.area_of(run) for run in (a, b)) if a.settings and b.settings else ()
    parts = [(one.movement, one.soil_settings, one.climate_settings, one.lot_settings) for one in areas]
    if parts and parts[0] != parts[1]:
        found.add("settings")
    return [cause for cause in CAUSES if cause in found]


def _digests(run: Results, role: str) -> list[str]:
    """Return the digests of the files that a run read in one role; empty where it read none."""
    return sorted(run.facts.get("input_sha256", {}).get(role, []))
