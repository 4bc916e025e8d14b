"""Coverage-guided fuzzing of everything that reads a user's file; run by hand, not part of the test suite.

    pip install atheris                               # if wanted; without it `by_mutation.py` does the work, slower
    python tests/fuzz/fuzz_readers.py all 30        # 30 seconds for each target, a table at the end
    python tests/fuzz/fuzz_readers.py csv --seconds 60
    python tests/fuzz/fuzz_readers.py csv -runs=1000  # one target with the fuzzer's own options

Oracle: only the errors of `riskmap.common.errors` may leave a reader, no input takes more than 2 s or 512 MB. A finding
is printed with its traceback and its input is kept; the run goes on, so that one finding does not hide the next.
"""

from __future__ import annotations

import contextlib
import csv
import gzip
import hashlib
import importlib.util
import io
import json
import logging
import os
import re
import resource
import subprocess
import sys
import tempfile
import time
import traceback
import warnings
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests"), str(ROOT / "tests" / "fuzz")]
EXAMPLE = ROOT / "layers" / "example"
SECONDS, MEGABYTES = 2.0, 512
TODAY = 12 * 2025 + 9
FINDINGS = Path(os.environ.get("RISKMAP_FUZZ_FINDINGS", Path(tempfile.gettempdir()) / "riskmap_fuzz_findings"))
IN_MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None
WORK = Path(os.environ.get("RISKMAP_FUZZ_WORK", "."))  # set for every target by `main`


# ---------------------------------------------------------------- what is fuzzed
def _area(**lots: object):  # type: ignore[no-untyped-def]
    from riskmap.common.settings import Area

    return Area.model_validate({"name": "fuzz", "folder": WORK, "lots": {"path": "lots.csv", **lots},
                                "soil": {"path": "soil.zip"}})


def _lots(name: str, content: bytes, **entry: object):  # type: ignore[no-untyped-def]
    """Read a lot file and clean it; a row that is lost is a finding too."""
    from riskmap import lots
    from riskmap.layers import lots as reader

    (WORK / name).write_bytes(content)
    area = _area(path=name, **entry)
    raw, _, _ = reader.read(area.lots, area)
    table, _ = lots.clean(raw, area.lot_settings, area.crs, TODAY, name)
    assert len(table) == len(raw), f"{len(raw)} rows in, {len(table)} rows out"
    return raw


def fuzz_csv(data: bytes) -> None:
    _lots("lots.csv", data)


def fuzz_csv_body(data: bytes) -> None:
    _lots("lots.csv", b"lot_id,lon,lat,pour_date,slab_width_ft,foundation_type\n" + data)


def fuzz_wkt(data: bytes) -> None:
    text = io.StringIO()
    csv.writer(text).writerows([["lot_id", "geometry"], ["1", data.decode("utf-8", "ignore")]])
    _lots("lots.csv", text.getvalue().encode(), crs="EPSG:4326")


def fuzz_date(data: bytes) -> None:
    import pandas as pd

    from riskmap.lots import pour_date

    text = data.decode("utf-8", "ignore")
    first, last, basis, rule = pour_date.read_text(text, 2035)
    assert bool(rule) <= (basis == "none")
    assert basis == "none" or 12 * 1850 <= first <= last < 12 * 2036, (text, first, last)
    parts = text.split("|")
    frame = pd.DataFrame({name: [parts[i % len(parts)]] for i, name in enumerate(
        ("pour_date", "pour_date_early", "pour_date_late", "pour_date_basis"))})
    window = pour_date.windows(frame, 1950, TODAY)
    assert (window.early <= window.late).all()


def fuzz_number(data: bytes) -> None:
    parts = (data.decode("utf-8", "ignore").replace("\x00", "").split("|") * 3)[:3]
    text = io.StringIO()
    csv.writer(text).writerows([["lot_id", "lon", "lat", "slab_width_ft", "slab_length_m", "beam_depth_in"],
                                ["1", "-98", "37", *parts]])
    raw = _lots("lots.csv", text.getvalue().encode())
    import numpy as np

    assert not np.isinf(raw[["slab_width_m", "slab_length_m", "beam_depth_mm"]].to_numpy(dtype=float)).any()


def fuzz_id(data: bytes) -> None:
    ids = [re.sub(r"[\r\n\x00]", "", part) for part in data.decode("utf-8", "ignore").split("|")][:20]
    text = io.StringIO()
    csv.writer(text, quoting=csv.QUOTE_ALL).writerows([["lot_id", "lon", "lat"], *([i, "-98", "37"] for i in ids)])
    raw = _lots("lots.csv", text.getvalue().encode())
    assert raw["lot_id"].tolist() == ids, "an identifier changed"


def fuzz_zip(data: bytes) -> None:
    _lots("lots.zip", data)


def fuzz_soil_zip(data: bytes) -> None:
    from riskmap.layers import soil_ssurgo

    (WORK / "soil.zip").write_bytes(data)
    area = _area()
    soil_ssurgo.read(area.soil, area)


def fuzz_soil_table(data: bytes) -> None:
    """Put the input in place of the horizon table of the example's soil download."""
    from riskmap.layers import soil_ssurgo

    if not (WORK / "soil_start").is_dir():
        with zipfile.ZipFile(EXAMPLE / "soil_ZZ901.zip") as opened:
            opened.extractall(WORK / "soil_start")
    next(p for p in (WORK / "soil_start").rglob("chorizon.txt")).write_bytes(data)
    area = _area()
    entry = area.soil.model_copy(update={"path": Path("soil_start")})
    soil_ssurgo.read(entry, area)


def fuzz_geojson(data: bytes) -> None:
    _lots("lots.geojson", data)


def fuzz_kml(data: bytes) -> None:
    _lots("lots.kmz" if data.startswith(b"PK") else "lots.kml", data)


def fuzz_drought(data: bytes) -> None:
    from riskmap.common.settings import DroughtEntry
    from riskmap.layers import drought_weekly

    (WORK / "usdm_20251028.geojson").write_bytes(data)
    drought_weekly.read(DroughtEntry(path=Path("usdm_20251028.geojson")), _area())


def fuzz_climate(data: bytes) -> None:
    from riskmap.common.settings import ClimateEntry
    from riskmap.layers import climate_monthly

    path = Path("climate.csv.gz" if data.startswith(b"\x1f\x8b") else "climate.csv")
    (WORK / path).write_bytes(data)
    climate_monthly.read(ClimateEntry(reader="csv", path=path, cell="Z01", latitude_deg=37.0), _area())


def fuzz_noaa(data: bytes) -> None:
    from riskmap.common.settings import ClimateEntry
    from riskmap.layers import climate_monthly

    rain, _, warmth = data.partition(b"|")
    (WORK / "rain.txt").write_bytes(rain)
    (WORK / "warmth.txt").write_bytes(warmth)
    entry = ClimateEntry(reader="noaa_fixed_width", cell="4101", latitude_deg=32.0,
                         path={"precipitation": Path("rain.txt"), "temperature": Path("warmth.txt")})
    climate_monthly.read(entry, _area())


def fuzz_toml(data: bytes) -> None:
    from riskmap.common import settings

    (WORK / "area.toml").write_bytes(data)
    settings.load(WORK / "area.toml")


def fuzz_case(data: bytes) -> None:
    from riskmap.evidence.known_answers import case_file

    path = WORK / ("cases.json.gz" if data.startswith(b"\x1f\x8b") else "cases.json")
    path.write_bytes(data)
    made = case_file.compared(path)
    json.loads(made.as_json())
    made.text()


def fuzz_gpkg(data: bytes) -> None:
    _lots("lots.gpkg", data)


def fuzz_parquet(data: bytes) -> None:
    _lots("lots.parquet", data)


def _survey(name: str, content: bytes) -> None:
    """Read readings of a house, reduce them and compare them; what comes out is finite."""
    import datetime

    import numpy as np

    from riskmap.answers.survey import drawing, expected, files, house_survey, levels

    (WORK / name).write_bytes(content)
    read = house_survey.read(WORK / name, house=None, reference=None, lot=None, latest=datetime.date(2026, 11, 30))
    made = read.levels
    assert np.isfinite(made.points[["x_m", "y_m", "raw_mm", "level_mm", "sd_mm"]].to_numpy(float)).all()
    assert made.sigma_mm <= levels.READING_SD_MM, "a misfit widened the reading error"
    answer = expected.against(made, {"bend_now_mm": 20.0, "bend_now_mm_p10": 5.0,
                                     "bend_now_mm_p90": 40.0}, name, read.doubts)
    assert answer.answer == "cannot tell" or not (made.doubts or read.doubts)
    expected.unlike_any_dome(made, name)
    traced = drawing.contours(made, 5.0)
    for table in (made.points, made.residuals, levels.worst(made), traced):
        files.csv_of(table, True, ("caution",))
    json.dumps(drawing.geojson(traced, -99.0, 31.0, 30.0, ()), allow_nan=False)


def fuzz_survey(data: bytes) -> None:
    _survey("house.csv", data)


def fuzz_survey_workbook(data: bytes) -> None:
    """Put the input in place of the sheet of a workbook, whose checksum would stop it otherwise."""
    if not data.startswith(b"PK"):
        made = io.BytesIO()
        with zipfile.ZipFile(io.BytesIO(_workbook(b"point\n1\n"))) as old, zipfile.ZipFile(made, "w") as new:
            for name in old.namelist():
                new.writestr(name, data if name.endswith("sheet1.xml") else old.read(name))
        data = made.getvalue()
    _survey("house.xlsx", data)


def fuzz_listing(data: bytes) -> None:
    """Screen a list: every row comes back, in its order."""
    from invented_results import results

    from riskmap.answers import screen, screen_table

    kind = {b"PK": "xlsx", b"{": "geojson", b"<": "kml"}.get(data[:2] if data[:1] == b"P" else data[:1], "csv")
    path = WORK / f"list.{kind}"
    path.write_bytes(data)
    listing = screen.read(path, {})
    if not _kept:
        _kept.append(results())
    done = screen.screen(_kept[0], listing)
    assert len(done.rows) == len(listing.table), f"{len(listing.table)} rows in, {len(done.rows)} out"
    screen_table._csv(done.rows, WORK / "screened.csv")
    screen.in_order(done)


def fuzz_bands(data: bytes) -> None:
    from riskmap.answers import screen

    (WORK / "bands.toml").write_bytes(data)
    screen.bands(WORK / "bands.toml")


def fuzz_calibration_table(data: bytes) -> None:
    import numpy as np

    from riskmap.answers.calibration import files, surveys

    (WORK / "surveys.csv").write_bytes(data)
    table, _ = surveys.read(WORK / "surveys.csv")
    used = table[table["why"] == ""]
    assert np.isfinite(used[["value_mm", "reading_sd_mm"]].to_numpy(float)).all()
    assert not used.duplicated(["lot_id", "kind", "first_month", "second_month"]).any()
    files._csv(table)


def fuzz_calibration_model(data: bytes) -> None:
    from riskmap.answers.calibration import model_file

    (WORK / "calibration.json").write_bytes(data)
    model_file.read(WORK / "calibration.json")


_kept: list[object] = []  # what is slow to make and the same for every input
TARGETS: dict[str, Callable[[bytes], None]] = {
    name.removeprefix("fuzz_"): target for name, target in list(globals().items()) if name.startswith("fuzz_")}


# ---------------------------------------------------------------- where it starts
def _shapefile_zip() -> bytes:
    import geopandas as gpd
    from shapely.geometry import box

    frame = gpd.GeoDataFrame({"lot_id": ["007", "NA"]}, geometry=[box(-98, 37, -97.999, 37.001)] * 2, crs="EPSG:4326")
    frame.to_file(WORK / "seed.shp")
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as made:
        for part in sorted(WORK.glob("seed.*")):
            made.write(part, part.name)
    return packed.getvalue()


def _layer(kind: str) -> bytes:
    import geopandas as gpd
    from shapely.geometry import box

    frame = gpd.GeoDataFrame({"lot_id": ["007", "1E5"], "pour_date": ["1985", ""], "slab_width_m": [9.5, None]},
                             geometry=[box(-98, 37, -97.999, 37.001), None], crs="EPSG:4326")
    path = WORK / f"seed.{kind}"
    frame.to_parquet(path) if kind == "parquet" else frame.to_file(path)
    return path.read_bytes()


def _geojson(properties: str) -> bytes:
    ring = "[[-98,37],[-97.999,37],[-97.999,37.001],[-98,37]]"
    return (f'{{"type":"FeatureCollection","features":[{{"type":"Feature","properties":{properties},'
            f'"geometry":{{"type":"Polygon","coordinates":[{ring}]}}}}]}}').encode()


def _kml(packed: bool) -> bytes:
    text = (b'<?xml version="1.0" encoding="UTF-8"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document><Folder>'
            b'<Placemark><name>007</name><ExtendedData><Data name="pour_date"><value>1985</value></Data></ExtendedData>'
            b'<Polygon><outerBoundaryIs><LinearRing><coordinates>-98,37,0 -97.999,37,0 -97.999,37.001,0 -98,37,0'
            b'</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark><Placemark><MultiGeometry><Point>'
            b'<coordinates>-98,37</coordinates></Point></MultiGeometry></Placemark></Folder></Document></kml>')
    if not packed:
        return text
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as opened:
        opened.writestr("doc.kml", text)
    return made.getvalue()


def _workbook(text: bytes) -> bytes:
    import openpyxl

    book = openpyxl.Workbook()
    for row in csv.reader(io.StringIO(text.decode())):
        book.active.append(row)
    made = io.BytesIO()
    book.save(made)
    return made.getvalue()


def _sheet(text: bytes) -> bytes:
    """Return the sheet of a workbook with texts in the cells themselves."""
    rows = "".join("<row>" + "".join(f'<c t="inlineStr"><is><t>{cell}</t></is></c>' for cell in row) + "</row>"
                   for row in csv.reader(io.StringIO(text.decode())))
    return ('<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
            f'{rows}<row r="90"><c r="A90"><v>1.5</v></c></row></sheetData></worksheet>'
            ).encode()


def _model(**changed: object) -> bytes:
    """Return a calibration that is off, in the form in which `calibrate` writes it."""
    layer = {"on": False, "blocked_error_mm": None, "random_error_mm": 4.5, "gain": -0.1, "gain_sd": 0.2,
             "coverage": 0.8, "coverage_scaled": None, "range_scale": 1.0}
    counts = dict.fromkeys(("rows", "compared", "changes", "singles", "quarantined", "not_used", "houses", "blocks"), 2)
    weights = {"weight": [], "effective_sample_size": 0.0, "effective_sample_size_untempered": 0.0, "exponent": 1.0,
               "discrepancy_share": 0.3, "near_share": 0.5}
    return json.dumps({
        "format": "riskmap-calibration", "version": 1, "riskmap": "0.9", "correlation_range_m": 500.0, "counts": counts,
        "run": {"area": "Example town", "today": "2025-10", "code": "a (b)", "settings_sha256": "0" * 64},
        "uncalibrated_error_mm": 7.5, "constant_error_mm": None, "coverage_uncalibrated": 0.7, "physical": layer,
        "weights": weights, "statistical": layer, "terms": [], "coefficients_mm": [], "penalty": 0.0,
        "parameters": [{"name": "restraint", "unit": "", "before": [0.1, 0.2, 0.3], "after": [0.1, 0.2, 0.3]}],
        "sources": [{"name": "source 1", "rows": 2, "moves_mm": 0.1, "moves_share_of_range": 0.1, "offset_sd": 0.0,
                     "gains_without": None}], "quarantined": [{"row": 4, "robust_z": 5.5}],
        "refused": [{"code": "E-CAL-100", "layer": "physical", "text": "too few houses"}], **changed}).encode()


def seeds(name: str) -> list[bytes]:
    """Return inputs that the reader accepts, or nearly."""
    dates = ["1985", "1985-03", "1985-03-09", "1985/1988", "~1987", "2/3/1985", "1985-02-30", "9999", "1987.0",
             "1985|1980|1990|plat", "1985-03-09T00:00:00Z", ""]
    numbers = ["30|40|24", "9.5|12|610", "12 1/2|12'6\"|24 3/8", "1e308|-1|inf", "1,5|NaN|", "0x1F|١٢|１２"]
    ids = ["007|1E5|NA|12345678901234567|", "=1+1|a b| x ", "ünï|\u202egnp|é"]
    csv_seed = b"lot_id,lon,lat,pour_date,slab_width_ft,foundation_type\n007,-98,37,1985,30,slab\n\"a,b\",-98,37,,,\n"
    house = b"point,x_ft,y_ft,elevation_in,zero,floor,exclude,date\n" + b"".join(
        b"P%d,%d,%d,%.1f,1,tile,,2026-03-02\n" % (k, 8 * (k % 4), 8 * (k // 4), 0.3 * (k % 3)) for k in range(12))
    ties = house + b"P3,,,1.4,2,tile,,2026-03-02\nP5,,,2,2,carpet,,\nP5,,,1 1/2,1,carpet,,\nQ,30,9,1\xc2\xbd,2,tile,"
    ties += b"porch,\n"
    wide = b'house,xy_unit,elevation_unit,"A@0,0","B@10,0","C@0,9",date\n7,ft,in,0,1 1/2,35 mm,2026-03-02\n'
    datum = house.replace(b"elevation_in", b"elevation_m").replace(b",0.", b",187.")
    listed = b"parcel,lot_id,lon,lat,price\n1,0000003,,,1.5\n2,,-98.0005,37.0005,+3\n3,=1+1,,,\n4,0000003,-98,37,x\n"
    fitted = (b"lot_id,first_date,second_date,change_mm,dome_mm,reading_sd_mm,source,block,exclude,unit\n"
              b"A,2023-01,2024-01,4,,,Jo,n,,mm\nA,2023-01,,,10,2,Jo,n,,\nA,2024-01,,,14,,Al,n,,\n"
              b"B,2024-01-05,,,-3,,,s,piers,\n")
    soil = EXAMPLE / "soil_ZZ901.zip"
    monthly = b"\n".join((EXAMPLE / "climate.csv").read_bytes().splitlines()[:40])
    if name in ("csv", "csv_body"):
        return [csv_seed if name == "csv" else csv_seed.split(b"\n", 1)[1], b"\xef\xbb\xbf" + csv_seed,
                csv_seed.replace(b",", b";"), b"lot_id\twkt\n1\tPOINT (1 2)\n", csv_seed.replace(b"\n", b"\r\n")]
    if name == "soil_table":
        with zipfile.ZipFile(soil) as opened:
            member = next(m for m in opened.namelist() if m.endswith("chorizon.txt"))
            return [b"\n".join(opened.read(member).splitlines()[:4]) + b"\n"]
    return {
        "wkt": lambda: [b"POLYGON ((-98 37, -97.999 37, -97.999 37.001, -98 37))", b"MULTIPOLYGON EMPTY",
                        b"GEOMETRYCOLLECTION (POINT (1 2), LINESTRING (1 2, 3 4))",
                        b"POLYGON Z ((0 0 1,1 0 1,1 1 1,0 0 1))",
                        b"CURVEPOLYGON (CIRCULARSTRING (0 0, 1 1, 2 0, 1 -1, 0 0))"],
        "date": lambda: [text.encode() for text in dates],
        "number": lambda: [text.encode() for text in numbers],
        "id": lambda: [text.encode() for text in ids],
        "zip": lambda: [_shapefile_zip()],
        "soil_zip": lambda: [soil.read_bytes()],
        "geojson": lambda: [_geojson('{"lot_id":"007","pour_date":"1985","slab_width_m":9.5}'),
                            _geojson('{"lot_id":12345678901234567}')],
        "kml": lambda: [_kml(packed=False), _kml(packed=True), _kml(packed=False).replace(
            b"?>", b'?><!DOCTYPE kml [<!ENTITY a "b">]>')],
        "drought": lambda: [_geojson('{"DM":2}'), _geojson('{"category":"D4","valid_date":"2025-10-28"}')],
        "climate": lambda: [monthly, gzip.compress(monthly, mtime=0)],
        "noaa": lambda: [b"01001011895" + b"   7.03" * 12 + b"\n|01001021895" + b"  44.00" * 12 + b"\n"],
        "toml": lambda: [(EXAMPLE / "area.toml").read_bytes()],
        "case": lambda: [json.dumps({"format_version": 2, "drivers": {}, "cases": []}).encode(),
                         gzip.compress(b"{}", mtime=0)],
        "gpkg": lambda: [_layer("gpkg")],
        "parquet": lambda: [_layer("parquet")],
        "survey": lambda: [house, ties, wide, datum, house.replace(b"1,tile", b"2,\xc3\xbc")],
        "survey_workbook": lambda: [_workbook(house), _sheet(house), _sheet(ties)],
        "listing": lambda: [listed, listed.replace(b",", b";"), _geojson('{"lot_id":"0000003"}'), _kml(packed=False),
                            _workbook(listed)],
        "bands": lambda: [b"movement_mm = [5, 10, 20, 35]\n"],
        "calibration_table": lambda: [fitted, fitted.replace(b"_mm", b"_in").replace(b",mm\n", b",in\n")],
        "calibration_model": lambda: [_model(), _model(terms=["age"], coefficients_mm=[1.5]), _model(version=2)],
    }[name]()


# ---------------------------------------------------------------- the oracle
_seen: set[str] = set()


def _report(name: str, data: bytes, kind: str, details: str) -> None:
    """Print a finding once and keep its input."""
    if kind in _seen:
        return
    _seen.add(kind)
    FINDINGS.mkdir(parents=True, exist_ok=True)
    kept = FINDINGS / f"{name}_{hashlib.sha256(data).hexdigest()[:12]}"
    kept.write_bytes(data)
    sys.stderr.write(f"FINDING {name}: {kind}\n  input {data[:200]!r}\n  kept as {kept}\n{details}\n")
    sys.stderr.flush()


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def judged(name: str, data: bytes) -> None:
    """Run one input and report what breaks the oracle."""
    from riskmap.common.errors import RiskmapError

    before, began = _peak_mb(), time.process_time()  # not by the wall: the computer may be busy
    try:
        with _quiet():
            TARGETS[name](data)
    except RiskmapError:
        pass
    except Exception as error:
        frames = [f for f in traceback.extract_tb(error.__traceback__) if "riskmap" in Path(f.filename).parts]
        where = f"{Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else "outside riskmap"
        _report(name, data, f"{type(error).__name__} at {where}", traceback.format_exc())
    seconds, grown = time.process_time() - began, _peak_mb() - before
    if seconds > SECONDS:
        _report(name, data, "too slow", f"{seconds:.1f} s")
    if grown > MEGABYTES:
        _report(name, data, "too much memory", f"{grown:.0f} MB")


def _option(options: list[str], name: str, default: int) -> int:
    return next((int(option.split("=", 1)[1]) for option in options if option.startswith(f"-{name}=")), default)


def fuzz(name: str, options: list[str]) -> None:
    """Fuzz one target; does not return where atheris does the work."""
    logging.disable(logging.CRITICAL)
    if importlib.util.find_spec("atheris") is None:
        import by_mutation

        for seed in seeds(name):  # imports inside functions happen now, not on the fuzzer's clock
            with contextlib.suppress(Exception), _quiet():
                TARGETS[name](seed)
        by_mutation.fuzz(seeds(name), lambda data: judged(name, data), _option(options, "max_total_time", 30),
                         _option(options, "runs", 2**62), _option(options, "seed", 1))
        return
    import atheris

    corpus = WORK / "corpus"
    corpus.mkdir()
    for k, seed in enumerate(seeds(name)):
        (corpus / f"seed_{k}").write_bytes(seed)
    with atheris.instrument_imports(include=["riskmap"]):
        import riskmap.evidence.known_answers.case_file  # noqa: F401
    for seed in seeds(name):  # imports inside functions happen now, not on the fuzzer's clock
        with contextlib.suppress(Exception), _quiet():
            TARGETS[name](seed)
    limits = ["-timeout=20", "-rss_limit_mb=4096", "-max_len=131072"]
    atheris.Setup([sys.argv[0], "-print_final_stats=1", *limits, *options, str(corpus)],
                  lambda data: judged(name, data))
    atheris.Fuzz()


def _started(arguments: list[str], folder: str, **how: object):  # type: ignore[no-untyped-def]
    work = tempfile.mkdtemp(dir=folder)
    env = {**os.environ, "RISKMAP_FUZZ_WORK": work}
    return subprocess.Popen([sys.executable, __file__, *arguments], env=env, **how)


def fuzz_all(seconds: int, names: list[str], folder: str) -> int:
    """Fuzz every target for a while and print a table; 1 when there was a finding."""
    total, findings, spent = 0, 0, 0.0
    for name in names:
        began = time.perf_counter()
        running = _started([name, f"-max_total_time={seconds}", "-seed=1"], folder, stdout=subprocess.DEVNULL,
                           stderr=subprocess.PIPE, text=True, errors="replace")
        said = running.communicate()[1]
        spent += time.perf_counter() - began
        count = re.search(r"number_of_executed_units:\s*(\d+)", said)
        found = re.findall(r"^FINDING .*?(?=^(?:FINDING|#|stat::|INFO)|\Z)", said, flags=re.M | re.S)
        if running.returncode or not count:
            found.append(f"the fuzzer stopped with {running.returncode}:\n{said[-3000:]}")
        total, findings = total + int(count[1]) if count else total, findings + len(found)
        sys.stdout.write(f"{name:<12} {count[1] if count else '?':>9} inputs  {len(found)} findings\n")
        sys.stdout.write("".join(f"{text}\n" for text in found))
        sys.stdout.flush()
    sys.stdout.write(f"{total} inputs in {spent / 60:.1f} minutes, {findings} findings\n")
    return int(findings > 0)


def main(arguments: list[str]) -> int:
    """Run one target or all; the fuzzer ends its process itself, so every target runs in one of its own."""
    if not arguments or (arguments[0] != "all" and arguments[0] not in TARGETS):
        sys.stderr.write(f"{__doc__}\ntargets: {' '.join(TARGETS)}\n")
        return 2
    if "--seconds" in arguments[1:-1]:
        at = arguments.index("--seconds")
        arguments[at:at + 2] = [f"-max_total_time={arguments[at + 1]}"]
    if "RISKMAP_FUZZ_WORK" in os.environ:
        fuzz(arguments[0], arguments[1:])
        return 0
    with tempfile.TemporaryDirectory(prefix="riskmap_fuzz_", dir=IN_MEMORY) as folder:
        if arguments[0] == "all":
            return fuzz_all(int(arguments[1]) if len(arguments) > 1 else 30, arguments[2:] or list(TARGETS), folder)
        return _started(arguments, folder).wait()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
