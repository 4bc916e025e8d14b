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
from riskmap.common.settings import MovementSettings
from riskmap.common.weather import ClimateHistory, MovementInputs
from riskmap.movement import soil_units
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
    return replace(made, history=history, soil_lines=lines, drought_shapes=drought,
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
    assert repr(found) == f"<Results of North\\u000aside, 2025-10: 60 lots, {with_number:,} with a number>"
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
    assert back.lots["lot_id"].tolist() == full.lots["lot_id"].tolist()
    assert (back.lots.geometry.isna() == full.lots.geometry.isna()).all()


def test_a_run_without_history_comes_back_without(tmp_path: Path) -> None:
    back = opened(written(results(), tmp_path))
    assert back.history is back.soil_lines is back.drought_shapes is None


def test_a_folder_that_is_no_run_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RunFolderError, match=r"E-RUN-010 .*not a finished run"):
        opened(tmp_path)


def test_another_format_is_refused(full: Results, tmp_path: Path) -> None:
    path = written(full, tmp_path) / record.FOLDER / record.FACTS
    path.write_text(json.dumps({**json.loads(path.read_text(encoding="utf-8")), "format": 99}), encoding="utf-8")
    with pytest.raises(RunFolderError, match=r"E-RUN-011 .*format 99"):
        opened(tmp_path)


def of_classes(path: Path, classes: list[str]) -> None:
    """Write a table of archetypes as formats 1 and 2 have it: a class in place of section and basis."""
    table = pd.read_parquet(path).drop(columns=["section_mn_m2", "stiffness_basis"])
    table.insert(3, "slab_class", classes)
    table.to_parquet(path)


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
    "cell_id": "a", "half_width_m": [6.0, 6.5, 7.0, 7.5], "half_width_known": True,
    "section_mn_m2": [0.0, 9.4, 20.0, 61.0], "stiffness_basis": ["unknown", *["rib_depth"] * 3], "plan_factor": 1.0,
    "pour_early_month": 24000, "pour_late_month": 24011})


def test_a_run_with_classes_of_stiffness_keeps_the_stiffness_it_was_made_with(full: Results, tmp_path: Path) -> None:
    place = written(with_inputs(full, SLABS), tmp_path) / record.FOLDER
    of_classes(place / "archetype.parquet", ["unknown", "shallow", "typical", "deep"])
    facts = json.loads((place / record.FACTS).read_text(encoding="utf-8"))
    (place / record.FACTS).write_text(json.dumps(facts | {"format": 2}), encoding="utf-8")
    former = opened(place.parent)
    assert former.inputs is not None
    pd.testing.assert_frame_equal(former.inputs.archetype, SLABS, check_dtype=False)
    # the spreads of that time stand in the run's own settings, and give that time's draws
    then = MovementSettings(stiffness_sigma_ln=0.5, stiffness_sigma_ln_known=0.35)
    rows, found = soil_units.with_stiffness(former.inputs.archetype, then)
    assert [found[k] for k in rows["stiffness"]] == [(20.0, 0.5), (9.4, 0.35), (20.0, 0.35), (61.0, 0.35)]


@pytest.mark.parametrize(("version", "classes", "told"), [
    (3, ["unknown", "shallow", "typical", "deep"], "section_mn_m2 is missing"),
    (2, ["unknown", "shallow", "typical", "stiff"], "slab_class is none of unknown, shallow, typical, deep"),
    (2, None, "slab_class is missing")])
def test_a_run_is_never_read_as_of_another_format(version: int, classes: list[str] | None, told: str, full: Results,
                                                  tmp_path: Path) -> None:
    place = written(with_inputs(full, SLABS), tmp_path) / record.FOLDER
    if classes:
        of_classes(place / "archetype.parquet", classes)
    facts = json.loads((place / record.FACTS).read_text(encoding="utf-8"))
    (place / record.FACTS).write_text(json.dumps(facts | {"format": version}), encoding="utf-8")
    with pytest.raises(RunFolderError, match=rf"E-RUN-012 .*{told}.*run the estimate again"):
        opened(place.parent)


def test_a_run_of_format_1_is_read_under_our_names(full: Results, tmp_path: Path) -> None:
    """Format 1 calls an archetype a column, in names of files, of their columns and of facts."""
    lots, months = len(full.lots), 3
    layer = {name: [0.5] for name in ("bottom_m", "lep_low_pct", "lep_pct", "lep_high_pct")}
    inputs = MovementInputs(
        archetype=pd.DataFrame({"cell_id": ["a", "a"], "half_width_m": [6.0, 6.5], "half_width_known": [True, False],
                                "section_mn_m2": 0.0, "stiffness_basis": "unknown", "plan_factor": 1.0,
                                "pour_early_month": 24000, "pour_late_month": 24011}),
        archetype_profile=pd.DataFrame({"archetype_id": [0, 1], "profile_id": [0, 0], "weight": [1.0, 1.0]}),
        lot_archetype=np.arange(lots) % 3 - 1, profile=pd.DataFrame({"profile_id": [0], "rock_depth_m": [np.inf]}),
        layer=pd.DataFrame({"profile_id": [0], "top_m": [0.0], **layer}),
        history=ClimateHistory(("a",), 24000, *[np.zeros((1, months))] * 3, np.ones((1, months), np.int8), ("",),
                               np.zeros(1), np.zeros((1, months)), np.zeros(1)))
    run = written(replace(full, inputs=inputs, facts={"archetypes": 2, "draws": 9}), tmp_path)
    ours, place = opened(run), run / record.FOLDER
    for new, old in (("archetype", "column"), ("archetype_profile", "column_profile"), ("lot_archetype", "lot_column")):
        pd.read_parquet(place / f"{new}.parquet").rename(columns={"archetype_id": "column_id", "archetype": "column"}) \
            .to_parquet(place / f"{old}.parquet")
        (place / f"{new}.parquet").unlink()
    of_classes(place / "column.parquet", ["unknown", "unknown"])
    facts = json.loads((place / record.FACTS).read_text(encoding="utf-8"))
    assert facts["format"] == 4
    facts |= {"format": 1, "facts": {"columns": 2, "draws": 9}}
    (place / record.FACTS).write_text(json.dumps(facts), encoding="utf-8")
    former = opened(run)
    assert former.facts == ours.facts == {"archetypes": 2, "draws": 9}
    assert former.inputs is not None
    assert ours.inputs is not None
    for name in record.INPUTS:
        pd.testing.assert_frame_equal(getattr(former.inputs, name), getattr(ours.inputs, name))
        pd.testing.assert_frame_equal(getattr(former.inputs, name), getattr(inputs, name), check_dtype=False)
    np.testing.assert_array_equal(former.inputs.lot_archetype, inputs.lot_archetype)


@pytest.mark.parametrize("name", ["lots.parquet", "problems.json", "record/facts.json", "record/climate.parquet",
                                  "record/drought_weeks.parquet", "record/history.parquet",
                                  "record/lot_series.parquet", "record/soil_lines.parquet",
                                  "record/drought_shapes.parquet"])
@pytest.mark.parametrize("damage", [b"", b"{}", b"PAR1 and then nothing"])
def test_damaged_files_are_told(name: str, damage: bytes, full: Results, tmp_path: Path) -> None:
    (written(full, tmp_path) / name).write_bytes(damage)
    with pytest.raises(RunFolderError, match=r"E-RUN-01[12]"):
        opened(tmp_path)


def test_a_run_of_format_3_is_read_with_the_new_columns_empty(full: Results, tmp_path: Path) -> None:
    run = written(full, tmp_path)
    place = run / record.FOLDER
    facts = json.loads((place / record.FACTS).read_text(encoding="utf-8"))
    (place / record.FACTS).write_text(json.dumps(facts | {"format": 3}), encoding="utf-8")
    lots = gpd.read_parquet(run / record.LOTS)
    assert {"change_next_mm", "fall_next_mm_p90", "share_beyond_20mm", "whatif_wet_largest_mm"} <= set(
        record.ADDED_IN_4)
    lots.drop(columns=list(record.ADDED_IN_4)).to_parquet(run / record.LOTS)
    former = opened(run).lots
    assert list(former.columns) == list(full.lots.columns)
    assert former[list(record.ADDED_IN_4)].isna().all(axis=None)
    assert former["expected_movement_mm"].notna().sum() == full.lots["expected_movement_mm"].notna().sum() > 0


def test_growth_is_kept_and_may_be_missing(full: Results, tmp_path: Path) -> None:
    curve = pd.DataFrame({"archetype": np.array([0, 0, 3], np.int32), "year": np.array([2001, 2002, 2002], np.int16),
                          "middle_mm": np.float32([1.5, 2.5, -0.1]), "edge_mm": np.float32([-1.0, 3.0, 0.0])})
    run = written(replace(with_inputs(full, SLABS), growth=curve), tmp_path)
    pd.testing.assert_frame_equal(opened(run).growth, curve, check_exact=True)
    (run / record.FOLDER / "growth.parquet").unlink()
    assert opened(run).growth is None


@pytest.mark.parametrize("change", [{"archetype": [0, 0, 4]}, {"year": [2001, 2001, 2002]}, {"edge_mm": [np.nan] * 3}])
def test_growth_that_contradicts_the_run_is_refused(change: dict[str, list[float]], full: Results,
                                                    tmp_path: Path) -> None:
    curve = pd.DataFrame({"archetype": [0, 0, 3], "year": [2001, 2002, 2002], "middle_mm": [1.5, 2.5, 0.0],
                          "edge_mm": [-1.0, 3.0, 0.0]})
    run = written(replace(with_inputs(full, SLABS), growth=curve.assign(**change)), tmp_path)
    with pytest.raises(RunFolderError, match=r"E-RUN-012 .*growth"):
        opened(run)
