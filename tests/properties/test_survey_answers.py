"""The answer of a survey does not know zero, tilt, order or unit; its papers have cautions and no opinion."""

from __future__ import annotations

import io
import re
from pathlib import Path

import numpy as np
import pypdf
import pytest
from click.testing import CliRunner
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from test_brief_pages import FORBIDDEN
from test_survey_by_hand import HOUSE, grid

from riskmap.answers.survey import CAUTIONS, expected, lengths, levels
from riskmap.cli.survey import survey
from riskmap.common.errors import LayerError

LOT = {"state": "", "bend_now_mm_p10": 10.0, "bend_now_mm": 25.0, "bend_now_mm_p90": 45.0,
       "tilt_now_pct_p90": 0.3, "settlement_mm": 3.0}
step = st.floats(-40, 40, allow_nan=False)


def dome(height: float, n: int = 5) -> np.ndarray:
    u = np.linspace(-1, 1, n)
    return height * np.outer(1 - u**2, 1 - u**2).ravel()


@settings(max_examples=60, deadline=None)
@given(height=st.floats(-60, 80), zero=step, sx=step, sy=step, noise=st.integers(0, 1000))
def test_zero_tilt_and_order_change_no_answer(height: float, zero: float, sx: float, sy: float, noise: int) -> None:
    draw = np.random.default_rng(noise)
    level = dome(height) + draw.normal(0, 1, 25)
    y, x = np.mgrid[:5, :5] * 2.5
    tilted = grid(level + zero + sx / 10 * x.ravel() + sy / 10 * y.ravel())
    mixed = tilted.sample(frac=1, random_state=noise).reset_index(drop=True)
    reduced = [levels.reduce(readings) for readings in (grid(level), tilted, mixed)]
    assert reduced[1].doubts == reduced[2].doubts
    # readings that differ by less than the reading error are doubted as written, and a tilt spreads them
    assume(not any(made.doubts for made in reduced))
    one, two, three = (expected.against(made, LOT) for made in reduced)
    for other in (two, three):
        assert other.answer == one.answer
        assert other.numbers["measured_mm"] == pytest.approx(one.numbers["measured_mm"], abs=1e-6)
        assert other.numbers["noise_sd_mm"] == pytest.approx(one.numbers["noise_sd_mm"], abs=1e-6)


@given(st.floats(-500, 500, allow_nan=False), st.sampled_from(["in", "mm", "m", "ft"]))
def test_units_come_back(value: float, unit: str) -> None:
    factor = {"in": 25.4, "mm": 1.0, "m": 1000.0, "ft": 304.8}[unit]
    assert lengths.parse_mm(f"{value:.9f}", unit) == pytest.approx(value * factor, abs=1e-6 * factor)


def test_the_band_of_two_surveys_is_the_one_worked_by_hand() -> None:
    """25 points read once: 0.1 in twice is 0.1414; the mean of 25 adds 1/25: 0.1414 sqrt(1.04) 1.96 = 0.2827 in."""
    first = grid(dome(20.0))
    second = grid(dome(20.0) + 5.0)
    moved, _ = expected.change(levels.reduce(first), levels.reduce(second))
    band = next(name for name in moved if ("noise" in name or "band" in name) and moved[name].dtype.kind == "f")
    values = moved[band].to_numpy() / 25.4
    assert values == pytest.approx(0.2827, abs=0.012)  # the datum is counted in both surveys: a little wider
    assert (values >= 0.2827 - 1e-3).all()
    assert not moved["beyond_noise"].any()


def test_every_paper_carries_the_cautions_and_no_opinion(tmp_path: Path) -> None:
    (tmp_path / "h.csv").write_text(HOUSE, encoding="utf-8")
    done = CliRunner().invoke(survey, [str(tmp_path / "h.csv"), "--gap", "9", "--into", str(tmp_path / "o")])
    assert done.exit_code == 0, done.output
    for path in sorted((tmp_path / "o").iterdir()):
        if path.suffix == ".pdf":
            text = " ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(path.read_bytes())).pages)
        else:
            text = path.read_text(encoding="utf-8")
        plain = re.sub(r"[\s\-]+", "", text)
        for caution in CAUTIONS:
            assert re.sub(r"[\s\-]+", "", caution) in plain or path.suffix == ".svg", (path.name, caution)
        words = re.sub(r"<[^>]+>", " ", text) if path.suffix == ".svg" else text
        for caution in CAUTIONS:
            words = words.replace(caution, " ")
        found = [word for word in FORBIDDEN.findall(words) if word.lower() != "worst"]  # the worst line is a trade word
        assert found == [], path.name


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 and then nothing", b"<html>"])
def test_damaged_workbooks_are_refused(content: bytes, tmp_path: Path) -> None:
    (tmp_path / "h.xlsx").write_bytes(content)
    error = CliRunner().invoke(survey, [str(tmp_path / "h.xlsx"), "--into", str(tmp_path / "o")]).exception
    assert isinstance(error, LayerError), error
    assert "h.xlsx" in str(error)
