"""One table or many parts, one worker or several, a cluster or none, any order of the input: the same numbers."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from changed_areas import overlapping_soil, two_widths, write_area

from riskmap.run import flow, part_files, part_tasks

TIMED = {"manifest.json"}


def digests(folder: Path) -> dict[str, str]:
    """Return the SHA-256 of every file of a run but the one with times."""
    return {path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
            for path in sorted(folder.rglob("*")) if path.is_file() and path.name not in TIMED}


@pytest.fixture(scope="module")
def area(example: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("area") / "a"
    every = gpd.read_file(example / "lots.gpkg", layer="lots")
    # every seventh lot, and those with the rare states: a third of the time goes into writing workbooks
    some = every.iloc[sorted({*range(0, len(every), 7), 40, 202, 203, *range(1490, len(every))})]
    return write_area(example, place, last="2025-05", lots=two_widths(some), movement="draws = 20")


@pytest.fixture(scope="module")
def whole(area: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    run = flow.run(area, tmp_path_factory.mktemp("whole"), workers=1, reuse=False)
    assert run.rows.out > 100
    assert len(run.rows.by_state) > 4
    return digests(run.folder)


def lots_of(area: Path) -> int:
    return len(gpd.read_file(area.parent / "lots.gpkg", layer="lots"))


@pytest.mark.parametrize("count", [2, 7, 20])
def test_the_number_of_parts_changes_no_byte(area: Path, whole: dict[str, str], tmp_path: Path, count: int) -> None:
    run = flow.run(area, tmp_path, workers=1, reuse=False, part_lots=-(-lots_of(area) // count))
    assert digests(run.folder) == whole
    assert not (run.folder / "parts").exists()


def test_processes_and_a_store_change_no_byte(area: Path, whole: dict[str, str], tmp_path: Path) -> None:
    size = -(-lots_of(area) // 5)
    for reused in (False, True):
        run = flow.run(area, tmp_path, workers=2, part_lots=size)
        assert digests(run.folder) == whole
        assert bool(run.results.facts["reused_archetypes"]) == reused


@pytest.fixture(scope="module")
def cluster() -> Iterator[str]:
    from distributed import LocalCluster

    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None,
                      host="127.0.0.1") as made:
        yield made.scheduler_address


def test_a_cluster_changes_no_byte(area: Path, whole: dict[str, str], tmp_path: Path, cluster: str) -> None:
    run = flow.run(area, tmp_path, scheduler=cluster, reuse=False, part_lots=-(-lots_of(area) // 4))
    assert digests(run.folder) == whole


def test_the_order_of_the_input_changes_no_number(example: Path, area: Path, tmp_path: Path) -> None:
    frame = gpd.read_file(area.parent / "lots.gpkg", layer="lots")
    frame = frame.drop_duplicates("lot_id").reset_index(drop=True)
    turned = frame.sample(frac=1, random_state=4).reset_index(drop=True)
    found = []
    for name, lots in (("given", frame), ("turned", turned)):
        path = write_area(example, tmp_path / name, last="2025-05", lots=lots, movement="draws = 20")
        run = flow.run(path, tmp_path / f"{name}_runs", workers=1, part_lots=40)
        assert run.results.facts["archetypes"] > 100
        table = gpd.read_parquet(run.folder / "lots.parquet")
        assert list(table["lot_row"]) == list(range(len(lots)))
        assert list(table["lot_id"]) == list(lots["lot_id"])
        found.append(pd.DataFrame(table.drop(columns=["lot_row", "geometry"]).set_index("lot_id").sort_index()))
    pd.testing.assert_frame_equal(*found, check_exact=True)


def test_a_new_weekly_map_takes_everything_else_from_the_store(example: Path, tmp_path: Path,
                                                               monkeypatch: pytest.MonkeyPatch) -> None:
    maps = gpd.read_parquet(example / "drought_weekly.parquet")
    maps = maps[maps["map_date"] <= "2025-05-20"].reset_index(drop=True)
    newest = maps["map_date"] == "2025-05-20"  # says "no drought anywhere", like the maps before it
    path = write_area(example, tmp_path / "area", last="2025-05", movement="draws = 20",
                      beside='[drought]\npath = "weekly.parquet"\n')
    maps[~newest].to_parquet(tmp_path / "area" / "weekly.parquet")
    before = flow.run(path, tmp_path / "runs", workers=1, part_lots=25)
    everywhere = shapely.box(*maps.total_bounds)
    maps.assign(DM=maps["DM"].where(~newest, 4), geometry=maps.geometry.where(~newest, everywhere)).to_parquet(
        tmp_path / "area" / "weekly.parquet")
    clean = flow.run(path, tmp_path / "clean", workers=1, part_lots=25, reuse=False)
    with monkeypatch.context() as patch:
        for name in ("_ground", "_estimate"):
            patch.setattr(part_tasks, name, None)  # whoever calls it fails
        again = flow.run(path, tmp_path / "runs", workers=1, part_lots=25)
    assert digests(again.folder) == digests(clean.folder)
    weekly, former = (gpd.read_parquet(run.folder / "lots.parquet") for run in (again, before))
    assert set(weekly["drought_category"]) - set(former["drought_category"])
    assert set(weekly["drought_valid_date"]) - set(former["drought_valid_date"])


def test_another_lot_or_another_movement_is_not_taken_from_the_store(example: Path, tmp_path: Path) -> None:
    path = write_area(example, tmp_path / "area", last="2025-05", movement="draws = 20")
    flow.run(path, tmp_path / "runs", workers=1, part_lots=25)
    lots = gpd.read_file(path.parent / "lots.gpkg", layer="lots")
    lots.loc[3, "lot_id"] = "renamed"
    lots.to_file(path.parent / "lots.gpkg", layer="lots")
    renamed = flow.run(path, tmp_path / "runs", workers=1, part_lots=25)
    assert gpd.read_parquet(renamed.folder / "lots.parquet")["lot_id"].tolist() == lots["lot_id"].tolist()
    path.write_text(path.read_text(encoding="utf-8").replace("draws = 20", "draws = 22"), encoding="utf-8")
    again, clean = (flow.run(path, tmp_path / name, workers=1, part_lots=25, reuse=name == "runs")
                    for name in ("runs", "clean"))
    assert digests(again.folder) == digests(clean.folder)
    assert again.results.facts["reused_archetypes"] == 0


def test_sparse_lots_far_from_any_soil_line_agree(open_data: Path, tmp_path: Path) -> None:
    """Real map units: a part reads soil near it only, and more where a line may lie farther off."""
    import real_lots

    soil = open_data / "soil" / "AR041_2022.zip"
    lots = real_lots.invent(real_lots.read_map_units(soil), 3000).iloc[::10].reset_index(drop=True)
    lots.to_parquet(tmp_path / "lots.parquet")
    path = real_lots.area_file(tmp_path, soil, tmp_path / "lots.parquet", open_data, cell="0309", latitude=33.6)
    path.write_text(path.read_text(encoding="utf-8") + "[movement]\ndraws = 20\n", encoding="utf-8")
    one, many = (flow.run(path, tmp_path / str(size), workers=1, reuse=False, part_lots=size)
                 for size in (300, 20))
    assert digests(one.folder) == digests(many.folder)
    far = gpd.read_parquet(one.folder / "lots.parquet")["soil_line_distance_m"]
    assert np.nanmax(far) > 200  # some lots lie far from a line


def test_overlapping_soil_polygons_are_the_same_in_parts_and_told_once(example: Path, tmp_path: Path) -> None:
    every = two_widths(gpd.read_file(example / "lots.gpkg", layer="lots").iloc[::6])
    path = write_area(example, tmp_path / "area", last="2025-05", soil=overlapping_soil(example, tmp_path / "soil.zip"),
                      lots=every, movement="draws = 20")
    one, many = (flow.run(path, tmp_path / str(size), workers=1, reuse=False, part_lots=size)
                 for size in (len(every), 40))
    assert digests(one.folder) == digests(many.folder)
    touched = gpd.read_parquet(one.folder / "lots.parquet")["flags"].str.contains("soil_polygons_overlap")
    assert 10 < touched.sum() < len(every)
    told, = (p for p in many.results.problems if p.code == "W-SOIL-075")
    assert f"on {touched.sum():,} lots (rows " in told.rule


def test_a_large_area_is_split_without_being_asked() -> None:
    assert part_files.PART_LOTS == 50_000  # what the help of --workers says
