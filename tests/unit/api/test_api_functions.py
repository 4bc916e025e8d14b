"""What `fetch`, `survey`, `selftest` and the server of a map do as functions, beyond what their commands show."""

from __future__ import annotations

import json
import threading
import urllib.request
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from invented_results import results

import riskmap
from riskmap import api
from riskmap.common.errors import LayerError
from riskmap.common.results import RowCounts, Run
from riskmap.download import cache, climate
from riskmap.outputs.files import rounding

READINGS = "point,x_ft,y_ft,elevation_in\nA,0,0,0.0\nB,40,0,0.2\nC,40,30,0.5\nD,0,30,0.3\n"


@pytest.mark.parametrize(("what", "given", "said"), [
    ("rain", {}, "soil, drought, climate"),
    ("soil", {}, "either a box or an area"),
    ("soil", {"box": (-99.0, 31.0, -98.9, 31.1), "area": "area.toml"}, "either a box or an area"),
    ("soil", {"box": (-99.0, 31.0, -98.9, 31.1), "first": "2024-01-01"}, "not first"),
    ("drought", {"first": "2024-01-01"}, "needs first and last"),
    ("drought", {"first": "2024-01-01", "last": "2024-02-01", "cells": "counties"}, "not cells"),
    ("drought", {"first": "January", "last": "2024-02-01"}, "Invalid isoformat"),
    ("climate", {"places": ["TX"]}, "not places"),
    ("climate", {"daily": True}, "not daily"),
    ("area", {}, "either lots or a box"),
    ("area", {"lots": "x.gpkg", "box": (-99.0, 31.0, -98.9, 31.1)}, "either lots or a box"),
    ("area", {"box": (-99.0, 31.0, -98.9, 31.1), "cells": "counties"}, "not cells")])
def test_fetch_refuses_what_does_not_belong_together(what: str, given: dict[str, Any], said: str,
                                                     tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=said):
        riskmap.fetch(what, tmp_path / "new", cache=tmp_path / "cache", offline=True, **given)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(("what", "given"), [
    ("soil", {"box": (-99.0, 31.0, -98.99, 31.01)}), ("drought", {"first": "2024-01-01", "last": "2024-02-01"}),
    ("climate", {})])
def test_fetch_offline_asks_nobody_and_looks_in_the_cache_that_is_named(what: str, given: dict[str, Any],
                                                                        tmp_path: Path) -> None:
    with pytest.raises(LayerError, match="E-FET-020"):
        riskmap.fetch(what, tmp_path / "new", cache=tmp_path / "cache", offline=True, **given)
    assert not (tmp_path / "new").exists()


def test_fetch_returns_the_sentences_about_stored_answers_and_hands_them_on(tmp_path: Path,
                                                                            monkeypatch: pytest.MonkeyPatch) -> None:
    def run(folder: Path, *, cells: str, desk: cache.Desk, progress: object) -> list[Path]:
        desk.warn(f"{cells}: a stored answer was used")
        return [folder / "a.txt"]

    monkeypatch.setattr(climate, "run", run)
    heard: list[str] = []
    made = riskmap.fetch("climate", tmp_path, cells="counties", warn=heard.append)
    assert made.files == [tmp_path / "a.txt"]
    assert made.notes == heard == ["counties: a stored answer was used"]


def test_a_survey_writes_what_it_returns_into_a_new_folder_each_time(tmp_path: Path) -> None:
    (tmp_path / "house.csv").write_text(READINGS, encoding="utf-8")
    made = [riskmap.survey(tmp_path / "house.csv", outputs=tmp_path / "outputs") for _ in range(2)]
    assert made[0].folder != made[1].folder
    assert json.loads((made[0].folder / "summary.json").read_text(encoding="utf-8"))["readings"] == "house.csv"
    assert {"levels.csv", "levels.pdf", "levels.svg", "summary.json"} < {file.name for file in made[0].files}
    assert made[0].answer.sound
    assert made[0].answer.lines[-len(made[0].answer.summary["cautions"]):] == made[0].answer.summary["cautions"]
    for given in ({"run": "latest"}, {"lot": "1"}):
        with pytest.raises(ValueError, match="together"):
            riskmap.survey(tmp_path / "house.csv", outputs=tmp_path / "outputs", **given)


def test_selftest_of_a_case_file_is_text_and_json(tmp_path: Path) -> None:
    (tmp_path / "cases.json").write_text('{"format_version": 2, "drivers": {}, "cases": []}', encoding="utf-8")
    found = riskmap.selftest(tmp_path / "cases.json")
    assert "not recomputed" in found.text()
    assert json.loads(found.as_json())["comparisons"] == []
    with pytest.raises(ValueError, match="built-in pack"):
        riskmap.selftest(tmp_path / "cases.json", groups=["slab"])


def test_the_server_of_a_map_answers_at_its_address_until_it_is_stopped(tmp_path: Path) -> None:
    (tmp_path / "map.html").write_text("<p>map</p>", encoding="utf-8")
    assert api.map_files(tmp_path) == ["map.html"]
    server, stop = api.map_server(tmp_path), threading.Event()
    thread = threading.Thread(target=server.until_stopped, args=(stop,))
    thread.start()
    try:
        with urllib.request.urlopen(server.address) as answer:
            assert answer.read() == b"<p>map</p>"
    finally:
        stop.set()
        thread.join()
    (tmp_path / "record").mkdir()
    assert api.map_files(tmp_path) == []


@pytest.mark.parametrize(("units", "bands"), [
    ("us", ["under 0.2 in", "0.2 to 0.4", "0.4 to 0.8", "0.8 to 1.4", "1.4 in and more"]),
    ("si", ["under 5 mm", "5 to 10", "10 to 20", "20 to 35", "35 mm and more"])])
def test_the_end_of_an_estimate_counts_every_lot_once(units: str, bands: list[str]) -> None:
    made = results()
    made = replace(made, facts=made.facts | {"newest_data": {"weekly map": f"{made.today}-28"}})
    lots = rounding.rounded(made).lots
    value = lots.loc[lots["state"] == "", "expected_movement_mm"].astype(float)
    wanted = pd.cut(value, [-np.inf, 5, 10, 20, 35, np.inf], right=False).value_counts(sort=False).tolist()
    half = len(made.lots) // 2
    in_parts = RowCounts() + RowCounts.of(made.lots[:half]) + RowCounts.of(made.lots[half:])
    for rows in (RowCounts.of(made.lots), in_parts):
        told = api.ending(Run(Path("a"), made, rows), units)
        assert len(told) == 4
        assert told[0] == f"{len(made.lots):,} lots read"
        assert told[1].startswith(f"{len(value):,} with an estimate; {len(made.lots) - len(value):,} without: ")
        assert told[2] == "Lots by size of the estimate: " + "; ".join(
            f"{band}: {count:,}" for band, count in zip(bands, wanted, strict=True))
        assert told[3].startswith(f"Newest data: {made.today} (weekly map {made.today}-28)")
    assert sum(wanted) == len(value)
    assert min(wanted) >= 0 < max(wanted)
