"""Cleaned lots that are found again: only for the very same files, settings, month and code, and never with labels."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
from changed_areas import write_area
from geopandas.testing import assert_geodataframe_equal
from pandas.testing import assert_frame_equal

from riskmap import layers
from riskmap.common import settings
from riskmap.layers import lots as lot_file
from riskmap.run import flow, kept_lots, labels
from riskmap.run.store import Store

TODAY = 12 * 2025 + 4


@pytest.fixture(scope="module")
def area(example: Path, tmp_path_factory: pytest.TempPathFactory) -> settings.Area:
    place = tmp_path_factory.mktemp("kept") / "area"
    every = gpd.read_file(example / "lots.gpkg", layer="lots")
    some = every.iloc[sorted({*range(0, len(every), 40), 202, 203, *range(1490, len(every))})]  # with the rare states
    return settings.load(write_area(example, place, last="2025-05", lots=some))


def cleaned(store: Store, area: settings.Area, today: int = TODAY, *, keep: bool = True) -> kept_lots.CleanLots:
    key = kept_lots.key_of(store, area)
    read = layers.read(area, kept_lots.brief(store, key, area))
    return kept_lots.clean(store, key, area, read, today, keep=keep)


@pytest.fixture
def no_reading(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: Any, **__: Any) -> None:
        raise AssertionError("the lot file was read")

    monkeypatch.setattr(lot_file, "read", refuse)


def test_kept_lots_are_the_cleaned_ones(area: settings.Area, tmp_path: Path, request: pytest.FixtureRequest) -> None:
    store, anew = Store(tmp_path), cleaned(Store(None), area)
    assert_geodataframe_equal(cleaned(store, area).lot, anew.lot)
    read = layers.read(area)
    request.getfixturevalue("no_reading")
    again = cleaned(store, area)
    assert_geodataframe_equal(again.lot, anew.lot)
    assert list(again.lot.dtypes) == list(anew.lot.dtypes)
    assert (again.problems, again.lot_rows) == (anew.problems, anew.lot_rows)
    assert len(again.problems) > 5
    without = layers.read(area, kept_lots.brief(store, kept_lots.key_of(store, area), area))
    assert without.lots is None
    assert replace(without.lots_in_brief, sources=()) == replace(read.lots_in_brief, sources=())
    assert without.problems == read.problems
    assert [replace(one, opened=None) for one in without.sources] == [replace(one, opened=None) for one in read.sources]


def test_nothing_is_kept_unless_asked(area: settings.Area, tmp_path: Path) -> None:
    cleaned(Store(tmp_path), area, keep=False)
    assert list(tmp_path.iterdir()) == []


def test_another_month_reads_the_file_again(area: settings.Area, tmp_path: Path) -> None:
    store = Store(tmp_path)
    cleaned(store, area)
    later = cleaned(store, area, TODAY - 12 * 40)
    assert_geodataframe_equal(later.lot, cleaned(Store(None), area, TODAY - 12 * 40).lot)
    assert (later.lot["state"] == "not_yet_poured").any()


def _touch(path: Path) -> None:
    path.write_bytes(path.read_bytes() + b"\0")


CHANGES: dict[str, Callable[[settings.Area], settings.Area | None]] = {
    "lot file": lambda a: _touch(a.resolve(a.lots.path)),
    "log of the lot file": lambda a: a.resolve(a.lots.path).with_name("lots.gpkg-wal").write_bytes(b"x") and None,
    "soil file": lambda a: _touch(a.resolve(Path(str(a.soil.path)))),
    "corrections": lambda a: _touch(a.resolve(Path("corrections.csv"))),
    "another column": lambda a: a.model_copy(update={"lots": a.lots.model_copy(update={"columns": {"lot_id": "x"}})}),
    "a name of the source": lambda a: a.model_copy(update={"lots": a.lots.model_copy(update={"provider": "county"})}),
    "duplicates": lambda a: a.model_copy(update={"lots": a.lots.model_copy(update={"duplicates": "refuse"})}),
    "system": lambda a: a.model_copy(update={"crs": "EPSG:3035"}),
    "soil reader": lambda a: a.model_copy(update={"soil": a.soil.model_copy(update={"reader": "template"})}),
    "buildings": lambda a: a.model_copy(update={"buildings": settings.BuildingsEntry(path=Path("buildings.gpkg"))}),
}


@pytest.fixture
def own_files(area: settings.Area, tmp_path: Path) -> settings.Area:
    """Copy of the area with corrections and a soil file of its own."""
    place = tmp_path / "own"
    shutil.copytree(area.folder, place)
    shutil.copy(area.resolve(Path(str(area.soil.path))), place / "soil.zip")
    (place / "corrections.csv").write_text("lot_id,column,value,reason,date\n", encoding="utf-8")
    entry = area.lots.model_copy(update={"corrections": Path("corrections.csv")})
    return area.model_copy(update={"folder": place, "lots": entry,
                                   "soil": area.soil.model_copy(update={"path": Path("soil.zip")})})


@pytest.mark.parametrize("change", CHANGES)
def test_whatever_decides_the_reading_is_in_its_key(change: str, own_files: settings.Area, tmp_path: Path) -> None:
    store = Store(tmp_path / "store")
    before = kept_lots.key_of(store, own_files)
    assert before == kept_lots.key_of(store, own_files) != ""
    assert kept_lots.key_of(store, CHANGES[change](own_files) or own_files) not in ("", before)


def test_every_part_of_a_shapefile_is_in_the_key(area: settings.Area, tmp_path: Path) -> None:
    gpd.read_file(area.resolve(area.lots.path))[["geometry"]].to_file(tmp_path / "lots.shp")
    soil = area.soil.model_copy(update={"path": area.resolve(Path(str(area.soil.path))).resolve()})
    lots = settings.LotsEntry(path=Path("lots.shp"))
    shapes = area.model_copy(update={"folder": tmp_path, "soil": soil, "lots": lots})
    keys = {kept_lots.key_of(Store(tmp_path), shapes)}
    parts = sorted(tmp_path.glob("lots.*"))
    for part in parts:
        _touch(part)
        keys.add(kept_lots.key_of(Store(tmp_path), shapes))
    assert len(keys) == len(parts) + 1 >= 5


@pytest.mark.parametrize("setting", ["default_half_width_m", "unknown_pour_earliest"])
def test_a_setting_of_the_lots_cleans_again(area: settings.Area, tmp_path: Path, setting: str) -> None:
    store = Store(tmp_path)
    cleaned(store, area)
    value = {"default_half_width_m": 4.2, "unknown_pour_earliest": 1931}[setting]
    other = area.model_copy(update={"lot_settings": area.lot_settings.model_copy(update={setting: value})})
    found = cleaned(store, other).lot
    assert_geodataframe_equal(found, cleaned(Store(None), other).lot)
    assert not found.equals(cleaned(store, area).lot)


def test_a_file_that_belongs_to_the_buildings_cleans_again(area: settings.Area, example: Path, tmp_path: Path,
                                                          monkeypatch: pytest.MonkeyPatch) -> None:
    shapes = gpd.read_parquet(example / "buildings.parquet")
    shapes[[shapes.geometry.name]].to_file(tmp_path / "buildings.shp")
    store = Store(tmp_path / "store")
    built = area.model_copy(update={"buildings": settings.BuildingsEntry(path=tmp_path / "buildings.shp")})
    anew = cleaned(store, built)
    assert "slab_from_footprint" in " ".join(anew.lot["flags"])
    monkeypatch.setattr("riskmap.lots.clean", None)
    assert_geodataframe_equal(cleaned(store, built).lot, anew.lot)
    (tmp_path / "buildings.qix").write_bytes(b"new")
    with pytest.raises(TypeError, match="not callable"):
        cleaned(store, built)


def test_nothing_is_kept_without_a_store_with_labels_or_with_a_missing_file(area: settings.Area,
                                                                           tmp_path: Path) -> None:
    store = Store(tmp_path)
    labelled = area.model_copy(update={"lots": area.lots.model_copy(update={"label": "lot_id"})})
    gone = area.model_copy(update={"lots": area.lots.model_copy(update={"path": Path("gone.gpkg")})})
    raster = area.model_copy(update={"soil": area.soil.model_copy(update={"reader": "key_raster"})})
    assert [kept_lots.key_of(Store(None), area), *(kept_lots.key_of(store, one) for one in (labelled, gone, raster))] \
        == [""] * 4


def test_a_file_replaced_while_it_is_read_is_not_kept(area: settings.Area, own_files: settings.Area,
                                                     tmp_path: Path) -> None:
    store = Store(tmp_path / "store")
    key = kept_lots.key_of(store, own_files)
    read = layers.read(own_files)
    _touch(own_files.resolve(own_files.lots.path))
    kept_lots.clean(store, key, own_files, read, TODAY, keep=True)
    assert kept_lots.brief(store, key, own_files) is None
    assert not (tmp_path / "store").exists()


def test_more_findings_than_are_worth_it_are_not_kept(area: settings.Area, tmp_path: Path,
                                                     monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept_lots, "MOST_PROBLEMS", 3)
    cleaned(Store(tmp_path), area)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("kind", ["lots_clean", "lots_brief"])
def test_a_damaged_entry_is_made_again(area: settings.Area, tmp_path: Path, kind: str) -> None:
    store = Store(tmp_path)
    anew = cleaned(store, area).lot
    (path,) = tmp_path.glob(f"*{kind}-*.parquet")
    whole = path.read_bytes()
    path.write_bytes(whole[:-30])
    assert_geodataframe_equal(cleaned(store, area).lot, anew)
    cleaned(store, area)
    assert path.read_bytes() == whole


def test_a_run_in_parts_finds_its_lots_again_and_writes_the_same_bytes(area: settings.Area, tmp_path: Path,
                                                                      request: pytest.FixtureRequest) -> None:
    toml = area.folder / "area.toml"
    size = len(gpd.read_file(area.folder / "lots.gpkg")) // 2
    first = flow.run(toml, tmp_path, workers=1, part_lots=size)
    request.getfixturevalue("no_reading")
    again = flow.run(toml, tmp_path, workers=1, part_lots=size)
    for name in ("lots.csv", "lots.gpkg", "lots.parquet", "problems.json", "columns.json"):
        assert (again.folder / name).read_bytes() == (first.folder / name).read_bytes(), name
    assert again.results.facts["input_sha256"] == first.results.facts["input_sha256"]
    assert_frame_equal(again.results.inputs.archetype, first.results.inputs.archetype)


def test_no_path_of_the_machine_is_kept(area: settings.Area, tmp_path: Path) -> None:
    entry = area.lots.model_copy(update={"path": area.resolve(area.lots.path).resolve()})
    store, absolute = Store(tmp_path), area.model_copy(update={"lots": entry})
    anew = cleaned(store, absolute)
    assert cleaned(store, absolute).problems == anew.problems
    assert {one.file for one in anew.problems} == {str(entry.path)}
    facts = [json.dumps(store.get(path.name.rsplit("-", 1)[0])[1]) for path in tmp_path.iterdir()]
    assert len(facts) == 2
    assert not [one for one in facts if str(entry.path.parent) in one]


def test_labels_of_a_run_in_parts_are_read_and_never_stored(area: settings.Area, tmp_path: Path) -> None:
    toml = tmp_path / "area.toml"
    shutil.copytree(area.folder, tmp_path, dirs_exist_ok=True)
    text = toml.read_text(encoding="utf-8")
    toml.write_text(text.replace("[lots]\n", '[lots]\nlabel = "note_kept"\n', 1), encoding="utf-8")
    lots = gpd.read_file(tmp_path / "lots.gpkg", layer="lots")
    lots.assign(note_kept=[f"{k} SECRET LANE" for k in range(len(lots))]).to_file(tmp_path / "lots.gpkg", layer="lots")
    for _ in range(2):
        run = flow.run(toml, tmp_path / "out", workers=1, part_lots=len(lots) // 2)
        assert pd.read_parquet(run.folder / labels.NAME).astype("str").apply(
            lambda column: column.str.contains("SECRET LANE")).any(axis=None)
    kept = list((tmp_path / "out" / ".store").iterdir())
    assert kept
    assert not [path.name for path in kept if "lots_" in path.name]
    assert not [path.name for path in kept if b"SECRET LANE" in path.read_bytes()]
