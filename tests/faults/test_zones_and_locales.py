"""The same numbers in every time zone and locale, also in the night when clocks change."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

from riskmap.run import folder as run_folder

ROOT = Path(__file__).resolve().parents[2]
LOTS = 12
PLACES = (("Pacific/Kiritimati", "de_DE.UTF-8"), ("America/Chicago", "C"), ("Pacific/Marquesas", "tr_TR.UTF-8"))


@pytest.fixture(scope="module")
def area(example: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    import geopandas as gpd

    folder = tmp_path_factory.mktemp("zones")
    points = gpd.read_file(example / "lots.gpkg", layer="lots").to_crs("EPSG:5070").centroid.to_crs("EPSG:4326")
    rows = [f"{k},{p.x:.6f},{p.y:.6f},1985-03-10" for k, p in enumerate(points[100: 100 + LOTS])]
    (folder / "lots.csv").write_text("\n".join(["lot_id,lon,lat,pour_date", *rows]), encoding="utf-8")
    text = (example / "area.toml").read_text(encoding="utf-8").replace('layer = "lots"\n', "", 1)
    for name in ("climate.csv", "climate_cells.gpkg", "drought_weekly.parquet", "spei_6.tif", "pdsi.tif",
                 "soil_ZZ901.zip", "buildings.parquet", "roads.geojson", "places.geojson"):
        text = text.replace(f'"{name}"', f'"{(example / name).as_posix()}"')
    (folder / "area.toml").write_text(text.replace('"lots.gpkg"', '"lots.csv"'), encoding="utf-8")
    return folder / "area.toml"


def _digest(area: Path, zone: str, locale: str) -> str:
    outputs = area.parent / f"{zone.replace('/', '_')}"
    # a program that honours the locale for numbers and case would change here: setlocale is called on purpose
    code = ("import locale, sys, contextlib\n"
            "with contextlib.suppress(locale.Error): locale.setlocale(locale.LC_ALL, '')\n"
            "from riskmap.cli.main import main; main()")
    done = subprocess.run(
        [sys.executable, "-c", code, "estimate", str(area), "--outputs", str(outputs), "--workers", "1"],
        env={**os.environ, "TZ": zone, "LC_ALL": locale, "LANG": locale}, capture_output=True, text=True, check=False,
        cwd=ROOT)
    assert done.returncode in (0, 1), done.stderr
    run = run_folder.latest(outputs)
    assert run is not None
    return hashlib.sha256((run / "lots.csv").read_bytes()).hexdigest()


def test_numbers_do_not_know_where_they_are_computed(area: Path) -> None:
    found = {place: _digest(area, *place) for place in PLACES}
    assert len(set(found.values())) == 1, found
