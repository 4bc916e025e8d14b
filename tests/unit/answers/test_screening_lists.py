"""A list in, the same rows out: nothing lost, nothing about people, states shown, the lender's words on everything."""

from __future__ import annotations

import csv
import html
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import pytest
import xlsxwriter
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from invented_results import NEVER, results

from riskmap.answers import screen, screen_list, screen_table
from riskmap.cli.main import cli
from riskmap.common import wording as common_wording
from riskmap.common.errors import LayerError, SettingsError
from riskmap.common.results import RowCounts
from riskmap.outputs import palette
from riskmap.outputs.files import csv_table, rounding
from riskmap.run import folder as run_folder
from riskmap.run.products import write_all

FOUND = rounding.rounded(results())
IDS = [str(value) for value in FOUND.lots["lot_id"]]
WITH_NUMBER = [str(v) for v in FOUND.lots.loc[FOUND.lots["state"] == "", "lot_id"]]


@pytest.fixture(scope="module")
def outputs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from riskmap.common.settings import Area
    from riskmap.run import manifest

    folder = tmp_path_factory.mktemp("outputs")
    with run_folder.new_run(folder, "made up") as run:
        found = results()
        write_all(found, run.path)
        manifest.write(run.path, found, Area.model_validate(
            {"name": "made up", "lots": {"path": "l.csv"}, "soil": {"path": "s.zip"}}), [], RowCounts.of(found.lots))
    return folder


def listing(path: Path, rows: list[list[str]]) -> Path:
    with path.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows(rows)
    return path


def call(outputs: Path, *words: object) -> Any:
    return CliRunner().invoke(cli, ["screen", "latest", *map(str, words), "--outputs", str(outputs)])


def table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


# ---------------------------------------------------------------- rows
cells = st.text(alphabet=st.characters(codec="utf-8", exclude_characters="\r\n\x00"), max_size=12)


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(st.tuples(st.sampled_from([*IDS[:30], "nope", "", "7", "0000030 ", "000-0031"]), cells, cells),
                min_size=1, max_size=15))
def test_rows_out_are_rows_in_and_the_group_never_enters_a_number(rows: list[tuple[str, str, str]]) -> None:
    frame = pd.DataFrame(rows, columns=["lot_id", "note", "party"], dtype=str)
    given_list = screen.Listing("l.csv", frame, np.arange(len(frame)))
    plain = screen.screen(FOUND, given_list)
    grouped = screen.screen(FOUND, given_list, groups="party")
    pd.testing.assert_frame_equal(plain.rows, grouped.rows)
    pd.testing.assert_frame_equal(plain.rows[["lot_id", "note", "party"]], frame)
    other = screen.screen(FOUND, screen.Listing("l.csv", frame.assign(party="x", note=""), given_list.row))
    ours = [name for name in plain.rows if name not in frame]
    pd.testing.assert_frame_equal(plain.rows[ours], other.rows[ours])
    number = plain.rows["long_run_mm"].notna()
    assert (number == (plain.rows["state"] == "")).all()
    assert (plain.rows.loc[~number, "state_reason"] != "").all()
    assert plain.counts["rows"] == len(frame) == plain.counts["with_estimate"] + sum(
        count for name, count in plain.counts.items() if name not in ("rows", "with_estimate"))
    ordered = plain.rows.iloc[screen.in_order(plain)]
    values = ordered["long_run_mm"].dropna().to_numpy()
    assert (np.diff(values) <= 0).all()
    assert ordered["long_run_mm"].isna().to_numpy().tolist() == sorted(
        ordered["long_run_mm"].isna().tolist())
    ties = ordered.index[ordered["long_run_mm"].isna()]
    assert list(ties) == sorted(ties)
    printed = plain.rows["long_run_mm"].round(1)
    for value, first, last, rank in zip(printed, plain.rows["rank_from"], plain.rows["rank_to"], plain.rows["rank"],
                                        strict=True):
        if np.isnan(value):
            assert first is pd.NA
            assert last is pd.NA
        else:
            assert rank == first == 1 + (printed > value).sum()
            assert last == first + (printed == value).sum() - 1
    for _, equal in ordered.dropna(subset="long_run_mm").groupby("long_run_mm"):
        assert list(equal.index) == sorted(equal.index)


def test_values_are_those_of_the_run() -> None:
    frame = pd.DataFrame({"lot_id": WITH_NUMBER[-20:]}, dtype=str)
    done = screen.screen(FOUND, screen.Listing("l", frame, np.arange(20)), system="us")
    lots = FOUND.lots.set_index("lot_id").loc[WITH_NUMBER[-20:]]
    unique = ~lots.index.duplicated(keep=False)
    matched = (done.rows["match_status"] == "matched").to_numpy()
    assert matched[unique].all()
    for name in screen.NUMBERS:
        np.testing.assert_array_equal(done.rows[name][matched], lots[name].to_numpy()[matched])
        inches = done.rows[name.replace("_mm", "_in")][matched]
        np.testing.assert_allclose(inches, lots[name].to_numpy()[matched] / 25.4, atol=0.0501)


def test_a_column_of_the_list_with_our_name_stays_the_lists() -> None:
    frame = pd.DataFrame({"lot_id": WITH_NUMBER[30:32], "state": ["TX", "OK"]}, dtype=str)
    done = screen.screen(FOUND, screen.Listing("l", frame, np.arange(2)))
    assert done.rows["state"].tolist() == ["TX", "OK"]
    assert done.rows["state_riskmap"].tolist() == ["", ""]
    assert done.counts["with_estimate"] == 2


# ---------------------------------------------------------------- lists
def test_csv_of_coordinates_with_other_names_and_separators(outputs: Path, tmp_path: Path) -> None:
    point = FOUND.lots.geometry.iloc[45].representative_point()
    path = tmp_path / "l.csv"
    path.write_bytes(f"name;X;Y\nCañón;{point.x};{point.y}\nsea;0;0\n".encode("cp1252"))
    done = call(outputs, path, "--column", "lon=X", "--column", "lat=Y", "--into", tmp_path / "o")
    assert done.exit_code == 1, done.output
    rows = table(tmp_path / "o" / "screened.csv")
    assert [(row["name"], row["match_status"], row["matched_lot_id"]) for row in rows] == [
        ("Cañón", "matched", IDS[45]), ("sea", "unmatched", "")]


def test_a_list_without_an_id_column_says_which_could_be_meant(outputs: Path, tmp_path: Path) -> None:
    rows = [["Listing ID", "lon", "lat", "ref"], ["A1", "-91.1", "30.4", "000-0040"], ["A2", "-91.1", "30.4", "x"]]
    done = call(outputs, listing(tmp_path / "l.csv", rows), "--into", tmp_path / "o")
    words = "no lot_id column; rows are found by lon, lat only. "
    assert f"W-SCR-011 l.csv: {words}1 of 2 cells of 'ref' are ids of lots. If a column contains the parcel id, say " \
           "which: --column lot_id='ref'." in done.output
    page = (tmp_path / "o" / "screened.html").read_text(encoding="utf-8")
    assert words in page
    rows = [[*line[:3], ""] for line in rows]
    done = call(outputs, listing(tmp_path / "m.csv", rows))
    assert f"{words}If a column contains the parcel id, say which: --column lot_id='Listing ID'." in done.output
    done = call(outputs, listing(tmp_path / "n.csv", rows), "--column", "lot_id=Listing ID")
    assert "W-SCR-011" not in done.output


def test_a_list_without_any_place_is_refused_with_the_column_that_fits(outputs: Path, tmp_path: Path) -> None:
    rows = [["Owner", "zip", "APN", "price"], [IDS[40], "000-0041", "000-0040", "7"], ["x", "000-0042", "nope", ""]]
    error = str(call(outputs, listing(tmp_path / "l.csv", rows)).exception)
    assert "E-SCR-010" in error  # neither the owners nor the postal areas, which look like ids here, are proposed
    assert "1 of 2 cells of 'APN' are ids of lots. Say which column contains the parcel id: --column lot_id='APN'." \
        in error
    for column in ("Owner", "zip"):
        assert "E-SCR-005" in str(call(outputs, tmp_path / "l.csv", "--column", f"lot_id={column}").exception)


def test_an_id_column_that_fits_less_than_another_is_named(outputs: Path, tmp_path: Path) -> None:
    rows = [["lot_id", "APN"], ["L-1", IDS[40]], ["L-2", IDS[41]], [IDS[42], "x"]]
    said = call(outputs, listing(tmp_path / "l.csv", rows)).output
    assert "W-SCR-013 l.csv: 1 of 3 cells of 'lot_id' are ids of lots. 2 of 3 cells of 'APN' are ids of lots." in said
    assert "--column lot_id='APN'" in said
    assert "W-SCR-013" not in call(outputs, tmp_path / "l.csv", "--column", "lot_id=APN").output


def test_a_column_that_is_taken_by_its_name_can_be_left_out(outputs: Path, tmp_path: Path) -> None:
    """The column `lot_id` of this list has numbers of its own, which name other lots than the coordinates do."""
    point = FOUND.lots.geometry.iloc[45].representative_point()
    path = listing(tmp_path / "l.csv", [["lot_id", "lon", "lat"], [IDS[40], str(point.x), str(point.y)]])
    assert call(outputs, path, "--into", tmp_path / "a").exit_code == 1
    assert table(tmp_path / "a" / "screened.csv")[0]["match_status"] == "ambiguous"
    done = call(outputs, path, "--column", "lot_id=", "--into", tmp_path / "b")
    row = table(tmp_path / "b" / "screened.csv")[0]
    assert (row["match_status"], row["matched_lot_id"]) == ("matched", IDS[45])
    assert "W-SCR-01" not in done.output  # nobody proposes again what was just left out
    nothing = call(outputs, listing(tmp_path / "m.csv", [["lot_id", "b"], [IDS[40], "2"]]), "--column", "lot_id=")
    assert "E-SCR-010" in str(nothing.exception)


def test_shapes_need_no_column_of_ids(outputs: Path, tmp_path: Path) -> None:
    """The id of a GeoJSON is not compared, so it may have any name, and its cells may be equal or empty."""
    points = [FOUND.lots.geometry.iloc[k].representative_point() for k in (45, 46)]
    features = [{"type": "Feature", "properties": {"Owner": "INVENTED", "Our ref": "same"}, "geometry": {
        "type": "Point", "coordinates": [point.x, point.y]}} for point in points]
    (tmp_path / "l.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": features}),
                                        encoding="utf-8")
    done = call(outputs, tmp_path / "l.geojson", "--into", tmp_path / "o")
    rows = table(tmp_path / "o" / "screened.csv")
    assert [(row["Our ref"], row["Owner"], row["matched_lot_id"]) for row in rows] == [
        ("same", "", IDS[45]), ("same", "", IDS[46])]
    assert "W-LOT-01" not in done.output  # nothing about ids that are equal or empty
    for one in features:
        one["properties"] = {}
    (tmp_path / "n.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": features}),
                                        encoding="utf-8")
    assert "E-LOT-008" in str(call(outputs, tmp_path / "n.geojson").exception)


def test_the_columns_of_a_list_are_shown_with_what_they_mean(tmp_path: Path) -> None:
    rows = [["Ref no", "Owner", "zip", "lon", "Our ref"], ["7", "INVENTED", "000-0041", "", IDS[40]],
            ["8", "INVENTED", "", ".5", f" {IDS[41]}"], ["7", "", "", ".25", "x" * 200]]
    listed = screen.read(listing(tmp_path / "l.csv", rows), {})
    shown = screen_list.columns_of(FOUND, listed, {})
    assert [(one.name, one.means, one.ids) for one in shown] == [
        ("Ref no", "", 0), ("lon", "lon", 0), ("Our ref", "", 2)]
    assert [one.values for one in shown][:2] == [("7", "8"), (".5", ".25")]
    assert shown[2].values[2] == "x" * 80
    said = screen_list.columns_of(FOUND, listed, {"lot_id": "Our ref", "lon": ""})
    assert [one.means for one in said] == ["", "", "lot_id"]
    place = {"type": "Point", "coordinates": [-91.1, 30.4]}
    pin = {"type": "Feature", "properties": {"lot_id": "1"}, "geometry": place}
    (tmp_path / "l.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": [pin]}), encoding="utf-8")
    pins = screen.read(tmp_path / "l.geojson", {})
    assert (len(pins.table), screen_list.columns_of(FOUND, pins, {})) == (1, ())


def test_the_page_says_why_and_in_words(outputs: Path, tmp_path: Path) -> None:
    lots = FOUND.lots.set_index("lot_id")
    high = next(lot for lot in WITH_NUMBER[-20:] if lots.loc[lot, "direction"] == "edge_lift")
    without = next(lot for lot in IDS[21:27] if lots.loc[lot, "state"] == "not_enough_data")
    path = listing(tmp_path / "l.csv", [["note", "state", "lot_id"], ["x", "TX", high], ["y", "TX", without],
                                        ["z", "TX", "nope"]])
    assert call(outputs, path, "--into", tmp_path / "o").exit_code == 1
    text_of_page = (tmp_path / "o" / "screened.html").read_text(encoding="utf-8")
    heading, said = rows_of(text_of_page)
    assert heading == ["Rank", "lot_id", "Long run", "Why", "Largest bending from now to October 2026", "Now", "Found"]
    assert [line["rank"] for line in said] == ["1", "", ""]
    assert said[0]["lot"].startswith(f"{html.escape(high)} row 2")
    low, middle, top = (f"{lots.loc[high, f'long_run_mm{end}'] / 25.4:.1f}" for end in ("_p10", "", "_p90"))
    assert said[0]["long"] == f"{middle} in {low} to {top}"
    assert said[0]["year"] == f"{lots.loc[high, 'expected_movement_mm'] / 25.4:.1f} in"
    typical = f"The long run of the typical lot is {lots.loc[high, 'long_run_typical_mm'] / 25.4:.1f} in."
    assert typical in text_of_page  # said once for the list, not in every row
    assert said[0]["why"]
    assert "typical" not in said[0]["why"]
    assert (said[0]["now"], said[0]["note"]) == ("edge high", "found")
    reason = str(lots.loc[without, "state_reason"])
    assert said[1]["long"] == "No estimate: not enough data to estimate this lot"
    assert html.unescape(said[1]["why"]).lower() == reason.removeprefix("No estimate: ").lower()
    assert (said[2]["long"], said[2]["why"]) == ("No estimate: no lot found", "The parcel id is not among the lots")
    assert [(line["now"], line["year"]) for line in said[1:]] == [("", "")] * 2


def rows_of(page: str) -> tuple[list[str], list[dict[str, str]]]:
    """Return the headings of the page's table, and the text of each row's cells by their class."""
    table = page.split('<table class="rows"')[1].split("</table>")[0]
    rows = [{name: " ".join(re.sub("<[^>]+>", " ", cell).split()) for name, cell in re.findall(
        '<td role="cell" class="([a-z]+)"[^>]*>(.*?)</td>', row, flags=re.S)} for row in table.split("<tr")[2:]]
    return re.findall("<th role[^>]*>(.*?)</th>", table), rows


def test_one_state_has_one_name(outputs: Path, tmp_path: Path) -> None:
    """In the terminal, the counts and rows of the page, the notes to read first, and the reason in the table."""
    path = listing(tmp_path / "l.csv", [["lot_id"], [WITH_NUMBER[-1]], ["nope"]])
    done = call(outputs, path, "--into", tmp_path / "o")
    page = (tmp_path / "o" / "screened.html").read_text(encoding="utf-8")
    assert "2 rows, 1 with an estimate; no lot found: 1" in " ".join(done.output.split())
    assert "<dt>no lot found</dt><dd>1</dd>" in page
    assert rows_of(page)[1][1]["long"] == "No estimate: no lot found"
    assert "no lot found 1" in (tmp_path / "o" / "README.txt").read_text(encoding="utf-8")
    assert table(tmp_path / "o" / "screened.csv")[1]["state_reason"] == "no lot found"
    for name in ("screened.html", "README.txt"):
        text = (tmp_path / "o" / name).read_text(encoding="utf-8")
        assert "no lot fits" not in text
        assert "unmatched" not in text


def test_equal_rows_say_that_they_share_ranks_and_bars_share_their_ends(tmp_path: Path) -> None:
    ids = WITH_NUMBER[-4:]
    value = dict(zip(ids, (8.0, 60.0, 8.0, 7.0), strict=True))
    lots = FOUND.lots.assign(**{f"long_run_mm{end}": FOUND.lots["lot_id"].map(value) * share
                                for end, share in (("_p10", 0.5), ("", 1.0), ("_p90", 1.5))})
    frame = pd.DataFrame({"lot_id": ids}, dtype=str)
    done = screen.screen(replace(FOUND, lots=lots), screen.Listing("l", frame, np.arange(4)), system="si")
    about = {"list": "l", "run": "r", "today": FOUND.today, "manifest": "m"}
    screen_table.write(done, about, tmp_path)
    page = (tmp_path / "screened.html").read_text(encoding="utf-8")
    assert [line["rank"] for line in rows_of(page)[1]] == ["1", "2 to 3, equal", "2 to 3, equal", "4"]
    assert "All bars go from 0 to 90 mm." in page
    form = r'<i style="left:([\d.]+)%;width:([\d.]+)%"></i><b style="left:([\d.]+)%;background:(#\w+)"'
    bars = re.findall(form, page)
    assert np.array([bar[:3] for bar in bars], dtype=float) == pytest.approx(np.array([
        (100 * low / 90, 100 * (high - low) / 90, 100 * middle / 90)
        for low, middle, high in ((30, 60, 90), (4, 8, 12), (4, 8, 12), (3.5, 7, 10.5))]), abs=0.051)
    assert [bar[3] for bar in bars] == [palette.SIZE[5], *[palette.SIZE[1]] * 3]


def test_ranks_are_numbers_and_ties_are_named_only_where_there_are_some(outputs: Path, tmp_path: Path) -> None:
    ids = WITH_NUMBER[-4:]
    value = dict(zip(ids, (8.0, 9.5, 8.0, 7.0), strict=True))
    lots = FOUND.lots.assign(long_run_mm=FOUND.lots["lot_id"].map(value))
    frame = pd.DataFrame({"lot_id": [*ids, "nope"]}, dtype=str)
    done = screen.screen(replace(FOUND, lots=lots), screen.Listing("l", frame, np.arange(5)))
    assert done.rows["rank"].tolist() == done.rows["rank_from"].tolist() == [2, 1, 2, 4, pd.NA]
    assert done.rows["rank_to"].tolist() == [3, 1, 3, 4, pd.NA]
    assert screen.in_order(done).tolist() == [1, 0, 2, 3, 4]
    assert done.ties.startswith("The 4 rows with an estimate have 3 different long runs. The largest group shares "
                                "ranks 2 to 3.")
    path = listing(tmp_path / "l.csv", [["lot_id"], *([lot] for lot in ids)])
    said = call(outputs, path, "--into", tmp_path / "o").output
    assert "l.csv: 4 rows, 4 with an estimate\n" in said
    assert "different long run" not in said
    assert [row["rank"] for row in table(tmp_path / "o" / "sorted.csv")] == ["1", "2", "3", "4"]
    twice = listing(tmp_path / "t.csv", [["lot_id"], *([lot] for lot in [*ids, ids[0]])])
    assert "4 different long runs" in call(outputs, twice, "--into", tmp_path / "t").output
    for name in ("screened.html", "README.txt"):
        assert "4 different long runs" in (tmp_path / "t" / name).read_text(encoding="utf-8")


def test_the_reasons_explain_the_long_run_and_add_up_to_it() -> None:
    lots = FOUND.lots.copy()
    row = lots.index[lots["lot_id"] == WITH_NUMBER[-1]][0]
    parts = {"long_run_typical_mm": 15.0, "long_run_part_soil_mm": -6.0, "long_run_part_slab_mm": 8.0,
             "long_run_part_gaps_mm": 1.5}
    lots.loc[row, [*parts, "long_run_mm"]] = [*parts.values(), sum(parts.values())]
    lots.loc[row, ["long_run_mm_p10", "long_run_mm_p90"]] = [10.2, 30.5]
    frame = pd.DataFrame({"lot_id": [WITH_NUMBER[-1], "nope"]}, dtype=str)
    done = screen.screen(replace(FOUND, lots=lots), screen.Listing("l", frame, np.arange(2)), system="us")
    one = done.rows.iloc[0]
    assert sum(one[name] for name in parts) == pytest.approx(one["long_run_mm"], abs=1e-6)
    assert (one["long_run_reason_1"], one["long_run_reason_2"]) == ("a slab that bends more", "less expansive soil")
    assert one["long_run_reason_text"] == (
        "The long run of the typical lot here is 0.6 in: a slab that bends more +0.31 in, less expansive soil -0.24 in"
        ", gaps in the data on this lot +0.06 in")
    assert done.rows["long_run_reason_text"][1] == ""
    assert done.reasons[0] == \
        f"{WITH_NUMBER[-1]}: Long run 0.7 in (0.4 to 1.2); t{one['long_run_reason_text'][1:]}"
    si = screen.screen(replace(FOUND, lots=lots), screen.Listing("l", frame, np.arange(2)), system="si")
    assert si.rows["long_run_reason_text"][0] == (
        "The long run of the typical lot here is 16 mm: a slab that bends more +8.0 mm, less expansive soil -6.0 mm, "
        "gaps in the data on this lot +1.5 mm")
    assert not [name for name in si.rows if "_in" in name.replace("_in_p", "_in")[-3:]]
    assert not any(name.startswith("reason_") for name in done.rows), "those explain another estimate"


@pytest.mark.parametrize(("units", "unit", "other"), [("us", "in", "mm"), ("si", "mm", "in")])
def test_why_is_told_in_the_unit_of_the_page(units: str, unit: str, other: str, outputs: Path, tmp_path: Path) -> None:
    path = listing(tmp_path / "l.csv", [["lot_id"], [WITH_NUMBER[0]], ["nope"]])
    said = call(outputs, path, "--why", "--units", units, "--into", tmp_path / "o").output
    (line,) = [line for line in said.splitlines() if line.startswith(f"  {WITH_NUMBER[0]}: ")]
    assert re.search(rf"Long run [\d.]+ {unit} \([\d.]+ to [\d.]+\); the long run of the typical lot here is ", line)
    assert line.endswith(f" {unit}")
    assert not re.search(rf"\d {other}\b", line)
    assert "  nope: unmatched" in said


def test_within_and_a_lost_minus_are_told(outputs: Path, tmp_path: Path) -> None:
    from pyproj import Geod

    outline = FOUND.lots.geometry.iloc[40]
    west, south, _, north = outline.bounds
    lon, lat, _ = Geod(ellps="GRS80").fwd(west, (south + north) / 2, 270, 8.0)  # the first lot of its row
    rows = [["lon", "lat"], [f"{lon:.7f}", f"{lat:.7f}"], [f"{-lon:.7f}", f"{lat:.7f}"]]
    path = listing(tmp_path / "l.csv", rows)
    assert call(outputs, path, "--into", tmp_path / "o").exit_code == 1
    told = table(tmp_path / "o" / "screened.csv")
    assert [row["match_status"] for row in told] == ["unmatched", "unmatched"]
    assert f"nearest is '{IDS[40]}', 26 ft away" in told[0]["match_note"]
    assert call(outputs, path, "--units", "si", "--into", tmp_path / "si").exit_code == 1
    assert f"nearest is '{IDS[40]}', 8 m away" in table(tmp_path / "si" / "screened.csv")[0]["match_note"]
    assert "a minus sign is lost" in told[1]["match_note"]
    assert call(outputs, path, "--within", 10, "--into", tmp_path / "w").exit_code == 1
    told = table(tmp_path / "w" / "screened.csv")
    assert [row["matched_lot_id"] for row in told] == [IDS[40], ""]
    assert call(outputs, path, "--within", 501).exit_code == 2
    with pytest.raises(LayerError, match="E-SCR-012"):
        screen.matched(FOUND, screen.read(path, {}), {}, -1)


def test_a_workbook_keeps_ids_and_refuses_formulas_in_columns_that_are_read(outputs: Path, tmp_path: Path) -> None:
    path = tmp_path / "l.xlsx"
    with xlsxwriter.Workbook(path, {"strings_to_numbers": False}) as book:
        sheet = book.add_worksheet()
        for line, row in enumerate([["lot_id", "price"], [IDS[40], 100], [IDS[41], 5.5], ["", ""], ["nope", ""]]):
            for place, value in enumerate(row):
                sheet.write(line, place, value) if value != "" else None
    done = call(outputs, path, "--into", tmp_path / "o")
    assert done.exit_code == 1, done.output
    rows = table(tmp_path / "o" / "screened.csv")
    assert [(row["lot_id"], row["price"]) for row in rows] == [(IDS[40], "100"), (IDS[41], "5.5"), ("nope", "")]
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet()
        sheet.write(0, 0, "lot_id")
        sheet.write_formula(1, 0, "=1+1")
    assert "E-SCR-008 l.xlsx cell A2: a formula" in str(call(outputs, path).exception)
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet()
        for place, name in enumerate(["lot_id", "price", "side", "Foundation"]):
            sheet.write_string(0, place, name)
            sheet.write_string(1, place, [IDS[40], "2", "north", "slab"][place])
            sheet.write_string(2, place, [IDS[41], "3", "north", ""][place])
        sheet.write_formula(2, 1, "=B2*2", None, 4)
        sheet.write_formula(2, 2, "=C2")
    done = call(outputs, path, "--into", tmp_path / "f")
    assert done.exit_code == 0, done.exception
    assert "W-SCR-066 l.xlsx: 2 columns have formulas: price, side." in done.output
    assert [row["price"] for row in table(tmp_path / "f" / "screened.csv")] == ["2", "'=B2*2"]
    sheet = openpyxl.load_workbook(tmp_path / "f" / "screened.xlsx")["All columns"]
    assert (sheet["B3"].value, sheet["B3"].data_type) == ("=B2*2", "s")
    about = json.loads((tmp_path / "f" / "screened.json").read_text(encoding="utf-8"))
    assert about["guarded_cells"] == 2
    assert "2 cells of the list have one apostrophe" in (tmp_path / "f" / "README.txt").read_text(encoding="utf-8")
    assert "E-SCR-008 l.xlsx cell C3" in str(call(outputs, path, "--groups", "side").exception)
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet()
        sheet.write_row(0, 0, ["lot_id", "Foundation"])
        sheet.write_string(1, 0, IDS[40])
        sheet.write_formula(1, 1, "=A1")
    assert "E-SCR-008 l.xlsx cell B2" in str(call(outputs, path).exception)


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_titles_above_the_heading_are_passed_over(kind: str, outputs: Path, tmp_path: Path) -> None:
    rows = [["Export of the listings", "", ""], ["", "", ""], ["made, by hand", "2026", ""],
            ["ref", "lot_id", "price"], ["a", IDS[40], "1"], ["", "", ""], ["b", IDS[41], "2"]]
    path = tmp_path / f"l.{kind}"
    if kind == "csv":
        listing(path, rows)
    else:
        with xlsxwriter.Workbook(path) as book:
            sheet = book.add_worksheet()
            for line, row in enumerate(rows):
                sheet.write_row(line, 0, row)
    found = screen.read(path, {})
    assert found.table.to_dict("list") == {"ref": ["a", "b"], "lot_id": IDS[40:42], "price": ["1", "2"]}
    assert found.row.tolist() == [5, 7]
    assert ("W-SCR-065", "3 rows lie above the heading.") in [(p.code, p.rule) for p in found.problems]
    assert screen.read(path, {"lot_id": "ref"}).table.columns.tolist() == ["ref", "lot_id", "price"]
    done = call(outputs, path, "--into", tmp_path / "o")
    assert done.exit_code == 0, done.exception


def test_a_first_row_that_is_the_heading_stays_it(tmp_path: Path) -> None:
    for text, heading in (("parcel\na\nb,\n", ["parcel"]), ("parcel,\na,1\nb,2\n", ["parcel", ""]),
                          ("Listings\nparcel;price\na;1\n", ["parcel", "price"]),
                          ("sep=;\nTitle\nparcel;price\na;1\n", ["parcel", "price"]),
                          ("lot_id,lat\nlot_id,5\n", ["lot_id", "lat"])):
        (tmp_path / "l.csv").write_text(text, encoding="utf-8")
        assert screen.read(tmp_path / "l.csv", {}).table.columns.tolist() == heading, text


def test_pins_and_outlines_are_lists_too(outputs: Path, tmp_path: Path) -> None:
    import shapely

    part = FOUND.lots.iloc[[45, 46]]
    pins = "".join(f"<Placemark><name>{IDS[3]}</name><Point><coordinates>{p.x},{p.y}</coordinates></Point></Placemark>"
                   .replace("<img", "&lt;img") for p in part.geometry.representative_point())
    pins = pins.replace(IDS[3].replace("<img", "&lt;img"), "pin")
    (tmp_path / "l.kml").write_text('<kml xmlns="http://www.opengis.net/kml/2.2"><Document>'
                                    f"{pins}</Document></kml>", encoding="utf-8")
    part[["lot_id", "geometry"]].to_file(tmp_path / "l.geojson")
    for name in ("l.kml", "l.geojson"):
        done = call(outputs, tmp_path / name, "--into", tmp_path / f"o_{name}")
        assert done.exit_code == 0, (name, done.output, done.exception)
        rows = table(tmp_path / f"o_{name}" / "screened.csv")
        assert [row["matched_lot_id"] for row in rows] == IDS[45:47], name
    assert shapely.is_valid(part.geometry.to_numpy()).all()


def test_properties_of_a_geojson_come_back_as_text(outputs: Path, tmp_path: Path) -> None:
    point = FOUND.lots.geometry.iloc[45].representative_point()
    place = {"type": "Point", "coordinates": [point.x, point.y]}
    features = [{"type": "Feature", "properties": given, "geometry": place}
                for given in ({"zip": "07001", "lot_id": "p1", "owner": "CANARY", "price": 1.50, "sold": True},
                              {"lot_id": "p2", "zip": None, "note": {"a": [1, "ü"]}})]
    path = tmp_path / "l.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")
    done = call(outputs, path, "--into", tmp_path / "o")
    assert done.exit_code == 0, (done.output, done.exception)
    assert "W-SCR-006" in done.output
    rows = table(tmp_path / "o" / "screened.csv")
    assert list(rows[0])[:6] == ["zip", "lot_id", "owner", "price", "sold", "note"]
    assert [list(row.values())[:6] for row in rows] == [["07001", "p1", "", "1.5", "true", ""],
                                                        ["", "p2", "", "", "", '{"a": [1, "ü"]}']]
    assert [row["matched_lot_id"] for row in rows] == [IDS[45]] * 2
    assert all(b"CANARY" not in file.read_bytes() for file in (tmp_path / "o").iterdir())


@pytest.mark.parametrize(("content", "words", "told"), [
    ("a,b\n1,2\n", (), "E-SCR-010"), ("lon,b\n1,2\n", (), "E-SCR-010"), ("a,a,lot_id\n1,2,3\n", (), "E-SCR-004"),
    ("lot_id,b\n1,2\n", ("--column", "lot_id=nope"), "E-SCR-005"), ("lot_id,b\n1,2\n", ("--column", "x"), "E-SCR-005"),
    ("lot_id,b\n1,2\n", ("--groups", "nope"), "E-SCR-009"), ("<html>", (), "E-SCR-010")])
def test_lists_that_cannot_be_used_are_refused(content: str, words: tuple[str, ...], told: str, outputs: Path,
                                               tmp_path: Path) -> None:
    (tmp_path / "l.csv").write_text(content, encoding="utf-8")
    error = call(outputs, tmp_path / "l.csv", *words).exception
    assert isinstance(error, LayerError)
    assert told in str(error)


@pytest.mark.parametrize("name", ["Lot ID", "LotID", "lot-id", "LOT id"])
def test_the_id_is_known_however_its_name_is_written(name: str, tmp_path: Path) -> None:
    path = listing(tmp_path / "l.csv", [[name, "price"], [WITH_NUMBER[0], "1"]])
    done = screen.screen(FOUND, screen.read(path, {}))
    assert done.places == {"lot_id": name}
    assert done.rows["matched_lot_id"].tolist() == [WITH_NUMBER[0]]


def test_of_two_columns_that_could_be_the_id_neither_is_taken(tmp_path: Path) -> None:
    path = listing(tmp_path / "l.csv", [["Lot ID", "LotID"], [WITH_NUMBER[0], WITH_NUMBER[1]]])
    with pytest.raises(LayerError, match="E-SCR-010"):
        screen.screen(FOUND, screen.read(path, {}))


@pytest.mark.parametrize(("header", "columns", "groups", "code"), [
    ("lot_id,owner", {"lot_id": "nope"}, None, "E-SCR-005"), ("parcel,owner", {}, None, "E-SCR-010"),
    ("lot_id,owner", {}, "nope", "E-SCR-009")])
def test_a_refusal_carries_the_findings_made_until_then(header: str, columns: dict[str, str], groups: str | None,
                                                        code: str, tmp_path: Path) -> None:
    (tmp_path / "l.csv").write_text(f"{header}\n1,x\n,\n2,y\n", encoding="utf-8")
    with pytest.raises(LayerError, match=code) as refusal:
        screen.screen(FOUND, screen.read(tmp_path / "l.csv", columns), groups=groups)
    codes = [problem.code for problem in refusal.value.problems]
    assert codes
    assert len(codes) == len(set(codes))
    assert ("W-SCR-006" in codes) == (code != "E-SCR-005")  # the columns of the command are looked at before


@pytest.mark.parametrize("name", ["nothing.csv", "l.pdf"])
def test_files_that_are_no_list(name: str, outputs: Path, tmp_path: Path) -> None:
    (tmp_path / "l.pdf").write_text("x", encoding="utf-8")
    assert "E-SCR-00" in str(call(outputs, tmp_path / name).exception)


# ---------------------------------------------------------------- people, places, groups
def test_columns_about_people_come_back_empty_and_all_others_in_their_place(outputs: Path, tmp_path: Path) -> None:
    heading = ["ZIP", "lot_id", "Owner", "price", "Seller phone", "census_tract"]
    path = listing(tmp_path / "l.csv", [heading, ["07001", IDS[40], "CANARY1", "9", "CANARY2", "0101.00"]])
    done = call(outputs, path, "--into", tmp_path / "o", "--why")
    assert done.exit_code == 0, done.output
    assert "W-SCR-006 l.csv row 1: columns about people: Owner, Seller phone." in done.output
    for file in (tmp_path / "o").iterdir():
        assert b"CANARY" not in file.read_bytes(), file.name
    (row,) = table(tmp_path / "o" / "screened.csv")
    assert list(row)[:6] == heading
    assert list(row.values())[:6] == ["07001", IDS[40], "", "9", "", "0101.00"]
    sheet = openpyxl.load_workbook(tmp_path / "o" / "screened.xlsx")["All columns"]
    assert [cell.value for cell in sheet[2][:6]] == ["07001", IDS[40], None, "9", None, "0101.00"]
    with pytest.raises(LayerError, match=r"E-SCR-009 .*about people is not read"):
        screen.screen(FOUND, screen.read(path, {}), groups="Owner")


def test_postal_areas_enter_nothing_but_the_self_check() -> None:
    """Other postcodes and tracts, in other places of the list: the same answers, to the last character."""
    ids = [*WITH_NUMBER[22:45], "nope"]
    listed = pd.DataFrame({"lot_id": ids, "zip": ["07001"] * 12 + ["07002"] * 12, "tract": "1"}, dtype=str)
    done = screen.screen(FOUND, screen.Listing("l", listed, np.arange(24)), groups="zip")
    assert done.groups is not None
    assert done.groups["rows"].tolist() == [12, 12]
    other = listed.assign(zip=listed["zip"].to_numpy()[::-1], tract=[str(k) for k in range(24)])[
        ["tract", "lot_id", "zip"]]
    again = screen.screen(FOUND, screen.Listing("l", other, np.arange(24)))
    ours = [name for name in done.rows if name not in listed]
    pd.testing.assert_frame_equal(done.rows[ours], again.rows[ours])
    assert screen.in_order(done).tolist() == screen.in_order(again).tolist()


@pytest.mark.parametrize("text", [
    "movement_mm = [5, 10]\n[area.x]\nmovement_mm = [1]", "[postcode]\n78701 = [5]", "map_unit = 'x'", "zone = 3",
    "[[groups]]\nname = 'a'"])
def test_bands_that_differ_by_place_or_group_are_refused(text: str, tmp_path: Path) -> None:
    (tmp_path / "b.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=r"E-SCR-021 .*same for every row"):
        screen.bands(tmp_path / "b.toml")


@pytest.mark.parametrize("text", ["", "movement_mm = []", "movement_mm = [5, 5]", "movement_mm = [10, 5]",
                                  "movement_mm = [true]", "movement_mm = [-1]", "movement_mm = 'x'", "x ="])
def test_bands_that_are_none(text: str, tmp_path: Path) -> None:
    (tmp_path / "b.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=r"E-SCR-02[02]"):
        screen.bands(tmp_path / "b.toml")


def test_other_bands_only_rename(tmp_path: Path) -> None:
    (tmp_path / "b.toml").write_text("movement_mm = [15, 30]", encoding="utf-8")
    limits = screen.bands(tmp_path / "b.toml")
    frame = pd.DataFrame({"lot_id": WITH_NUMBER[22:50]}, dtype=str)
    ours = screen.screen(FOUND, screen.Listing("l", frame, np.arange(len(frame))))
    theirs = screen.screen(FOUND, screen.Listing("l", frame, np.arange(len(frame))), limits=limits)
    pd.testing.assert_frame_equal(ours.rows.drop(columns="band"), theirs.rows.drop(columns="band"))
    assert set(theirs.rows["band"]) <= {"under 15 mm", "15-30 mm", "30 mm and more"}


def test_the_self_check_tells_groups_and_hides_small_ones() -> None:
    ids = [*WITH_NUMBER[22:48], "nope", "nope2", *WITH_NUMBER[-5:], *["nope"] * 6]
    frame = pd.DataFrame({"lot_id": ids, "side": ["north"] * 14 + ["south"] * 10 + ["west"] * 4 + ["east"] * 11},
                         dtype=str)
    done = screen.screen(FOUND, screen.Listing("l", frame, np.arange(len(frame))), groups="side")
    assert done.groups is not None
    told = done.groups.set_index("group")
    assert list(told.index) == ["north", "south", "west", "east"]
    assert told.loc["east", "rows"] == 11
    assert told.loc["east", "note"] == "fewer than 10 rows with an estimate: no percentiles"
    assert told.loc["east", ["long_run_p10_mm", "long_run_p50_mm"]].isna().all()
    assert told.loc["north", "note"] == ""
    assert told.loc["west"].drop("note").isna().all()
    assert "fewer than 10" in told.loc["west", "note"]
    value = done.rows.loc[frame["side"] == "north", "long_run_mm"].dropna()
    assert told.loc["north", "long_run_p50_mm"] == pytest.approx(np.percentile(value, 50), abs=0.051)


# ---------------------------------------------------------------- files
def test_every_file_carries_the_lenders_words_and_no_text_runs(outputs: Path, tmp_path: Path) -> None:
    rows = [["lot_id", "remark"], *([lot, text] for lot, text in zip(IDS[:30], IDS[:30], strict=True))]
    done = call(outputs, listing(tmp_path / "l.csv", rows), "--into", tmp_path / "o")
    assert done.exit_code == 1
    words = common_wording.CAUTION_LENDER
    assert words in done.output
    for name in ("screened.html", "README.txt", "screened.json"):
        assert words in (tmp_path / "o" / name).read_text(encoding="utf-8"), name
    book = openpyxl.load_workbook(tmp_path / "o" / "screened.xlsx")
    assert book.sheetnames == ["Read me first", "Lots", "All columns", "Columns"]
    assert book.active.title == "Read me first"
    for sheet in book:
        assert words in str(sheet.oddHeader.left.text)
        assert all(cell.data_type != "f" for line in sheet.iter_rows() for cell in line)
    assert words in [cell.value for cell in book["Read me first"]["B"]]
    short = book["Lots"]
    assert (short.max_column, short.max_row, short.freeze_panes) == (12, 32, "C3")
    assert short.auto_filter.ref == "A2:L32"  # below the codes of the columns
    assert [short[f"{column}3"].number_format for column in "EFGI"] == ["0.0"] * 4
    (bars,) = short.conditional_formatting
    assert (str(bars.sqref), bars.rules[0].type) == ("E3:E32", "dataBar")
    every = {row[0].value: row[1:3] for row in book["Columns"].iter_rows(min_row=2)}
    codes = {cell.value for cell in short[2]} - {None, ""}
    assert {"long_run_in", "rank_from", "direction"} <= codes <= set(every)
    added = [cell.value for cell in book["All columns"][1]][2:]
    assert list(every) == added
    assert all(meaning.value for meaning, _ in every.values())
    assert [every[name][1].value for name in ("long_run_mm", "long_run_in", "long_run_in_p90", "rank")] == [
        "mm", "in", "in", None]
    for column in "HL":  # a text is seen whole, or wrapped at 48 characters
        longest = max(len(str(cell.value or "")) for cell in short[column][2:])
        assert short.column_dimensions[column].width >= min(longest, 48) > 10
    assert all(cell.alignment.wrap_text for cell in short["L"][2:] if cell.value)
    assert {cell.value for cell in short[1]} <= {cell.value for cell in book["Read me first"]["A"]}
    page = (tmp_path / "o" / "screened.html").read_text(encoding="utf-8")
    assert "<script" not in page.lower().replace("&lt;script", "")
    assert "<img" not in page
    for file in (tmp_path / "o").iterdir():
        assert NEVER.encode() not in file.read_bytes(), file.name
    told = table(tmp_path / "o" / "screened.csv")
    assert [row["remark"] for row in told] == list(csv_table.guarded(pd.Series(IDS[:30]), numbers_stay=True))
    assert [row["lot_id"] for row in told] == list(csv_table.guarded(pd.Series(IDS[:30]), numbers_stay=True))
    ordered = table(tmp_path / "o" / "sorted.csv")
    assert sorted(row["remark"] for row in ordered) == sorted(row["remark"] for row in told)
    counts = json.loads((tmp_path / "o" / "screened.json").read_text(encoding="utf-8"))["counts"]
    assert counts["rows"] == 30


def test_numbers_of_the_list_come_back_as_they_were(outputs: Path, tmp_path: Path) -> None:
    rows = [["lot_id", "lon", "price", "code", "mixed", "long"],
            ["0000040", "-91.140607", "1.50", "007", "-0.5", "1234567890123456"],
            ["0000041", "-91.14", "+3", "12", "-1+cmd|' /C calc'!A0", ""],
            ["7", "", "1.5e-3", "-0", "-5\t", "-.5"]]
    done = call(outputs, listing(tmp_path / "l.csv", rows), "--column", "lat=price", "--into", tmp_path / "o")
    assert done.exit_code == 1, done.output
    for name in ("screened.csv", "sorted.csv"):
        told = sorted(([row[key] for key in rows[0]] for row in table(tmp_path / "o" / name)), reverse=True)
        assert told[0] == [*rows[3][:4], "'-5\t", "-.5"]
        assert told[1] == [*rows[2][:4], "'-1+cmd|' /C calc'!A0", ""]
        assert told[2] == rows[1]
    sheet = openpyxl.load_workbook(tmp_path / "o" / "screened.xlsx")["All columns"]
    # texts, also where they look like numbers: 007 and 1.50 would not come back from a number as they were
    assert [[cell.value or "" for cell in line[:6]] for line in sheet.iter_rows(min_row=2)] == rows[1:]
    assert {cell.data_type for line in sheet.iter_rows(min_row=2, max_col=6) for cell in line if cell.value} == {"s"}


@given(st.lists(st.text(alphabet="'=+-@.e0123\t\n", max_size=6), min_size=1, max_size=5))
def test_plain_numbers_need_no_guard_and_the_guard_can_be_undone(values: list[str]) -> None:
    texts = pd.Series(values, dtype="str")
    told = csv_table.guarded(texts, numbers_stay=True)
    assert list(csv_table.unguarded(told)) == values
    for value in told:
        assert not value.startswith(("=", "@", "\t", "\n"))
        if value.startswith(("+", "-")):
            assert np.isfinite(float(value))
            assert value == value.strip()


def test_the_same_list_gives_the_same_files_years_later(outputs: Path, tmp_path: Path) -> None:
    path = listing(tmp_path / "l.csv", [["lot_id"], *([lot] for lot in IDS[20:50])])
    for name in ("now", "later"):
        assert call(outputs, path, "--into", tmp_path / name).exit_code == 1
    for file in (tmp_path / "now").iterdir():
        assert file.read_bytes() == (tmp_path / "later" / file.name).read_bytes(), file.name
    assert CliRunner().invoke(cli, ["verify", "latest", "--outputs", str(outputs)]).exit_code == 0
