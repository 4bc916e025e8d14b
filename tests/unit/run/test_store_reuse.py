"""Archetypes that were computed before are found by their content, and only by it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from riskmap.common import settings
from riskmap.common.weather import ClimateHistory, MovementInputs
from riskmap.run import reuse, store

ARCHETYPE = pd.DataFrame({
    "cell_id": ["Z", "Z", "Z"], "half_width_m": [6.0, 6.0, 7.0], "half_width_basis": ["given", "unknown", "given"],
    "section_mn_m2": [18.0, 18.0, 60.0], "stiffness_basis": ["rib_depth", "rib_depth", "deep_ribs"],
    "plan_factor": [1.0, 1.0, 0.9], "pour_early_month": [23000, 23000, 23000],
    "pour_late_month": [23011, 23011, 23011]})
PART = pd.DataFrame({"archetype_id": [0, 1, 1, 2], "profile_id": [0, 0, 1, 1], "weight": [1.0, 0.25, 0.75, 1.0]})
PROFILE = pd.DataFrame({"profile_id": [0, 1], "component_name": ["a", "b"], "rock_depth_m": [np.inf, 1.5],
                        "water_table_all_year_m": [np.inf, np.inf]})
LAYER = pd.DataFrame({"profile_id": [0, 0, 1], "top_m": [0.0, 0.5, 0.0], "bottom_m": [0.5, 2.0, 1.5],
                      "lep_low_pct": [3.0, 6.0, 6.0], "lep_pct": [5.0, 8.0, 8.0], "lep_high_pct": [6.0, 9.0, 9.0]})
PLACE_OF_MODELS = reuse.models_of_machine.__wrapped__  # before a session of tests gets a place of its own
AREA = settings.Area.model_validate({"name": "a", "lots": {"path": "l.csv"}, "soil": {"path": "s.zip"}})


def history(cells: tuple[str, ...] = ("Z",), months: int = 40) -> ClimateHistory:
    values = np.random.default_rng(3).uniform(10, 90, (len(cells), months))
    return ClimateHistory(cells, 23000, values, values / 2, np.full_like(values, np.nan),
                          np.ones(values.shape, dtype=np.int8), ("",) * len(cells), np.full(len(cells), 5.0),
                          values / 5, np.full(len(cells), 32.0))


def keys(archetype=ARCHETYPE, part=PART, profile=PROFILE, layer=LAYER) -> list[tuple[int, int]]:
    return [tuple(row) for row in reuse.archetype_keys(archetype, part, profile, layer).to_numpy()]


def test_keys_do_not_know_numbers_of_profiles_or_the_order_of_anything() -> None:
    turned = {0: 1, 1: 0}
    again = keys(
        part=PART.assign(profile_id=PART["profile_id"].map(turned)).iloc[::-1],
        profile=PROFILE.assign(profile_id=PROFILE["profile_id"].map(turned), component_name=["x", "y"]),
        layer=LAYER.assign(profile_id=LAYER["profile_id"].map(turned)).iloc[::-1])
    assert again == keys()
    back = reuse.archetype_keys(ARCHETYPE.iloc[::-1], PART, PROFILE, LAYER).loc[ARCHETYPE.index]
    assert [tuple(row) for row in back.to_numpy()] == keys()


def test_the_two_halves_of_a_key_are_independent() -> None:
    found = reuse.archetype_keys(ARCHETYPE, PART, PROFILE, LAYER)
    assert (found["key_1"] != found["key_2"]).all()
    assert len(set(keys())) == 3


@pytest.mark.parametrize(("frame", "name", "row", "value"), [
    ("archetype", "half_width_m", 0, 6.5), ("archetype", "half_width_basis", 0, "footprint"),
    ("archetype", "section_mn_m2", 0, 18.9), ("archetype", "stiffness_basis", 0, "unknown"),
    ("archetype", "plan_factor", 0, 1.1),
    ("archetype", "pour_early_month", 0, 22999), ("archetype", "pour_late_month", 0, 23010),
    ("part", "weight", 0, 0.5), ("part", "profile_id", 0, 1),
    ("profile", "rock_depth_m", 0, 2.0), ("profile", "water_table_all_year_m", 0, 2.0), ("layer", "top_m", 1, 0.4),
    ("layer", "bottom_m", 0, 0.4), ("layer", "lep_low_pct", 0, 2.0), ("layer", "lep_pct", 0, 5.5),
    ("layer", "lep_high_pct", 1, 9.5)])
def test_every_value_that_movement_reads_is_in_the_key(frame: str, name: str, row: int, value: object) -> None:
    given = {"archetype": ARCHETYPE, "part": PART, "profile": PROFILE, "layer": LAYER}
    changed = given[frame].astype({name: object})
    changed.loc[row, name] = value
    given[frame] = changed.astype({name: given[frame][name].dtype})
    assert keys(**given)[0] != keys()[0]


def test_every_setting_month_and_caution_of_the_weather_is_in_the_key_of_a_cell() -> None:
    base = history()
    name = reuse.cell_key(base, "Z", AREA)
    assert name == reuse.cell_key(history(), "Z", AREA)
    other = AREA.model_copy(update={"movement": AREA.movement.model_copy(update={"seed": AREA.movement.seed + 1})})
    assert reuse.cell_key(base, "Z", other) != name
    for field in ("precipitation_mm", "pet_mm", "z", "coldest_normal_c"):
        values = getattr(base, field).copy()
        values[..., -1] = 1.25
        assert reuse.cell_key(replace(base, **{field: values}), "Z", AREA) != name, field
    assert reuse.cell_key(replace(base, flags=("frost_not_modelled",)), "Z", AREA) != name
    assert reuse.cell_key(replace(base, first_month=22999), "Z", AREA) != name


def test_rows_and_facts_come_back_beside_or_in_place_of_what_was_there(tmp_path: Path) -> None:
    kept = store.Store(tmp_path / "s")
    rows = pd.DataFrame({"key_1": np.array([2**63 + 1], dtype=np.uint64), "text": ["ü"], "number": [np.nan]})
    assert kept.get("k") is None
    kept.put("k", rows, {"years": [2011], "none": float("nan")})
    kept.put("k", rows.assign(text="v"), {"years": [2011]})
    assert sorted(kept.get("k")[0]["text"]) == ["v", "ü"]  # type: ignore[index]
    kept.put("k", pd.concat([rows, rows]), {"years": [2012]}, anew=True)
    found, facts = kept.get("k")  # type: ignore[misc]
    pd.testing.assert_frame_equal(found, pd.concat([rows, rows], ignore_index=True))
    assert facts == {"years": [2012]}
    assert len(list((tmp_path / "s").iterdir())) == 1


@pytest.mark.parametrize("damage", [lambda b: b[:-1], lambda b: b"", lambda b: b[:200] + bytes([b[200] ^ 1]) + b[201:]])
def test_a_damaged_file_is_dropped(damage, tmp_path: Path) -> None:
    kept = store.Store(tmp_path)
    kept.put("k", pd.DataFrame({"a": range(100)}), {})
    path = next(tmp_path.iterdir())
    path.write_bytes(damage(path.read_bytes()))
    assert kept.get("k") is None
    assert list(tmp_path.iterdir()) == []


def test_a_whole_file_that_is_no_table_is_dropped(tmp_path: Path) -> None:
    content = b"not a table"
    (tmp_path / f"k-{store._digest(content)}.parquet").write_bytes(content)
    assert store.Store(tmp_path).get("k") is None
    assert list(tmp_path.iterdir()) == []


def test_the_folder_does_not_grow_without_end(tmp_path: Path) -> None:
    store.Store(tmp_path).put("a" * 32, pd.DataFrame({"a": range(1000)}), {})
    kept = store.Store(tmp_path, largest=10)
    kept.put("b" * 32, pd.DataFrame({"a": range(1000)}), {})
    assert kept.get("a" * 32) is None
    assert kept.get("b" * 32) is not None


def test_the_folder_is_counted_again_after_a_share_of_its_size(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = pd.DataFrame({"a": range(1000)})
    store.Store(tmp_path).put("a" * 32, rows, {})
    size = sum(path.stat().st_size for path in tmp_path.iterdir())
    kept = store.Store(tmp_path, largest=4 * size)
    monkeypatch.setattr(store, "COUNTED_EVERY", 0.7)
    sizes = []
    for number in range(12):
        kept.put(f"{number:032x}", rows, {})
        sizes.append(sum(path.stat().st_size for path in tmp_path.iterdir()))
    assert min(sizes[4:]) < 4.1 * size < max(sizes) < (1.7 * 4 + 0.1) * size


def test_only_own_files_are_pruned_or_dropped(tmp_path: Path) -> None:
    digest = "0123456789abcdef" * 2
    elsewhere = tmp_path / "elsewhere"
    elsewhere.write_bytes(b"mine")
    folder = tmp_path / "store"
    folder.mkdir()
    for name in ("photo.png", "notes.pdf", "report.parquet", f"report-{digest}.parquet", "x.123.part",
                 f"{'A' * 32}-{digest}.parquet", f"{'a' * 32}-{digest}.parquet.part", f"{'a' * 32}-notes.parquet"):
        (folder / name).write_bytes(b"mine")
    (folder / f"{'c' * 32}-{digest}.parquet").mkdir()
    (folder / f"{'a' * 32}-{digest}.parquet").symlink_to(elsewhere)
    before = {path.name: path.is_dir() or path.read_bytes() for path in folder.iterdir()}
    kept = store.Store(folder, largest=10)
    assert kept.get("a" * 32) is None
    assert kept.get("c" * 32) is None
    kept.put("a" * 32, pd.DataFrame({"a": range(1000)}), {}, anew=True)
    (folder / f"{'d' * 32}lot_soil-{digest}.77.part").write_bytes(b"left over")
    kept.put("b" * 32, pd.DataFrame({"a": range(1000)}), {})
    assert kept.get("a" * 32) is None
    (own,) = folder.glob(f"{'b' * 32}-*.parquet")
    own.unlink()
    assert {path.name: path.is_dir() or path.read_bytes() for path in folder.iterdir()} == before
    assert elsewhere.read_bytes() == b"mine"


def test_files_that_may_not_be_read_or_removed_stop_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What another account left in a shared folder."""
    kept = store.Store(tmp_path)
    kept.put("k", pd.DataFrame({"a": [1]}), {})
    (path,) = tmp_path.iterdir()

    def forbidden(self: Path, *_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied", str(self))

    with monkeypatch.context() as patch:
        patch.setattr(Path, "read_bytes", forbidden)
        assert kept.get("k") is None
    path.write_bytes(b"damaged")
    with monkeypatch.context() as patch:
        patch.setattr(Path, "unlink", forbidden)
        assert kept.get("k") is None
    assert path.read_bytes() == b"damaged"
    assert kept.get("k") is None
    assert not path.exists()


def test_a_place_that_cannot_be_written_is_no_fault(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x", encoding="utf-8")
    kept = store.Store(tmp_path / "file" / "below")
    kept.put("k", pd.DataFrame({"a": [1]}), {})
    assert kept.get("k") is None
    assert store.Store(None).get("k") is None


def test_reduced_models_are_kept_to_the_last_bit(tmp_path: Path) -> None:
    from riskmap.movement import reduced_model

    kept = store.Store(tmp_path)
    shelf = reuse._Models(kept)
    clean = reduced_model.build(1.3)
    assert shelf.take("1.3-0-0.0") is None
    reduced_model.cached.cache_clear()
    with reduced_model.kept_on(shelf):
        first = reduced_model.cached(1.3)
        other = reduced_model.cached(1.3, True)
        reduced_model.cached.cache_clear()
        again = reduced_model.cached(1.3)
    assert again is not first
    for name, value in vars(clean).items():
        np.testing.assert_array_equal(getattr(again, name), value)
    assert other.rates.size != first.rates.size or not np.array_equal(other.rates, first.rates)

    for path in tmp_path.glob("*.parquet"):
        path.write_bytes(path.read_bytes()[:-10])
    reduced_model.cached.cache_clear()
    with reduced_model.kept_on(shelf):
        mended = reduced_model.cached(1.3)
    np.testing.assert_array_equal(mended.output, clean.output)
    with reduced_model.kept_on(reuse._Models(store.Store(None))):
        reduced_model.cached.cache_clear()
        assert np.array_equal(reduced_model.cached(1.3).output, clean.output)


def test_the_key_of_a_cell_knows_temperature_latitude_and_days() -> None:
    """A day that moves within its month, or a temperature, changes the day steps and nothing else that is kept."""
    from dataclasses import replace

    from riskmap.common.weather import DailyWeather, days_in_months

    given = history()
    count = int(days_in_months(given.first_month, 40).sum())
    days = DailyWeather(np.full(count, 1.0), np.full(count, 18.0))
    moved = np.full(count, 1.0)
    moved[:2] = 2.0, 0.0
    made = [given, replace(given, temperature_c=given.temperature_c + 0.01),
            replace(given, latitude_deg=np.array([33.0])),
            replace(given, days=(days,)), replace(given, days=(DailyWeather(moved, days.temperature_c),)),
            replace(given, days=(DailyWeather(days.rain_mm, days.temperature_c + 1),))]
    keys_of = {reuse.cell_key(one, "Z", AREA) for one in made}
    assert len(keys_of) == len(made)
    month = AREA.model_copy(update={"climate_settings": settings.ClimateSettings(driver="month")})
    assert reuse.cell_key(given, "Z", month) not in keys_of
    assert reuse.cell_key(replace(given, days=(None,)), "Z", AREA) == reuse.cell_key(given, "Z", AREA)


# ---------------------------------------------------------------- single lots
def test_what_papers_compute_of_an_archetype_is_computed_once(tmp_path: Path) -> None:
    inputs = MovementInputs(ARCHETYPE, PART, np.array([0, 1, 2]), PROFILE, LAYER, history())
    kept, asked = store.Store(tmp_path), []

    def compute(ids: list[int]) -> dict[int, np.ndarray]:
        asked.append(ids)
        return {number: np.array([number / 3, -0.0, np.pi * number]) for number in ids if number != 1}

    def told(kind: str, ids: list[int], area: settings.Area = AREA, given: MovementInputs = inputs,
             where: store.Store = kept) -> dict[int, list[float]]:
        asked.clear()
        return {number: values.tolist() for number, values in
                reuse.of_archetypes(where, kind, given, ids, area, compute).items()}

    first = told("shape", [2, 0, 2, 1])
    assert asked == [[0, 1, 2]]
    assert first == {0: [0.0, -0.0, 0.0], 2: [2 / 3, -0.0, 2 * np.pi]}  # one that has no numbers is left out
    assert told("shape", [0, 2]) == first
    assert asked == []
    told("shape", [0, 1, 2])
    assert asked == [[1]]
    told("cracked", [0])
    assert asked == [[0]]
    other = AREA.model_copy(update={"movement": AREA.movement.model_copy(update={"seed": AREA.movement.seed + 1})})
    told("shape", [0], other)
    assert asked == [[0]]
    told("shape", [0, 2], given=replace(inputs, layer=LAYER.assign(lep_pct=LAYER["lep_pct"] + [0.0, 0.1, 0.0])))
    assert asked == [[0]]  # the other one lies on another soil
    assert told("shape", [0, 2], where=store.Store(None)) == first
    assert asked == [[0, 2]]
    assert told("shape", []) == {}


def test_a_shape_is_the_same_from_the_store() -> None:
    from riskmap.movement import shape_now

    made = shape_now.summarised(np.random.default_rng(1).normal(size=(60, 3, 21)))
    again = shape_now.from_flat(shape_now.flat(made))
    for name in ("lines_mm", "gap_mm", "ground_mm"):
        assert np.array_equal(getattr(made, name), getattr(again, name))


def test_areas_share_their_models_beside_the_compiled_code(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from riskmap.movement import compiled, reduced_model

    monkeypatch.setattr(reuse, "models_of_machine", PLACE_OF_MODELS)
    monkeypatch.setattr(compiled, "folder", lambda: tmp_path / "code")
    with reuse.models_of(store.Store(tmp_path / "one")):
        reduced_model.cached.cache_clear()
        first = reduced_model.cached(1.35)
    assert not (tmp_path / "one").exists()
    monkeypatch.setattr(reduced_model, "build", None)  # what would be built again
    for other in (store.Store(tmp_path / "two"), store.Store(None)):
        with reuse.models_of(other):
            reduced_model.cached.cache_clear()
            assert np.array_equal(reduced_model.cached(1.35).output, first.output)


def test_models_are_in_the_store_where_compiled_code_cannot_be_kept(tmp_path: Path,
                                                                    monkeypatch: pytest.MonkeyPatch) -> None:
    from riskmap.movement import reduced_model

    monkeypatch.setattr(reuse, "models_of_machine", lambda: None)
    with reuse.models_of(store.Store(tmp_path)):
        reduced_model.cached.cache_clear()
        reduced_model.cached(1.35)
    assert len(list(tmp_path.iterdir())) == 1


def test_models_lie_where_compiled_code_does() -> None:
    from riskmap.movement import compiled, kernels

    place = compiled.folder()
    assert place is not None
    assert place == Path(kernels.project._cache.cache_path)  # type: ignore[attr-defined]
