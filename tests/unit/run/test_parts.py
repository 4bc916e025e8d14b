"""Parts contain every lot once, neighbours together, and come back in the order of the input."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pyarrow as pa
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from riskmap.run import part_files


def lots(count: int, seed: int = 3) -> gpd.GeoDataFrame:
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 20_000, (2, count))
    shapes = shapely.box(x, y, x + 20, y + 30)
    return gpd.GeoDataFrame({"lot_row": np.arange(count)}, geometry=shapes, crs="EPSG:5070")


@given(st.integers(0, 60), st.integers(1, 70))
def test_every_row_is_in_one_part(count: int, size: int) -> None:
    rows = part_files.split(lots(count), size)
    assert np.array_equal(np.sort(np.concatenate(rows)), np.arange(count))
    assert all((np.diff(part) > 0).all() for part in rows)
    assert max(len(part) for part in rows) <= size
    assert max(len(part) for part in rows) - min(len(part) for part in rows) <= 1


def test_a_part_is_a_place() -> None:
    frame = lots(4000)
    whole = frame.total_bounds
    for part in part_files.split(frame, 250):
        west, south, east, north = frame.geometry.iloc[part].total_bounds
        assert (east - west) * (north - south) < 0.3 * (whole[2] - whole[0]) * (whole[3] - whole[1])


def test_lots_without_a_shape_come_last_and_stay_in_order() -> None:
    frame = lots(9)
    frame.loc[[1, 4], "geometry"] = None
    frame.loc[6, "geometry"] = shapely.Polygon()
    assert list(part_files.along_curve(frame)[-3:]) == [1, 4, 6]
    frame["geometry"] = None
    assert list(part_files.along_curve(frame)) == list(range(9))


def test_parts_are_geoparquet(tmp_path: Path) -> None:
    frame = lots(200)
    rows = part_files.split(frame, 60)
    paths = part_files.write_lots(frame, rows, tmp_path)
    for path, part in zip(paths, rows, strict=True):
        back = gpd.read_parquet(path)
        assert back.crs == frame.crs
        assert list(back["lot_row"]) == list(part)


@given(st.lists(st.integers(0, 3), max_size=40), st.integers(1, 15))
def test_rows_come_back_in_the_order_of_the_input(owner: list[int], step: int) -> None:
    import tempfile

    row = np.arange(len(owner), dtype=np.int64)
    with tempfile.TemporaryDirectory() as place:
        paths = [Path(place) / f"{k}.arrow" for k in range(4)]
        for k, path in enumerate(paths):
            mine = row[np.array(owner, dtype=int) == k]
            table = pa.table({"lot_row": mine, "text": pa.array([f"t{r}" for r in mine], pa.string())})
            part_files.write_rows(table, path, step)
        found = list(part_files.in_order(paths, step))
    assert np.concatenate([part["lot_row"].to_numpy() for part in found]).tolist() == row.tolist()
    assert [text for part in found for text in part["text"].to_pylist()] == [f"t{r}" for r in row]
    assert all(len(part) <= step for part in found)


def test_a_row_is_read_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    row = np.arange(1000, dtype=np.int64)
    paths = [tmp_path / "a.arrow", tmp_path / "b.arrow"]
    for k, path in enumerate(paths):
        part_files.write_rows(pa.table({"lot_row": row[row % 2 == k]}), path, 100)
    read: list[int] = []
    batch = part_files._batch
    monkeypatch.setattr(part_files, "_batch", lambda file, number: read.append(len(out := batch(file, number))) or out)
    assert sum(len(part) for part in part_files.in_order(paths, 100)) == 1000
    assert sum(read) == 1000
    assert max(read) == 50


def test_what_is_read_is_what_was_written(tmp_path: Path) -> None:
    table = pa.table({"lot_row": [3, 1], "text": ["a", None], "number": [float("nan"), None],
                      "box": [{"xmin": 1.0}, None]})
    part_files.write(table, tmp_path / "one.arrow")
    back = part_files.read(tmp_path / "one.arrow")
    assert back.schema == table.schema
    assert repr(back.to_pylist()) == repr(table.to_pylist())


@pytest.mark.parametrize("content", [b"", b"PAR1", b"ARROW1" + bytes(40)])
def test_another_file_is_not_taken_for_a_part(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "one.arrow").write_bytes(content)
    for reader in (part_files.read, part_files.check):
        with pytest.raises((OSError, ValueError)):
            reader(tmp_path / "one.arrow")
    part_files.write(pa.table({"lot_row": [1]}), tmp_path / "two.arrow")  # not made by write_rows
    with pytest.raises(ValueError, match=r"two\.arrow"):
        part_files.check(tmp_path / "two.arrow")
