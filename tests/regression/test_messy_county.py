"""A lot file as counties have it (invented): slivers, vacant rows, stacked units. Every row is answered."""

from __future__ import annotations

import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from changed_areas import write_area
from shapely.geometry import Point, box

from riskmap.common import settings, tables
from riskmap.common.results import Results
from riskmap.run import check, flow

# kind of row -> how many, state of each of them ("" where it has a number)
KINDS: dict[str, tuple[int, str]] = {
    "house": (60, ""), "stacked unit on one lot": (24, ""), "no year and no foundation": (18, ""),
    "point": (10, ""), "long lot 5 m wide": (6, ""), "foundation vacant, land use a house": (7, "no_house_known"),
    "land use vacant": (21, "no_house_known"), "vacant and year 0": (14, "no_house_known"),
    "vacant point": (3, "no_house_known"), "strip 0.12 m wide": (30, "no_house_known"),
    "alley 3 m wide": (8, "no_house_known"), "shed lot of 25 m2": (5, "no_house_known"),
    "pier on a strip": (4, "not_applicable"), "pier on a vacant lot": (2, "not_applicable"),
    "pier outside the soil map": (2, "outside_coverage"), "strip outside the soil map": (3, "outside_coverage"),
    "poured later": (5, "not_yet_poured"), "strip poured later": (2, "no_house_known"),
    "no shape": (4, "unmatched"), "line, vacant": (3, "unmatched"),
    "undescribed soil": (4, "not_enough_data"), "strip on undescribed soil": (2, "no_house_known"),
}


def row(kind: str, k: int, shape: shapely.Geometry, bare: shapely.Geometry) -> dict[str, object]:
    """Return a row of a kind: `shape` is a lot with a house, `bare` one whose soil is not described."""
    here = bare if "undescribed" in kind else shape
    x, y = here.representative_point().coords[0]
    if "outside" in kind:
        x += 200_000.0
    sides = {"strip": (0.12, 40.0), "alley": (3.0, 60.0), "shed": (5.0, 5.0), "long": (5.0, 70.0)}
    made = next((box(x, y, x + w, y + h) for word, (w, h) in sides.items() if word in kind), here)
    if "point" in kind:
        made = Point(x, y)
    elif "line" in kind:
        made = shapely.Polygon([(x, y), (x + 9, y + 9), (x + 18, y + 18)])
    elif kind == "pier outside the soil map":
        made = box(x, y, x + 20, y + 30)
    undated = kind in ("no year and no foundation", "vacant and year 0")
    year = "0" if undated else "2026-03" if "later" in kind else "1994"
    foundation = {"no year and no foundation": "", "foundation vacant, land use a house": "Vacant"}.get(
        kind, "pier and beam" if kind.startswith("pier") else "slab")
    vacant = "vacant" in kind and "foundation" not in kind
    return {"lot_id": f"{kind} {k}", "pour_date": year, "foundation_type": foundation,
            "land_use": "C1 VACANT LOT" if vacant else "A1 single family",
            "geometry": None if kind == "no shape" else made}


@pytest.fixture(scope="module")
def found(example: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Results]:
    lots = gpd.read_file(example / "lots.gpkg", layer="lots").iloc[::7]  # the rows are made from some of them
    place = tmp_path_factory.mktemp("county")
    whole = flow.assess(settings.load(write_area(example, place / "all", last="2025-08", lots=lots,
                                                 movement="draws = 20")))[0].lots
    houses = lots.geometry[(whole["state"] == "").to_numpy()].to_numpy()
    bare = lots.geometry[(whole["state"] == "not_enough_data").to_numpy()].to_numpy()
    stacked, rows = houses[0], []
    for kind, (count, _) in KINDS.items():
        for k in range(count):
            own = stacked if kind.startswith("stacked") else houses[(7 * len(rows) + k) % len(houses)]
            rows.append(row(kind, k, own, bare[k % len(bare)]))
    messy = gpd.GeoDataFrame(pd.DataFrame(rows), geometry="geometry", crs=lots.crs)
    messy = messy.iloc[np.random.default_rng(3).permutation(len(messy))].reset_index(drop=True)
    area = write_area(example, place / "messy", last="2025-08", lots=messy, movement="draws = 20")
    return area, flow.assess(settings.load(area))[0]


def of_kinds(results: Results) -> pd.DataFrame:
    """Return the number of rows of each kind and state."""
    kind = results.lots["lot_id"].str.rsplit(" ", n=1).str[0]
    return pd.crosstab(kind, results.lots["state"].where(results.lots["state"] != "", "(number)"))


def test_every_row_has_a_number_or_the_first_state_that_applies(found: tuple[Path, Results]) -> None:
    lots = found[1].lots
    assert len(lots) == sum(count for count, _ in KINDS.values())
    assert lots["lot_id"].is_unique
    assert set(lots["lot_id"]) == {f"{kind} {k}" for kind, (count, _) in KINDS.items() for k in range(count)}
    told = of_kinds(found[1])
    for kind, (count, state) in KINDS.items():
        assert told.loc[kind, state or "(number)"] == count, (kind, told.loc[kind].to_dict())
    tables.check(tables.ESTIMATE, lots)
    assert set(lots["state"]) == {"", *tables.STATES} - {"ambiguous"}  # that one belongs to lists
    assert lots.loc[lots["state"] != "", "state_reason"].ne("").all()


def test_stacked_units_share_one_estimate(found: tuple[Path, Results]) -> None:
    lots = found[1].lots
    units = lots[lots["lot_id"].str.startswith("stacked")]
    numbers = [name for name in units if name.endswith(("_mm", "_p10", "_p90"))]
    assert (units[numbers].nunique() == 1).all()


def test_the_check_counts_the_same_and_tells_of_rows_that_say_nothing(found: tuple[Path, Results]) -> None:
    report = check.check_area(found[0])
    told = {problem.code: problem.rule for problem in report.problems}
    usable = sum(count for count, state in KINDS.values() if state in ("", "not_enough_data"))
    assert f"18 of {usable} lots to be estimated have neither a pour date nor a foundation type" in told["W-LOT-045"]
    counts = found[1].lots["state"].value_counts()
    # soil and weather are known only in the run: lots that they refuse are still usable in the check
    assert report.lots["read"] == len(found[1].lots) == sum(n for name, n in report.lots.items() if name != "read")
    assert report.lots["unmatched"] == counts["unmatched"]
    assert report.lots["no_house_known"] == counts["no_house_known"] + KINDS["strip outside the soil map"][0]


if __name__ == "__main__":
    from tempfile import mkdtemp

    class _Folders:
        def mktemp(self, name: str) -> Path:
            return Path(mkdtemp())

    made = found.__wrapped__(Path(__file__).resolve().parents[2] / "layers" / "example", _Folders())
    sys.stdout.write(of_kinds(made[1]).reindex(list(KINDS)).to_string() + "\n")
    sys.stdout.write(made[1].lots["state"].value_counts().to_string() + "\n")
