"""Buildings and context through whole runs: which numbers they change, what is kept, and what a later run tells."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
from changed_areas import LOTS, write_area
from shapely.geometry import box

from riskmap.answers import compare
from riskmap.outputs.files import geopackage
from riskmap.run import check, flow, record, store
from riskmap.run.files import RunFiles

LAST, UTM = "2025-05", "EPSG:26914"
BUILDINGS = '[buildings]\npath = "houses.gpkg"\n'
CONTEXT = '[[context]]\nname = "Roads"\npath = "roads.geojson"\nlabel = "NAME"\n'


@pytest.fixture(scope="module")
def lots(example: Path) -> gpd.GeoDataFrame:
    return gpd.read_file(example / "lots.gpkg", layer="lots").iloc[LOTS]


def houses(lots: gpd.GeoDataFrame, width: float, every: int = 1) -> gpd.GeoDataFrame:
    """Return a house of a width by 16 m in the middle of each lot with a shape, or of every second or third."""
    known = lots[lots.geometry.notna()].geometry.centroid.iloc[::every]
    return gpd.GeoDataFrame(geometry=[box(p.x - width / 2, p.y - 8, p.x + width / 2, p.y + 8) for p in known], crs=UTM)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("outputs")


@pytest.fixture(scope="module")
def made(example: Path, lots: gpd.GeoDataFrame, kept: Path, tmp_path_factory: pytest.TempPathFactory) \
        -> dict[str, flow.Run]:
    """Return runs without anything beside, with context, and with buildings of 8 and of 11 m beside it."""
    roads = example / "roads.geojson"
    runs = {}
    for name, width, beside in (("plain", 0, ""), ("context", 0, CONTEXT), ("narrow", 8, BUILDINGS + CONTEXT),
                                ("wide", 11, BUILDINGS + CONTEXT)):
        folder = tmp_path_factory.mktemp(name) / "area"
        path = write_area(example, folder, last=LAST, lots=lots, beside=beside)
        (folder / "roads.geojson").write_bytes(roads.read_bytes())
        if width:
            houses(lots, width).to_file(folder / "houses.gpkg")
        runs[name] = flow.run(path, kept)
    return runs


def table(run: flow.Run) -> pd.DataFrame:
    return pd.DataFrame(record.read(run.folder).lots)


def test_context_enters_no_number(made: dict[str, flow.Run]) -> None:
    pd.testing.assert_frame_equal(table(made["plain"]), table(made["context"]), check_exact=True)
    for name in ("lots.csv", "lots.parquet"):
        first, second = (hashlib.sha256((made[run].folder / name).read_bytes()).hexdigest()
                         for run in ("plain", "context"))
        assert first == second, name
    assert made["context"].results.facts["reused_archetypes"] == made["context"].results.facts["archetypes"]


def test_context_is_kept_for_the_map_and_in_the_package(made: dict[str, flow.Run]) -> None:
    assert record.read(made["plain"].folder).context is None
    found = record.read(made["context"].folder).context
    assert found is not None
    assert set(found["layer"]) == {"Roads"}
    assert found["label"].str.startswith("Invented ").all()
    path = made["context"].folder / geopackage.NAME
    assert "context_lines" in pyogrio.list_layers(path)[:, 0]
    drawn = gpd.read_file(path, layer="context_lines")
    assert drawn.geometry.geom_equals_exact(found.geometry, 1e-9).all()
    assert drawn["label"].tolist() == found["label"].tolist()
    assert "context_lines" not in pyogrio.list_layers(made["plain"].folder / geopackage.NAME)[:, 0]


def test_the_manifest_names_both_files(made: dict[str, flow.Run]) -> None:
    inputs = json.loads((made["narrow"].folder / "manifest.json").read_text())["inputs"]
    assert {(one["role"], one["path"]) for one in inputs} >= {("buildings", "houses.gpkg"),
                                                             ("context", "roads.geojson")}
    assert all(one["sha256"] for one in inputs)


def test_outlines_give_sizes_and_only_these_lots_change(made: dict[str, flow.Run]) -> None:
    plain, narrow = table(made["plain"]), table(made["narrow"])
    outlined = narrow["flags"].str.contains("slab_from_footprint").to_numpy()
    assert outlined.sum() > 10
    assert (narrow.loc[outlined, "slab_width_m"] == 7.0).all()  # 8 m less the eaves, in steps of 1 m
    assert (narrow.loc[outlined, "slab_known"] == 1).all()
    assert not plain["flags"].str.contains("slab_from_footprint").any()
    assert (plain.loc[outlined, "slab_known"] == 0).all()
    numbers = [name for name in plain if name.endswith("_mm")]
    pd.testing.assert_frame_equal(plain.loc[~outlined, numbers], narrow.loc[~outlined, numbers], check_exact=True)
    known = outlined & (plain["state"] == "").to_numpy()
    assert (plain.loc[known, "long_run_mm"] != narrow.loc[known, "long_run_mm"]).mean() > 0.9


def test_other_outlines_compute_only_the_lots_with_another_slab(made: dict[str, flow.Run]) -> None:
    plain, narrow, wide = (made[name].results for name in ("plain", "narrow", "wide"))
    for run in (narrow, wide):
        fresh = run.facts["archetypes"] - run.facts["reused_archetypes"]
        basis = run.inputs.archetype["half_width_basis"]
        assert fresh == (basis == "footprint").sum() > 0
    assert plain.facts["reused_archetypes"] == 0


def test_compare_names_the_outlines_as_the_cause(made: dict[str, flow.Run], kept: Path) -> None:
    a, b = (record.read(made[name].folder) for name in ("narrow", "wide"))
    change = compare.compare(a, b, cache=store.Store(kept / store.FOLDER))
    lots = change.lots
    parts = compare.part_columns("long_run")
    other = [name for name in parts if name != "long_run_part_buildings_mm"]
    known = lots["long_run_mm_change"].notna()
    assert (lots.loc[known, other].abs() < 1e-9).all(axis=None)
    moved = lots.loc[known, "long_run_part_buildings_mm"]
    assert (moved.abs() > 0.05).sum() > 10
    np.testing.assert_allclose(moved, lots.loc[known, "long_run_mm_change"], atol=1e-9)
    assert change.lead.startswith("The changed outlines of buildings ")


def test_parts_workers_and_order_change_nothing(example: Path, lots: gpd.GeoDataFrame, made: dict[str, flow.Run],
                                               tmp_path: Path) -> None:
    path = write_area(example, tmp_path / "area", last=LAST, lots=lots, beside=BUILDINGS + CONTEXT)
    (tmp_path / "area" / "roads.geojson").write_bytes((example / "roads.geojson").read_bytes())
    turned = houses(lots, 8)
    turned.iloc[np.random.default_rng(2).permutation(len(turned))].to_file(tmp_path / "area" / "houses.gpkg")
    run = flow.run(path, tmp_path / "outputs", workers=1, part_lots=11)
    pd.testing.assert_frame_equal(table(run), table(made["narrow"]), check_exact=True)
    assert (run.folder / geopackage.NAME).read_bytes() == (made["narrow"].folder / geopackage.NAME).read_bytes()
    context = Path("record") / "context.parquet"
    assert (run.folder / context).read_bytes() == (made["narrow"].folder / context).read_bytes()


def test_check_lists_both_files_and_a_run_can_be_read_without_its_context(made: dict[str, flow.Run], example: Path,
                                                                         lots: gpd.GeoDataFrame,
                                                                         tmp_path: Path) -> None:
    path = write_area(example, tmp_path / "area", last=LAST, lots=lots, beside=BUILDINGS + CONTEXT)
    report = check.check_area(path)
    assert [line.split(":")[0] for line in report.refusals] == ["E-SHP-002 houses.gpkg", "E-SHP-002 roads.geojson"]
    (tmp_path / "area" / "roads.geojson").write_bytes((example / "roads.geojson").read_bytes())
    houses(lots, 8, every=3).to_file(tmp_path / "area" / "houses.gpkg")
    report = check.check_area(path)
    assert report.refusals == []
    assert [s.role for s in report.sources][-2:] == ["buildings", "context"]
    assert "buildings: houses.gpkg, 17 rows" in report.text()
    found = record.read(RunFiles(made["narrow"].folder, verified=False))
    assert replace(found, context=None).lots is found.lots
