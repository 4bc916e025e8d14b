"""Coverage-guided fuzzing of everything that reads a user's file; run by hand, not part of the test suite.

    pip install atheris
    python tests/fuzz/fuzz_readers.py all 30        # 30 seconds for each target, a table at the end
    python tests/fuzz/fuzz_readers.py csv -runs=1000  # one target with the fuzzer's own options

Oracle: only the errors of `riskmap.errors` may leave a reader, no input takes more than 2 s or 512 MB. A finding is
printed with its traceback and its input is kept; the run goes on, so that one finding does not hide the next.
"""

from __future__ import annotations

import contextlib
import csv
import gzip
import hashlib
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
sys.path.insert(0, str(ROOT))
EXAMPLE = ROOT / "layers" / "example"
SECONDS, MEGABYTES = 2.0, 512
TODAY = 12 * 2025 + 9
FINDINGS = Path(os.environ.get("RISKMAP_FUZZ_FINDINGS", Path(tempfile.gettempdir()) / "riskmap_fuzz_findings"))
IN_MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None
WORK = Path(os.environ.get("RISKMAP_FUZZ_WORK", "."))  # set for every target by `main`


# ---------------------------------------------------------------- what is fuzzed
def _area(**lots: object):  # type: ignore[no-untyped-def]
    from riskmap.settings import Area

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
    from riskmap.layers import drought_weekly
    from riskmap.settings import DroughtEntry

    (WORK / "usdm_20251028.geojson").write_bytes(data)
    drought_weekly.read(DroughtEntry(path=Path("usdm_20251028.geojson")), _area())


def fuzz_climate(data: bytes) -> None:
    from riskmap.layers import climate_monthly
    from riskmap.settings import ClimateEntry

    path = Path("climate.csv.gz" if data.startswith(b"\x1f\x8b") else "climate.csv")
    (WORK / path).write_bytes(data)
    climate_monthly.read(ClimateEntry(reader="csv", path=path, cell="Z01", latitude_deg=37.0), _area())


def fuzz_noaa(data: bytes) -> None:
    from riskmap.layers import climate_monthly
    from riskmap.settings import ClimateEntry

    rain, _, warmth = data.partition(b"|")
    (WORK / "rain.txt").write_bytes(rain)
    (WORK / "warmth.txt").write_bytes(warmth)
    entry = ClimateEntry(reader="noaa_fixed_width", cell="4101", latitude_deg=32.0,
                         path={"precipitation": Path("rain.txt"), "temperature": Path("warmth.txt")})
    climate_monthly.read(entry, _area())


def fuzz_toml(data: bytes) -> None:
    from riskmap import settings

    (WORK / "area.toml").write_bytes(data)
    settings.load(WORK / "area.toml")


def fuzz_case(data: bytes) -> None:
    from riskmap.selftest import referee

    path = WORK / ("cases.json.gz" if data.startswith(b"\x1f\x8b") else "cases.json")
    path.write_bytes(data)
    with contextlib.redirect_stdout(io.StringIO()):
        referee.main(path)


def fuzz_gpkg(data: bytes) -> None:
    _lots("lots.gpkg", data)


def fuzz_parquet(data: bytes) -> None:
    _lots("lots.parquet", data)


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


def seeds(name: str) -> list[bytes]:
    """Return inputs that the reader accepts, or nearly."""
    dates = ["1985", "1985-03", "1985-03-09", "1985/1988", "~1987", "2/3/1985", "1985-02-30", "9999", "1987.0",
             "1985|1980|1990|plat", "1985-03-09T00:00:00Z", ""]
    numbers = ["30|40|24", "9.5|12|610", "12 1/2|12'6\"|24 3/8", "1e308|-1|inf", "1,5|NaN|", "0x1F|١٢|１２"]
    ids = ["007|1E5|NA|12345678901234567|", "=1+1|a b| x ", "ünï|\u202egnp|é"]
    csv_seed = b"lot_id,lon,lat,pour_date,slab_width_ft,foundation_type\n007,-98,37,1985,30,slab\n\"a,b\",-98,37,,,\n"
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
    from riskmap.errors import RiskmapError

    before, began = _peak_mb(), time.perf_counter()
    try:
        with _quiet():
            TARGETS[name](data)
    except RiskmapError:
        pass
    except Exception as error:
        frames = [f for f in traceback.extract_tb(error.__traceback__) if "riskmap" in Path(f.filename).parts]
        where = f"{Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else "outside riskmap"
        _report(name, data, f"{type(error).__name__} at {where}", traceback.format_exc())
    seconds, grown = time.perf_counter() - began, _peak_mb() - before
    if seconds > SECONDS:
        _report(name, data, "too slow", f"{seconds:.1f} s")
    if grown > MEGABYTES:
        _report(name, data, "too much memory", f"{grown:.0f} MB")


def fuzz(name: str, options: list[str]) -> None:
    """Fuzz one target; does not return."""
    import atheris

    logging.disable(logging.CRITICAL)
    corpus = WORK / "corpus"
    corpus.mkdir()
    for k, seed in enumerate(seeds(name)):
        (corpus / f"seed_{k}").write_bytes(seed)
    with atheris.instrument_imports(include=["riskmap"]):
        import riskmap.layers.climate_monthly
        import riskmap.layers.drought_weekly
        import riskmap.layers.lots
        import riskmap.layers.soil_ssurgo
        import riskmap.lots
        import riskmap.selftest.referee  # noqa: F401
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
    if "RISKMAP_FUZZ_WORK" in os.environ:
        fuzz(arguments[0], arguments[1:])
    with tempfile.TemporaryDirectory(prefix="riskmap_fuzz_", dir=IN_MEMORY) as folder:
        if arguments[0] == "all":
            return fuzz_all(int(arguments[1]) if len(arguments) > 1 else 30, arguments[2:] or list(TARGETS), folder)
        return _started(arguments, folder).wait()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
