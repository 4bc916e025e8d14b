"""Two runs of one area: every lot told, and parts that add up, also when everything changed at once."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from changed_areas import edited_lots, refreshed_soil, write_area
from shapely.geometry import box

from riskmap.answers import compare
from riskmap.common import settings
from riskmap.common.errors import LayerError, RunFolderError
from riskmap.common.results import Results
from riskmap.outputs.files import geoparquet
from riskmap.run import flow, record, store
from riskmap.run.files import RunFiles
from riskmap.run.products import write_problems

PARTS = [f"{cause}_part_mm" for cause in compare.CAUSES]
CHANGE = "expected_movement_mm_change"


def run(path: Path, kept: store.Store) -> Results:
    """Return a run as later commands see it: written and read back."""
    found = flow.assess(settings.load(path), cache=kept)[0]
    folder = path.parent / "run"
    folder.mkdir()
    geoparquet.write(found, folder)
    write_problems(found, folder)
    record.write(found, folder)
    return record.read(RunFiles(folder, verified=False))


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> store.Store:
    return store.Store(tmp_path_factory.mktemp("store"))


@pytest.fixture(scope="module")
def before(example: Path, kept: store.Store, tmp_path_factory: pytest.TempPathFactory) -> Results:
    return run(write_area(example, tmp_path_factory.mktemp("a") / "area", last="2025-05"), kept)


def adds_up(change: compare.Change) -> pd.DataFrame:
    told = change.lots[change.lots[CHANGE].notna()]
    assert len(told) > 30
    np.testing.assert_allclose(told[PARTS].sum(axis=1), told[CHANGE], atol=1e-6, rtol=0)
    return told


def test_a_run_compared_with_itself_has_not_changed(before: Results, kept: store.Store) -> None:
    change = compare.compare(before, before, kept)
    assert set(change.lots["kind"]) == {"same"}
    told = adds_up(change)
    assert (told[[*PARTS, CHANGE]] == 0).all().all()
    assert change.notes == ()


def test_a_run_years_after_its_data_has_no_number_and_is_compared(example: Path, before: Results, kept: store.Store,
                                                                   tmp_path: Path) -> None:
    path = write_area(example, tmp_path / "area", last="2025-05")
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("[area]", '[area]\ntoday = "2027-06"', 1), encoding="utf-8")
    late = run(path, kept)
    assert (late.lots["state"] != "").all()
    told = late.lots[late.lots["state_reason"].str.startswith("25 months up to now have no rain")]
    assert len(told) > 30
    assert set(told["state"]) == {"not_enough_data"}
    assert set(told["weather_source"]) == {"usual season"}
    assert told["expected_movement_mm"].isna().all()
    assert "E-CLI-047" in {problem.code for problem in late.problems}
    change = compare.compare(before, late, kept)
    assert (change.lots["kind"] == "state_changed").sum() == len(told)
    assert change.lots[CHANGE].isna().all()


@pytest.mark.parametrize(("cause", "given"), [
    ("weather_new", {"last": "2025-08"}),
    ("weather_revised", {"last": "2025-05", "wetter": 1.5}),
    ("settings", {"last": "2025-05", "movement": "draws = 40\nstiffness_sigma_ln = 0.2"}),
])
def test_one_cause_alone_takes_the_whole_change(cause: str, given: dict, before: Results, example: Path,
                                               kept: store.Store, tmp_path: Path) -> None:
    change = compare.compare(before, run(write_area(example, tmp_path / "b", **given), kept), kept)
    told = adds_up(change)
    assert told[CHANGE].abs().max() > 0.01
    others = [f"{name}_part_mm" for name in compare.CAUSES if name != cause]
    assert told[others].abs().max().max() < 1e-9


def test_a_soil_refresh_alone(before: Results, example: Path, kept: store.Store, tmp_path: Path) -> None:
    soil = refreshed_soil(example, tmp_path / "refreshed_soil_ZZ901.zip")
    change = compare.compare(before, run(write_area(example, tmp_path / "b", last="2025-05", soil=soil), kept), kept)
    told = adds_up(change)
    assert told["soil_part_mm"].abs().max() > 0.3  # what the refreshed survey moves a lot by: 0.47 mm
    assert told[[part for part in PARTS if part != "soil_part_mm"]].abs().max().max() < 1e-9


def test_another_code_of_the_soil_stage_is_no_other_setting(
        before: Results, example: Path, kept: store.Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Soil read by other code from the same survey once counted as "other settings"."""
    from riskmap.soil import horizon

    plain = horizon.lep_triple

    def another(*given):
        triple, *others = plain(*given)
        return (tuple(1.1 * values for values in triple), *others)

    monkeypatch.setattr(horizon, "lep_triple", another)
    later = run(write_area(example, tmp_path / "b", last="2025-05"), store.Store(None))
    later = replace(later, facts={**later.facts, "code": "a later program"})
    given = [replace(run, facts={**run.facts, "input_sha256": {**run.facts["input_sha256"], "lots": ["the same"]}})
             for run in (before, later)]  # the lot file is written anew and differs in its date only
    change = compare.compare(*given, kept)
    found = adds_up(change)
    assert found["code_part_mm"].abs().max() > 0.3
    # tables hold a tenth of a millimetre, and what rounding leaves is a part of the code too
    assert found[[part for part in PARTS if part != "code_part_mm"]].abs().max().max() < 1e-9


def test_edited_lots_alone(before: Results, example: Path, kept: store.Store, tmp_path: Path) -> None:
    path = write_area(example, tmp_path / "b", last="2025-05", lots=edited_lots(example))
    change = compare.compare(before, run(path, kept), kept)
    told = adds_up(change)
    assert told[[part for part in PARTS if part != "lots_part_mm"]].abs().max().max() < 1e-9
    kinds = change.lots["kind"].value_counts()
    assert kinds["new"] == kinds["gone"] == 1
    assert change.lots.set_index("lot_id").loc["NEW-1", "why"] == "only in the second run"
    state = change.lots[change.lots["kind"] == "state_changed"]
    assert any("now: not_applicable" in why for why in state["why"])
    assert change.counts["same"] + change.counts["changed"] + 1 + len(state) + 1 == len(change.lots)


def test_all_seven_causes_at_once_add_up(before: Results, example: Path, kept: store.Store, tmp_path: Path) -> None:
    soil = refreshed_soil(example, tmp_path / "refreshed_soil_ZZ901.zip")
    after = run(write_area(example, tmp_path / "b", last="2025-08", soil=soil, wetter=1.5, lots=edited_lots(example),
                           movement="draws = 40\nstiffness_sigma_ln = 0.2"), kept)
    older = replace(before, lots=before.lots.assign(expected_movement_mm=before.lots["expected_movement_mm"] * 1.02),
                    facts={**before.facts, "code": "an older program"})
    calibrated = replace(after, lots=after.lots.assign(expected_movement_mm=after.lots["expected_movement_mm"] * 1.1),
                         facts={**after.facts, "calibration": "surveys of spring"})
    change = compare.compare(older, calibrated, kept)
    told = adds_up(change)
    assert (told[PARTS].abs().max() > 0.01).all(), told[PARTS].abs().max()
    assert any("differ in code" in note for note in change.notes)
    lines = change.lots.loc[change.lots["kind"] == "changed", "why"].str.split("\n")
    assert (lines.str.len() == 2).all()


def test_runs_in_the_wrong_order_and_runs_without_inputs_are_refused(before: Results, example: Path,
                                                                    kept: store.Store, tmp_path: Path) -> None:
    after = run(write_area(example, tmp_path / "b", last="2025-08"), kept)
    with pytest.raises(LayerError, match="E-CMP-002"):
        compare.compare(after, before, kept)
    with pytest.raises(LayerError, match="E-CMP-001"):
        compare.compare(replace(before, inputs=None), after, kept)


def test_repeated_ids_meet_in_their_order() -> None:
    pairs = compare._pairs(pd.Series(["x", "x", "y"]), pd.Series(["y", "x", "x", "x"]))
    assert pairs[["a", "b"]].to_numpy().tolist() == [[2, 0], [0, 1], [1, 2], [-1, 3]]


def with_weeks(found: Results, weeks: dict[str, tuple[str, float]]) -> Results:
    """Give a run weekly maps: valid date -> category and size of its one polygon."""
    table = pd.DataFrame({"cell_id": "Z01", "valid_date": list(weeks), "category": [c for c, _ in weeks.values()]})
    shapes = gpd.GeoDataFrame({"valid_date": list(weeks), "category": [c for c, _ in weeks.values()]},
                              geometry=[box(-98, 32, -98 + size, 33) for _, size in weeks.values()], crs="EPSG:4326")
    return replace(found, drought_weeks=table, drought_shapes=shapes)


def test_new_reissued_and_missing_weeks_are_told_apart(before: Results) -> None:
    old = with_weeks(before, {"2025-05-06": ("D1", 1.0), "2025-05-13": ("D1", 1.0), "2025-05-20": ("D2", 1.0)})
    new = with_weeks(before, {"2025-05-13": ("D1", 1.0), "2025-05-20": ("D2", 1.5), "2025-05-27": ("D2", 1.0),
                              "2025-06-10": ("D2", 1.0)})
    assert compare.weekly_maps(old, new) == {
        "new": ["2025-05-27", "2025-06-10"], "gone": ["2025-05-06"], "reissued": ["2025-05-20"],
        "missing_now": ["2025-06-03"]}
    lines = compare.week_lines(compare.weekly_maps(old, new))
    assert "weeks without a map between the first and the last map of the second run: 2025-06-03" in lines
    assert compare.week_lines(compare.weekly_maps(old, old)) == []
    assert compare.weekly_maps(old, old) == {"new": [], "gone": [], "reissued": [], "missing_now": []}
    assert compare.weekly_maps(before, before)["new"] == []


def test_a_week_whose_shapes_only_one_run_keeps_is_not_reissued(before: Results) -> None:
    """Shapes are kept for the months before `now`: a later run keeps those of the oldest weeks no longer."""
    old = with_weeks(before, {"2023-10-03": ("D1", 1.0), "2023-10-10": ("D1", 1.0)})
    new = replace(old, drought_shapes=old.drought_shapes.iloc[1:])
    for one, other in ((old, new), (new, old), (old, replace(old, drought_shapes=None))):
        assert compare.weekly_maps(one, other)["reissued"] == []
    changed = replace(new, drought_weeks=new.drought_weeks.assign(category="D2"))
    assert compare.weekly_maps(old, changed)["reissued"] == ["2023-10-03", "2023-10-10"]


def test_a_correction_shows_under_the_lot_file(before: Results, example: Path, kept: store.Store,
                                               tmp_path: Path) -> None:
    path = write_area(example, tmp_path / "b", last="2025-05")
    dated = (before.lots["state"] == "") & (before.lots["pour_date_basis"] == "year")
    lot = str(before.lots.loc[dated, "lot_id"].iloc[0])
    (tmp_path / "b" / "fix.csv").write_text(f"lot_id,column,value,reason\n{lot},pour_date,2023-03,inspection record\n",
                                            encoding="utf-8")
    text = path.read_text(encoding="utf-8").replace("[lots]", '[lots]\ncorrections = "fix.csv"', 1)
    path.write_text(text, encoding="utf-8")
    after = run(path, kept)
    told = adds_up(compare.compare(before, after, kept)).set_index("lot_id")
    moved = told[told[CHANGE] != 0]
    assert list(moved.index) == [lot]
    assert moved["lots_part_mm"].iloc[0] == moved[CHANGE].iloc[0]
    assert "corrected" in after.lots.set_index("lot_id").loc[lot, "flags"].split(";")


# ---------------------------------------------------------------- the ground
def test_cracked_ground_is_a_setting_of_the_record_and_the_cause_settings(example: Path, before: Results,
                                                                          kept: store.Store, tmp_path: Path) -> None:
    path = write_area(example, tmp_path / "area", last="2025-05", movement='draws = 40\nground = "cracked"')
    after = run(path, kept)
    assert record.area_of(before).movement.ground == "uncracked"
    assert record.area_of(after).movement.ground == "cracked"
    told = adds_up(compare.compare(before, after, kept))
    np.testing.assert_allclose(told["settings_part_mm"], told[CHANGE], atol=1e-6)
    assert (told[CHANGE] != 0).mean() > 0.5


# ---------------------------------------------------------------- drivers of suction
def driven(example: Path, folder: Path, kept: store.Store, driver: str) -> Results:
    path = write_area(example, folder / "area", last="2025-05")
    text = path.read_text(encoding="utf-8")
    path.write_text(f'{text}\n[climate_settings]\ndriver = "{driver}"\n', encoding="utf-8")
    return run(path, kept)


def test_runs_of_different_drivers_are_compared_and_say_so(example: Path, before: Results, kept: store.Store,
                                                           tmp_path: Path) -> None:
    monthly = driven(example, tmp_path, kept, "month")
    assert record.area_of(before).climate_settings.driver == "both"
    again = record.read(RunFiles(tmp_path / "area" / "run", verified=False))
    assert set(compare.compare(again, monthly, kept).lots["kind"]) == {"same"}
    change = compare.compare(monthly, before, kept)
    assert any("different drivers of suction, the monthly bucket and day steps" in note for note in change.notes)
    told = adds_up(change)
    np.testing.assert_allclose(told["settings_part_mm"], told[CHANGE], atol=1e-6)
    assert told[CHANGE].abs().max() > 1


def test_a_run_whose_driver_needs_temperature_is_refused_without(example: Path, kept: store.Store,
                                                                  tmp_path: Path) -> None:
    driven(example, tmp_path, kept, "day")
    place = tmp_path / "area" / "run" / record.FOLDER / "cell_month.parquet"
    pd.read_parquet(place).assign(temperature_c=np.nan).to_parquet(place)
    with pytest.raises(RunFolderError, match="no temperature"):
        record.read(RunFiles(tmp_path / "area" / "run", verified=False))
