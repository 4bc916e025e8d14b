"""A workbook of lots that is dropped into the window: its sheet is chosen on the page, and a refusal has its reason."""

from __future__ import annotations

import html
from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from window_client import Client, window


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Client, Path]]:
    root = tmp_path_factory.mktemp("workbook") / "areas"
    with window(root) as (client, _):
        yield client, root


def book(example: Path, path: Path) -> Path:
    """Write a workbook with lots of the example town on two sheets."""
    points = gpd.read_file(example / "lots.gpkg", layer="lots").iloc[:20].to_crs("EPSG:4326")
    middle = points.representative_point()
    rows = pd.DataFrame({"PARCEL": points["lot_id"], "Owner": "Canary", "Lon": middle.x, "Lat": middle.y,
                         "YEAR_BUILT": 1987})
    with pd.ExcelWriter(path) as made:
        rows.iloc[:12].to_excel(made, sheet_name="North", index=False)
        rows.iloc[12:].to_excel(made, sheet_name="South", index=False)
    return path


def test_a_workbook_is_taken_and_its_sheet_is_chosen_on_the_page(opened: tuple[Client, Path], example: Path,
                                                                 tmp_path: Path) -> None:
    client, root = opened
    weather = pd.read_csv(example / "climate.csv")
    weather[weather["cell_id"] == "Z01"].to_csv(tmp_path / "weather.csv", index=False)
    status, answer = client.give("/areas", book(example, tmp_path / "county.xlsx"), example / "soil_ZZ901.zip",
                                 tmp_path / "weather.csv", name="town")
    assert status == 200
    client.ended(client.job(answer))
    text = html.unescape(client.get("/areas/town"))
    assert "there is also files/county.xlsx, layer South" in text
    status, answer = client.send("/areas/town/lots", lots="files/county.xlsx, layer South")
    assert status == 200
    assert "It did not work." not in client.ended(client.job(answer))
    text = html.unescape(client.get("/areas/town"))
    assert "8 lots read" in text
    assert "there is also" not in text
    assert 'layer = "South"' in (root / "town" / "area.toml").read_text(encoding="utf-8")
    assert "Canary" not in text + (root / "town" / "area.toml").read_text(encoding="utf-8")


def test_a_workbook_with_a_password_is_said(opened: tuple[Client, Path], tmp_path: Path) -> None:
    client, _ = opened
    (tmp_path / "locked.xlsx").write_bytes(b"\xd0\xcf\x11\xe0" + "EncryptedPackage".encode("utf-16-le"))
    _, answer = client.give("/areas", tmp_path / "locked.xlsx")
    text = html.unescape(client.ended(client.job(answer)))
    assert "It did not work." in text
    assert "the workbook has a password. Open it, remove the password and save it as .xlsx." in text
