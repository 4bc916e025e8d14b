"""The charts of what changed between two runs, and the sheet of paper that has them."""

from __future__ import annotations

import io
import re
from typing import Any

import numpy as np
import pandas as pd
import pypdf
import pytest

from riskmap.answers import change_charts, change_paper, change_words
from riskmap.answers.brief import pdf
from riskmap.answers.compare import Change
from riskmap.answers.exchanged import CAUSES, NUMBERS, part_columns
from riskmap.outputs import palette
from riskmap.outputs.drawing import Path


def change(parts: dict[str, dict[str, list[float]]], units: str = "si") -> Change:
    """A comparison of lots whose parts of each estimate are given by cause; the others are 0. [mm]"""
    count = len(next(iter(next(iter(parts.values())).values())))
    lots = pd.DataFrame({"lot_id": [f"{k}" for k in range(count)], "kind": "changed", "map_unit_name": "A clay",
                         "shrink_swell_class": "high"})
    for short, column in NUMBERS.items():
        for cause, name in zip(CAUSES, part_columns(short), strict=True):
            lots[name] = parts.get(short, {}).get(cause, [0.0] * count)
        lots[f"{column}_change"] = lots[part_columns(short)].sum(axis=1, min_count=1)
        lots[f"{column}_before"], lots[f"{column}_after"] = 10.0, 10.0 + lots[f"{column}_change"]
    counts: dict[str, Any] = {"lots_before": count, "lots_now": count, "changed": count, "same": 0, "state_changed": 0,
                              "new": 0, "gone": 0, **change_words.summary(lots)}
    runs = {"before": "town_2025-09_1, 2025-09", "after": "town_2025-10_1, 2025-10"}
    return Change(lots, counts, (), {"new": [], "gone": [], "reissued": [], "missing_now": []}, runs=runs, units=units)


MIXED = {"now": {"weather": [2.0, 4.0, 6.0], "soil": [-1.0, -3.0, -2.0]}, "expected": {"weather": [-1.0, -2.0, -3.0]}}


def bars(drawn: Any) -> list[Path]:
    return drawn.paths("bar")


def width(bar: Path) -> float:
    across = [x for x, _ in bar.points]
    return max(across) - min(across)


def test_each_bar_is_as_long_as_the_mean_and_parts_add_up_to_the_whole() -> None:
    drawn = change_charts.causes(change(MIXED).counts, "si", 184.0, 2.6)
    assert drawn is not None
    weather, soil, whole, expected = bars(drawn)
    per_mm = width(weather) / 4.0
    assert width(soil) == pytest.approx(2.0 * per_mm)
    assert width(whole) == pytest.approx(2.0 * per_mm)
    assert width(expected) == pytest.approx(2.0 * per_mm)
    zero = drawn.paths("zero")[0].points[0][0]
    assert min(x for x, _ in weather.points) == pytest.approx(zero)
    assert max(x for x, _ in soil.points) == pytest.approx(zero)
    assert drawn.texts("estimate") == ["Now (middle against edge)", "Estimate"]
    assert drawn.texts("cause") == [CAUSES["weather"], CAUSES["soil"], change_charts.ALL, CAUSES["weather"]]
    assert drawn.texts("value")[0] == "+4.0 mm (+2.0 to +6.0 mm)"
    assert drawn.texts("value")[1] == "−2.0 mm (−3.0 to −1.0 mm)"
    lines = drawn.paths("range")[0].points  # from the smallest to the largest
    assert abs(lines[1][0] - lines[0][0]) == pytest.approx(4.0 * per_mm)
    for text in (*drawn.texts("value"), *drawn.texts("estimate")):
        assert text in drawn.alt


def test_a_direction_and_a_size_have_colours_of_their_own() -> None:
    drawn = change_charts.causes(change(MIXED).counts, "us", 184.0, 2.6)
    assert drawn is not None
    assert [bar.fill for bar in bars(drawn)] == [palette.BENDING[5], palette.BENDING[1], palette.BENDING[5],
                                                 palette.LESS]


def test_the_histogram_counts_every_lot_once_and_has_zero_in_the_middle_of_a_bar() -> None:
    values = np.array([-0.2, 0.0, 0.1, 0.2, 1.0, 1.1, 2.4, np.nan])
    drawn = change_charts.histogram(values, "si", 184.0, 46.0, 2.6)
    assert drawn is not None
    counted = [int(number) for number in re.findall(r"(\d+) by about", drawn.alt)]
    assert sum(counted) == 7
    assert "by about 0.00 mm" in drawn.alt
    grey = [bar for bar in bars(drawn) if bar.fill == palette.BENDING[3]]
    assert len(grey) == 1
    assert {bar.fill for bar in bars(drawn)} == {palette.BENDING[1], palette.BENDING[3], palette.BENDING[5]}
    assert change_charts.histogram(np.array([np.nan]), "si", 184.0, 46.0, 2.6) is None


@pytest.mark.parametrize("spread", [0.05, 3.0, 40.0, 900.0])
@pytest.mark.parametrize("system", ["us", "si"])
def test_the_histogram_has_a_readable_number_of_bars(spread: float, system: str) -> None:
    values = np.linspace(-spread / 3, spread, 500)
    drawn = change_charts.histogram(values, system, 184.0, 46.0, 2.6)
    assert drawn is not None
    assert len(bars(drawn)) <= 30 or spread > 25 * 30
    assert sum(int(number.replace(",", "")) for number in re.findall(r"([\d,]+) by about", drawn.alt)) == 500


def alternatives(node: Any) -> list[str]:
    """The alternative texts of the figures in a tree of tags."""
    node = node.get_object()
    if isinstance(node, list):
        return [text for part in node for text in alternatives(part)]
    if not isinstance(node, dict):
        return []
    own = [str(node["/Alt"])] if node.get("/S") == "/Figure" else []
    return own + (alternatives(node["/K"]) if "/K" in node else [])


@pytest.mark.parametrize("units", ["us", "si"])
def test_the_sheet_is_tagged_and_says_what_the_terminal_says(units: str, tmp_path: Any) -> None:
    told = change(MIXED, units)
    path = change_paper.write(told, "A town", "2025-10", "Not checked.", tmp_path)
    reader = pypdf.PdfReader(io.BytesIO(path.read_bytes()))
    assert reader.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert sorted(alternatives(reader.trailer["/Root"]["/StructTreeRoot"])) == sorted(
        part["alt"] for name in ("causes", "histogram") for part in [change_paper.values(told, "", "")[name]])
    text = " ".join(re.sub(r"\s+", " ", page.extract_text()) for page in reader.pages)
    for wanted in (told.lead, "September 2025", "October 2025", "town_2025-09_1", "Not checked.", CAUSES["soil"],
                   "No change: Next 12 months, Long run.", change_words.lots_line(told.counts)):
        assert wanted in text, wanted
    wide = float(reader.pages[0].mediabox.width)
    assert wide == pytest.approx(612.0 if units == "us" else 595.28, abs=0.1)
    assert path.read_bytes() == change_paper.write(told, "A town", "2025-10", "Not checked.", tmp_path).read_bytes()


def test_without_a_change_the_sheet_has_no_chart() -> None:
    same = change({"now": {"weather": [0.0, 0.0]}})
    same.counts["changed"], same.counts["same"] = 0, 2
    values = change_paper.values(same, "A town", "Not checked.")
    assert values["causes"] == values["histogram"] == {}
    assert values["lead"].startswith("Nothing changed")
    told = pdf.compiled(change_paper.TEMPLATE, {**values, "day": [2025, 10, 1]}, "letter")
    assert len(pypdf.PdfReader(io.BytesIO(told[0])).pages) == 1
