"""What later commands read back from a run folder."""

from __future__ import annotations

import json
from dataclasses import fields, replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from invented_results import results
from shapely.geometry import LineString, box

from riskmap.common.errors import RunFolderError
from riskmap.common.results import AreaResults, History, Results
from riskmap.common.weather import ClimateHistory, MovementInputs
from riskmap.outputs.files import geoparquet
from riskmap.run import record
from riskmap.run.files import RunFiles
from riskmap.run.products import write_problems


@pytest.fixture
def full() -> Results:
    made = results()
    n = len(made.lots)
    series = np.where(made.lots["state"] == "", np.arange(n) % 3, -1)
    history = History(("2025-08", "2025-09", "2025-10"), np.array(
        [[1.0, 2.0, 3.0], [np.nan, np.nan, -4.0], [0.0, 0.1, 0.2]], dtype=np.float32), series)
    lines = gpd.GeoDataFrame({"map_unit_name_left": ["a"], "map_unit_name_right": ["{{b}}"]},
                             geometry=[LineString([(-98, 32), (-97.9, 32.1)])], crs="EPSG:4326")
    drought = gpd.GeoDataFrame({"valid_date": ["2025-10-28"], "category": ["D2"]},
                               geometry=[box(-98.1, 31.9, -97.9, 32.1)], crs="EPSG:4326")
    roads = gpd.GeoDataFrame({"layer": ["Roads"], "kind": ["line"], "label": ["<b>{{x}}</b>"]}, geometry=lines.geometry)
    return replace(made, history=history, soil_lines=lines, drought_shapes=drought, context=roads,
                   facts={"seed": 7, "missing": float("nan"), "array": np.arange(2)})


def written(found: Results, folder: Path) -> Path:
    geoparquet.write(found, folder)
    write_problems(found, folder)
    record.write(found, folder)
    return folder


def opened(folder: Path) -> Results:
    """Return a run whose manifest was not written: what is wrong in it must be found in the files alone."""
    return record.read(RunFiles(folder, verified=False))


def test_what_is_printed_is_one_line(full: Results) -> None:
    with_number = int((full.lots["state"] == "").sum())
    found = replace(full, area_name="North\nside")
    assert repr(found) == f"<Results of North\\u000aside, 2025-10: 60 lots, {with_number:,} with an estimate>"
    assert repr(found.history) == "<Past 3 months of 60 lots>"
    rest = {name.name: getattr(full, name.name) for name in fields(AreaResults)}
    assert "\n" not in repr(AreaResults(**rest))
    history = ClimateHistory(("a", "b"), 0, *[np.zeros((2, 9))] * 3, np.zeros((2, 9), np.int8), ("", ""), np.zeros(2),
                             np.zeros((2, 9)), np.zeros(2))
    assert repr(history) == "<Weather of 2 climate cells, 9 months>"
    table = pd.DataFrame({"x": range(3)})
    inputs = MovementInputs(table, table, np.zeros(1500, np.int64), table, table, history)
    assert repr(inputs) == "<Inputs of 1,500 lots: 3 archetypes, 3 soil profiles, 2 climate cells>"


def test_everything_comes_back(full: Results, tmp_path: Path) -> None:
    back = opened(written(full, tmp_path))
    assert (back.area_name, back.today, back.soil_scale, back.credits) == (
        full.area_name, full.today, full.soil_scale, full.credits)
    assert back.facts == {"seed": 7, "missing": None, "array": [0, 1]}
    assert [p.as_dict() for p in back.problems] == [p.as_dict() for p in full.problems]
    for name in record.TABLES:
        pd.testing.assert_frame_equal(getattr(back, name), getattr(full, name), check_dtype=False)
    assert back.history is not None
    assert full.history is not None
    assert back.history.months == full.history.months
    np.testing.assert_array_equal(back.history.deflection_mm, full.history.deflection_mm)
    np.testing.assert_array_equal(back.history.series, full.history.series)
    for name in record.SHAPES:
        ours, theirs = getattr(back, name), getattr(full, name)
        assert ours.crs == theirs.crs
        assert ours.geometry.geom_equals(theirs.geometry).all()
        pd.testing.assert_frame_equal(pd.DataFrame(ours.drop(columns="geometry")),
                                      pd.DataFrame(theirs.drop(columns="geometry")), check_dtype=False)
    assert back.lots["lot_id"].tolist() == full.lots["lot_id"].tolist()
    assert (back.lots.geometry.isna() == full.lots.geometry.isna()).all()


def test_a_run_without_history_comes_back_without(tmp_path: Path) -> None:
    back = opened(written(results(), tmp_path))
    assert back.history is back.soil_lines is back.drought_shapes is back.context is None


def test_a_folder_that_is_no_run_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RunFolderError, match=r"E-RUN-010 .*not a finished run"):
        opened(tmp_path)


@pytest.mark.parametrize("version", [1, 2, 3, 4, 5, 6, 99, "7", None])
def test_another_format_is_refused_with_the_way_out(version: object, full: Results, tmp_path: Path) -> None:
    path = written(full, tmp_path) / record.FOLDER / record.FACTS
    facts = json.loads(path.read_text(encoding="utf-8"))
    assert facts["format"] == record.FORMAT == 7
    path.write_text(json.dumps({**facts, "format": version}), encoding="utf-8")
    with pytest.raises(RunFolderError, match=rf"E-RUN-011 .*format {version} by another version.*reads format 7 only"
                       r".*`riskmap estimate` with the same area file again.*record/facts\.json"):
        opened(tmp_path)


def with_inputs(full: Results, archetypes: pd.DataFrame) -> Results:
    layer = {name: [0.5] for name in ("bottom_m", "lep_low_pct", "lep_pct", "lep_high_pct")}
    number = range(len(archetypes))
    return replace(full, inputs=MovementInputs(
        archetype=archetypes,
        archetype_profile=pd.DataFrame({"archetype_id": number, "profile_id": 0, "weight": 1.0}),
        lot_archetype=np.arange(len(full.lots)) % len(archetypes),
        profile=pd.DataFrame({"profile_id": [0], "rock_depth_m": [np.inf]}),
        layer=pd.DataFrame({"profile_id": [0], "top_m": [0.0], **layer}),
        history=ClimateHistory(("a",), 24000, *[np.zeros((1, 3))] * 3, np.ones((1, 3), np.int8), ("",), np.zeros(1),
                               np.zeros((1, 3)), np.zeros(1))))


SLABS = pd.DataFrame({
    "cell_id": "a", "half_width_m": [6.0, 6.5, 7.0, 7.5], "half_width_basis": "given",
    "section_mn_m2": [0.0, 9.4, 20.0, 61.0], "stiffness_basis": ["unknown", *["rib_depth"] * 3], "plan_factor": 1.0,
    "pour_early_month": 24000, "pour_late_month": 24011})


@pytest.mark.parametrize(("table", "column"), [("archetype", "section_mn_m2"), ("cell", "latitude_deg"),
                                              ("cell_month", "temperature_c")])
def test_a_run_without_a_column_of_this_format_is_damaged(table: str, column: str, full: Results,
                                                          tmp_path: Path) -> None:
    path = written(with_inputs(full, SLABS), tmp_path) / record.FOLDER / f"{table}.parquet"
    assert opened(tmp_path).inputs is not None
    pd.read_parquet(path).drop(columns=column).to_parquet(path)
    with pytest.raises(RunFolderError, match=rf"E-RUN-012 .*{column} is missing.*run the estimate again"):
        opened(tmp_path)


@pytest.mark.parametrize("name", ["lots.parquet", "problems.json", "record/facts.json", "record/climate.parquet",
                                  "record/drought_weeks.parquet", "record/history.parquet",
                                  "record/lot_series.parquet", "record/soil_lines.parquet",
                                  "record/drought_shapes.parquet"])
@pytest.mark.parametrize("damage", [b"", b"{}", b"PAR1 and then nothing"])
def test_damaged_files_are_told(name: str, damage: bytes, full: Results, tmp_path: Path) -> None:
    (written(full, tmp_path) / name).write_bytes(damage)
    with pytest.raises(RunFolderError, match=r"E-RUN-01[12]"):
        opened(tmp_path)


def test_how_many_lots_share_an_estimate_comes_with_all_lots_and_with_one(full: Results, tmp_path: Path) -> None:
    made = with_inputs(full, SLABS)
    assert made.inputs is not None
    lot_archetype = np.array([0] * 50 + [1] * 9 + [-1])
    run = written(replace(made, inputs=replace(made.inputs, lot_archetype=lot_archetype)), tmp_path)
    shared = opened(run).sharing
    assert shared is not None
    assert shared.tolist() == [50] * 50 + [9] * 9 + [0]
    one = record.read(RunFiles(run, verified=False), str(full.lots["lot_id"][52])).sharing
    assert one is not None
    assert one.tolist() == [9]
    (run / record.FOLDER / "lot_archetype.parquet").unlink()
    assert record.read(RunFiles(run, verified=False), str(full.lots["lot_id"][52])).sharing is None


def test_growth_is_kept_and_may_be_missing(full: Results, tmp_path: Path) -> None:
    curve = pd.DataFrame({"archetype": np.array([0, 0, 3], np.int32), "year": np.array([2001, 2002, 2002], np.int16),
                          "middle_mm": np.float32([1.5, 2.5, -0.1]), "edge_mm": np.float32([-1.0, 3.0, 0.0])})
    run = written(replace(with_inputs(full, SLABS), growth=curve), tmp_path)
    pd.testing.assert_frame_equal(opened(run).growth, curve, check_exact=True)
    (run / record.FOLDER / "growth.parquet").unlink()
    assert opened(run).growth is None


@pytest.mark.parametrize("change", [{"archetype": [0, 0, 4]}, {"year": [2001, 2001, 2002]},
                                    {"year": [2001, 2003, 2002]}, {"edge_mm": [np.nan] * 3}])
def test_growth_that_contradicts_the_run_is_refused(change: dict[str, list[float]], full: Results,
                                                    tmp_path: Path) -> None:
    curve = pd.DataFrame({"archetype": [0, 0, 3], "year": [2001, 2002, 2002], "middle_mm": [1.5, 2.5, 0.0],
                          "edge_mm": [-1.0, 3.0, 0.0]})
    run = written(replace(with_inputs(full, SLABS), growth=curve.assign(**change)), tmp_path)
    with pytest.raises(RunFolderError, match=r"E-RUN-012 .*growth"):
        opened(run)
