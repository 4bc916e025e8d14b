"""Archives whose directory understates what is in them: what is read is counted, not believed."""

from __future__ import annotations

import io
import resource
import struct
import tracemalloc
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from riskmap.common.errors import LayerError
from riskmap.common.settings import Area
from riskmap.layers import lots, soil_ssurgo

BOMB_BYTES = 300_000_000
PROMISED = 1000


def lying_zip(names: list[str], content: bytes) -> bytes:
    """Return a zip whose directory and local headers promise `PROMISED` bytes for each entry."""
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as opened:
        for name in names:
            opened.writestr(name, content)
    raw = made.getvalue()
    return raw.replace(struct.pack("<I", len(content)), struct.pack("<I", PROMISED))


@pytest.fixture(scope="module")
def bomb() -> bytes:
    return lying_zip(["lots.shp", "lots.shx", "lots.dbf", "lots.prj"], bytes(BOMB_BYTES))


def _resident_mb() -> float:
    """Return the largest memory so far: what happens outside Python is seen only here."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


@contextmanager
def _at_most(count: int) -> Iterator[None]:
    """Fail when Python uses more than `count` bytes at one moment."""
    tracemalloc.start()
    try:
        yield
        assert tracemalloc.get_traced_memory()[1] < count, "it was unpacked"
    finally:
        tracemalloc.stop()


def _area(folder: Path, lot_file: str) -> Area:
    return Area.model_validate({"name": "a", "folder": folder, "lots": {"path": lot_file}, "soil": {"path": "s.zip"}})


def test_a_lying_shapefile_is_refused_without_unpacking(bomb: bytes, tmp_path: Path) -> None:
    (tmp_path / "lots.zip").write_bytes(bomb)
    area = _area(tmp_path, "lots.zip")
    before = _resident_mb()
    with pytest.raises(LayerError, match=r"E-LOT-00[12] lots\.zip"):
        lots.read(area.lots, area)
    assert _resident_mb() - before < BOMB_BYTES / 1e6 / 2, "it was unpacked"


def test_a_lying_kmz_is_refused_without_unpacking(tmp_path: Path) -> None:
    (tmp_path / "lots.kmz").write_bytes(lying_zip(["doc.kml"], b"<kml>" + bytes(BOMB_BYTES)))
    area = _area(tmp_path, "lots.kmz")
    with _at_most(BOMB_BYTES // 10), pytest.raises(LayerError, match=r"E-LOT-002 lots\.kmz"):
        lots.read(area.lots, area)


def test_a_lying_soil_download_is_refused_without_unpacking(tmp_path: Path, example: Path) -> None:
    with zipfile.ZipFile(example / "soil_ZZ901.zip") as opened:
        names = [entry.filename for entry in opened.infolist() if not entry.is_dir()]
    (tmp_path / "s.zip").write_bytes(lying_zip(names, bytes(BOMB_BYTES // 10)))
    area = _area(tmp_path, "lots.csv")
    with _at_most(BOMB_BYTES // 10), pytest.raises(LayerError, match=r"E-SOIL-\d+ s\.zip"):
        soil_ssurgo.read(area.soil, area)
