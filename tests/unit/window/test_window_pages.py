"""What each page asks of the API and what it shows. The work itself has tests of its own."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient
from test_window_guard import FROM_HERE, HERE, client_of

from riskmap.window import app
from riskmap.window.area_pages import SEEN
from riskmap.window.areas import AREA_FILE, FILES, OUTPUTS, Areas
from riskmap.window.jobs import Desk, Job

CHECK = {"refusals": [], "problems": [], "count": 0, "lots": {}, "text": "", "json": "{}", "newness": [],
         "exit_code": 0}


class Noted(Desk):
    """Notes the work that is asked for and does none of it; short tasks are answered from a list."""

    def __init__(self) -> None:
        super().__init__()
        self.asked: list[tuple[str, dict[str, Any], Job]] = []
        self.answers: dict[str, Any] = {}

    def start(self, area: str, title: str, task: str, given: dict[str, Any], after: str | Callable[[Any], str], *,
              command: str = "", lock: AbstractContextManager[None] | None = None) -> Job:
        with lock or nullcontext():
            job = Job(f"job-{len(self.asked)}", area, title, "", command)
        self.jobs[job.key] = job
        self.asked.append((task, given, job))
        return job

    def ask(self, task: str, **given: Any) -> Any:
        return self.answers[task]


@dataclass
class Opened:
    """A window with the area `town`, and a browser that has its key."""

    window: app.Window
    browser: TestClient
    folder: Path
    desk: Noted = field(default_factory=Noted)

    def post(self, path: str, back: str = "", **fields: str | list[str]) -> tuple[str, dict[str, Any], Job]:
        """Send a form and return what was asked for."""
        headers = FROM_HERE | ({"Referer": f"{HERE}{back}"} if back else {})
        answer = self.browser.post(path, headers=headers, data={"token": self.window.secret.token, **fields})
        assert answer.status_code == 303, answer.text
        return self.desk.asked[-1]

    def page(self, path: str) -> str:
        answer = self.browser.get(path)
        assert answer.status_code == 200, answer.text
        return unescape(answer.text)


@pytest.fixture
def opened(tmp_path: Path) -> Opened:
    desk = Noted()
    window = app.Window(Areas(tmp_path / "areas"), desk=desk)
    folder = window.areas.root / "town"
    for name in (FILES, OUTPUTS):
        (folder / name).mkdir(parents=True)
    (folder / AREA_FILE).write_text("[area]\n", encoding="utf-8")
    browser = client_of(window)
    browser.get(f"/?key={window.secret.key}")
    return Opened(window, browser, folder, desk)


def guess(key: str, column: str) -> dict[str, Any]:
    return {"section": "lots.columns", "key": key, "value": json.dumps(column), "reason": "guessed", "sure": True,
            "written": True}


def recognised(opened: Opened, **more: Any) -> None:
    seen = {"guesses": [guess("lot_id", "PARCEL"), guess("pour_date", "YEAR"), guess("lon", "X")], "missing": [],
            "left": [], "fetched": [], "open_points": [], "complete": True, "check": CHECK,
            "columns": [{"name": name, "values": ["1"]} for name in ("PARCEL", "YEAR", "ZONE", "X")], **more}
    (opened.folder / SEEN).write_text(json.dumps(seen), encoding="utf-8")


# ---------------------------------------------------------------- columns of the lot file
COLUMNS = ["PARCEL", "YEAR", "ZONE", "X"]


def menu(*chosen: str) -> dict[str, str | list[str]]:
    return {"column": COLUMNS, **{f"means-{k}": one for k, one in enumerate(chosen)}}


@pytest.mark.parametrize(("chosen", "named"), [
    (("lot_id", "pour_date", "-", ""), {}),
    (("lot_id", "-", "-", ""), {"pour_date": ""}),
    (("lot_id", "-", "pour_date", ""), {"pour_date": "ZONE"}),
    (("lot_id", "land_use", "-", ""), {"land_use": "YEAR"}),
    (("-", "pour_date", "lot_id", ""), {"lot_id": "ZONE"})])
def test_a_column_is_named_or_left_out(chosen: tuple[str, ...], named: dict[str, str], opened: Opened) -> None:
    recognised(opened)
    task, given, job = opened.post("/areas/town/columns", **menu(*chosen))
    assert (task, given["columns"]) == ("new", named)
    for ours, theirs in named.items():
        assert f"--column {ours}={theirs}" in job.command


def test_what_was_said_before_of_a_column_stays_unless_it_is_said_again(opened: Opened) -> None:
    recognised(opened, given={"land_use": "ZONE", "beam_depth_in": "DEPTH"})
    _, given, _ = opened.post("/areas/town/columns", **menu("lot_id", "pour_date", "foundation_type", ""))
    assert given["columns"] == {"beam_depth_in": "DEPTH", "foundation_type": "ZONE"}


def test_the_menu_can_leave_out_what_was_taken(opened: Opened) -> None:
    recognised(opened)
    text = opened.page("/areas/town")
    assert text.count('<option value="-">not used</option>') == 3  # the place of the lots cannot be left out here
    assert '<option value="">lon</option>' in text


def test_what_was_fetched_is_not_lost_and_nobody_is_asked_again(opened: Opened) -> None:
    recognised(opened)
    _, given, job = opened.post("/areas/town/columns", **menu("lot_id", "-", "-", ""))
    assert (given["fetch"], given["offline"]) == (False, False)
    recognised(opened, fetched=["soil survey: 3 map units"])
    _, given, job = opened.post("/areas/town/columns", **menu("lot_id", "-", "-", ""))
    assert (given["fetch"], given["offline"]) == (True, True)
    assert "--fetch --offline" in job.command
    _, given, job = opened.post("/areas/town/fetch")
    assert (given["fetch"], given["offline"]) == (True, False)
    assert "--offline" not in job.command


# ---------------------------------------------------------------- findings
def test_findings_come_as_a_table_and_for_programs(opened: Opened) -> None:
    problem = {"code": "E-LOT-014", "file": "lots.csv", "row": 3, "column": "=YEAR", "value": "~1960, <b>\n\"x\"",
               "rule": "too vague", "remedy": "Write a range.", "action": "No date."}
    whole = {**problem, "row": None, "column": "", "value": "-5", "code": "W-LOT-001"}
    report = json.dumps({"problems": [problem, whole]})
    recognised(opened, check={**CHECK, "json": report, "problems": [problem], "count": 2})
    text = opened.page("/areas/town")
    for name in ("findings.csv", "findings.json"):
        assert f'href="/areas/town/{name}" download' in text
    assert opened.browser.get("/areas/town/findings.json").text == report
    answer = opened.browser.get("/areas/town/findings.csv")
    assert answer.headers["content-disposition"] == 'attachment; filename="findings.csv"'
    assert answer.content.startswith(b"\xef\xbb\xbf")
    rows = list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"), newline="")))
    assert [(row["row"], row["column"], row["value"], row["code"]) for row in rows] == [
        ("3", "'=YEAR", '~1960, <b>\\u000a"x"', "E-LOT-014"), ("", "", "-5", "W-LOT-001")]


# ---------------------------------------------------------------- the file of lots
def test_the_file_of_lots_is_chosen_from_a_menu(opened: Opened) -> None:
    files = [{"name": "files/a b.gpkg", "about": "<40> polygons", "used": False},
             {"name": "files/z.gpkg", "about": "16 polygons", "used": False}]
    recognised(opened, lots_files=files)
    text = opened.page("/areas/town")
    menu_of = text[text.index('id="lots-file"'):].split("</select>")[0]
    assert [part.split("</option>")[0] for part in menu_of.split("<option")[1:]] == [
        ' value="">choose a file', ' value="files/a b.gpkg">files/a b.gpkg: <40> polygons',
        ' value="files/z.gpkg">files/z.gpkg: 16 polygons']
    task, given, job = opened.post("/areas/town/lots", lots="files/a b.gpkg")
    assert (task, given["lots"]) == ("new", "files/a b.gpkg")
    assert job.command.endswith("riskmap new files --into . --replace --lots 'files/a b.gpkg'")
    recognised(opened, lots_files=[{**files[0], "used": True}, files[1]], given_lots="files/a b.gpkg")
    assert "choose a file" not in opened.page("/areas/town")
    _, given, _ = opened.post("/areas/town/columns", **menu("-"))
    assert given["lots"] == "files/a b.gpkg"  # what else is said does not take it back
    for wrong in ("", "files/none.gpkg", "../../area.toml"):
        answer = opened.browser.post("/areas/town/lots", headers=FROM_HERE, data={
            "token": opened.window.secret.token, "lots": wrong})
        assert (answer.status_code, "E-WIN-026" in answer.text) == (400, True), wrong


# ---------------------------------------------------------------- the coordinate system of the lots
def test_the_coordinate_system_is_chosen_from_a_menu_without_a_default(opened: Opened) -> None:
    systems = [{"code": "EPSG:26914", "about": "UTM zone 14N, metres", "used": False}]
    recognised(opened, systems=systems)
    text = opened.page("/areas/town")
    menu_of = text[text.index('id="system"'):].split("</select>")[0]
    assert [part.split("</option>")[0] for part in menu_of.split("<option")[1:]] == [
        ' value="">choose a system', ' value="EPSG:26914">EPSG:26914: UTM zone 14N, metres']
    task, given, job = opened.post("/areas/town/system", crs="EPSG:26914")
    assert (task, given["crs"]) == ("new", "EPSG:26914")
    assert job.command.endswith("riskmap new files --into . --replace --crs EPSG:26914")
    recognised(opened, systems=[{**systems[0], "used": True}], given_crs="EPSG:26914")
    assert "choose a system" not in opened.page("/areas/town")
    _, given, _ = opened.post("/areas/town/columns", **menu("-"))
    assert given["crs"] == "EPSG:26914"
    answer = opened.browser.post("/areas/town/system", headers=FROM_HERE, data={
        "token": opened.window.secret.token, "crs": "EPSG:4326"})
    assert (answer.status_code, "E-WIN-027" in answer.text) == (400, True)


# ---------------------------------------------------------------- the cell of the weather
CELLS = [{"key": "cell", "name": "Z02", "about": "37.90 N, 98.60 W", "away_km": 11.6},
         {"key": "cell", "name": "Z<1", "about": "", "away_km": None}]


def test_the_cell_of_the_weather_is_chosen_from_a_menu_without_a_default(opened: Opened) -> None:
    recognised(opened)
    assert "cell of the weather" not in opened.page("/areas/town")
    recognised(opened, cells=CELLS)
    text = opened.page("/areas/town")
    menu = text[text.index('id="weather-cell"'):].split("</select>")[0]
    assert [part.split("</option>")[0] for part in menu.split("<option")[1:]] == [
        ' value="">choose a cell', ' value="Z02">Z02: 37.90 N, 98.60 W, 12 km from the lots', ' value="Z<1">Z<1']
    task, given, job = opened.post("/areas/town/cell", cell="Z<1")
    assert (task, given["cells"]) == ("new", ["Z<1"])
    assert job.command.endswith("riskmap new files --into . --replace --cell 'Z<1'")


@pytest.mark.parametrize("cell", ["", "Z01", "..", "Z02 "])
def test_only_a_cell_of_the_menu_is_taken(cell: str, opened: Opened) -> None:
    recognised(opened, cells=CELLS)
    answer = opened.browser.post("/areas/town/cell", headers=FROM_HERE, data={
        "token": opened.window.secret.token, "cell": cell})
    assert (answer.status_code, "E-WIN-025" in answer.text) == (400, True)


def test_the_cell_that_was_said_stays_and_can_be_changed(opened: Opened) -> None:
    line = {"section": "climate", "key": "cell", "value": '"Z02"', "reason": "as you said", "sure": True,
            "written": True}
    recognised(opened, cells=CELLS, given_cells=["Z02"], guesses=[guess("lot_id", "PARCEL"), line])
    assert '<option value="Z02" selected>' in opened.page("/areas/town")
    assert "choose a cell" not in opened.page("/areas/town")
    _, given, job = opened.post("/areas/town/columns", **menu("-"))
    assert given["cells"] == ["Z02"]  # what else is said does not take it back
    assert "--column lot_id= --cell Z02" in job.command
    _, given, _ = opened.post("/areas/town/cell", cell="Z<1")
    assert given["cells"] == ["Z<1"]


# ---------------------------------------------------------------- the way back from an error
def test_after_an_error_the_way_back_leads_to_what_was_entered(opened: Opened) -> None:
    _, _, job = opened.post("/areas/town/house", "/areas/town/house?lot=1", **{
        name: "1" for name in ("first-point", "first-x", "first-y", "first-elevation")})
    job.state, job.message = "unfinished", "E-SUR-001 too few points"
    assert 'href="/areas/town/house#kept"' in opened.page(f"/jobs/{job.key}")
    refused = opened.browser.post("/areas/town/house", headers=FROM_HERE | {"Referer": f"{HERE}/areas/town/house"},
                                  data={"token": opened.window.secret.token})
    assert refused.status_code == 400
    assert 'href="/areas/town/house#kept"' in refused.text
    assert "data-keep" in opened.page("/areas/town/house")


@pytest.mark.parametrize("referer", ["https://example.org//evil", "javascript:alert(1)", "//example.org/x", "", "http://[",
                                     "data:text/html,x"])
def test_the_way_back_never_leads_out(referer: str, opened: Opened) -> None:
    answer = opened.browser.get("/areas/none", headers={"Referer": referer})
    assert answer.status_code == 404
    links = [part.split('"')[0] for part in answer.text.split('<main')[1].split('href="')[1:]]
    assert all(link.startswith("/") and not link.startswith("//") for link in links), links


# ---------------------------------------------------------------- answered lists
def answered(opened: Opened, *rows: dict[str, Any]) -> str:
    """Have a list with an answer in the area, and return the name of the answer."""
    (opened.folder / "lists").mkdir()
    (opened.folder / "lists" / "buyers.csv").write_text("x\n", encoding="utf-8")
    (opened.folder / OUTPUTS / "run-1").mkdir()
    (made := opened.folder / OUTPUTS / "screen-1").mkdir()
    told = {"list": "buyers.csv", "run": "run-1", "columns": {"lot_id": "parcel no"},
            "counts": {"rows": 3, "ambiguous": 1}, "cautions": ["Use it to look closer."],
            "notes": ["W-SCR-067 two lots"], "open_count": len(rows), "open_rows": list(rows)}
    (made / "screened.json").write_text(json.dumps(told), encoding="utf-8")
    (made / "screened.html").write_text("x", encoding="utf-8")
    return "screen-1"


def open_row(row: int, status: str, *candidates: str, chosen: str = "") -> dict[str, Any]:
    return {"row": row, "listed_as": f"<b>{row}", "status": status, "note": "why", "candidates": list(candidates),
            "chosen_lot_id": chosen}


def test_an_answered_list_begins_with_the_cautions_and_offers_the_candidates(opened: Opened) -> None:
    name = answered(opened, open_row(3, "ambiguous", "A1", "A2"), open_row(4, "unmatched"))
    text = opened.page(f"/areas/town/runs/{name}")
    assert text.index("Use it to look closer.") < text.index("screened.html") < text.index("Files")
    assert "buyers.csv" in text
    row = text[text.index('name="lot-3"'):text.index('name="lot-4"')]
    assert [part.split("</option>")[0] for part in row.split("<option")[1:]] == [' value="">no lot', ">A1", ">A2"]
    assert "more than one lot fits" in text
    assert "&lt;b&gt;3" in opened.browser.get(f"/areas/town/runs/{name}").text


def test_lots_that_are_chosen_are_given_to_the_next_screening(opened: Opened) -> None:
    name = answered(opened, open_row(3, "ambiguous", "A1", "A2"), open_row(4, "unmatched"),
                    open_row(5, "matched", chosen="B7"), open_row(6, "matched", "C1", "C2", chosen="C2"))
    task, given, job = opened.post(f"/areas/town/runs/{name}/choices", **{
        "lot-3": "A2", "lot-4": " ", "lot-6": "", "lot-99": "X"})
    assert task == "screen"
    assert given["chosen"] == [(3, "<b>3", "A2"), (5, "<b>5", "B7")]  # row 5 was not on the page; row 6 is open again
    assert given["columns"] == {"lot_id": "parcel no"}
    assert Path(given["listing"]) == opened.folder / "lists" / "buyers.csv"
    assert Path(given["choices"]) == opened.folder / "lists" / "buyers-choices.csv"
    assert "riskmap screen run-1 lists/buyers.csv --column 'lot_id=parcel no' --choices lists/buyers-choices.csv" \
        in job.command
    Path(given["choices"]).write_text("x", encoding="utf-8")
    _, given, _ = opened.post(f"/areas/town/runs/{name}/choices", **{"lot-3": "A2"})
    assert Path(given["choices"]).name == "buyers-choices-2.csv"


def test_no_choice_where_the_list_is_gone(opened: Opened) -> None:
    name = answered(opened, open_row(3, "ambiguous", "A1"))
    (opened.folder / "lists" / "buyers.csv").unlink()
    assert "lot-3" not in opened.page(f"/areas/town/runs/{name}")
    answer = opened.browser.post(f"/areas/town/runs/{name}/choices", headers=FROM_HERE,
                                 data={"token": opened.window.secret.token})
    assert (answer.status_code, "E-WIN-021" in answer.text) == (404, True)


def test_a_damaged_answer_is_still_offered_as_files(opened: Opened) -> None:
    name = answered(opened)
    (opened.folder / OUTPUTS / name / "screened.json").write_text("{", encoding="utf-8")
    assert "screened.html" in opened.page(f"/areas/town/runs/{name}")


def test_the_page_of_lists_begins_with_the_caution(opened: Opened) -> None:
    text = opened.page("/areas/town/lists")
    assert 0 < text.index("Use this list only to decide") < text.index("Give a list")


# ---------------------------------------------------------------- columns of a list
FOUND = {"rows": 3, "addresses": False, "columns": [
    {"name": "No.", "values": ["7"], "means": "lot_id", "ids": 0},
    {"name": "Our ref", "values": ["0010021", "<b>"], "means": "", "ids": 3},
    {"name": "lon", "values": [], "means": "lon", "ids": 0}]}


def a_list(opened: Opened) -> str:
    """Have a list with an answer, and say what is in the list; return the address of its columns."""
    answered(opened)
    opened.desk.answers["list_columns"] = FOUND
    return "/areas/town/lists/buyers.csv"


def test_the_columns_of_a_list_have_the_menus_of_the_lot_file(opened: Opened) -> None:
    text = opened.page(f"{a_list(opened)}?run=run-1")
    row = text[text.index('name="means-1"'):text.index('name="means-2"')]
    assert [part.split("</option>")[0].split('"')[1] for part in row.split("<option")[1:]] == [
        "-", "lot_id", "lon", "lat", "geometry"]  # the run has no addresses to compare with
    assert 'aria-label="Our ref is"' in text
    assert "This run has no addresses" in text.replace("\n", " ")
    assert '<option value="lot_id" selected>' in text[:text.index('name="means-1"')]
    assert "&lt;b&gt;" in opened.browser.get("/areas/town/lists/buyers.csv?run=run-1").text
    assert "riskmap screen run-1 lists/buyers.csv" in text
    opened.desk.answers["list_columns"] = {**FOUND, "addresses": True}
    assert '<option value="address">' in opened.page("/areas/town/lists/buyers.csv?run=run-1")


@pytest.mark.parametrize(("chosen", "named", "words"), [
    (("lot_id", "-", "lon"), {}, ""),
    (("lot_id", "lot_id", "lon"), {"lot_id": "Our ref"}, " --column 'lot_id=Our ref'"),
    (("-", "lot_id", "-"), {"lon": "", "lot_id": "Our ref"}, " --column 'lot_id=Our ref' --column lon="),
    (("-", "-", "lon"), {"lot_id": ""}, " --column lot_id=")])
def test_a_list_is_answered_again_with_the_columns_that_were_said(chosen: tuple[str, ...], named: dict[str, str],
                                                                  words: str, opened: Opened) -> None:
    fields = {"column": [one["name"] for one in FOUND["columns"]], "run": "run-1", "answer": "",
              **{f"means-{k}": one for k, one in enumerate(chosen)}}
    task, given, job = opened.post(a_list(opened), **fields)
    assert (task, given["columns"]) == ("screen", named)
    assert (Path(given["listing"]).name, Path(given["run"]).name) == ("buyers.csv", "run-1")
    assert job.command.endswith(f"riskmap screen run-1 lists/buyers.csv{words}")


def test_what_was_said_of_a_list_before_stays(opened: Opened) -> None:
    where = a_list(opened)
    assert f'{where}?run=run-1&answer=screen-1"' in opened.page("/areas/town/runs/screen-1")
    assert "--column 'lot_id=parcel no'" in opened.page(f"{where}?run=run-1&answer=screen-1")
    fields = {"column": ["lon"], "means-0": "lat", "run": "run-1", "answer": "screen-1"}
    _, given, _ = opened.post(where, **fields)
    assert given["columns"] == {"lot_id": "parcel no", "lat": "lon"}


def test_two_columns_cannot_be_the_same(opened: Opened) -> None:
    for where, column in ((a_list(opened), ["Our ref", "lon"]), ("/areas/town/columns", ["YEAR", "ZONE"])):
        recognised(opened)
        answer = opened.browser.post(where, headers=FROM_HERE, data={
            "token": opened.window.secret.token, "run": "run-1", "column": column, "means-0": "lot_id",
            "means-1": "lot_id"})
        assert answer.status_code == 400
        assert f"E-WIN-024 {', '.join(column)}: more than one column" in unescape(answer.text)


def test_a_list_that_was_not_answered_leads_to_its_columns(opened: Opened) -> None:
    where = a_list(opened)
    _, _, job = opened.post(where, run="run-1", answer="")
    assert 'hidden>Say what the columns of the list are</a>' in opened.page(f"/jobs/{job.key}")  # it is still at work
    job.state, job.message = "unfinished", "E-SCR-010 no column lot_id"
    assert f'href="{where}?run=run-1#kept">Say what the columns of the list are</a>' in opened.page(f"/jobs/{job.key}")


@pytest.mark.parametrize("path", ["buyers.csv?run=..", "buyers.csv?run=", "buyers.csv", "none.csv?run=run-1",
                                  "buyers.csv?run=run-1&answer=..", "%2e%2e?run=run-1"])
def test_no_text_of_an_address_leads_to_another_list(path: str, opened: Opened) -> None:
    a_list(opened)
    assert opened.browser.get(f"/areas/town/lists/{path}").status_code == 404


# ---------------------------------------------------------------- new drought data
def a_run(opened: Opened, monkeypatch: pytest.MonkeyPatch, newest_map: str) -> None:
    from riskmap import api

    run = api.FinishedRun("run-1", "Town", "2025-10", "2026-01-01", 9, 8, "Newest data: 2025-10", newest_map)
    monkeypatch.setattr(api, "finished_runs", lambda outputs: [run])


def test_newer_maps_are_asked_for_only_when_the_button_is_pressed(opened: Opened,
                                                                  monkeypatch: pytest.MonkeyPatch) -> None:
    a_run(opened, monkeypatch, "2025-10-28")
    recognised(opened, given={"land_use": "ZONE"})
    for path in ("/", "/areas/town"):
        opened.page(path)
    assert opened.desk.asked == []
    assert 'action="/areas/town/newer"' in opened.page("/")
    task, given, job = opened.post("/areas/town/newer", "/")
    assert (task, given["since"]) == ("newer", "2025-10-28")
    assert Path(given["into"]) == opened.folder / FILES / "drought_weeks"
    assert given["again"]["columns"] == {"land_use": "ZONE"}  # what was said of the columns before
    assert given["again"]["fetch"] is False
    first, second = job.command.splitlines()[1:]
    assert first.startswith("riskmap fetch drought --from 2025-10-29 --to ")
    assert first.endswith("--into files/drought_weeks")
    assert second == "riskmap new files --into . --replace --column land_use=ZONE"
    assert job.back == "/"


def test_maps_that_were_fetched_are_fetched_again_with_all(opened: Opened, monkeypatch: pytest.MonkeyPatch) -> None:
    a_run(opened, monkeypatch, "2025-10-28")
    maps = {**guess("path", "fetched/drought"), "section": "drought"}
    recognised(opened, guesses=[maps], fetched=["weekly drought maps: 260"])
    task, given, _ = opened.post("/areas/town/newer")
    assert (task, given["fetch"], given["offline"]) == ("new", True, False)


def test_what_the_service_answered_is_shown_until_the_next_run(opened: Opened, monkeypatch: pytest.MonkeyPatch) -> None:
    a_run(opened, monkeypatch, "2025-10-28")
    told = {"said": ["No weekly drought map after 2025-10-28 is published yet."], "asked": "2025-11-01", "came": False,
            "run": "run-1"}
    (opened.folder / ".newer.json").write_text(json.dumps(told), encoding="utf-8")
    for path in ("/", "/areas/town"):
        assert "No weekly drought map after 2025-10-28 is published yet. (asked on 2025-11-01)" in opened.page(path)
    (opened.folder / ".newer.json").write_text(json.dumps({**told, "run": "another"}), encoding="utf-8")
    for path in ("/", "/areas/town"):
        assert "is published yet" not in opened.page(path)


def test_without_weekly_maps_there_is_nothing_to_ask_for(opened: Opened, monkeypatch: pytest.MonkeyPatch) -> None:
    a_run(opened, monkeypatch, "")
    assert "/newer" not in opened.page("/")
    answer = opened.browser.post("/areas/town/newer", headers=FROM_HERE, data={"token": opened.window.secret.token})
    assert (answer.status_code, "E-WIN-022" in answer.text) == (409, True)


# ---------------------------------------------------------------- calibration
def calibrated(opened: Opened, monkeypatch: pytest.MonkeyPatch, **on: bool) -> None:
    """Have calibrations in the area, and say which of them the surveys allow."""
    from riskmap import api

    for name in on:
        (made := opened.folder / OUTPUTS / name.replace("_", "-")).mkdir()
        for file in ("calibration.json", "calibration.html"):
            (made / file).write_text("{}", encoding="utf-8")

    def said(path: Path) -> api.CalibrationSaid:
        yes = on[path.parent.name.replace("-", "_")]
        line = "Houses bend more." if yes else "It is off. There are too few houses."
        return api.CalibrationSaid(yes, (line,), "Town", "2025-10", 40 if yes else 2)

    monkeypatch.setattr(api, "calibration_said", said)
    a_run(opened, monkeypatch, "")


def test_a_calibration_is_switched_on_and_off_and_used_by_what_follows(opened: Opened,
                                                                       monkeypatch: pytest.MonkeyPatch) -> None:
    calibrated(opened, monkeypatch, good_1=True)
    text = opened.page("/areas/town/surveys")
    assert "Houses bend more." in text
    assert "/areas/town/runs/good-1/show/calibration.html" in text  # its card, with its chart
    assert "Calibration is on" not in text

    def press(name: str) -> None:
        answer = opened.browser.post("/areas/town/calibration", headers=FROM_HERE,
                                     data={"token": opened.window.secret.token, "name": name})
        assert (answer.status_code, answer.headers["location"]) == (303, "/areas/town/surveys")

    press("good-1")
    for path in ("/areas/town", "/areas/town/lists", "/areas/town/surveys"):
        assert "Calibration is on:\xa0<a" in opened.page(path), path
    _, given, job = opened.post("/areas/town/estimate")
    assert Path(given["calibration"]) == opened.folder / OUTPUTS / "good-1" / "calibration.json"
    assert job.command.endswith("riskmap estimate area.toml --calibration outputs/good-1/calibration.json")
    (opened.folder / OUTPUTS / "run-1").mkdir()
    _, given, _ = opened.post("/areas/town/runs/run-1/brief", lot="A")
    assert "calibration" in given
    press("")
    assert "Calibration is on" not in opened.page("/areas/town")
    _, given, job = opened.post("/areas/town/estimate")
    assert "calibration" not in given
    assert "--calibration" not in job.command


def test_a_calibration_that_the_surveys_do_not_allow_stays_off_and_says_why(opened: Opened,
                                                                           monkeypatch: pytest.MonkeyPatch) -> None:
    calibrated(opened, monkeypatch, few_1=False)
    text = opened.page("/areas/town/surveys")
    assert 'aria-label="Switch few-1 on" disabled' in text
    assert "It is off. There are too few houses." in text
    answer = opened.browser.post("/areas/town/calibration", headers=FROM_HERE,
                                 data={"token": opened.window.secret.token, "name": "few-1"})
    assert answer.status_code == 409
    assert "There are too few houses." in answer.text
    assert "Calibration is on" not in opened.page("/areas/town")


@pytest.mark.parametrize("name", ["..", "../../..", "latest", "none", ".hidden", "x/../y"])
def test_no_text_of_a_form_leads_to_another_calibration(name: str, opened: Opened,
                                                        monkeypatch: pytest.MonkeyPatch) -> None:
    calibrated(opened, monkeypatch, good_1=True)
    answer = opened.browser.post("/areas/town/calibration", headers=FROM_HERE,
                                 data={"token": opened.window.secret.token, "name": name})
    assert answer.status_code == 404
    (opened.folder / ".calibration").write_text(name, encoding="utf-8")  # nor a text in the file
    assert "Calibration is on" not in opened.page("/areas/town")


def test_a_calibration_whose_folder_is_gone_is_off(opened: Opened, monkeypatch: pytest.MonkeyPatch) -> None:
    calibrated(opened, monkeypatch, good_1=True)
    (opened.folder / ".calibration").write_text("good-1", encoding="utf-8")
    assert "Calibration is on" in opened.page("/areas/town")
    (opened.folder / OUTPUTS / "good-1" / "calibration.json").unlink()
    assert "Calibration is on" not in opened.page("/areas/town")
    _, given, _ = opened.post("/areas/town/estimate")
    assert "calibration" not in given
