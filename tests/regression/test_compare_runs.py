"""Two runs of one area: every lot reported, and parts that add up, also when everything changed at once."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path

import changed_areas
import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from changed_areas import edited_lots, refreshed_soil
from shapely.geometry import box

from riskmap.answers import compare
from riskmap.common import settings
from riskmap.common.errors import LayerError, RunFolderError
from riskmap.common.results import Results
from riskmap.outputs.files import geoparquet
from riskmap.run import flow, record, store
from riskmap.run.files import RunFiles
from riskmap.run.products import write_problems

write_area = partial(changed_areas.write_area, movement="draws = 20")  # that parts add up needs no more
PARTS = {column: compare.part_columns(short) for short, column in compare.NUMBERS.items()}
EVERY_PART = [part for parts in PARTS.values() for part in parts]
CHANGES = [f"{column}_change" for column in PARTS]
NOW = "bend_now_mm_change"


def all_but(cause: str) -> list[str]:
    return [part for part in EVERY_PART if not part.endswith(f"_part_{cause}_mm")]


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
    """Return the lots with an estimate in both runs; the parts of each of the four numbers add up to its change."""
    told = change.lots[change.lots[NOW].notna()]
    assert len(told) > 30
    assert list(PARTS) == ["bend_now_mm", "change_next_mm", "expected_movement_mm", "long_run_mm"]
    for column, parts in PARTS.items():
        assert told[f"{column}_change"].notna().all()
        np.testing.assert_allclose(told[parts].sum(axis=1), told[f"{column}_change"], atol=1e-6, rtol=0)
        # tables hold a tenth of a millimetre
        np.testing.assert_allclose(told[f"{column}_after"] - told[f"{column}_before"], told[f"{column}_change"],
                                   atol=0.1 + 1e-9)
    others = change.lots[change.lots[NOW].isna()]
    assert others[[*CHANGES, *EVERY_PART]].isna().all().all()
    return told


def test_a_run_compared_with_itself_has_not_changed(before: Results, kept: store.Store) -> None:
    change = compare.compare(before, before, kept)
    assert set(change.lots["kind"]) == {"same"}
    told = adds_up(change)
    assert (told[[*EVERY_PART, *CHANGES]] == 0).all().all()
    assert change.notes == ()
    assert change.lead == f"Nothing changed: all estimates ({len(told)} lots) are the same in both runs."
    assert change.lines == [change.lead, f"Lots: {len(change.lots)} the same."]


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
    assert change.lots[[*CHANGES, *EVERY_PART]].isna().all().all()
    assert change.lots["bend_now_mm_before"].notna().any()
    assert change.counts["numbers"]["now"]["mean_mm"] is None
    assert change.lead == ("No lot has an estimate in both runs, so there is no change to show; "
                           f"{len(told)} lots gained or lost an estimate or changed the reason for having none.")


@pytest.mark.parametrize(("cause", "given"), [
    ("weather", {"last": "2025-08"}),
    ("weather_revised", {"last": "2025-05", "wetter": 1.5}),
    ("settings", {"last": "2025-05", "movement": "draws = 20\nstiffness_sigma_ln = 0.2"}),
])
def test_one_cause_alone_takes_the_whole_change(cause: str, given: dict, before: Results, example: Path,
                                               kept: store.Store, tmp_path: Path) -> None:
    change = compare.compare(before, run(write_area(example, tmp_path / "b", **given), kept), kept)
    told = adds_up(change)
    largest = told[CHANGES].abs().max()
    assert (largest.drop("long_run_mm_change") > 0.3).all()
    # the long run is of the normal period, which none of these months belongs to
    assert largest["long_run_mm_change"] > 0.05 if cause == "settings" else largest["long_run_mm_change"] < 0.05
    assert told[all_but(cause)].abs().max().max() < 1e-9
    subject = {"weather": " of June to August 2025 ", "weather_revised": "The revised weather of past months ",
               "settings": "Other settings "}[cause]
    assert subject in change.lead
    assert [line.partition(":")[0] for line in change.lines[1:5]] == ["Now (middle against edge)", "Next 12 months",
                                                                      "Estimate", "Long run"]


def test_a_soil_refresh_alone(before: Results, example: Path, kept: store.Store, tmp_path: Path) -> None:
    soil = refreshed_soil(example, tmp_path / "refreshed_soil_ZZ901.zip")
    change = compare.compare(before, run(write_area(example, tmp_path / "b", last="2025-05", soil=soil), kept), kept)
    told = adds_up(change)
    assert told["expected_part_soil_mm"].abs().max() > 0.3  # what the refreshed survey moves a lot by: 0.47 mm
    assert told[all_but("soil")].abs().max().max() < 1e-9


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
    assert found["expected_part_code_mm"].abs().max() > 0.3
    # tables hold a tenth of a millimetre, and what rounding leaves is a part of the code too
    assert found[all_but("code")].abs().max().max() < 1e-9


def test_edited_lots_alone(before: Results, example: Path, kept: store.Store, tmp_path: Path) -> None:
    path = write_area(example, tmp_path / "b", last="2025-05", lots=edited_lots(example))
    change = compare.compare(before, run(path, kept), kept)
    told = adds_up(change)
    assert told[all_but("lots")].abs().max().max() < 1e-9
    kinds = change.lots["kind"].value_counts()
    assert kinds["new"] == kinds["gone"] == 1
    assert change.lots.set_index("lot_id").loc["NEW-1", "why"] == "only in the second run"
    state = change.lots[change.lots["kind"] == "state_changed"]
    assert any("now: not_applicable" in why for why in state["why"])
    assert change.counts["same"] + change.counts["changed"] + 1 + len(state) + 1 == len(change.lots)


def test_all_seven_causes_at_once_add_up(before: Results, example: Path, kept: store.Store, tmp_path: Path) -> None:
    soil = refreshed_soil(example, tmp_path / "refreshed_soil_ZZ901.zip")
    after = run(write_area(example, tmp_path / "b", last="2025-08", soil=soil, wetter=1.5, lots=edited_lots(example),
                           movement="draws = 20\nstiffness_sigma_ln = 0.2"), kept)
    older = replace(before, lots=before.lots.assign(**{column: before.lots[column] * 1.02 for column in PARTS}),
                    facts={**before.facts, "code": "an older program"})
    calibrated = replace(after, lots=after.lots.assign(**{column: after.lots[column] * 1.1 for column in PARTS}),
                         facts={**after.facts, "calibration": "surveys of spring"})
    change = compare.compare(older, calibrated, kept)
    told = adds_up(change)
    sizes = told[EVERY_PART].abs().max().drop([
        *(f"long_run_part_{cause}_mm" for cause in ("weather", "weather_revised")),
        *(f"{name}_part_buildings_mm" for name in ("now", "next", "expected", "long_run"))])  # no outlines here
    assert (sizes > 0.01).all(), sizes  # months after the normal period do not change the long run
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
    assert compare.week_line(compare.weekly_maps(old, new)) == (
        "Weekly drought maps: 2 only in the second run (2025-05-27, 2025-06-10); 1 only in the first run (2025-05-06); "
        "1 issued again with other content (2025-05-20); 1 week without a map between the first and the last map of "
        "the second run (2025-06-03).")
    assert compare.week_line(compare.weekly_maps(old, old)) == ""
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
    moved = told[(told[CHANGES] != 0).any(axis=1)]
    assert list(moved.index) == [lot]
    assert moved["now_part_lots_mm"].iloc[0] == moved[NOW].iloc[0] != 0
    assert "corrected" in after.lots.set_index("lot_id").loc[lot, "flags"].split(";")


# ---------------------------------------------------------------- the ground
def test_cracked_ground_is_a_setting_of_the_record_and_the_cause_settings(example: Path, kept: store.Store,
                                                                          tmp_path: Path) -> None:
    lots = gpd.read_file(example / "lots.gpkg", layer="lots").iloc[changed_areas.LOTS]
    # one width: on cracked ground every width needs models of its own in each model run
    lots[["slab_width_ft", "slab_length_ft"]] = 49.0
    before, after = (run(write_area(example, tmp_path / ground, last="2025-05", lots=lots,
                                    movement=f'draws = 20\nground = "{ground}"'), kept)
                     for ground in ("uncracked", "cracked"))
    assert record.area_of(before).movement.ground == "uncracked"
    assert record.area_of(after).movement.ground == "cracked"
    told = adds_up(compare.compare(before, after, kept))
    for short, column in compare.NUMBERS.items():
        np.testing.assert_allclose(told[f"{short}_part_settings_mm"], told[f"{column}_change"], atol=1e-6)
        assert (told[f"{column}_change"] != 0).mean() > 0.5


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
    for short, column in compare.NUMBERS.items():
        np.testing.assert_allclose(told[f"{short}_part_settings_mm"], told[f"{column}_change"], atol=1e-6)
    assert told["expected_movement_mm_change"].abs().max() > 1


def test_a_run_whose_driver_needs_temperature_is_refused_without(example: Path, kept: store.Store,
                                                                  tmp_path: Path) -> None:
    driven(example, tmp_path, kept, "day")
    place = tmp_path / "area" / "run" / record.FOLDER / "cell_month.parquet"
    pd.read_parquet(place).assign(temperature_c=np.nan).to_parquet(place)
    with pytest.raises(RunFolderError, match="no temperature"):
        record.read(RunFiles(tmp_path / "area" / "run", verified=False))
