"""Labels of lots: read beside them from every format, kept in one file, shown on papers only where a command asks."""

from __future__ import annotations

import csv
import html
import io
import json
import re
from pathlib import Path
from typing import Any

import geopandas as gpd
import openpyxl
import pandas as pd
import pypdf
import pytest
from click.testing import CliRunner
from finished_runs import MOMENT, reseal, with_manifest
from hostile_texts import NEVER, RAN, TEXTS
from invented_results import results
from shapely.geometry import box

from riskmap import api
from riskmap.cli.main import cli
from riskmap.common import settings, wording
from riskmap.common.errors import LayerError, RiskmapError, RunFolderError, visible
from riskmap.layers import catalogue, lots
from riskmap.run import files, labels, record
from riskmap.run import folder as run_folder
from riskmap.run.products import write_all

FOUND = results()
ADDRESSES = pd.Series([f"{100 + 2 * k} ALPHA ST" for k in range(len(FOUND.lots))])
WITH_NUMBER = FOUND.lots.index[FOUND.lots["state"] == ""].tolist()
FIRST, SECOND = WITH_NUMBER[2], WITH_NUMBER[5]


def finished(outputs: Path, of_lots: pd.Series | None) -> Path:
    """Write a run of invented results with labels and return its folder."""
    with run_folder.new_run(outputs, "made up", MOMENT) as run:
        write_all(FOUND, run.path)
        if of_lots is not None:
            labels.write(of_lots, run.path)
        with_manifest(run.path, FOUND)
    return run.final


@pytest.fixture(scope="module")
def outputs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("labelled")
    finished(folder, ADDRESSES)
    return folder


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run whose labels are hostile texts, as its reader would have bounded them."""
    texts = (list(TEXTS) * (len(FOUND.lots) // len(TEXTS) + 1))[: len(FOUND.lots)]
    folder = tmp_path_factory.mktemp("hostile")
    finished(folder, lots.bounded(pd.Series(texts)))
    return folder


def call(outputs: Path, *words: object) -> Any:
    return CliRunner().invoke(cli, [*map(str, words), "--outputs", str(outputs)])


def refusal(outputs: Path, *words: object) -> str:
    """Return the message with which a command is refused."""
    done = call(outputs, *words)
    assert isinstance(done.exception, RiskmapError), done.output
    return str(done.exception)


# ---------------------------------------------------------------- reading
def area_of(folder: Path, name: str, label: str | None = "SITUS_ADDR", **entry: Any) -> settings.Area:
    return settings.Area.model_validate({"name": "a", "folder": folder, "soil": {"path": "s"},
                                         "lots": {"path": name, "label": label, **entry}})


def written(folder: Path, kind: str) -> Path:
    frame = gpd.GeoDataFrame({"lot_id": ["1", "2", "3"], "SITUS_ADDR": ["1 Elm  St", None, " 3 Élm\nSt "], "other": 1},
                             geometry=[box(k, 0, k + .5, .5) for k in range(3)], crs="EPSG:4326")
    path = folder / f"lots.{kind}"
    if kind == "csv":
        pd.DataFrame(frame.drop(columns="geometry")).assign(wkt=frame.geometry.to_wkt()).to_csv(path, index=False)
    elif kind == "parquet":
        frame.to_parquet(path)
    elif kind == "kml":
        rows = frame.fillna({"SITUS_ADDR": ""}).itertuples()
        places = "".join(
            f"<Placemark><ExtendedData><Data name='lot_id'><value>{row.lot_id}</value></Data><Data name='SITUS_ADDR'>"
            f"<value>{row.SITUS_ADDR}</value></Data></ExtendedData>"
            f"<Point><coordinates>{k},0</coordinates></Point></Placemark>" for k, row in enumerate(rows))
        path.write_text(f"<kml xmlns='http://www.opengis.net/kml/2.2'><Document>{places}</Document></kml>",
                        encoding="utf-8")
    else:
        frame.to_file(path, engine="pyogrio")
    return path


@pytest.mark.parametrize("kind", ["csv", "gpkg", "geojson", "parquet", "kml"])
def test_every_format_gives_the_labels_apart_from_the_lots(kind: str, tmp_path: Path) -> None:
    path = written(tmp_path, kind)
    crs = {"crs": "EPSG:4326"} if kind == "csv" else {}
    attempt = catalogue.read_each(area_of(tmp_path, path.name, **crs), ("lots",))
    plain = catalogue.read_each(area_of(tmp_path, path.name, None, **crs), ("lots",))
    assert attempt.tables["labels"].tolist() == ["1 Elm St", "", "3 Élm St"]
    assert attempt.tables["lots"].equals(plain.tables["lots"])
    assert attempt.tables["lots"].attrs == plain.tables["lots"].attrs
    assert attempt.problems == plain.problems
    assert "labels" not in plain.tables


@pytest.mark.parametrize(("label", "said"), [
    ("OWNER_NAME", "about people"), ("MailAddress", "about people"), ("SITUS_ADR", "Is 'SITUS_ADDR' meant"),
    ("situs_addr", "Is 'SITUS_ADDR' meant")])
@pytest.mark.parametrize("kind", ["csv", "gpkg", "parquet", "kml"])
def test_a_column_about_people_or_that_is_not_there_is_refused(label: str, said: str, kind: str,
                                                               tmp_path: Path) -> None:
    path = written(tmp_path, kind)
    with pytest.raises(LayerError, match=f"E-LOT-092 .*{said}"):
        lots.read((area := area_of(tmp_path, path.name, label)).lots, area)


def test_a_column_may_be_both_a_label_and_one_of_ours(tmp_path: Path) -> None:
    path = written(tmp_path, "gpkg")
    attempt = catalogue.read_each(area_of(tmp_path, path.name, "lot_id"), ("lots",))
    assert attempt.tables["labels"].tolist() == attempt.tables["lots"]["lot_id"].tolist() == ["1", "2", "3"]


def test_a_label_is_one_bounded_line() -> None:
    given = pd.Series(["a\r\n\tb", "x" * 10_000, "y" * 200, ""])
    assert lots.bounded(given).tolist() == ["a b", "x" * 199 + "…", "y" * 200, ""]
    assert lots.bounded(pd.Series(TEXTS)).str.len().max() <= labels.MOST_CHARACTERS == lots.LABEL_CHARACTERS


def test_the_name_of_the_column_is_in_no_settings_of_a_run(tmp_path: Path) -> None:
    area = area_of(tmp_path, "lots.csv")
    assert area.lots.label == "SITUS_ADDR"
    assert "SITUS_ADDR" not in area.model_dump_json()
    assert area.model_dump() == area_of(tmp_path, "lots.csv", None).model_dump()


# ---------------------------------------------------------------- the file of a run
def test_labels_come_back_as_they_were_written(outputs: Path, hostile: Path) -> None:
    for place, given in ((outputs, ADDRESSES), (hostile, None)):
        found = labels.read(files.RunFiles(run_folder.find("latest", place)))
        assert found is not None
        if given is not None:
            assert found.to_dict() == given.to_dict()
        else:
            assert set(found) == set(lots.bounded(pd.Series(TEXTS))[: len(FOUND.lots)]) - {""}


def test_nobody_who_reads_a_run_gets_labels_without_asking(outputs: Path) -> None:
    assert record.read(run_folder.find("latest", outputs)).labels is None


@pytest.mark.parametrize("table", [
    pd.DataFrame({"lot_row": [0, 0], "label": ["a", "b"]}), pd.DataFrame({"lot_row": [-1], "label": ["a"]}),
    pd.DataFrame({"lot_row": [0.5], "label": ["a"]}), pd.DataFrame({"lot_row": [0], "label": [1]}),
    pd.DataFrame({"lot_row": [0], "label": ["a" * 201]}), pd.DataFrame({"lot_row": [0], "label": [None]}),
    pd.DataFrame({"label": ["a"]}), pd.DataFrame({"lot_row": [0]}), None])
def test_a_damaged_file_of_labels_is_refused(table: pd.DataFrame | None, tmp_path: Path) -> None:
    run = finished(tmp_path, ADDRESSES)
    path = run / labels.NAME
    if table is None:
        path.write_bytes(b"PAR1 nothing")
    else:
        table.to_parquet(path)
    reseal(run)
    with pytest.raises(RunFolderError, match="E-RUN-083"):
        api.explain(run, str(FOUND.lots["lot_id"].iloc[FIRST]))


def test_a_changed_file_of_labels_is_refused_and_found(tmp_path: Path) -> None:
    run = finished(tmp_path, ADDRESSES)
    labels.write(ADDRESSES[::-1].reset_index(drop=True), run)
    with pytest.raises(RunFolderError, match="E-RUN-041"):
        api.brief(run, top=1)
    assert api.verify(run) == [f"E-MAN-004 {labels.NAME}: has changed since the run."]


# ---------------------------------------------------------------- where labels are shown
def test_explain_shows_the_label_beneath_the_id(outputs: Path) -> None:
    lot_id = str(FOUND.lots["lot_id"].iloc[FIRST])
    said = call(outputs, "explain", "latest", lot_id).stdout.splitlines()
    assert said[1] == f"Label: {ADDRESSES[FIRST]}"
    no_number = str(FOUND.lots["lot_id"].iloc[next(row for row in range(len(FOUND.lots)) if row not in WITH_NUMBER)])
    assert "Label: " in call(outputs, "explain", "latest", no_number).stdout


def test_the_brief_and_the_phone_page_show_the_label(outputs: Path, tmp_path: Path) -> None:
    made = api.brief("latest", lots=[str(FOUND.lots["lot_id"].iloc[FIRST])], into=tmp_path / "b", outputs=outputs)
    page = pypdf.PdfReader(io.BytesIO((made.folder / "lots.pdf").read_bytes())).pages[0].extract_text()
    assert ADDRESSES[FIRST] in page
    assert f"<h3>{ADDRESSES[FIRST]}</h3>" in (made.folder / "lots.html").read_text(encoding="utf-8")
    assert "ALPHA" not in (made.folder / "pages.csv").read_text(encoding="utf-8-sig")


def test_hostile_labels_are_only_text_on_papers(hostile: Path, tmp_path: Path) -> None:
    place = FOUND.lots.geometry
    rows = [row for row in WITH_NUMBER if place.iloc[row] is not None and not place.iloc[row].is_empty]
    ids = FOUND.lots["lot_id"].iloc[rows].astype(str).tolist()
    made = api.brief("latest", lots=ids, into=tmp_path / "b", outputs=hostile)
    page = (made.folder / "lots.html").read_text(encoding="utf-8")
    shown = [visible(text) for text in lots.bounded(pd.Series(list(TEXTS) * 2))[rows]]
    assert len(set(shown)) > 30
    assert [text for text in shown if text and html.escape(text) not in page] == []
    assert not re.search(rf"<(script|img|svg|body|iframe)[^>]*{RAN}", page)
    assert NEVER not in page
    mapped = api.map("latest", labels=True, into=tmp_path / "m", outputs=hostile)
    text = (mapped.folder / "map.html").read_text(encoding="utf-8")
    assert RAN not in text  # labels are in the compressed block only
    assert NEVER not in text


def test_the_map_needs_labels_and_is_one_file(outputs: Path, tmp_path: Path) -> None:
    assert "E-RUN-085" in refusal(outputs, "map", "latest", "--labels", "--tiles", "--into", tmp_path / "a")
    plain = finished(tmp_path / "none", None).parent
    assert "E-RUN-084" in refusal(plain, "map", "latest", "--labels", "--into", tmp_path / "b")
    assert not (tmp_path / "a").exists()
    done = call(outputs, "map", "latest", "--labels", "--into", tmp_path / "c")
    assert done.exit_code == 0


# ---------------------------------------------------------------- lists
def listing(path: Path, rows: list[list[str]]) -> Path:
    with path.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows(rows)
    return path


def screened(outputs: Path, path: Path, into: Path, *words: object) -> tuple[Any, pd.DataFrame]:
    done = call(outputs, "screen", "latest", path, "--into", into, *words)
    assert done.exit_code in (0, 1), done.stderr
    return done, pd.read_csv(into / "screened.csv", dtype=str, keep_default_na=False, encoding="utf-8-sig")


def test_a_list_is_found_by_address_and_answered_with_the_label(outputs: Path, tmp_path: Path) -> None:
    street = ADDRESSES[FIRST].title().replace(" St", " Street")
    path = listing(tmp_path / "l.csv", [["ref", "SITE_ADDRESS"], ["a", street],
                                        ["b", street.replace("Street", "Court")], ["c", "Alpha Street"]])
    done, rows = screened(outputs, path, tmp_path / "s", "--column", "address=SITE_ADDRESS")
    assert rows["match_status"].tolist() == ["matched", "unmatched", "unmatched"]
    assert rows["matched_label"].tolist() == [ADDRESSES[FIRST], "", ""]
    assert rows["SITE_ADDRESS"].tolist()[0] == street
    assert "W-SCR-070" in done.stderr
    assert "ALPHA" not in done.stderr.upper()  # the finding counts; the note of the row names
    assert ADDRESSES[FIRST] in rows["match_note"][1]
    for name in ("README.txt", "screened.html"):
        assert wording.NOT_FOR_PUBLICATION in html.unescape((tmp_path / "s" / name).read_text(encoding="utf-8"))
    book = openpyxl.load_workbook(tmp_path / "s" / "screened.xlsx", read_only=True)
    assert ADDRESSES[FIRST] in [cell for row in book["Lots"].iter_rows(values_only=True) for cell in row]
    told = json.loads((tmp_path / "s" / "screened.json").read_text(encoding="utf-8"))
    assert wording.NOT_FOR_PUBLICATION in told["notes"]
    similar, other = told["open_rows"]  # what is similar is shown where the lot is chosen, and nowhere else
    assert ADDRESSES[FIRST] in similar.pop("note")
    assert "ALPHA" not in json.dumps([told, similar, other]).upper()


def test_a_column_called_address_is_compared_where_the_run_has_labels(outputs: Path, tmp_path: Path) -> None:
    path = listing(tmp_path / "l.csv", [["ref", "Address"], ["a", ADDRESSES[FIRST]]])
    assert screened(outputs, path, tmp_path / "s")[1]["matched_by"].tolist() == ["address"]
    plain = finished(tmp_path / "plain", None).parent
    assert "E-SCR-010" in refusal(plain, "screen", "latest", path)
    assert "E-SCR-014" in refusal(plain, "screen", "latest", path, "--column", "address=Address")


def test_a_list_without_addresses_is_answered_as_before_but_for_the_label(outputs: Path, tmp_path: Path) -> None:
    ids = FOUND.lots["lot_id"].iloc[[FIRST, SECOND]].astype(str).tolist()
    path = listing(tmp_path / "l.csv", [["lot_id"], *[[one] for one in ids], ["none"]])
    with_labels = screened(outputs, path, tmp_path / "a")[1]
    plain = screened(finished(tmp_path / "plain", None).parent, path, tmp_path / "b")[1]
    assert with_labels["matched_label"].tolist() == [*ADDRESSES[[FIRST, SECOND]], ""]
    pd.testing.assert_frame_equal(with_labels.drop(columns="matched_label"), plain)


def test_hostile_labels_are_guarded_in_the_answered_list(hostile: Path, tmp_path: Path) -> None:
    rows = [row for row in range(len(FOUND.lots)) if FOUND.lots["lot_id"].duplicated(keep=False).iloc[row] == 0]
    path = listing(tmp_path / "l.csv", [["lot_id"], *[[str(FOUND.lots["lot_id"].iloc[row])] for row in rows[:30]]])
    _, answer = screened(hostile, path, tmp_path / "s")
    formulas = answer["matched_label"].str.match(r"[=+\-@\t\r\n]")
    assert not formulas.any()
    page = (tmp_path / "s" / "screened.html").read_text(encoding="utf-8")
    assert not re.search(rf"<(script|img|svg|body|iframe)[^>]*{RAN}", page)


@pytest.mark.parametrize("column", ["MAIL_ADDRESS", "owner_address", "zip"])
def test_no_address_comes_from_a_column_about_people_or_a_postal_area(column: str, outputs: Path,
                                                                      tmp_path: Path) -> None:
    path = listing(tmp_path / "l.csv", [["ref", column], ["a", ADDRESSES[FIRST]]])
    assert "E-SCR-005" in refusal(outputs, "screen", "latest", path, "--column", f"address={column}")


# ---------------------------------------------------------------- visits
def test_a_visit_list_keeps_hour_order_remark_and_address(outputs: Path, tmp_path: Path) -> None:
    long = "x" * 300
    path = listing(tmp_path / "v.csv", [
        ["WHEN", "stop", "street", "note", "owner"],
        ["10:30", "2", ADDRESSES[SECOND].lower(), "ring twice", "A Person"],
        ["9:00", "1", ADDRESSES[FIRST], long, "B Person"],
        ["<b>11</b>", "3", "1 Nowhere Rd", "=1+1", "C Person"]])
    done = call(outputs, "brief", "latest", "--visits", path, "--column", "hour=WHEN", "--column", "address=street",
                "--into", tmp_path / "b")
    assert done.exit_code == 1, done.stderr
    page = (tmp_path / "b" / "lots.html").read_text(encoding="utf-8")
    texts = [re.sub(r"\s+", " ", one.extract_text())
             for one in pypdf.PdfReader(io.BytesIO((tmp_path / "b" / "lots.pdf").read_bytes())).pages]
    lines = [f"Stop: 2. Hour: 10:30. Address in the list: {ADDRESSES[SECOND].lower()}",
             f"Stop: 1. Hour: 9:00. Address in the list: {ADDRESSES[FIRST]}",
             "Stop: 3. Hour: <b>11</b>. Address in the list: 1 Nowhere Rd"]
    at = [page.index(html.escape(line)) for line in lines]
    assert at[1] < at[0] < at[2]  # the phone shows the stops as they are driven, by hour
    assert all(line in text for line, text in zip(lines, texts, strict=True))  # the paper keeps the order of the list
    assert "Remark of the list: ring twice" in page
    assert "x" * 159 + "…" in page
    assert "x" * 160 not in page
    assert "Person" not in page
    assert "the address is not among the labels" in page


def test_hour_and_order_are_no_columns_of_a_screening(outputs: Path, tmp_path: Path) -> None:
    path = listing(tmp_path / "l.csv", [["lot_id", "WHEN"], ["1", "9:00"]])
    assert "E-SCR-005" in refusal(outputs, "screen", "latest", path, "--column", "hour=WHEN")


def test_a_visit_list_prints_addresses_of_a_run_without_labels(tmp_path: Path) -> None:
    plain = finished(tmp_path / "plain", None).parent
    lot_id = str(FOUND.lots["lot_id"].iloc[FIRST])
    path = listing(tmp_path / "v.csv", [["lot_id", "address"], [lot_id, "5 Elm St"]])
    made = api.brief("latest", visits=path, into=tmp_path / "b", outputs=plain)
    assert made.answer.pages[0]["visit"] == "Address in the list: 5 Elm St"
    assert made.answer.visits[0].status == "matched"
