"""The brief: one page per lot, both papers, whatever the id; cautions on every page; nothing like an opinion."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pypdf
import pytest
from changed_areas import write_area
from click.testing import CliRunner
from hostile_texts import NEVER, TEXTS
from invented_results import results, with_past

from riskmap import api
from riskmap.answers import if_cracked, screen
from riskmap.answers.brief import content, figures, observations, pages, pdf, visits
from riskmap.cli.main import cli
from riskmap.common import wording as common_wording
from riskmap.common.errors import LayerError, visible
from riskmap.outputs import lot_text
from riskmap.outputs.map import page_build, web_map
from riskmap.run import flow, record

ABOUT = {"run": "made-up_20251001T000000Z", "manifest": "0123456789ab"}
HEAD = {"title": "lots", "year": 2025, "month": 10}
# verdicts, and words of an opinion on a structure
FORBIDDEN = re.compile(
    r"\b(safe|unsafe|certif\w+|report card|grade [a-f]|score of|traffic light|damag\w+|fail(?:ed|ure|s)?|defect\w*|"
    r"danger\w*|pass(?:ed)?|sound|hazard\w*|worst|good|bad|poor|excellent)\b", re.IGNORECASE)


def page_texts(content_bytes: bytes) -> list[str]:
    return [re.sub(r"\s+", " ", page.extract_text()) for page in pypdf.PdfReader(io.BytesIO(content_bytes)).pages]


@pytest.fixture(scope="module")
def outputs(example: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("brief")
    flow.run(write_area(example, place / "area", last="2025-05"), place / "outputs")
    return place / "outputs"


def call(outputs: Path, *words: object) -> Any:
    return CliRunner().invoke(cli, ["brief", "latest", *map(str, words), "--outputs", str(outputs)])


def lots_of(outputs: Path) -> pd.DataFrame:
    name = (outputs / "latest").read_text(encoding="ascii").strip()
    return pd.DataFrame(record.read(outputs / name).lots)


@pytest.mark.parametrize("paper", ["letter", "a4"])
@pytest.mark.parametrize("units", ["us", "si"])
def test_one_page_a_lot_with_number_reasons_and_cautions(paper: str, units: str, outputs: Path,
                                                         tmp_path: Path) -> None:
    lots = lots_of(outputs)
    asked = lots["lot_id"].iloc[:12].tolist()
    done = call(outputs, "--lots", ",".join(asked), "--paper", paper, "--units", units, "--into", tmp_path / "b")
    assert done.exit_code in (0, 1), (done.output, done.exception)
    reader = pypdf.PdfReader(tmp_path / "b" / "lots.pdf")
    assert len(reader.pages) == len(asked)
    width = {"letter": 612, "a4": 595.28}[paper]
    for page, lot, row in zip(reader.pages, asked, lots.to_dict("records"), strict=False):
        assert float(page.mediabox.width) == pytest.approx(width, abs=0.5)
        text = re.sub(r"\s+", " ", page.extract_text())
        assert f"Lot {lot}" in text
        assert "It does not replace a visit" in text
        assert "A model estimate, not yet checked against level surveys" in text
        assert "manifest" in text
        for words in ("Observation aid", "12-month SPEI", "Latitude, longitude", "Level readings", "Date:", "Unit:",
                      "Benchmark:", "Floor covering:", "Cracks at the edge that open in dry months",
                      "Slab cracks that meet like a spider web", "Kelm and Wylie"):
            assert words in text, words
        assert not re.search(r"\[[A-D]\]", text)  # sources are named in words
        assert not re.search(r"(?<![_\d-])(19|20)\d\d-\d\d(?!\d)", text.split("Run example")[0])  # dates are in words
        if row["state"]:
            assert "No estimate " in text
            assert "No estimate does not mean low movement" in text
            assert "What would give an estimate" in text
        else:
            for words in ("largest bending from now to ", "80 % of the model runs", "Now", "Next 12 months", "Long run",
                          "If a dry year came again", "gaps in the data on this lot",
                          "The house and its ground now, cut across", "times too tall; widths and depths are to scale"):
                assert words in text, words
        assert not FORBIDDEN.findall(text), FORBIDDEN.findall(text)
    summary = " ".join(page_texts((tmp_path / "b" / "area.pdf").read_bytes()))
    assert "Groups under ten lots are not shown" in summary
    assert not FORBIDDEN.findall(summary)
    page = (tmp_path / "b" / "lots.html").read_text(encoding="utf-8")
    assert page.count("It does not replace a visit") == len(asked) + 1
    assert not FORBIDDEN.findall(re.sub(r"<(style|script)>.*?</\1>|<[^>]+>", " ", page, flags=re.S))


def test_lots_that_are_named_one_by_one_all_get_a_page(outputs: Path, tmp_path: Path) -> None:
    first, second = lots_of(outputs).loc[lambda lots: lots["state"] == "", "lot_id"].iloc[[3, 4]]
    assert call(outputs, "--lots", first, "--lots", second, "--into", tmp_path / "b").exit_code == 0
    pages = page_texts((tmp_path / "b" / "lots.pdf").read_bytes())
    assert [text.split()[1] for text in pages] == [first, second]


def test_numbers_on_the_page_are_those_of_the_run(outputs: Path, tmp_path: Path) -> None:
    lots = lots_of(outputs)
    lot = lots[lots["state"] == ""].iloc[3]
    assert call(outputs, "--lots", lot["lot_id"], "--units", "si", "--into", tmp_path / "b").exit_code == 0
    (text,) = page_texts((tmp_path / "b" / "lots.pdf").read_bytes())
    def steps(name: str) -> list[int]:
        return [2 * int(abs(lot[f"{name}_mm{part}"]) / 2 + 0.5) for part in ("", "_p10", "_p90")]

    assert lot[["bend_now_mm_p10", "bend_now_mm_p90"]].min() > 0
    value, low, high = steps("expected_movement")
    assert re.search(rf"{value} mm largest bending from now to \w+ \d{{4}} 80 % of the model runs: {low} to {high} mm",
                     text)
    for name, before in (("long_run", "Long run"), ("bend_now", "middle high by")):
        value, low, high = steps(name)
        assert re.search(rf"{before} {value} mm \({low} to {high}[);]", text), name
    drawn = text.split("From the typical lot here to this lot")[1].split("Parts add up")[0]
    parts = [float(value.replace("−", "-")) for value in re.findall(r" ([+−]\d+\.\d) mm", drawn)]
    assert len(parts) >= 2
    assert f"the typical lot here {lot['typical_lot_mm']:.1f} mm" in drawn
    assert f"this lot {lot['expected_movement_mm']:.1f} mm" in drawn
    assert sum(parts) + lot["typical_lot_mm"] == pytest.approx(lot["expected_movement_mm"], abs=0.4)


def test_what_cracks_would_mean_stands_beside_the_number_and_is_what_explain_says(outputs: Path,
                                                                                 tmp_path: Path) -> None:
    lots = lots_of(outputs)
    lot = lots[lots["state"] == ""].iloc[3]
    assert call(outputs, "--lots", lot["lot_id"], "--units", "si", "--into", tmp_path / "b").exit_code == 0
    (text,) = page_texts((tmp_path / "b" / "lots.pdf").read_bytes())
    told = api.explain("latest", lot["lot_id"], units="si", if_cracked=True, outputs=outputs)
    (line,) = [line for line in told.splitlines() if line.startswith("If the ground cracks beside the slab: ")]
    said = line.split(": ", 1)[1]
    assert said in text
    assert said in re.sub(r"\s+", " ", (tmp_path / "b" / "lots.html").read_text(encoding="utf-8"))
    numbers = [float(number) for number in re.findall(r"(\d+) mm", said)]
    assert len(numbers) == 4
    assert numbers[1] == 2 * int(lot["expected_movement_mm"] / 2 + 0.5)
    assert numbers[3] == 2 * int(lot["seasonal_range_mm"] / 2 + 0.5)
    assert numbers[2] > numbers[3]
    assert "If the ground cracks" not in api.explain("latest", lot["lot_id"], outputs=outputs)


def test_a_run_on_cracked_ground_says_so_once(outputs: Path) -> None:
    made = results(60)
    row = int(made.lots.index[made.lots["state"] == ""][0])
    taken = replace(made, settings={**made.settings, "movement": {"ground": "cracked"}})
    assert if_cracked.sentences(taken, [row], "us") == {}
    facts = dict(content.lot_page(taken, row, "us", None, ABOUT)["facts"])
    assert facts["Ground"] == "taken as cracked beside the slab (a setting of this run)"
    assert sum(lot_text.GROUND_CRACKED in line for line in lot_text.lines(taken, row)) == 1
    assert lot_text.GROUND_CRACKED not in lot_text.lines(made, row)
    assert web_map.about(taken, "us")["ground"] == ["Ground", facts["Ground"]]
    assert "ground" not in web_map.about(made, "us")


def test_without_what_a_run_was_computed_from_the_scenario_is_not_told_as_a_number() -> None:
    made = replace(results(60), inputs=None)
    row, none = (int(made.lots.index[kind][0]) for kind in (made.lots["state"] == "", made.lots["state"] != ""))
    told = if_cracked.sentences(made, [row, none, row], "us")
    assert told == {row: "not computed: the run does not keep what it was computed from"}
    page = content.lot_page(made, row, "us", None, ABOUT, cracked=told[row])
    assert ["If the ground cracks", told[row]] in page["facts"]


def test_a_list_gives_a_page_for_every_row_and_an_order(outputs: Path, tmp_path: Path) -> None:
    lots = lots_of(outputs)
    known = lots[lots["state"] == ""]["lot_id"].tolist()
    with (tmp_path / "v.csv").open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows([["lot_id", "remark"], [known[5], "a"], ["nope", "b"], [known[2], "c"],
                                      [known[5], "again"]])
    done = call(outputs, "--visits", tmp_path / "v.csv", "--into", tmp_path / "b", "--each")
    assert done.exit_code == 1, (done.output, done.exception)
    with (tmp_path / "b" / "pages.csv").open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["match_status"] for row in rows] == ["matched", "unmatched", "matched", "matched"]
    assert len(page_texts((tmp_path / "b" / "lots.pdf").read_bytes())) == 4
    single = sorted(path.name for path in (tmp_path / "b").glob("page_*.pdf"))
    assert single == [f"page_{k:04d}.pdf" for k in range(1, 5)]
    order = {row["lot_id"]: (row["group"], row["order_in_group"]) for row in rows if row["match_status"] == "matched"}
    assert len(set(order.values())) == 2


def test_the_same_command_gives_the_same_files(outputs: Path, tmp_path: Path) -> None:
    for name in ("a", "b"):
        assert call(outputs, "--top", 3, "--into", tmp_path / name).exit_code == 0
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes(), path.name


def test_nothing_asked_and_too_much_asked(outputs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "E-BRF-001" in str(call(outputs).exception)
    monkeypatch.setattr(visits, "MOST", 2)
    error = call(outputs, "--top", 3).exception
    assert isinstance(error, LayerError)
    assert "E-BRF-002" in str(error)


@pytest.mark.parametrize(("header", "columns", "code"), [
    ("parcel,owner", {}, "E-SCR-010"), ("lot_id,owner,zip", {}, "E-BRF-002")])
def test_a_refused_list_carries_its_findings(header: str, columns: dict[str, str], code: str, tmp_path: Path,
                                             monkeypatch: pytest.MonkeyPatch) -> None:
    """As a list that is used would tell them, each once: the columns left out, and the row without a value."""
    monkeypatch.setattr(visits, "MOST", 1)
    path = tmp_path / "v.csv"
    path.write_text(f"{header}\n1,x{',3' * (header.count(',') - 1)}\n,\n2,y\n", encoding="utf-8")
    found = screen.read(path, columns).problems
    assert "W-SCR-006" in [problem.code for problem in found]
    with pytest.raises(LayerError, match=code) as refusal:
        visits.page_list(results(60), [], path, None, columns)
    assert refusal.value.problems == found


@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_any_text_stays_on_one_page_as_text(paper: str) -> None:
    """Ids, units and reasons of the corpus, long ones, right-to-left, emoji: one page each, nothing evaluated."""
    made = with_past(results(60))
    rows = made.lots.index[made.lots["state"] == ""][:24]
    lots = made.lots.copy()
    texts = [text[:80] for text in TEXTS][: len(rows) * 3]
    for k, row in enumerate(rows):
        lots.loc[row, ["lot_id", "map_unit_name", "neighbor_unit_name"]] = texts[3 * k: 3 * k + 3]
        lots.loc[row, "neighbor_unit_share"] = 0.3
        lots.loc[row, "flags"] = "slab_size_assumed;pour_date_unknown;soil_partly_unmapped;horizon_gap;lep_missing"
    found = replace(made, lots=lots, facts={**made.facts, "reference_lot": "a reference lot here"})
    cracked = lot_text.if_cracked(1234.5, 1234.5, 1234.5, 1234.5, "us")
    values = [content.lot_page(found, int(row), "us", None, ABOUT, cracked=cracked) for row in rows]
    told = page_texts(pdf.compiled("page.typ", {**HEAD, "pages": values}, paper)[0])
    assert len(told) == len(rows)
    assert NEVER not in "".join(told)
    page = pages.document(values, content.area_page(found, "us", visits.rounds(found, []), ABOUT))
    assert NEVER not in page
    assert page.count("<script") == page.count(f"<script>{pages.script()}</script>") == 1  # ours, named in the policy
    assert page_build.policy([pages.script()]) in page
    assert "<img" not in page
    assert page.count('<details class="stop"') == len(rows)


def test_pages_without_weather_or_soil_say_so() -> None:
    made = results(60)
    row = int(made.lots.index[made.lots["state"] == ""][0])
    values = content.lot_page(made, row, "us", None, ABOUT)
    (text,) = page_texts(pdf.compiled("page.typ", {**HEAD, "pages": [values]}, "letter")[0])
    assert "No drought index for this time" in text
    assert "No section: the run does not contain what it was computed from" in text
    assert values["soil"] == values["profile"] == values["section"] == {}
    lost = content.missing_page({"lot_id": "x" * 300}, "ambiguous", "fits two", made, ABOUT)
    (text,) = page_texts(pdf.compiled("page.typ", {**HEAD, "pages": [lost]}, "a4")[0])
    assert "More than one lot fits" in text
    assert common_wording.CAUTION in text


def test_turning_points_are_the_extremes_and_apart() -> None:
    value = np.sin(np.arange(600) / 20) * np.linspace(1, 2, 600)
    found = figures.turns(value)
    assert found == sorted(found)
    assert int(np.argmax(value)) in found
    assert int(np.argmin(value)) in found
    dry = [k for k in found if value[k] < 0]
    assert len(dry) == figures.TURNS
    assert min(np.diff(dry)) >= figures.APART_MONTHS
    assert figures.turns(np.full(10, np.nan)) == []
    assert figures.turns(np.array([])) == []


def test_every_sign_has_a_source_and_every_direction_and_phase_has_signs() -> None:
    for direction in ("center_lift", "edge_lift", "near_level"):
        for phase in ("early_settlement", "dome_growing", "edge_seasonal"):
            told = observations.lines(direction, phase)
            assert len(told) >= 2
            assert {source for _, source in told} <= set(observations.SOURCES)


def test_unknown_characters_are_written_out() -> None:
    assert pdf.shown("a🏚b\u4e00") == "a[U+1F3DA]b[U+4E00]"
    assert pdf.shown(visible("x\u202ey")) == "x\\u202ey"
    assert pdf.shown("x" * 50) == "x" * 24 + "\u200b" + "x" * 24 + "\u200bxx"
    assert pdf.shown({"a": ["é–ש", 1.5, None]}) == {"a": ["é–ש", 1.5, None]}


@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_the_table_of_stops_leaves_no_row_alone(paper: str) -> None:
    """Neither its first row at the foot of a page nor its last one on a page of its own."""
    made = results(60)
    area = content.area_page(made, "us", visits.rounds(made, []), ABOUT)

    def pages_of(count: int) -> list[int]:
        table = [[f"stop {k}", f"lot {k}", "0.3 mi", "1.0 in"] for k in range(1, count + 1)]
        stops = {"stops": table, "stop_heads": ["stop", "lot", "from the stop before", "estimate"],
                 "stop_wide": ["lot"], "stops_note": "A note."}
        (told,) = pdf.compiled("area.typ", {**HEAD, "area": {**area, **stops}}, paper)
        rows = [len(re.findall(r"stop \d+ lot \d+", text)) for text in page_texts(told)]
        assert sum(rows) == count
        return [number for number in rows if number]

    first, second = pages_of(180)[:2]
    # where rows kept their usual height, one row would be left for the last page
    for count in (first + 1, first + second + 1, first + 2 * second + 1):
        assert min(pages_of(count)) > 1, count
    assert pages_of(first) == [first]
    assert pages_of(1) == [1]


@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_long_addresses_leave_no_row_of_the_stops_alone(paper: str) -> None:
    """Rows have one to five lines, so no count of rows per page can be foreseen."""
    made = results(60)
    area = content.area_page(made, "us", visits.rounds(made, []), ABOUT)
    heads = ["stop", "hour", "lot", "address", "from the stop before", "estimate"]
    streets = ["12 Short Street", "1234 " + "Long Street of Many Words " * 3, "7 Lane",
               "88 " + "A Very Long Avenue " * 8]

    def rows_on_pages(count: int) -> list[int]:
        table = [[str(k), "9:00", f"lot {k}", f"{streets[k * k % 7 % 4]}; row {k};", "0.3 mi", "1.0 in"]
                 for k in range(1, count + 1)]
        stops = {"stops": table, "stop_heads": heads, "stop_wide": ["address"], "stops_note": "A note."}
        (told,) = pdf.compiled("area.typ", {**HEAD, "area": {**area, **stops}}, paper)
        found = [re.findall(r"row (\d+);", text) for text in page_texts(told)]
        assert [int(row) for page in found for row in page] == list(range(1, count + 1))
        return [len(page) for page in found if page]

    on_pages = {count: rows_on_pages(count) for count in (*range(20, 28), *range(62, 76))}
    assert [count for count, rows in on_pages.items() if min(rows) < 2] == []
    # the case occurs: one row more, and the row before the last goes to the new page with it
    turns = [count for count in on_pages if len(on_pages[count]) > len(on_pages.get(count - 1, on_pages[count]))]
    assert len(turns) >= 2
    assert all(on_pages[count][-1] == 2 for count in turns)
    assert all(on_pages[count][:-2] == on_pages[count - 1][:-1] for count in turns)
