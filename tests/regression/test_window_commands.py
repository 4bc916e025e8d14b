"""What a click makes, the command on its page makes again: the same bytes, in a shell, in a copy of the area."""

from __future__ import annotations

import html
import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import psutil
import pytest
from window_client import Client, window
from window_delivery import Delivery, small
from window_hands import resting

from riskmap.run import manifest, store
from riskmap.window.areas import AREA_FILE, OUTPUTS

pytestmark = pytest.mark.slow
COMMAND = re.compile(r'<pre id="command"[^>]*>(.*?)</pre>', re.DOTALL)
# of a manifest: when, where and how fast; everything else has to be the same
MOMENTS = {"written_utc", "sha256", "stage_seconds", "seconds", "unit_draws_per_s", "folder"}


@dataclass
class Area:
    """An area in a window, and the command of each page.

    Attributes
    ----------
    client : Client
    process : Process
    folder : Path
    """

    client: Client
    process: psutil.Process
    folder: Path

    def job(self, answer: tuple[int, str]) -> str:
        """Return the last page of a job that was begun; it must not be a refusal."""
        assert answer[0] == 200, answer
        text = self.client.ended(self.client.job(answer[1]))
        assert "It did not work." not in text, text
        return text

    def newest(self, beginning: str) -> str:
        """Return the name of the newest folder of outputs that begins so."""
        found = [path for path in (self.folder / OUTPUTS).iterdir() if path.name.startswith(beginning)]
        return max(found, key=lambda path: path.stat().st_mtime_ns).name


def command_of(text: str) -> str:
    """Return the command that a page shows."""
    found = COMMAND.search(text)
    assert found, text
    return html.unescape(found[1])


def in_a_shell(area: Area, command: str, without: str, tmp_path: Path) -> Path:
    """Run a command of a page in a copy of the area's folder that lacks one folder of outputs; return the copy."""
    copy = tmp_path / "copy"
    shutil.copytree(area.folder, copy)
    if without:
        shutil.rmtree(copy / OUTPUTS / without)
        shutil.rmtree(copy / OUTPUTS / store.FOLDER)  # nothing is taken from the work of the window
    first, rest = command.split("\n", 1)
    assert first == f"cd {shlex.quote(area.folder.as_posix())}"
    script = (f'riskmap() {{ {shlex.quote(sys.executable)} -m riskmap "$@"; }}\n'
              f"cd {shlex.quote(copy.as_posix())} || exit 99\n{{ {rest}\n}} > printed\n")
    done = subprocess.run(["/bin/sh", "-c", script], capture_output=True, text=True, check=False,
                          env={**os.environ, "COLUMNS": "80"})
    assert done.returncode in (0, 1), (rest, done.stdout, done.stderr)  # 1: some lots have a state
    return copy


def the_new_one(area: Area, copy: Path) -> Path:
    """Return the one folder of outputs in a copy that the area does not have: its name has another moment."""
    there = {path.name for path in (area.folder / OUTPUTS).iterdir()}
    new = [path for path in (copy / OUTPUTS).iterdir() if path.name not in there]
    assert len(new) == 1, new
    return new[0]


def stripped(told: Any) -> Any:
    """Return a manifest without its moments."""
    if isinstance(told, dict):
        return {key: stripped(value) for key, value in told.items() if key not in MOMENTS}
    return [stripped(one) for one in told] if isinstance(told, list) else told


def same_bytes(ours: Path, theirs: Path) -> list[str]:
    """Compare two folders of outputs file by file, the manifests without their moments; return the names."""
    names = sorted(path.relative_to(ours).as_posix() for path in ours.rglob("*") if path.is_file())
    assert names == sorted(path.relative_to(theirs).as_posix() for path in theirs.rglob("*") if path.is_file())
    for name in names:
        if Path(name).name == manifest.NAME:
            told = [stripped(json.loads((place / name).read_text(encoding="utf-8"))) for place in (ours, theirs)]
            assert told[0] == told[1], name
        else:
            assert (ours / name).read_bytes() == (theirs / name).read_bytes(), name
    return names


@pytest.fixture(scope="module")
def delivery(example: Path, tmp_path_factory: pytest.TempPathFactory) -> Delivery:
    return small(example, tmp_path_factory.mktemp("delivery"))


@pytest.fixture(scope="module", params=["si"])  # us, the default, is the same without the option
def area(request: pytest.FixtureRequest, delivery: Delivery,
         tmp_path_factory: pytest.TempPathFactory) -> Iterator[Area]:
    """An area with two runs, made by clicks; its window shows feet or metres."""
    root = tmp_path_factory.mktemp("window") / "areas"
    with window(root, "--units", request.param) as (client, running):
        area = Area(client, psutil.Process(running.pid), root / "area")
        area.job(client.give("/areas", *delivery.given))
        area.job(client.send("/areas/area/estimate"))
        area.job(client.give("/areas/area/files", delivery.newer))
        yield area


def made_by(area: Area, send: Callable[[], tuple[int, str]], beginning: str) -> tuple[Path, str]:
    """Do a job and return what it made, and the command that the page of it shows."""
    area.job(send())
    name = area.newest(beginning)
    return area.folder / OUTPUTS / name, command_of(area.client.get(f"/areas/area/runs/{name}"))


def test_an_estimate(area: Area, tmp_path: Path) -> None:
    made, command = made_by(area, lambda: area.client.send("/areas/area/estimate"), "lots_2025-08")
    again = the_new_one(area, in_a_shell(area, command, made.name, tmp_path))
    assert {"lots.csv", "lots.parquet", "map.html"} <= set(same_bytes(made, again))


def test_a_brief(area: Area, delivery: Delivery, tmp_path: Path) -> None:
    run = area.newest("lots_")
    lots = [delivery.ids[3], delivery.ids[0]]
    made, command = made_by(area, lambda: area.client.send(f"/areas/area/runs/{run}/brief", lot=lots), "brief-")
    again = the_new_one(area, in_a_shell(area, command, made.name, tmp_path))
    assert "lots.pdf" in same_bytes(made, again)


def test_a_list(area: Area, delivery: Delivery, tmp_path: Path) -> None:
    run = area.newest("lots_")
    made, command = made_by(area, lambda: area.client.give("/areas/area/lists", delivery.listing, run=run), "screen-")
    again = the_new_one(area, in_a_shell(area, command, made.name, tmp_path))
    assert {"screened.csv", "screened.xlsx"} <= set(same_bytes(made, again))


def test_a_list_with_columns_that_were_said(area: Area, delivery: Delivery, tmp_path: Path) -> None:
    run = area.newest("lots_")
    listing = tmp_path / "for_sale_2.csv"
    listing.write_text(f"lot_id,Our ref\n7,{delivery.ids[1]}\n8,9999999\n", encoding="utf-8")
    area.job(area.client.give("/areas/area/lists", listing, run=run))
    form: dict[str, str | list[str]] = {"run": run, "answer": area.newest("screen-"), "column": ["lot_id", "Our ref"],
                                        "means-0": "-", "means-1": "lot_id"}
    made, command = made_by(area, lambda: area.client.send("/areas/area/lists/for_sale_2.csv", **form), "screen-")
    assert "--column 'lot_id=Our ref'" in command
    again = the_new_one(area, in_a_shell(area, command, made.name, tmp_path))
    assert "screened.csv" in same_bytes(made, again)
    assert delivery.ids[1] in (made / "choices.csv").read_text(encoding="utf-8") + (
        made / "screened.csv").read_text(encoding="utf-8-sig")


def test_a_comparison(area: Area, tmp_path: Path) -> None:
    runs = sorted(path.name for path in (area.folder / OUTPUTS).glob("lots_*"))
    if not any("2025-06" in run for run in runs):
        raise AssertionError(runs)
    before, after = runs[0], runs[-1]
    made, command = made_by(area, lambda: area.client.send(f"/areas/area/runs/{after}/compare", before=before),
                            "change-")
    again = the_new_one(area, in_a_shell(area, command, made.name, tmp_path))
    assert "change.csv" in same_bytes(made, again)


def test_readings_of_a_house(area: Area, delivery: Delivery, tmp_path: Path) -> None:
    run = area.newest("lots_")
    units = "si" if "--units" in command_of(area.client.get("/areas/area")) else "us"
    points = [(x, y, 0.6 - ((x - 20) / 50) ** 2 - ((y - 15) / 50) ** 2) for x in (0, 20, 40) for y in (0, 15, 30)]
    cells = {f"first-{name}": [str(round(point[k], 2)) for point in points] for k, name in enumerate(("x", "y"))}
    form: dict[str, str | list[str]] = {
        **cells, "first-point": [f"P{k}" for k in range(9)], "first-elevation": [f"{p[2]:.2f}" for p in points],
        "first-date": "2025-05-02", "lot": delivery.ids[0], "run": run, "units": units}
    made, command = made_by(area, lambda: area.client.send("/areas/area/house", **form), "survey")
    again = in_a_shell(area, command, made.name, tmp_path) / "survey"  # the command has a place of its own for it
    assert "levels.pdf" in same_bytes(made, again)


def test_the_estimate_of_one_lot(area: Area, delivery: Delivery, tmp_path: Path) -> None:
    """The text of the page of a house is what the terminal prints."""
    run = area.newest("lots_")
    text = area.client.get(f"/areas/area/house?lot={delivery.ids[0]}&run={run}")
    shown = re.search(r'<pre class="text"[^>]*>(.*?)</pre>', text, re.DOTALL)
    assert shown
    printed = in_a_shell(area, command_of(text), "", tmp_path) / "printed"
    assert html.unescape(shown[1]).split() == printed.read_text(encoding="utf-8").split()  # the terminal breaks lines


def _note(folder: Path) -> Path:
    """A file that is not used."""
    (folder / "note.txt").write_text("milk\n", encoding="utf-8")
    return folder / "note.txt"


def test_what_the_files_are(area: Area, tmp_path: Path) -> None:
    """The command of the job that recognises the files writes the same area file."""
    with resting(area.process):
        answer = area.client.give("/areas/area/files", _note(tmp_path))
        command = command_of(area.client.get(area.client.job(answer[1])))
    area.job(answer)
    again = in_a_shell(area, command, "", tmp_path)
    assert (again / AREA_FILE).read_bytes() == (area.folder / AREA_FILE).read_bytes()


def test_what_was_answered_by_menu(area: Area, delivery: Delivery, tmp_path: Path) -> None:
    """Lots without a name of an id and without a system, and weather of two cells: each answer comes from a menu."""
    shapes = gpd.read_file(delivery.given[0])
    files = tmp_path / "delivery"
    files.mkdir()
    for name, rows, own in (("plots", shapes, "REF"), ("zones", shapes.iloc[:9], "ZREF")):
        rows.rename(columns={"lot_id": own})[[own, "geometry"]].to_file(files / f"{name}.shp")
        (files / f"{name}.prj").unlink()
    rain = pd.read_csv(delivery.given[2])
    pd.concat([rain.assign(cell_id=cell) for cell in ("Z01", "elsewhere")]).to_csv(files / "weather.csv", index=False)
    text = area.job(area.client.give("/areas", *sorted(files.iterdir()), delivery.given[1], name="by menu"))
    made = Area(area.client, area.process, area.folder.parent / "by_menu")
    for address, answer in (("lots", {"lots": "files/plots.shp"}), ("system", {"crs": "EPSG:26914"}),
                            ("cell", {"cell": "Z01"})):
        assert 'id="estimate" type="submit" disabled' in text, address
        with resting(area.process):
            sent = area.client.send(f"/areas/by_menu/{address}", **answer)
            command = command_of(area.client.get(area.client.job(sent[1])))
        text = area.job(sent)
    assert 'id="estimate" type="submit" disabled' not in text
    assert command.endswith("--lots files/plots.shp --crs EPSG:26914 --cell Z01")
    again = in_a_shell(made, command, "", tmp_path)
    assert (again / AREA_FILE).read_bytes() == (made.folder / AREA_FILE).read_bytes()
