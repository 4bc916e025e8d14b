"""What the fuzzer found: each input is refused in words. The inputs are as small as they could be made."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import pytest

from riskmap.answers import screen
from riskmap.common.errors import LayerError, SettingsError
from riskmap.common.settings import Area, ClimateEntry
from riskmap.evidence.known_answers import case_file
from riskmap.layers import climate_monthly, lots
from riskmap.layers.polygon_file import read_polygons

BAD_GZIP = b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\x00\x00\xae\x02\x00\x00\x00"  # a stored block whose length is a lie
OPEN_RING = ('{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"DM":2},"geometry":{"type":'
             '"Polygon","coordinates":[[[-99,37],[-97.999,37],[-97.999,37.001],[-98,37]]]}}]}')


def area(folder: Path, name: str) -> Area:
    return Area.model_validate({"name": "a", "folder": folder, "lots": {"path": name}, "soil": {"path": "s"}})


def test_zip_entry_without_a_name(tmp_path: Path) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as made:
        made.writestr(zipfile.ZipInfo(""), b"x")
    (tmp_path / "lots.zip").write_bytes(packed.getvalue())
    found = area(tmp_path, "lots.zip")
    with pytest.raises(LayerError, match="unsafe names"):
        lots.read(found.lots, found)


def test_no_rows_and_no_coordinate_system(tmp_path: Path) -> None:
    (tmp_path / "lots.csv").write_text("lot_id,wkt\n")
    found = area(tmp_path, "lots.csv")
    with pytest.raises(LayerError, match="no shape to judge by"):
        lots.read(found.lots, found)


def test_ring_that_is_not_closed(tmp_path: Path) -> None:
    (tmp_path / "usdm.geojson").write_text(OPEN_RING)
    with pytest.raises(LayerError, match="E-LAY-004"):
        read_polygons(tmp_path / "usdm.geojson", Path("usdm.geojson"))


def test_damaged_gzip(tmp_path: Path) -> None:
    for name in ("climate.csv.gz", "rain.gz", "cases.json.gz"):
        (tmp_path / name).write_bytes(BAD_GZIP)
    found = area(tmp_path, "lots.csv")
    monthly = ClimateEntry(reader="csv", path=Path("climate.csv.gz"), cell="Z01", latitude_deg=37.0)
    fixed = ClimateEntry(reader="noaa_fixed_width", cell="4101", latitude_deg=32.0,
                         path={"precipitation": Path("rain.gz"), "temperature": Path("rain.gz")})
    for entry in (monthly, fixed):
        with pytest.raises(LayerError, match=r"E-CLI-0[12]0"):
            climate_monthly.read(entry, found)
    with pytest.raises(LayerError, match="E-SLF-001"):
        case_file.load(tmp_path / "cases.json.gz")


@pytest.mark.parametrize("text", ['{"format_version": 2, "drivers": {}, "cases": [2]}',
                                  '{"format_version": 2, "drivers": {}, "cases": [{"id": "x"}]}',
                                  '{"format_version": 2, "drivers": {"x": {}}, "cases": []}',
                                  '{"format_version": 2, "drivers": {"x": 0}, "cases": []}'])
def test_case_file_with_broken_parts(text: str, tmp_path: Path) -> None:
    (tmp_path / "cases.json").write_text(text)
    with pytest.raises(LayerError, match="E-SLF-003"):
        case_file.compared(tmp_path / "cases.json")


@pytest.mark.parametrize("text", ["movement_mm = " + "[" * 5000, "movement_mm = [" + "9" * 5000 + "]"])
def test_bands_nested_too_deep_or_with_too_many_digits(text: str, tmp_path: Path) -> None:
    (tmp_path / "bands.toml").write_text(text)
    with pytest.raises(SettingsError, match="E-SCR-020"):
        screen.bands(tmp_path / "bands.toml")
