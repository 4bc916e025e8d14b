"""A measured series beside the driver: series made from the driver itself come out as they were made."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner, Result
from each_case import check_each
from finished_runs import area

import riskmap
from riskmap.answers.measured import comparing, files, modelled, series_file
from riskmap.answers.measured.comparing import AGREES, CANNOT, DISAGREES, Ends, Row
from riskmap.cli.main import cli
from riskmap.cli.terminal import wrapped
from riskmap.climate import evapotranspiration
from riskmap.common import series_fit
from riskmap.common.errors import LayerError, RunFolderError
from riskmap.common.weather import ClimateHistory
from riskmap.evidence import closed_forms

FIRST, YEARS = 12 * 1980, 45
AREA = area("invented")
ENDS = Ends(0.1, 0.4)
CLAY = modelled.Soil.one_clay(AREA)
KNOWN = modelled.Soil(CLAY.layers, CLAY.weights, CLAY.cap_m, True)


def weather() -> ClimateHistory:
    """Return 45 invented years of one cell: rain without a season, a warm summer."""
    rng, count = np.random.default_rng(11), 12 * YEARS
    month = np.arange(count)
    rain = rng.gamma(1.6, 45.0, count)[None]
    warm = (18 - 11 * np.cos(2 * np.pi * (month % 12 - 0.5) / 12) + rng.normal(0, 1.2, count))[None]
    pet = evapotranspiration.thornthwaite(warm, np.array([32.0]), first_calendar_month=1)
    return ClimateHistory(("Z01",), FIRST, rain, pet, np.full(rain.shape, np.nan), np.ones(rain.shape, np.int8), ("",),
                          np.array([6.0]), warm, np.array([32.0]))


@pytest.fixture(scope="module")
def drivers() -> list[modelled.Modelled]:
    return modelled.of_cell(weather(), 0, AREA)


def series(values: dict[float, pd.Series], kind: str = "m3_m3") -> series_file.Series:
    """Return a series from month ends by depth, each dated at the end of its month."""
    parts = [pd.DataFrame({"date": [pd.Period(year=int(k) // 12, month=int(k) % 12 + 1, freq="M").end_time.normalize()
                                    for k in one.index], "depth_m": depth, "value": one.to_numpy(float)})
             for depth, one in values.items()]
    return series_file.Series(kind, pd.concat(parts, ignore_index=True), [], "probe.csv")


def water(wetness: pd.Series) -> pd.Series:
    return 0.1 + 0.3 * wetness


def rows(made: series_file.Series, drivers: list[modelled.Modelled], soil: modelled.Soil = CLAY,
         ends: Ends = ENDS) -> dict[tuple[str, str, float], Row]:
    found, _ = comparing.compare(made, drivers, ends, soil)
    return {(row.driver, row.what, row.depth_m): row for row in found}


# ---------------------------------------------------------------- what was put in comes out
def test_the_driver_itself_agrees_with_itself(drivers: list[modelled.Modelled]) -> None:
    for model in drivers:
        found = rows(series({0.1: water(model.wetness(0.0).iloc[-120:])}), drivers)
        assert found[model.name, "timing", 0.1].ours == pytest.approx(1)
        assert found[model.name, "anomalies", 0.1].ours == pytest.approx(1)
        mean = found[model.name, "mean wetness", 0.1]
        assert mean.ours == pytest.approx(mean.measured)
        assert mean.rms == pytest.approx(0, abs=1e-12)
        assert {row.outcome for key, row in found.items() if key[0] == model.name} == {AGREES}


@pytest.mark.parametrize("r", [0.95, 0.8, 0.6])
def test_noise_of_a_known_size_gives_the_r_it_was_made_for(drivers: list[modelled.Modelled], r: float) -> None:
    one = drivers[0].wetness(0.0)
    noise = np.random.default_rng(5).normal(0, float(one.std()) * np.sqrt(1 / r**2 - 1), one.size)
    found = rows(series({0.1: water(one + noise)}), drivers)
    timing = found["day steps", "timing", 0.1]
    assert timing.ours == pytest.approx(r, abs=0.05)  # 540 months: twice the sampling error of r at 0.6
    assert timing.months == one.size
    assert timing.outcome == (AGREES if r > 0.7 else DISAGREES)
    assert ("other months" in timing.meaning) == (r < 0.7)


def test_a_wetter_probe_and_another_season_disagree(drivers: list[modelled.Modelled]) -> None:
    one = drivers[0].wetness(0.0).iloc[-120:]
    late = pd.Series(one.to_numpy()[6:], index=one.index[:-6])
    assert rows(series({0.1: water(late)}), drivers)["day steps", "timing", 0.1].outcome == DISAGREES
    for off, word in ((0.2, "drier"), (-0.2, "wetter")):
        mean = rows(series({0.1: water(one + off)}), drivers)["day steps", "mean wetness", 0.1]
        assert mean.outcome == DISAGREES
        assert f"{word} than you measured" in mean.meaning
        assert mean.rms == pytest.approx(abs(off))


def test_a_season_alone_is_told_from_its_anomalies(drivers: list[modelled.Modelled]) -> None:
    """Years put in another order keep the season and lose what is unusual."""
    one = drivers[0].wetness(0.0).iloc[-240:]
    shuffled = one.to_numpy().reshape(20, 12)[np.random.default_rng(1).permutation(20)].ravel()
    found = rows(series({0.1: water(pd.Series(shuffled, index=one.index))}), drivers)
    assert found["day steps", "anomalies", 0.1].outcome == DISAGREES
    assert found["day steps", "timing", 0.1].ours > found["day steps", "anomalies", 0.1].ours + 0.2


def test_without_ends_the_series_own_extremes_are_taken(drivers: list[modelled.Modelled]) -> None:
    one = water(drivers[0].wetness(0.0).iloc[-60:])
    mean = rows(series({0.1: one}), drivers, ends=Ends())["day steps", "mean wetness", 0.1]
    assert mean.measured == pytest.approx(float(((one - one.min()) / (one.max() - one.min())).mean()))
    share = rows(series({0.1: drivers[0].wetness(0.0).iloc[-60:]}, "share"), drivers, ends=Ends())
    assert share["day steps", "mean wetness", 0.1].rms == pytest.approx(0, abs=1e-12)


# ---------------------------------------------------------------- too short
@pytest.mark.parametrize(("months", "timing", "anomalies"), [(23, CANNOT, CANNOT), (24, AGREES, CANNOT),
                                                             (35, AGREES, CANNOT), (36, AGREES, AGREES)])
def test_short_series_cannot_tell_and_say_what_is_needed(drivers: list[modelled.Modelled], months: int, timing: str,
                                                         anomalies: str) -> None:
    found = rows(series({0.1: water(drivers[0].wetness(0.0).iloc[-months:])}), drivers)
    assert found["day steps", "timing", 0.1].outcome == timing
    assert found["day steps", "anomalies", 0.1].outcome == anomalies
    if timing == CANNOT:
        said = "23 month ends are compared, and 24 are needed."
        assert found["day steps", "timing", 0.1].meaning == said
        assert found["day steps", "mean wetness", 0.1].meaning == said
    if anomalies == CANNOT:
        assert found["day steps", "anomalies", 0.1].meaning == f"{months} month ends are compared, and 36 are needed."


def test_a_probe_that_does_not_move_cannot_tell(drivers: list[modelled.Modelled]) -> None:
    still = pd.Series(0.25, index=drivers[0].wetness(0.0).index[-60:])
    timing = rows(series({0.1: still}), drivers)["day steps", "timing", 0.1]
    assert (timing.outcome, timing.meaning) == (CANNOT, "One of the two does not vary.")


# ---------------------------------------------------------------- depths
def test_depths_of_the_model_agree_and_its_wave_is_the_closed_form(drivers: list[modelled.Modelled]) -> None:
    model = drivers[0]
    found = rows(series({d: water(model.wetness(d).iloc[-240:]) for d in (0.1, 0.5)}), [model])
    damping, lag = found["day steps", "damping", 0.5], found["day steps", "lag", 0.5]
    assert (damping.outcome, lag.outcome) == (AGREES, AGREES)
    assert damping.measured == pytest.approx(damping.ours, rel=0.02)
    assert lag.measured == pytest.approx(lag.ours, abs=0.05)
    movement = AREA.movement
    size, late = closed_forms.periodic_amplitude(
        np.array([0.1, 0.5]), active_depth_m=movement.active_depth_m,
        diffusivity_m2_per_yr=movement.diffusivity_m2_per_yr)
    assert damping.ours == pytest.approx(size[1] / size[0], rel=0.03)  # months that are straight lines, not a cosine
    assert lag.ours == pytest.approx(late[1] - late[0], abs=0.1)


def test_depth_that_answers_at_once_is_told(drivers: list[modelled.Modelled]) -> None:
    shallow = water(drivers[0].wetness(0.1).iloc[-240:])
    found = rows(series({0.1: shallow, 1.0: shallow}), drivers[:1])
    damping, lag = found["day steps", "damping", 1.0], found["day steps", "lag", 1.0]
    assert damping.measured == pytest.approx(1)
    assert (damping.outcome, lag.outcome) == (DISAGREES, DISAGREES)
    assert "more strongly" in damping.meaning
    assert "earlier" in lag.meaning
    noise = pd.Series(np.random.default_rng(3).uniform(0.1, 0.4, 240), index=shallow.index)
    loose = rows(series({0.1: shallow, 1.0: noise}), drivers[:1])["day steps", "lag", 1.0]
    assert loose.outcome == CANNOT
    assert "yearly wave explains" in loose.meaning


def test_wetness_by_depth_runs_from_the_surface_to_the_held_suction(drivers: list[modelled.Modelled]) -> None:
    model, movement = drivers[0], AREA.movement
    held = (movement.dry_limit_pf - model.equilibrium_pf) / (movement.dry_limit_pf - movement.wet_limit_pf)
    assert model.wetness(1e-9).to_numpy() == pytest.approx(model.wetness(0.0).to_numpy(), abs=1e-6)
    assert model.wetness(movement.active_depth_m).to_numpy() == pytest.approx(held)
    assert model.wetness(5.0).to_numpy() == pytest.approx(held)
    spread = [float(model.wetness(depth).std()) for depth in (0.0, 0.1, 0.3, 1.0, 2.0, 3.0)]
    assert spread == sorted(spread, reverse=True)


# ---------------------------------------------------------------- levels
@pytest.mark.parametrize(("factor", "outcome", "said"), [
    (1.0, AGREES, "about as far"), (1.3, AGREES, "about as far"),
    (2.5, DISAGREES, "may be too small by a factor of about 2.5"),
    (0.25, DISAGREES, "may be too large by a factor of about 4.0")])
def test_a_level_that_moves_more_or_less(drivers: list[modelled.Modelled], factor: float, outcome: str,
                                         said: str) -> None:
    level = 12.0 + factor * drivers[0].level_mm(0.0, KNOWN).iloc[-120:]
    found = rows(series({0.0: level}, "mm"), drivers[:1], KNOWN)
    size = found["day steps", "yearly movement", 0.0]
    assert size.outcome == outcome
    assert said in size.meaning
    assert size.measured == pytest.approx(factor * size.ours, rel=1e-6)
    assert found["day steps", "timing", 0.0].ours == pytest.approx(1)


def test_a_level_without_a_lot_is_compared_in_time_only(drivers: list[modelled.Modelled]) -> None:
    level = 3 * drivers[0].level_mm(0.9, KNOWN).iloc[-60:]
    found = rows(series({0.9: level}, "mm"), drivers[:1], CLAY)
    assert found["day steps", "timing", 0.9].ours == pytest.approx(1)
    assert found["day steps", "yearly movement", 0.9].outcome == CANNOT
    assert "name a lot" in found["day steps", "yearly movement", 0.9].meaning
    assert np.ptp(drivers[0].level_mm(0.9, KNOWN)) < 0.8 * np.ptp(drivers[0].level_mm(0.0, KNOWN))
    assert np.ptp(drivers[0].level_mm(3.5, KNOWN)) == pytest.approx(0, abs=1e-9)


def test_a_wetter_month_is_a_higher_level(drivers: list[modelled.Modelled]) -> None:
    r = series_fit.correlation(drivers[0].level_mm(0.0, CLAY).to_numpy(), drivers[0].wetness(0.3).to_numpy())
    assert r > 0.8


# ---------------------------------------------------------------- the file
GOOD = "date,depth_m,value_m3_m3\n2020-01-31,0.1,0.31\n2020-02,0.1,0.30\n2020-03-30,0.1,0.28\n"


def written(folder: Path, text: str) -> Path:
    path = folder / "probe.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_good_file_is_read(tmp_path: Path) -> None:
    made = series_file.read(written(tmp_path, "\ufeff" + GOOD))
    assert made.problems == []
    assert made.month_ends(0.1).to_dict() == {24240: 0.31, 24241: 0.30, 24242: 0.28}
    assert not made.level
    per_cent = series_file.read(written(tmp_path, GOOD.replace("m3_m3", "pct").replace(",0.3", ",3").replace(
        ",0.28", ",28")))
    assert per_cent.month_ends(0.1).tolist() == pytest.approx([0.31, 0.30, 0.28])
    assert series_file.read(written(tmp_path, GOOD.replace("value_m3_m3", "value")), "share").kind == "share"
    levels = series_file.read(written(tmp_path, GOOD.replace("value_m3_m3", "value_mm")))
    assert levels.level


REFUSED = {
    "E-MEA-002": "date,depth_m,value_m3_m3\n2020-01-31,0.1,0,31\n", "E-MEA-003": "date,depth_m,value_m3_m3\n",
    "E-MEA-004": "day,depth_m,value_m3_m3\n2020-01-31,0.1,0.3\n",
    "E-MEA-004 ": "date,depth_m,moisture\n2020-01-31,0.1,0.3\n",
    "E-MEA-005": "date,depth_m,value_m3_m3,value_pct\n2020-01-31,0.1,0.3,30\n",
    "E-MEA-005 ": "date,date,depth_m,value_pct\n2020-01-31,0.1,0.3,30\n",
    "E-MEA-006": GOOD.replace("value_m3_m3", "value"),
    "E-MEA-011": GOOD.replace("2020-01-31", "31.1.2020").replace("2020-02", "Feb 2020"),
    "E-MEA-016": "date,depth_m,value_m3_m3\n2020-01-31,0.1,wet\n",
    "E-MEA-017": "date,depth_m,value_m3_m3\n2020-01-31,0.1,31\n2020-02-28,0.1,30\n",
    "E-MEA-017 ": "date,depth_m,value_pct\n2020-01-31,0.1,0.31\n2020-02-28,0.1,0.3\n",
}


def test_files_that_cannot_be_used_are_refused_with_their_code(tmp_path: Path) -> None:
    def refused(case: str) -> None:
        with pytest.raises(LayerError, match=f"^{case.strip()} probe.csv"):
            series_file.read(written(tmp_path, REFUSED[case]))

    check_each(REFUSED, refused)
    with pytest.raises(LayerError, match=r"E-MEA-000 nowhere.csv"):
        series_file.read(tmp_path / "nowhere.csv")
    with pytest.raises(LayerError, match=r"E-MEA-007 probe.csv column value_m3_m3"):
        series_file.read(written(tmp_path, GOOD), "pct")
    (tmp_path / "probe.csv").write_bytes(b"date,depth_m,value_pct\n2020-01-31,0.1,\xff\n")
    with pytest.raises(LayerError, match=r"E-MEA-002 probe.csv"):
        series_file.read(tmp_path / "probe.csv")


def test_rows_that_cannot_be_used_are_all_reported(tmp_path: Path) -> None:
    text = GOOD + ("2020-13-01,0.1,0.3\n2020-04-30,deep,0.3\n2020-05-31,0.1,1.9\n2020-06-30,0.1,\n2020-07-31,0.1,-999\n"
                   "2020-08-31,0.1,0.2\n2020-08-31,0.1,0.25\n2020-09-30,0.1,0.22\n2020-09-30,0.1,0.22\n"
                   "2020-11-03,0.1,0.2\n2020-12-31,,0.2\n")
    made = series_file.read(written(tmp_path, text))
    assert [(p.code, p.row) for p in made.problems] == [
        ("E-MEA-010", 5), ("E-MEA-013", 6), ("E-MEA-013", 15), ("E-MEA-012", 7), ("E-MEA-014", 10), ("W-MEA-001", 12),
        ("W-MEA-002", None)]
    assert made.month_ends(0.1).to_dict() == {24240: 0.31, 24241: 0.30, 24242: 0.28, 24248: 0.22}
    assert "7 of 11 months have no value in their last 7 days" in made.problems[-1].rule


def test_months_without_weather_are_not_compared_and_told(drivers: list[modelled.Modelled]) -> None:
    from riskmap.answers.measured import answer

    one = water(drivers[0].wetness(0.0).iloc[-30:])
    one.index = one.index + 12
    made = series({4.0: one})
    months = comparing.months_of(made, drivers[:1], ENDS, CLAY)
    assert len(months) == 18
    assert [p.code for p in answer._outside(made, drivers, AREA)] == ["W-MEA-003", "W-MEA-004"]


# ---------------------------------------------------------------- lines and files
def test_the_lines_say_everything_once_and_fit_a_terminal(drivers: list[modelled.Modelled], tmp_path: Path) -> None:
    made = series({d: water(drivers[0].wetness(d).iloc[-120:]) for d in (0.1, 0.5)})
    found, months = comparing.compare(made, drivers, ENDS, CLAY)
    summary = {"file": "probe.csv", "kind_words": "water content [m3/m3]", "cell": "Z01", "lot": "", "area": "Town",
               "ends": "", "drivers": {model.name: " (half of the model runs)" for model in drivers}}
    report = files.MeasuredReport(found, months, summary, [])
    text = "\n".join(report.lines)
    assert "timing: agrees. r " in text
    assert "(fair: r of 0.7 or more)" in text
    assert "no estimate changes" in text
    assert report.lines[1] == "What it means for the estimate:"
    assert len(report.meanings) == len(set(report.meanings)) > 3
    for line in report.lines:
        told = wrapped(line)
        assert max(map(len, told.splitlines())) <= 80
        assert told.split() == line.split()
    files.write(report, tmp_path)
    table = list(csv.DictReader(io.StringIO((tmp_path / "comparisons.csv").read_text(encoding="utf-8-sig"))))
    assert [row["comparison"] for row in table] == [row.what for row in found]
    assert len(list(csv.DictReader(io.StringIO((tmp_path / "months.csv").read_text(encoding="utf-8-sig"))))) == 480
    assert json.loads((tmp_path / "summary.json").read_text(encoding="utf-8"))["cell"] == "Z01"
    assert report.sound
    assert not files.MeasuredReport([row for row in found if row.outcome == CANNOT], months, summary, []).sound


def test_where_a_sentence_holds_is_said_shortly() -> None:
    def row(depth: float, driver: str) -> Row:
        return Row(depth, driver, "timing", np.nan, 0.8, "r", "", 30, AGREES, "Same.")

    both = ["day steps", "monthly bucket"]
    assert files.where([row(0.1, name) for name in both], both) == "at 0.1 m"
    assert files.where([row(d, name) for name in both for d in (0.2, 0.1, 0.5)], both) == "at 0.1, 0.2 and 0.5 m"
    assert files.where([row(0.1, both[0]), row(0.2, both[0]), row(0.2, both[1])], both) == (
        "day steps at 0.1 and 0.2 m; monthly bucket at 0.2 m")
    assert files.where([row(0.1, both[1])], both) == "monthly bucket at 0.1 m"


# ---------------------------------------------------------------- a run of the example
def call(*words: object) -> Result:
    return CliRunner().invoke(cli, [str(word) for word in words])


def test_on_a_run_of_the_example(example_runs: Path, tmp_path: Path) -> None:
    results = riskmap.read("latest", example_runs)
    inputs = results.inputs
    assert inputs is not None
    cell = inputs.history.cells[0]
    from riskmap.run import record

    model = modelled.of_cell(inputs.history, 0, record.area_of(results))[0]
    one = water(model.wetness(0.0)).iloc[-48:]
    rows = [f"{k // 12}-{k % 12 + 1:02d},0.1,{value:.4f}" for k, value in one.items()]
    path = written(tmp_path, "date,depth_m,value_m3_m3\n" + "\n".join(rows) + "\n")
    done = call("measured", path, "--cell", cell, "--dry", 0.1, "--wet", 0.4, "--into", tmp_path / "out", "--outputs",
                example_runs)
    assert done.exit_code == 0, (done.output, done.exception)
    assert "timing: agrees. r 1.00 over 48 month ends" in done.output
    assert "--dry and --wet set others" not in done.output
    assert "--dry and --wet set others" in " ".join(call(
        "measured", path, "--cell", cell, "--into", tmp_path / "own", "--outputs", example_runs).output.split())
    assert {path.name for path in (tmp_path / "out").iterdir()} == {"comparisons.csv", "months.csv", "summary.json"}
    lot = str(results.lots.loc[results.lots["state"] == "", "lot_id"].iloc[0])
    answer = riskmap.measured(path, lot=lot, outputs=example_runs, into=tmp_path / "lot").answer
    assert answer.summary["lot"] == lot
    for words, code in ((["--cell", "nowhere"], "E-MEA-020"), ([], "E-MEA-021"), (["--lot", "nobody"], "E-MEA-024"),
                        (["--lot", lot, "--cell", "nowhere"], "E-MEA-025")):
        with pytest.raises(RunFolderError, match=code):
            raise call("measured", path, *words, "--outputs", example_runs).exception  # type: ignore[misc]
    without = str(results.lots.loc[inputs.lot_archetype < 0, "lot_id"].iloc[0])
    with pytest.raises(RunFolderError, match=r"E-MEA-022|E-MEA-024"):
        riskmap.measured(path, lot=without, outputs=example_runs, into=tmp_path / "no")
    level = written(tmp_path, path.read_text(encoding="utf-8").replace("value_m3_m3", "value_mm"))
    with pytest.raises(LayerError, match="E-MEA-008"):
        riskmap.measured(level, cell=cell, dry=0.1, wet=0.4, outputs=example_runs, into=tmp_path / "no")
    for words in (["--dry", 0.1], ["--dry", 0.4, "--wet", 0.1]):
        assert call("measured", path, "--cell", cell, *words, "--outputs", example_runs).exit_code == 2
    with pytest.raises(ValueError, match="together"):
        riskmap.measured(path, cell=cell, dry=0.1, outputs=example_runs)
    with pytest.raises(ValueError, match="kind is one of"):
        riskmap.measured(path, cell=cell, kind="inches", outputs=example_runs)
