"""How new the weather is, in words: always on the screen, the clock never in a file."""

from __future__ import annotations

import datetime
from pathlib import Path

import pytest
from changed_areas import write_area
from click.testing import CliRunner

from riskmap.cli.main import cli
from riskmap.climate import freshness
from riskmap.common import month_numbers


def test_next_12_months_follow_the_month_of_now() -> None:
    assert month_numbers.next_12_months("2022-12") == ("2023-01", "2023-12")
    assert month_numbers.next_12_months("2025-10") == ("2025-11", "2026-10")


def test_the_line_tells_newest_data_and_the_months_meant() -> None:
    kinds = {"rain and temperature": "2022-12", "weekly map": "2019-04-16"}
    assert freshness.standing("2022-12", kinds) == (
        'Newest data: 2022-12 (rain and temperature 2022-12, weekly map 2019-04-16); "next 12 months" means '
        "2023-01..2023-12")
    later = freshness.standing("2030-01", kinds)
    assert "Newest data: 2022-12" in later
    assert "now is 2030-01, set by `today` in the area file" in later
    assert later.endswith("2030-02..2031-01")


@pytest.mark.parametrize(("clock", "said"), [((2023, 3, 31), ""), ((2023, 4, 1), "2022-12 is 4 months ago"),
                                             ((2026, 11, 26), "2022-12 is 47 months ago"), ((2020, 1, 1), "")])
def test_the_clock_is_told_when_it_is_more_than_three_months_ahead(clock: tuple[int, int, int], said: str) -> None:
    caution = freshness.behind("2022-12", datetime.date(*clock))
    assert bool(caution) == bool(said)
    assert said in caution


def test_check_tells_the_line_on_stdout_and_the_clock_on_stderr(example: Path) -> None:
    done = CliRunner().invoke(cli, ["check", str(example / "area.toml")])
    line = ('Newest data: 2025-10 (rain and temperature 2025-08, weekly map 2025-10-28, index 2025-08); '
            '"next 12 months" means 2025-11..2026-10')
    assert line in done.stdout.splitlines()
    assert "by this computer's clock" not in done.stdout
    assert "clock 2025-10 is " in done.stderr


def test_check_tells_old_weekly_maps(example: Path, tmp_path: Path) -> None:
    text = (example / "area.toml").read_text(encoding="utf-8").replace("[area]", '[area]\ntoday = "2026-03"', 1)
    for path in example.iterdir():
        text = text.replace(f'"{path.name}"', f'"{path.as_posix()}"')
    (tmp_path / "area.toml").write_text(text, encoding="utf-8")
    done = CliRunner().invoke(cli, ["check", str(tmp_path / "area.toml")])
    assert 'W-CLI-046 [drought]: "2025-10-28": the newest weekly map should be of now: of 2026-02 or 2026-03.' \
        in done.stdout


def test_estimate_tells_both_on_stderr_and_no_file_knows_the_clock(example: Path, tmp_path: Path) -> None:
    area = write_area(example, tmp_path / "area", last="2025-05", movement="draws = 20")
    done = CliRunner().invoke(cli, ["estimate", str(area), "--outputs", str(tmp_path / "outputs")])
    assert done.exit_code == 1, done.output
    assert 'Newest data: 2025-05 (rain and temperature 2025-05); "next 12 months" means 2025-06..2026-05' in done.stderr
    assert "clock 2025-05 is " in done.stderr
    assert all(Path(line).exists() for line in done.stdout.splitlines())
    (run,) = (path for path in (tmp_path / "outputs").iterdir() if (path / "manifest.json").is_file())
    for path in run.rglob("*.json"):
        assert "computer's clock" not in path.read_text(encoding="utf-8"), path.name
