"""The three jobs of README.md, line by line as they are there."""

from __future__ import annotations

import csv
import json
import re
import shlex
from pathlib import Path

import pypdf
import pytest
from click.testing import CliRunner, Result
from shared_runs import with_store

from riskmap.answers.exchanged import NUMBERS, part_columns
from riskmap.cli.main import cli
from riskmap.run.store import FOLDER

ROOT = Path(__file__).resolve().parents[2]


def lines(heading: str) -> list[str]:
    """Return the commands under a heading of the README."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    part = text.split(f"### {heading}", 1)[1].split("\n##", 1)[0]
    return re.findall(r"^    (riskmap .+)$", part, flags=re.M)


def run(command: str, monkeypatch: pytest.MonkeyPatch) -> Result:
    words = [str(ROOT / word) if word.startswith("layers/") else word for word in shlex.split(command)[1:]]
    return CliRunner().invoke(cli, words)


@pytest.fixture(scope="module")
def folder(example_runs: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Working folder of a user who has estimated this area before."""
    place = tmp_path_factory.mktemp("jobs")
    with_store(place / "outputs", example_runs / FOLDER)
    return place


@pytest.mark.slow
def test_the_three_jobs(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder)
    inspector = lines("An inspector with tomorrow's visits")
    assert [line.split()[1] for line in inspector] == ["estimate", "brief", "explain"]
    done = [run(command, monkeypatch) for command in inspector]
    assert [result.exit_code for result in done] == [1, 0, 0], [(r.output, r.exception) for r in done]
    assert len(pypdf.PdfReader(folder / "outputs" / "tomorrow" / "lots.pdf").pages) == 3
    assert "Next 12 months: " in done[2].output

    (screening,) = lines("A screener with a list")
    result = run(screening, monkeypatch)
    assert result.exit_code == 1, (result.output, result.exception)
    table = next(path for path in map(Path, result.output.splitlines()) if path.name == "screened.csv")
    with table.open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["listing"] for row in rows] == ["L-1", "L-2", "L-3", "L-4", "L-5"]
    assert [row["match_status"] for row in rows] == ["matched", "matched", "matched", "unmatched", "matched"]
    assert rows[4]["matched_lot_id"] == "0081099"

    analyst = lines("An analyst on Thursday morning")
    assert [line.split()[1] for line in analyst] == ["estimate", "estimate", "compare", "verify"]
    done = [run(command, monkeypatch) for command in analyst]
    assert [result.exit_code for result in done] == [1, 1, 1, 0], [(r.output, r.exception) for r in done]
    changed = next(path for path in map(Path, done[2].output.splitlines()) if path.name == "change.json")
    told = json.loads(changed.read_text(encoding="utf-8"))
    assert told["counts"]["lots_now"] == 1531
    assert told["weekly_maps"]["new"] == ["2025-10-07", "2025-10-14", "2025-10-21", "2025-10-28"]
    with changed.with_name("change.csv").open(encoding="utf-8-sig", newline="") as stream:
        for row in csv.DictReader(stream):
            if row["kind"] == "changed":
                for short, column in NUMBERS.items():
                    parts = sum(float(row[name]) for name in part_columns(short))
                    assert abs(parts - float(row[f"{column}_change"])) < 1e-6
