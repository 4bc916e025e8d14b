"""What each page asks of the API and what it shows. The work itself has tests of its own."""

from __future__ import annotations

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
