"""Nothing about people leaves the lot file: marked texts in every refused place, and a search through all that is made.

The search opens what hides text: Parquet pages, the compressed block of the map, the database inside a GeoPackage. A
search that finds nothing proves nothing, so the same search must find every lot identifier first.
"""

from __future__ import annotations

import base64
import gzip
import io
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import zipfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from riskmap.common import settings
from riskmap.common.results import RowCounts
from riskmap.outputs.files import public_table
from riskmap.run import flow, manifest, record
from riskmap.run import folder as run_folder

MARK = "QZCANARY"
PERSONAL = ("OwnerName", "owner_2", "MAILING_ADDR", "mail zip", "Exempt_Cd", "homestead", "age", "over65_age", "phone",
            "PhoneNo", "e-mail", "EMAIL_1", "birth_date", "ssn", "Taxpayer", "disabled_vet", "race", "buyer")
UNUSED = ("situs_street", "note", "=cmd", "subdivision_2")  # not on the list of known columns, so let go as well
USER = "qzuserzq"
ROOT = str(Path(__file__).parents[2])  # where a Python that runs a command line finds the package
ANSWERED_AND_NOT = 8  # lots of each state that are taken from the example


@dataclass(frozen=True)
class Run:
    """One whole run on the command line."""

    folder: Path
    home: Path
    stdout: str
    stderr: str
    code: int
    ids: list[str]


def marked(column: str, row: int) -> str:
    """Return the text of one refused cell: different everywhere, some of it hostile."""
    return ("{}", "={}", "<b>{}</b>", "{}\n2nd line", '"{}", quoted', "{{{{{}}}}}", "../../{}")[row % 7].format(
        f"{MARK}{re.sub('[^A-Za-z0-9]', '', column)}{row}")


def marked_lots(example: Path) -> gpd.GeoDataFrame:
    """Return a few lots of every state of the example, each with its own identifier and every refused column."""
    lots = gpd.read_file(example / "lots.gpkg")
    odd = lots[(lots["foundation_type"] != "slab on ground") | lots.geometry.isna() | lots.geometry.is_empty]
    few = pd.concat([odd.head(ANSWERED_AND_NOT), lots.iloc[::60]]).drop_duplicates("lot_id").reset_index(drop=True)
    few["lot_id"] = [f"QZLOT{i:05d}ID" for i in range(len(few))]
    few.loc[2, "pour_date"] = "31/31/1985"  # a finding of its own, beside a marked row
    few.loc[3, "lot_id"] = few.loc[4, "lot_id"]
    for column in (*PERSONAL, *UNUSED):
        few[column] = [marked(column, row) for row in range(len(few))]
    return few


def write_lots(kind: str, lots: gpd.GeoDataFrame, folder: Path) -> Path:
    """Write the lots with marked texts also in the places that a format has beside its columns."""
    path = folder / f"lots.{kind}"
    if kind == "gpkg":
        lots.to_file(path, layer="lots", engine="pyogrio", layer_options={"DESCRIPTION": f"{MARK}description"})
        with sqlite3.connect(path) as opened:
            opened.execute("CREATE TABLE owners (name TEXT)")
            opened.execute("INSERT INTO owners VALUES (?)", (f"{MARK}table",))
            opened.execute("INSERT INTO gpkg_contents (table_name, data_type, identifier) VALUES (?, ?, ?)",
                           ("owners", "attributes", f"{MARK}identifier"))
    elif kind == "parquet":
        lots.attrs = {"owner": f"{MARK}attrs"}
        lots.to_parquet(path)
    elif kind == "geojson":
        lots.to_crs("EPSG:4326").to_file(path, engine="pyogrio")
        text = path.read_text(encoding="utf-8")
        path.write_text(text.replace('"features":', f'"owner": {{"name": "{MARK}member"}}, "features":', 1),
                        encoding="utf-8")
    else:
        table = pd.DataFrame(lots.drop(columns="geometry")).assign(wkt=lots.geometry.to_wkt())
        table.to_csv(path, index=False)
    return path


def area_file(example: Path, folder: Path, kind: str) -> Path:
    """Write an area file beside the lots; every other layer is named by its whole path."""
    text = (example / "area.toml").read_text(encoding="utf-8")
    text = re.sub(r'^(path|cells) = "(?!lots)([^"]+)"$', lambda m: f'{m[1]} = "{(example / m[2]).as_posix()}"', text,
                  flags=re.M)
    entry = f'path = "{(folder / f"lots.{kind}").as_posix()}"' + ('\ncrs = "EPSG:26914"' if kind == "csv" else "")
    text = text.replace('path = "lots.gpkg"', entry)
    text = text if kind == "gpkg" else text.replace('layer = "lots"\n', "")
    path = folder / "area.toml"
    path.write_text(text + "\n[movement]\ndraws = 20\n", encoding="utf-8")
    return path


def texts_in(path: Path) -> bytes:
    """Return the bytes of a file and of everything packed inside it."""
    state = path.stat()
    return _texts_in(path, state.st_mtime_ns, state.st_size)


@cache
def _texts_in(path: Path, _changed: int, _size: int) -> bytes:
    raw = path.read_bytes()
    found = [raw]
    if path.suffix == ".gpkg":
        copy = sqlite3.connect(":memory:")
        copy.deserialize(raw)
        found.append("\n".join(copy.iterdump()).encode("utf-8", "surrogateescape"))
        found.append(path.with_name("x").name.encode())
    elif path.suffix == ".parquet":
        table = pq.read_table(io.BytesIO(raw))
        with_text = [field.name for field in table.schema if not pa.types.is_floating(field.type)]  # no text is a float
        found += [str(table.schema).encode(), str(table.schema.metadata).encode(),
                  table.select(with_text).to_pandas().to_csv().encode()]
    elif path.suffix == ".xlsx":
        with zipfile.ZipFile(io.BytesIO(raw)) as opened:
            found += [opened.read(name) for name in opened.namelist()]
    elif path.suffix == ".html":
        block = re.search(r'id="data">([A-Za-z0-9+/=]+)<', raw.decode("utf-8"))
        assert block, "the map has no data block"
        found.append(gzip.decompress(base64.b64decode(block[1])))
    text = b"\n".join(found)
    return text + raw.decode("utf-16-le", "ignore").encode("utf-8", "ignore")


def files_below(*folders: Path) -> list[Path]:
    return sorted(path for folder in folders for path in folder.rglob("*") if path.is_file())


@pytest.fixture(scope="module", params=["gpkg", "csv"])
def run(request: pytest.FixtureRequest, example: Path, tmp_path_factory: pytest.TempPathFactory) -> Run:
    """Run the command line in a home folder of its own, so that everything it leaves anywhere can be searched."""
    home = tmp_path_factory.mktemp("users") / USER
    work = home / "work"
    for folder in (work / "input", home / "tmp"):
        folder.mkdir(parents=True)
    lots = marked_lots(example)
    write_lots(request.param, lots, work / "input")
    area = area_file(example, work / "input", request.param)
    env = {**os.environ, "HOME": str(home), "USER": USER, "LOGNAME": USER, "USERNAME": USER,
           "TMPDIR": str(home / "tmp"), "XDG_CACHE_HOME": str(home / ".cache"), "RISKMAP_TRACE": "1"}
    done = subprocess.run([sys.executable, "-m", "riskmap", "estimate", str(area), "--outputs", "outputs",
                           "--workers", "1"], cwd=work, env={**env, "PYTHONPATH": ROOT},
                          capture_output=True, text=True, check=False)
    assert done.returncode in (0, 1), done.stderr
    folder = run_folder.latest(work / "outputs")
    assert folder is not None
    return Run(folder, home, done.stdout, done.stderr, done.returncode, lots["lot_id"].tolist())


def test_the_search_finds_every_identifier_in_every_product_with_lots(run: Run) -> None:
    for name in ("lots.csv", "lots.gpkg", "lots.parquet", "map.html"):
        text = texts_in(run.folder / name)
        assert all(lot_id.encode() in text for lot_id in run.ids), name
    assert re.search(rb"QZLOT\d+ID", texts_in(run.folder / "problems.json"))  # the repeated one is told


def test_no_marked_value_is_in_any_output_log_or_cache(run: Run) -> None:
    outside = [path for path in files_below(run.home) if run.home / "work" / "input" not in path.parents]
    assert {path.name for path in files_below(run.folder)} >= {"lots.csv", "lots.gpkg", "lots.parquet", "map.html",
                                                               "manifest.json", "problems.json", "columns.json"}
    for path in outside:
        assert MARK.encode() not in texts_in(path), path
        assert MARK not in path.name
    for said in (run.stdout, run.stderr):
        assert MARK not in said


def test_names_of_refused_columns_stand_in_one_finding_only(run: Run) -> None:
    problems = pd.read_json(run.folder / "problems.json", dtype=False)
    told = problems[problems["code"] == "W-LOT-003"]
    assert len(told) == 1
    rule = told["rule"].iloc[0]
    assert all(name in rule for name in PERSONAL), rule
    others = problems.drop(told.index).to_csv()
    unique = [name for name in PERSONAL if name not in ("age", "race", "phone", "homestead", "buyer", "ssn")]
    assert not [name for name in PERSONAL if re.search(rf"(?<![A-Za-z]){re.escape(name)}(?![A-Za-z])", others)]
    for path in files_below(run.folder):
        if path.name != "problems.json":
            text = texts_in(path)
            assert not [name for name in unique if name.encode() in text], path.name
    assert not [line for line in run.stderr.splitlines() if "OwnerName" in line and "W-LOT-003" not in line]


def test_unused_columns_are_let_go_too(run: Run) -> None:
    problems = pd.read_json(run.folder / "problems.json", dtype=False)
    told = problems[problems["code"] == "W-LOT-002"]["rule"]
    assert len(told) == 1
    assert all(name in told.iloc[0] for name in UNUSED)
    for name in ("lots.csv", "lots.gpkg", "lots.parquet", "map.html", "manifest.json"):
        assert b"situs_street" not in texts_in(run.folder / name)


def test_no_user_name_and_no_path_of_the_machine(run: Run) -> None:
    """The area file names every layer by its whole path, and the user's name is part of it."""
    places = (USER.encode(), str(run.home.parent).encode(), str(Path(__file__).parents[2]).encode() + b"/")
    for path in files_below(run.folder.parent):
        text = texts_in(path)
        assert not [place for place in places if place in text], path.name
    assert USER not in run.stdout


@pytest.mark.parametrize("kind", ["geojson", "parquet"])
def test_the_other_formats_let_nothing_through_either(kind: str, example: Path, tmp_path: Path) -> None:
    write_lots(kind, marked_lots(example), tmp_path)
    run = flow.run(area_file(example, tmp_path, kind), tmp_path / "outputs", workers=1)
    folder = run.folder
    assert run.rows.with_number
    for path in files_below(folder):
        assert MARK.encode() not in texts_in(path), path.name


@pytest.mark.parametrize("heading", ["owner", "OWNER_NAME", "mailing_address", "Exempt", "age", "EmailAddress"])
def test_a_refused_column_cannot_be_mapped(heading: str, tmp_path: Path) -> None:
    from riskmap.common.errors import LayerError
    from riskmap.layers import lots

    (tmp_path / "lots.csv").write_text(f"id,lon,lat,{heading}\n1,-98,37,{MARK}\n")
    area = settings.Area.model_validate({
        "name": "a", "folder": tmp_path, "soil": {"path": "s"},
        "lots": {"path": "lots.csv", "columns": {"lot_id": heading}}})
    with pytest.raises(LayerError, match="about people") as refused:
        lots.read(area.lots, area)
    assert MARK not in str(refused.value)


def public_folder(example: Path, tmp_path: Path) -> tuple[Path, gpd.GeoDataFrame]:
    lots = gpd.read_file(example / "lots.gpkg").iloc[::4].reset_index(drop=True).assign(owner=f"{MARK}owner")
    lots["lot_id"] = [f"QZLOT{i:05d}ID" for i in range(len(lots))]
    lots.to_file(tmp_path / "lots.gpkg", layer="lots")
    area = settings.load(area_file(example, tmp_path, "gpkg"))
    results, found = flow.assess(area, workers=1)
    folder = tmp_path / "public"
    folder.mkdir()
    public_table.write(results, folder, 10)
    manifest.write(folder, results, area, found.sources, RowCounts.of(results.lots))
    return folder, results.lots


def test_public_output_names_no_lot_no_date_and_no_outline(example: Path, tmp_path: Path) -> None:
    folder, lots = public_folder(example, tmp_path)
    assert {path.name for path in files_below(folder)} == {"manifest.json", "public.json", "public_cells.csv",
                                                           "public_cells.gpkg", "public_groups.csv"}
    corners = {f"{x:.4f}".encode() for x in lots.geometry.dropna().representative_point().x}
    months = {month.encode() for month in lots["pour_from"].unique() if month}
    for path in files_below(folder):
        text = texts_in(path)
        assert b"QZLOT" not in text, path.name
        assert MARK.encode() not in text, path.name
        if path.suffix == ".csv":
            assert not [month for month in months if month in text], path.name
            assert not [corner for corner in corners if corner in text], path.name
    groups = pd.read_csv(folder / "public_groups.csv", encoding="utf-8-sig", keep_default_na=False)
    about = pd.read_json(folder / "public.json", typ="series")
    assert (groups["lots"] >= 10).all()
    assert groups["lots"].sum() + about["lots_suppressed"] == len(lots)
    assert about["k_achieved"] >= 10
    cells = gpd.read_file(folder / "public_cells.gpkg")
    assert len(cells) > 0
    assert (cells["lots"] >= 10).all()
    shutil.rmtree(folder)


# ---------------------------------------------------------------- labels
LABEL = f"{MARK}situsstreet"  # what every marked text of the column of labels holds
LABELS = "record/labels.parquet"
HOSTILE = (f"=HYPERLINK(\"http://x\",\"{LABEL}h\")", f"</script><script>{LABEL}s</script>", f"\x1b[31m{LABEL}c\u202e",
           f"{LABEL}l" + "x" * 10_000, "   ", f"100 {LABEL}a  St")


@dataclass(frozen=True)
class Twice:
    """One area run with a column of labels and without it, and what the command line said of the first."""

    labelled: Path
    plain: Path
    said: str
    area: Path


@pytest.fixture(scope="module")
def twice(example: Path, tmp_path_factory: pytest.TempPathFactory) -> Twice:
    work = tmp_path_factory.mktemp("labels")
    (work / "input").mkdir()
    lots = marked_lots(example)
    lots.loc[: len(HOSTILE) - 1, "situs_street"] = list(HOSTILE)
    write_lots("gpkg", lots, work / "input")
    plain = area_file(example, work / "input", "gpkg")
    labelled = work / "input" / "labelled.toml"
    text = plain.read_text(encoding="utf-8")
    labelled.write_text(text.replace("[lots]\n", '[lots]\nlabel = "situs_street"\n', 1), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "riskmap", "estimate", str(labelled), "--outputs", "outputs", "--workers", "1"],
        cwd=work, env={**os.environ, "PYTHONPATH": ROOT, "RISKMAP_TRACE": "1"},
        capture_output=True, text=True, check=False)
    assert done.returncode in (0, 1), done.stderr
    first = run_folder.latest(work / "outputs")
    assert first is not None
    second = flow.run(plain, work / "outputs", workers=1).folder
    return Twice(first, second, done.stdout + done.stderr, labelled)


def test_the_labels_are_all_in_their_own_file(twice: Twice) -> None:
    text = texts_in(twice.labelled / LABELS)
    table = pd.read_parquet(twice.labelled / LABELS)
    lots = pd.read_parquet(twice.labelled / "lots.parquet", columns=["lot_row"])
    assert text.count(LABEL.encode()) >= len(lots) - 1
    assert table["lot_row"].tolist() == [row for row in range(len(lots)) if row != HOSTILE.index("   ")]
    assert table["label"].str.len().max() == 200


def test_no_label_is_in_any_other_file_or_message(twice: Twice) -> None:
    outputs = twice.labelled.parent
    searched = [path for path in files_below(outputs) if path != twice.labelled / LABELS]
    assert len(searched) > 50  # both runs and the store
    assert [path for path in searched if LABEL.encode() in texts_in(path)] == []
    assert LABEL not in twice.said


def test_a_run_with_labels_is_the_run_without_them_in_every_other_file(twice: Twice) -> None:
    one, two = ({path.relative_to(run).as_posix(): path.read_bytes() for path in files_below(run)}
                for run in (twice.labelled, twice.plain))
    assert set(one) - set(two) == {LABELS}
    assert set(two) <= set(one)
    assert [name for name in two if name != "manifest.json" and one[name] != two[name]] == []


def test_the_manifest_names_the_file_and_neither_column_nor_label(twice: Twice) -> None:
    import json

    one, two = (json.loads((run / "manifest.json").read_text(encoding="utf-8"))
                for run in (twice.labelled, twice.plain))
    assert "situs_street" not in json.dumps(one["settings"])
    assert LABELS in one["outputs"]
    for told in (one, two):
        told["facts"] = {name: value for name, value in told["facts"].items() if name not in record.OF_ONE_RUN}
        told["outputs"] = {name: entry for name, entry in told["outputs"].items() if name != LABELS}
    of_one_run = ("written_utc", "stage_seconds", "unit_draws_per_s", "sha256")
    assert [name for name in one if one[name] != two[name] and name not in of_one_run] == []
    assert manifest.verify(twice.labelled) == []


def test_export_and_compare_hold_no_label(twice: Twice, tmp_path: Path) -> None:
    import riskmap

    formats = ["gpkg", "parquet", "csv", "xlsx", "geojson", "kml"]
    made = riskmap.export(twice.labelled, formats, into=tmp_path / "export")
    told = riskmap.compare(twice.plain, twice.labelled)
    mapped = riskmap.map(twice.labelled, into=tmp_path / "map")
    assert told.answer.same
    for path in [*made.files, *told.files, *mapped.files]:
        assert LABEL.encode() not in texts_in(path), path.name
        assert b"Not for publication" not in texts_in(path), path.name


def test_a_map_that_is_asked_for_labels_says_it_is_not_for_publication(twice: Twice, tmp_path: Path) -> None:
    import riskmap

    riskmap.map(twice.labelled, labels=True, into=tmp_path / "map")
    page = tmp_path / "map" / "map.html"
    assert LABEL.encode() in texts_in(page)
    assert b"Not for publication" in texts_in(page)
    assert b"a state may forbid publishing home addresses" in texts_in(page)
    assert LABEL.encode() not in page.read_bytes()  # data stay in the compressed block: none runs as markup


def test_public_tables_are_refused_for_an_area_with_labels(twice: Twice, tmp_path: Path) -> None:
    from riskmap.common.errors import LayerError

    with pytest.raises(LayerError, match=r"E-LOT-093 .*Remove the line label under \[lots\]") as refused:
        flow.run(twice.area, tmp_path / "outputs", workers=1, public_k=10)
    assert LABEL not in str(refused.value)
    assert not (tmp_path / "outputs").exists()


@pytest.mark.parametrize("column", ["OwnerName", "MAILING_ADDR", "Taxpayer", "buyer"])
def test_a_column_about_people_is_no_label(column: str, example: Path, tmp_path: Path) -> None:
    from riskmap.common.errors import LayerError
    from riskmap.layers import lots

    path = write_lots("gpkg", marked_lots(example).head(4), tmp_path)
    area = settings.Area.model_validate({"name": "a", "folder": tmp_path, "soil": {"path": "s"},
                                         "lots": {"path": path.name, "layer": "lots", "label": column}})
    with pytest.raises(LayerError, match=r"E-LOT-092 .*about people") as refused:
        lots.read(area.lots, area)
    assert MARK not in str(refused.value)
