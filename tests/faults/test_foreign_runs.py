"""Run folders that others changed or made: nothing is read with another value, nothing crashes, nothing comes out.

Each case twice: with the manifest as the run wrote it, which alone refuses it, and with a manifest that agrees with the
changed file, so that the content itself is judged.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner, Result
from finished_runs import finished, reseal
from invented_results import results

import riskmap
from riskmap import api
from riskmap.cli import main
from riskmap.common.errors import RiskmapError, RunFolderError
from riskmap.common.results import History
from riskmap.run import folder, manifest, record
from riskmap.run.files import UNVERIFIED, RunFiles

CANARY = "QCANARY-OWNER-71"
LOT = "0000040"


def call(*words: object) -> Result:
    return CliRunner().invoke(main.cli, [str(word) for word in words], catch_exceptions=True)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = results()
    series = np.where(made.lots["state"] == "", np.arange(len(made.lots)) % 3, -1)
    history = History(("2025-08", "2025-09", "2025-10"), np.ones((3, 3), dtype=np.float32), series)
    return finished(tmp_path_factory.mktemp("outputs"), replace(made, history=history))


@pytest.fixture
def run(whole: Path, tmp_path: Path) -> Path:
    shutil.copytree(whole, tmp_path / "outputs" / whole.name)
    return tmp_path / "outputs" / whole.name


def with_lots(run: Path, change: Callable[[gpd.GeoDataFrame], gpd.GeoDataFrame]) -> None:
    change(gpd.read_parquet(run / "lots.parquet")).to_parquet(run / "lots.parquet", compression="zstd", index=False)


def with_table(run: Path, name: str, change: Callable[[pd.DataFrame], pd.DataFrame]) -> None:
    path = run / "record" / f"{name}.parquet"
    change(pd.read_parquet(path)).to_parquet(path, index=False)


def with_facts(run: Path, change: Callable[[dict[str, Any]], object]) -> None:
    path = run / "record" / "facts.json"
    told = json.loads(path.read_text(encoding="utf-8"))
    change(told)
    path.write_text(json.dumps(told), encoding="utf-8")


def half(lots: pd.DataFrame) -> pd.DataFrame:
    return lots.iloc[: len(lots) // 2].reset_index(drop=True)


def backwards(lots: pd.DataFrame) -> pd.DataFrame:
    return lots.iloc[::-1].reset_index(drop=True)


TABLES: dict[str, Callable[[Path], object]] = {
    "half": lambda run: with_lots(run, half),
    "reversed": lambda run: with_lots(run, backwards),
    "web mercator": lambda run: with_lots(run, lambda lots: lots.to_crs(3857)),
    "web mercator said to be degrees": lambda run: with_lots(
        run, lambda lots: lots.to_crs(3857).set_crs(4326, allow_override=True)),
    "no coordinate system": lambda run: with_lots(run, lambda lots: lots.set_crs(None, allow_override=True)),
    "a column is missing": lambda run: with_lots(run, lambda lots: lots.drop(columns="expected_movement_mm")),
    "texts for numbers": lambda run: with_lots(run, lambda lots: lots.assign(expected_movement_mm="much")),
    "a share above one": lambda run: with_lots(run, lambda lots: lots.assign(share_beyond_l360=7.0)),
    "history of other lots": lambda run: with_table(run, "lot_series", half),
    "history that is not there": lambda run: with_table(run, "lot_series", lambda table: table + 99),
    "history of the 13th month": lambda run: with_table(
        run, "history", lambda table: table.rename(columns={"2025-08": "2025-13"})),
    "weather without months": lambda run: with_table(run, "climate", lambda table: table.drop(columns="month")),
    "weather of a strange month": lambda run: with_table(run, "climate", lambda table: table.assign(month="x")),
    "rain in words": lambda run: with_table(run, "climate", lambda table: table.assign(precipitation_mm="much")),
    "a week that is no day": lambda run: with_table(
        run, "drought_weeks", lambda _: pd.DataFrame({"cell_id": ["a"], "valid_date": ["\x1b"], "category": ["D1"]})),
    "problems in another form": lambda run: (run / "problems.json").write_text('[{"code": 1}]', encoding="utf-8"),
    "problems without end": lambda run: (run / "problems.json").write_text("[" * 100_000, encoding="utf-8"),
}
FACTS: dict[str, Callable[[dict[str, Any]], object]] = {
    "13th month": lambda told: told.update(today="2026-13"), "no month": lambda told: told.update(today=5),
    "a name that is none": lambda told: told.update(area_name=["x"]), "no credits": lambda told: told.pop("credits"),
    "a scale in words": lambda told: told.update(soil_scale="1:24000"),
    "scale 0": lambda told: told.update(soil_scale=0),
    "settings in words": lambda told: told.update(settings="x"),
    "lots in words": lambda told: told.update(settings={"lots": "x"}),
    "cells in words": lambda told: told.update(facts={"cells": {"a": 5}}),
    "years in words": lambda told: told.update(facts={"cells": {"a": {"whatif_years": 5}}}),
    "rows in words": lambda told: told.update(facts={"lot_rows": [["a"]]}),
    "inputs in words": lambda told: told.update(facts={"input_sha256": ["x"]}),
    "facts in words": lambda told: told.update(facts=7),
}


@pytest.mark.parametrize("case", TABLES)
def test_changed_tables_are_refused_also_where_the_manifest_agrees(case: str, run: Path) -> None:
    TABLES[case](run)
    with pytest.raises(RunFolderError, match=r"E-RUN-041 .*has changed since the run"):
        riskmap.read(run)
    reseal(run)
    assert not [line for line in riskmap.verify(run) if line.startswith("E-")]
    with pytest.raises(RunFolderError, match="E-RUN-012") as refused:
        riskmap.read(run)
    assert "\x1b" not in str(refused.value)


@pytest.mark.parametrize("case", FACTS)
def test_changed_facts_are_refused_also_where_the_manifest_agrees(case: str, run: Path) -> None:
    with_facts(run, FACTS[case])
    for lot in (None, LOT):
        with pytest.raises(RunFolderError, match="E-RUN-041"):
            record.read(run, lot)
        with pytest.raises(RunFolderError, match="E-RUN-012"):
            record.read(RunFiles(run, verified=False), lot)
    reseal(run)
    with pytest.raises(RunFolderError, match=r"E-RUN-012 .*record/facts\.json"):
        riskmap.read(run)


@pytest.mark.parametrize("text", ["[" * 100_000 + "]" * 100_000, "{}", "[]", "7", '{"format": 1, "format": 1}', "\x00"])
def test_facts_of_another_form_are_refused(text: str, run: Path) -> None:
    (run / "record" / "facts.json").write_text(text, encoding="utf-8")
    reseal(run)
    with pytest.raises(RunFolderError, match="E-RUN-012"):
        riskmap.read(run)


def commands(run: Path, listing: Path) -> dict[str, list[object]]:
    """Return every command that reads a run."""
    outputs = ["--outputs", run.parent]
    return {
        "explain": ["explain", run, LOT, *outputs], "screen": ["screen", run, listing, *outputs],
        "map": ["map", run, *outputs], "tiles": ["map", run, "--tiles", *outputs],
        "brief": ["brief", run, "--lots", LOT, *outputs], "export": ["export", run, "--format", "csv", *outputs],
        "compare": ["compare", run, run, *outputs], "calibrate": ["calibrate", run, listing, *outputs],
        "survey": ["survey", listing.with_name("readings.csv"), "--run", run, "--lot", LOT, *outputs,
                   "--into", run.parent / "survey"],
        "measured": ["measured", listing.with_name("probe.csv"), "--run", run, "--lot", LOT, *outputs]}


@pytest.fixture
def listing(tmp_path: Path) -> Path:
    path = tmp_path / "list.csv"
    path.write_text(f"lot_id,first_date,dome_mm\n{LOT},2024-06,12.5\n", encoding="utf-8")
    rows = [f"{k},{k % 3 * 10},{k // 3 * 10},0.{k}" for k in range(9)]
    path.with_name("probe.csv").write_text("date,depth_m,value_m3_m3\n2024-06,0.1,0.2\n", encoding="utf-8")
    path.with_name("readings.csv").write_text("\n".join(["point,x_ft,y_ft,elevation_in", *rows]), encoding="utf-8")
    return path


# an invented run has no inputs of the movement: these refuse it for that, once they were let to read it
NO_INPUTS = {"compare": "E-CMP-001", "calibrate": "E-CAL", "measured": "E-MEA-023"}


@pytest.mark.parametrize("command", ["explain", "screen", "map", "tiles", "brief", "export", "compare", "calibrate",
                                     "survey", "measured"])
def test_every_command_refuses_a_changed_run_and_looks_all_the_same_when_asked(command: str, run: Path,
                                                                               listing: Path) -> None:
    words = commands(run, listing)[command]
    with_lots(run, lambda lots: lots.assign(**{
        name: lots[name] / 2 for name in ("expected_movement_mm", "expected_movement_mm_p10",
                                          "expected_movement_mm_p90")}))
    before = sorted(path.name for path in run.parent.iterdir())
    refused = call(*words)
    assert isinstance(refused.exception, RiskmapError)
    assert "E-RUN-041" in str(refused.exception)
    assert "--unverified" in str(refused.exception)
    assert sorted(path.name for path in run.parent.iterdir()) == before, "nothing was written"
    done = call(*words, "--unverified")
    if command in NO_INPUTS:
        assert NO_INPUTS[command] in str(done.exception)
        return
    assert not isinstance(done.exception, RiskmapError), done.exception
    assert UNVERIFIED in done.stderr


def test_what_is_made_of_an_unverified_run_says_so(run: Path, listing: Path) -> None:
    made = {name: getattr(riskmap, name)(run, outputs=run.parent, verified=False, **more) for name, more in (
        ("map", {}), ("brief", {"lots": [LOT]}), ("screen", {"listing": listing}))}
    assert {one.note for one in made.values()} == {UNVERIFIED}
    assert "NOT COMPARED" in (made["brief"].folder / "lots.html").read_text(encoding="utf-8")
    assert "NOT COMPARED" in (made["screen"].folder / "README.txt").read_text(encoding="utf-8")
    assert riskmap.explain(run, LOT, verified=False).startswith(UNVERIFIED)
    found = riskmap.read(run, verified=False)
    from riskmap.outputs.map import web_map

    assert web_map.about(found, "us")["lines"][0] == UNVERIFIED
    assert UNVERIFIED not in web_map.about(riskmap.read(run), "us")["lines"]


def test_a_run_of_the_former_version_is_read_with_a_note(run: Path) -> None:
    reseal(run)
    path = run / manifest.NAME
    told = json.loads(path.read_text(encoding="utf-8"))
    del told["sha256"]
    path.write_text(json.dumps(told | {"format": 1}), encoding="utf-8")
    done = call("explain", run, LOT)
    assert done.exit_code == 0
    assert "Caution: A former version wrote this run" in done.stderr
    with_lots(run, backwards)
    assert "E-RUN-041" in str(call("explain", run, LOT).exception)


def test_a_run_without_a_manifest_is_refused_with_the_way_out(run: Path) -> None:
    (run / manifest.NAME).unlink()
    with pytest.raises(RunFolderError, match=r"E-RUN-040 .*there is no such file.*--unverified"):
        riskmap.read(run)
    assert len(riskmap.read(run, verified=False).lots) == 60


@pytest.mark.parametrize("name", ["history", "soil_lines", "archetype"])
def test_a_table_that_was_added_is_not_read(name: str, run: Path) -> None:
    told = json.loads((run / manifest.NAME).read_text(encoding="utf-8"))
    clean = riskmap.read(run)
    (run / "record" / f"{name}.parquet").unlink(missing_ok=True)
    reseal(run, lambda t: t["outputs"].pop(f"record/{name}.parquet", None))
    shutil.copy(run / "lots.parquet", run / "record" / f"{name}.parquet")
    found = riskmap.read(run)
    assert found.inputs is None
    assert found.soil_lines is None
    assert (found.history is None) == (name == "history")
    assert clean.history is not None
    assert f"record/{name}.parquet" in told["outputs"] or name != "history"
    assert [line for line in riskmap.verify(run) if line.startswith("W-MAN-005")] == [
        f"W-MAN-005 record/{name}.parquet: was not made by this run."]


@pytest.mark.parametrize("name", ["lots.parquet", "record/facts.json", "record", "problems.json"])
def test_links_in_a_run_are_not_followed(name: str, run: Path, tmp_path: Path) -> None:
    (run / name).rename(tmp_path / "elsewhere")
    (run / name).symlink_to(tmp_path / "elsewhere")
    for verified in (True, False):
        with pytest.raises(RunFolderError, match="E-RUN-042"):
            riskmap.read(run, verified=verified)
    assert any(line.startswith("E-MAN-011") for line in riskmap.verify(run))


def test_export_writes_only_columns_of_the_dictionary(run: Path, tmp_path: Path) -> None:
    with_lots(run, lambda lots: lots.assign(Owner=CANARY, **{"\x1b[2J": CANARY}))
    reseal(run)
    made = riskmap.export(run, ["gpkg", "parquet", "csv", "xlsx", "geojson", "kml"], into=tmp_path / "e")
    assert len(made.files) == 7
    names = gpd.read_parquet(made.folder / "lots.parquet").columns
    assert [name for name in names if name not in ("geometry", "bbox")] == [
        column.name for column in riskmap.common.tables.ESTIMATE.columns]
    maps = [riskmap.map(run, into=tmp_path / "m"), riskmap.map(run, tiles=True, into=tmp_path / "t")]
    for file in (*made.files, *(file for one in maps for file in one.files)):
        assert CANARY.encode() not in file.read_bytes()
    assert CANARY not in gpd.read_file(made.folder / "lots.gpkg", layer=0).to_csv()


def test_a_run_whose_settings_are_none_is_explained_but_not_computed_again(calibration_run: Path,
                                                                          tmp_path: Path) -> None:
    run = tmp_path / "run"
    shutil.copytree(folder.latest(calibration_run), run)
    with_facts(run, lambda told: told.update(settings={"a": 1}, facts={}))
    reseal(run)
    found = riskmap.read(run)
    lot = str(found.lots.loc[found.lots["state"] == "", "lot_id"].iloc[0])
    assert "the lot file" in riskmap.explain(run, lot)
    surveys = tmp_path / "surveys.csv"
    surveys.write_text(f"lot_id,first_date,dome_mm\n{lot},2024-06,12.5\n", encoding="utf-8")
    for asked in (lambda: riskmap.compare(run, run, outputs=tmp_path), lambda: riskmap.brief(run, lots=[lot]),
                  lambda: riskmap.calibrate(run, surveys)):
        with pytest.raises(RiskmapError, match="E-SET-0"):
            asked()


@pytest.mark.parametrize(("name", "change"), [
    ("lot_archetype", lambda table: table + 1000), ("lot_archetype", half),
    ("archetype_profile", lambda table: table.assign(archetype_id=-1)),
    ("archetype_profile", lambda table: table.assign(profile_id=10**6)),
    ("layer", lambda table: table.assign(profile_id=-5)),
    ("archetype", lambda table: table.assign(cell_id="nowhere")),
    ("archetype", lambda table: table.assign(half_width_m="a")),
    ("cell_month", half), ("cell", lambda table: pd.concat([table, table])), ("profile", half)])
def test_inputs_that_contradict_each_other_are_refused(name: str, change: Callable[[pd.DataFrame], pd.DataFrame],
                                                       calibration_run: Path, tmp_path: Path) -> None:
    run = tmp_path / "run"
    shutil.copytree(folder.latest(calibration_run), run)
    with_table(run, name, change)
    reseal(run)
    with pytest.raises(RunFolderError, match="E-RUN-012"):
        riskmap.read(run)


def test_names_with_control_characters_do_not_reach_the_terminal(run: Path, monkeypatch: pytest.MonkeyPatch,
                                                                 capsys: pytest.CaptureFixture[str]) -> None:
    evil = "x\x1b[2J\x1b]0;owned\x07\x9b31m\u202e"
    with_facts(run, lambda told: told.update(area_name=evil))
    with_lots(run, lambda lots: lots.assign(map_unit_name=evil, reason_1=evil, state_reason=evil, flags=evil))
    (run / evil.replace("/", "")).write_text("")
    reseal(run)
    for words in (["explain", run, LOT], ["explain", run, evil], ["verify", run],
                  ["export", run, "--format", "csv", "--into", run.parent / evil], ["map", run / evil]):
        monkeypatch.setattr("sys.argv", ["riskmap", *map(str, words)])
        with pytest.raises(SystemExit):
            main.main()
        said = capsys.readouterr()
        assert "owned\\u0007" in said.out + said.err, words  # the rest of the name is dropped by the library of options
        for text in (said.out, said.err):
            assert not [sign for sign in text if sign != "\n" and not sign.isprintable()], words


def test_serving_a_folder_shows_no_file_behind_a_link(run: Path, tmp_path: Path) -> None:
    made = api.map(run, into=tmp_path / "map").folder
    (tmp_path / "secret").write_text("s")
    (made / "map.html").unlink()
    (made / "map.html").symlink_to(tmp_path / "secret")
    refused = call("map", made, "--serve")
    assert "E-SRV-002" in str(refused.exception)
