"""`riskmap map`: where it writes, what it refuses, and that the run itself stays as it is."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from finished_runs import finished
from invented_results import ROW_OF_STATE, results

from riskmap.answers import compare, exchanged
from riskmap.cli.main import cli
from riskmap.common.errors import RiskmapError
from riskmap.run import folder as run_folder


def a_run(parent: Path, shift: float = 0.0) -> Path:
    found = results()
    for part in ("", "_p10", "_p90"):
        found.lots[f"expected_movement_mm{part}"] += shift
    return finished(parent, found, name=found.area_name)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    parent = tmp_path_factory.mktemp("outputs")
    a_run(parent)
    a_run(parent, 3.0)
    return parent


def command(place: Path, *words: str) -> Result:
    return CliRunner().invoke(cli, ["map", *words, "--outputs", str(place)])


def contents(folder: Path) -> dict[str, str]:
    return {p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
            for p in sorted(folder.rglob("*")) if p.is_file()}


def test_the_run_stays_as_it_is_and_latest_still_names_it(place: Path) -> None:
    run = run_folder.latest(place)
    before = contents(run)
    for words in ([], ["--tiles"], ["--tiles", "--units", "si"]):
        result = command(place, "latest", *words)
        assert result.exit_code == 0, result.output
        paths = [Path(line) for line in result.stdout.split()]
        assert [p.name for p in paths] == (["county.html", "county.pmtiles"] if words else ["map.html"])
        assert all(p.is_file() and p.parent.parent == place for p in paths)
        assert sorted(p.name for p in paths[0].parent.iterdir()) == sorted(p.name for p in paths)
    assert contents(run) == before
    assert run_folder.latest(place) == run


def test_the_one_file_map_written_again_is_the_same(place: Path) -> None:
    run = run_folder.latest(place)
    result = command(place, str(run))
    assert Path(result.stdout.strip()).stat().st_size == pytest.approx((run / "map.html").stat().st_size, rel=0.01)


def test_into_a_named_folder(place: Path, tmp_path: Path) -> None:
    words = ("latest", "--tiles", "--into", str(tmp_path / "new" / "maps"))
    result = command(place, *words)
    assert result.exit_code == 0
    assert sorted(p.name for p in (tmp_path / "new" / "maps").iterdir()) == ["county.html", "county.pmtiles"]
    assert [p.name for p in (tmp_path / "new").iterdir()] == ["maps"]
    assert "E-RUN-017" in str(command(place, *words).exception)  # never over what is there


def test_not_into_the_run(place: Path) -> None:
    run = run_folder.latest(place)
    for inside in (run, run / "more", run / ".." / run.name):
        result = command(place, "latest", "--into", str(inside))
        assert isinstance(result.exception, RiskmapError)
        assert "E-RUN-015" in str(result.exception)


@pytest.mark.parametrize("words", [["nothing"], ["latest", "--against", "nothing"]])
def test_no_such_run(place: Path, words: list[str]) -> None:
    assert "E-RUN-014" in str(command(place, *words).exception)


def test_a_folder_that_is_no_run(place: Path, tmp_path: Path) -> None:
    (tmp_path / "lots.csv").write_text("x")
    for more in ([], ["--serve"]):
        result = command(place, str(tmp_path), *more)
        assert isinstance(result.exception, RiskmapError)
        assert "E-RUN-010" in str(result.exception)


@pytest.mark.parametrize("words", [
    ["--basemap", "https://tiles.invalid/{z}/{x}/{y}.png"], ["--attribution", "x"], ["--port", "8000"],
    ["--basemap", "http://tiles.invalid/{z}/{x}/{y}.png", "--attribution", "x"],
    ["--basemap", "https://tiles.invalid/{z}/{x}.png", "--attribution", "x"],
    ["--basemap", "https://a;script-src *{z}{x}{y}", "--attribution", "x"], ["--port", "70000", "--serve"]])
def test_words_that_do_not_go_together(place: Path, words: list[str]) -> None:
    before = sorted(place.iterdir())
    result = command(place, "latest", *words)
    assert result.exit_code == 2
    assert sorted(place.iterdir()) == before


@pytest.mark.parametrize("tiles", [[], ["--tiles"]])
def test_a_base_map_adds_its_host_and_nothing_else(place: Path, tiles: list[str]) -> None:
    url = "https://tiles.invalid/{z}/{x}/{y}.png"
    result = command(place, "latest", *tiles, "--basemap", url, "--attribution", "me")
    policy = Path(result.stdout.split()[0]).read_text(encoding="utf-8").split('Content-Security-Policy" content="')[1]
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split('"')[0].split(";"))
    assert rules["img-src"] == "data: https://tiles.invalid"
    assert "tiles.invalid" not in "".join(value for name, value in rules.items() if name != "img-src")


def test_change_against_another_run(place: Path) -> None:
    from riskmap.run import record

    older = next(p for p in sorted(place.iterdir()) if p.is_dir() and (p / "record").is_dir())
    since = compare.since(record.read(run_folder.latest(place)), record.read(older))
    change = since.lots["change_of_expected_mm"]
    known = change.notna().to_numpy()
    assert known.sum() == 60 - len(ROW_OF_STATE)
    assert change[known].to_numpy() == pytest.approx(3.0)
    assert (since.lots.loc[known, "change_of_now_mm"] == 0).all()
    assert since.lots.loc[~known, "change_of_now_mm"].isna().all()
    assert since.scales()["change"].title == "Change now since the other run", "both are of one month"
    for words in ([], ["--tiles"]):
        assert command(place, "latest", *words, "--against", older.name).exit_code == 0


def test_a_change_names_what_the_runs_differ_in() -> None:
    from dataclasses import replace

    before = replace(results(), facts={"code": "a", "input_sha256": {"soil": ["1"], "climate": ["2"], "lots": ["3"]}})
    assert exchanged.what_differs(before, before) == []
    assert compare.since(before, before).about()["why"] == ""
    weather = replace(before, facts={**before.facts, "input_sha256": {"soil": ["1"], "climate": ["9"], "lots": ["3"]}})
    assert exchanged.what_differs(before, weather) == ["weather"]
    assert compare.since(weather, before).about()["why"] == "Cause: new months of weather, and time passing."
    later = replace(before, today="2025-11")
    assert exchanged.what_differs(before, later) == ["weather"]
    more = replace(weather, facts={**weather.facts, "code": "b", "calibration": {"factor": 1.4}})
    assert exchanged.what_differs(before, more) == ["code", "weather", "calibration"]
    why = compare.since(more, before).about()["why"]
    assert why.startswith("Causes: another version of the calculation; new months of weather")
    assert why.endswith("riskmap compare says how much of the change each made.")
    fewer = replace(before, facts={"code": "a", "input_sha256": {"climate": ["2"], "lots": ["3"]}})
    assert exchanged.what_differs(before, fewer) == ["soil"]


def test_repeated_ids_meet_in_their_order(place: Path, tmp_path: Path) -> None:
    from dataclasses import replace

    from riskmap.run import record

    found = results()
    found.lots.loc[40:42, "lot_id"] = "twice"
    run = finished(tmp_path, found)
    before = record.read(run).lots["expected_movement_mm"]
    now = replace(found, lots=found.lots.iloc[[41, 40, 42, 3]].reset_index(drop=True))
    change = compare.since(now, record.read(run)).lots["change_of_expected_mm"]
    wanted = [before[41] - before[40], before[40] - before[41], 0.0, 0.0]
    assert change.to_numpy() == pytest.approx(wanted, abs=0.06)


def test_the_county_page_names_its_own_scripts_only(place: Path) -> None:
    import base64
    import re

    page = Path(command(place, "latest", "--tiles").stdout.split()[0]).read_text(encoding="utf-8")
    policy = re.search(r'http-equiv="Content-Security-Policy" content="([^"]*)"', page)
    rules = dict(rule.strip().split(" ", 1) for rule in policy.group(1).split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["connect-src"] == "'self'"
    scripts = re.findall(r"<script>(.*?)</script>", page, flags=re.S)
    hashes = {f"'sha256-{base64.b64encode(hashlib.sha256(s.encode()).digest()).decode()}'" for s in scripts}
    assert set(rules["script-src"].split()) == hashes
    assert not re.search(r"@import|url\((?!#|data:font/woff2;base64,)|sourceMappingURL", page)
    outside = page.split("<script>")[0].replace('<link rel="icon" href="data:,">', "")
    assert not re.search(r"<(script|img|iframe|object|embed|link)\b[^>]*\b(src|href)\s*=", outside)
    assert page.count("<title>") == 1
    assert "{{31337*94011}}" not in re.sub(r"<title>.*?</title>", "", page)
    assert len(page) < 360_000  # the two fonts are 45 kB of them, figures of lot and area 20


def test_own_scripts_make_nodes_from_text_only() -> None:
    from riskmap.outputs.map import page_build

    names = [one.name for one in page_build.modules("county/main.js")]
    assert {"shared/page.js", "shared/lot.js", "county/archive.js", "county/panel.js"} <= set(names)
    for name in names:
        script = page_build.asset(name)
        for way in ("innerHTML", "outerHTML", "insertAdjacentHTML", "document.write", "eval(", "Function(", "bindPopup",
                    "bindTooltip", "DOMParser", "createContextualFragment", "XMLHttpRequest", "console."):
            assert way not in script, (name, way)
