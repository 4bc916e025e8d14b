"""What outlines of buildings say about slabs and about lots without a house."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
import shapely
from shapely.geometry import GeometryCollection, LineString, MultiPolygon, Point, Polygon, box

from riskmap.common.inputs import BuildingOutlines
from riskmap.common.month_numbers import parse_month
from riskmap.common.settings import LotSettings
from riskmap.lots import clean, footprints

CRS = "EPSG:5070"
X, Y = -230_000.0, 1_650_000.0
TODAY = parse_month("2025-10")
RECTANGLE = box(0, 0, 8, 18)
L_SHAPE = Polygon([(0, 0), (20, 0), (20, 8), (8, 8), (8, 20), (0, 20)])
T_SHAPE = Polygon([(0, 12), (0, 20), (20, 20), (20, 12), (14, 12), (14, 0), (6, 0), (6, 12)])
RING = Polygon(box(0, 0, 22, 22).exterior, [box(6, 6, 16, 16).exterior])


def at(shape: Any, x: float = 0.0, y: float = 0.0) -> Any:
    return shapely.transform(shape, lambda xy: xy + np.array([X + x, Y + y]))


def outlines(*shapes: Any, month: int | None = None, crs: str = CRS) -> BuildingOutlines:
    column = pa.array([shapely.to_wkb(shape) for shape in shapes], pa.binary())
    return BuildingOutlines(pa.chunked_array([column], pa.binary()), crs, "buildings.gpkg", month)


def measured(shapes: list[Any], lots: list[Any] | None = None) -> footprints.Footprints:
    """Return what outlines say of lots; without lots of one large lot around them."""
    lot = [box(X - 100, Y - 100, X + 100, Y + 100)] if lots is None else lots
    return footprints.of_lots(np.array(lot, dtype=object), np.zeros(len(lot), dtype=bool), outlines(*shapes), CRS)


def cleaned(lots: list[Any], buildings: BuildingOutlines | None, **columns: Any) -> tuple[pd.DataFrame, list[Any]]:
    n = len(lots)
    values = {"lot_id": [str(i) for i in range(n)], "source_row": np.arange(2, n + 2), "foundation_type": ["slab"] * n}
    raw = gpd.GeoDataFrame({**values, **columns}, geometry=gpd.GeoSeries(lots, crs=CRS), crs=CRS)
    return clean(raw, LotSettings(), CRS, TODAY, "lots.csv", buildings=buildings)


def street(count: int, *, empty: tuple[int, ...] = ()) -> tuple[list[Any], list[Any]]:
    """Return lots of 20 by 30 m in a row, and a house of 8 by 18 m on each that is not empty."""
    return ([at(box(20 * k, 0, 20 * k + 20, 30)) for k in range(count)],
            [at(RECTANGLE, 20 * k + 6, 6) for k in range(count) if k not in empty])


# The diameters are those of the design, measured on the same drawings; 0.05 is half of their last digit. An L of two
# arms of width w has 2 sqrt(2) w / (1 + sqrt(2)), a T 1.25 w, a ring as an L.
@pytest.mark.parametrize(("shape", "diameter"), [(RECTANGLE, 8.0), (L_SHAPE, 9.4), (T_SHAPE, 10.0), (RING, 7.0)])
def test_the_short_side_is_the_largest_circle_less_the_eaves(shape: Any, diameter: float) -> None:
    short, long_side = measured([at(shape)]).sides_m[0]
    assert short + 0.6 == pytest.approx(diameter, abs=0.05)
    assert long_side == pytest.approx(shape.area / short)


def test_of_two_houses_the_larger_one_counts() -> None:
    found = measured([at(RECTANGLE), at(box(30, 0, 42, 14))])
    assert found.sides_m[0, 0] == pytest.approx(12 - 0.6, abs=0.02)


def test_a_compact_plan_that_does_not_fill_its_box_has_no_long_side() -> None:
    """The plan factor of a slab without a long side is 1."""
    thin = shapely.union_all([box(0, 0, 10, 10), box(10, 4.8, 24, 5.2)])  # a house with a wall beside it
    short, long_side = measured([at(thin)]).sides_m[0]
    assert short == pytest.approx(9.4, abs=0.03)
    assert thin.area / (short * 24) < 0.8
    assert np.isnan(long_side)
    table, _ = cleaned([at(box(-5, -5, 30, 20))], outlines(at(thin)))
    assert table["plan_factor"][0] == 1.0
    square, _ = cleaned([at(box(-5, -5, 30, 20))], outlines(at(box(0, 0, 10, 10))))
    assert square["plan_factor"][0] == pytest.approx(0.94)  # 1.13 times as long as wide


def test_outlines_that_share_a_wall_are_one_building() -> None:
    house, garage = box(0, 0, 10, 9), box(0, 9.05, 10, 15)  # a gap of 5 cm between the two drawings
    one = measured([at(house), at(garage)])
    assert one.sides_m[0, 0] == pytest.approx(10 - 0.6, abs=0.02)
    apart = measured([at(house), at(shapely.affinity.translate(garage, 0, 1.0))])
    assert apart.sides_m[0, 0] == pytest.approx(9 - 0.6, abs=0.02)
    corner = measured([at(house), at(box(10, 9, 22, 13))])  # touches at a corner only
    assert corner.sides_m[0, 0] == pytest.approx(9 - 0.6, abs=0.02)


def test_an_outline_twice_in_the_file_counts_once() -> None:
    once, twice = measured([at(L_SHAPE)]), measured([at(L_SHAPE), at(L_SHAPE)])
    np.testing.assert_allclose(once.sides_m, twice.sides_m, rtol=1e-6)


def test_a_house_beyond_its_lot_belongs_to_the_lot_with_most_of_it() -> None:
    lots = [at(box(0, 0, 20, 30)), at(box(20, 0, 40, 30))]
    found = measured([at(RECTANGLE, 14, 5)], lots)  # 6 of 8 m on the first lot
    assert found.house.tolist() == [True, False]
    assert np.isfinite(found.sides_m[:, 0]).tolist() == [True, False]


def test_a_row_of_houses_drawn_as_one_gives_no_size_but_houses() -> None:
    lots = [at(box(10 * k, 0, 10 * k + 10, 30)) for k in range(4)]
    found = measured([at(box(0, 5, 40, 15))], lots)
    assert found.house.all()
    assert np.isnan(found.sides_m).all()
    assert found.across == 1


def test_rows_of_one_lot_each_have_its_building() -> None:
    lot = at(box(0, 0, 20, 30))
    assert np.isfinite(measured([at(RECTANGLE, 5, 5)], [lot, lot]).sides_m).all()


def test_sheds_and_walls_are_no_houses() -> None:
    found = measured([at(box(0, 0, 5, 5.9)), at(box(20, 0, 60, 3.5))])  # 29.5 m2; nowhere 4 m wide
    assert not found.house.any()
    assert found.small == 2


def test_a_point_takes_the_outline_around_it_unless_another_point_lies_in_it() -> None:
    lots = [Point(X + 4, Y + 4), Point(X + 90, Y + 4)]
    buildings = outlines(at(RECTANGLE))
    table, _ = cleaned(lots, buildings)
    assert table["half_width_basis"].tolist() == ["footprint", "unknown"]
    assert table["state"].tolist() == ["", ""]
    shared, _ = cleaned([lots[0], Point(X + 4, Y + 14)], buildings)
    assert shared["half_width_basis"].tolist() == ["unknown", "unknown"]


def test_faulty_shapes_are_repaired_or_passed_over_and_told() -> None:
    crossed = Polygon([(0, 0), (12, 12), (12, 0), (0, 12)])
    shapes = [at(crossed), at(LineString([(0, 0), (9, 9)])), Point(X, Y), Polygon(),
              GeometryCollection([at(MultiPolygon([box(40, 0, 50, 12), box(60, 0, 64, 4)]))])]
    table, problems = cleaned([at(box(-20, -20, 90, 60))], outlines(*shapes))
    assert table["half_width_basis"][0] == "footprint"
    assert 2 * table["half_width_m"][0] == 9.0  # 10 m less the eaves, in steps of 1 m
    told = {p.code: p.rule for p in problems if "-BLD-" in p.code}
    assert set(told) == {"W-BLD-010", "E-BLD-011"}
    assert "3 shapes are not usable as an outline" in told["E-BLD-011"]


def test_a_size_in_the_lot_file_goes_before_an_outline() -> None:
    lots, houses = street(3)
    table, problems = cleaned(lots, outlines(*houses), slab_width_m=[12.0, np.nan, 900.0])
    assert table["half_width_basis"].tolist() == ["given", "footprint", "footprint"]
    assert table["half_width_m"].tolist() == [6.0, 3.5, 3.5]  # 7.4 m, in steps of 1 m
    flags = [set(text.split(";")) for text in table["flags"]]
    assert ["slab_from_footprint" in each for each in flags] == [False, True, True]
    assert not any("slab_size_assumed" in each for each in flags)
    assert [p.code for p in problems] == ["E-LOT-016"]


def test_outlines_in_degrees_give_the_same_sizes() -> None:
    lots, houses = street(3)
    turned = [shapely.from_wkb(wkb) for wkb in gpd.GeoSeries(houses, crs=CRS).to_crs("EPSG:4326").to_wkb()]
    own = footprints.of_lots(np.array(lots, dtype=object), np.zeros(3, bool), outlines(*houses), CRS)
    other = footprints.of_lots(np.array(lots, dtype=object), np.zeros(3, bool), outlines(*turned, crs="EPSG:4326"), CRS)
    np.testing.assert_allclose(own.sides_m, other.sides_m, atol=0.02)


def test_an_empty_lot_among_houses_has_no_house() -> None:
    lots, houses = street(9, empty=(4,))
    table, problems = cleaned(lots, outlines(*houses))
    assert table["state"].tolist() == [""] * 4 + ["no_house_known"] + [""] * 4
    assert "buildings.gpkg shows no building on it" in table["state_reason"][4]
    assert problems == []


@pytest.mark.parametrize(("houses", "why"), [
    (street(9, empty=(2, 3, 4, 5, 6))[1], "of eight other lots four have a house: the layer may lack this street"),
    (street(9, empty=tuple(range(9)))[1], "the layer has nothing here"),
])
def test_where_the_layer_may_lack_houses_nothing_changes(houses: list[Any], why: str) -> None:
    lots, _ = street(9)
    table, problems = cleaned(lots, outlines(*houses))
    assert (table["state"] == "").all(), why
    assert [p.code for p in problems] == (["W-BLD-014"] if not houses else [])


def test_few_lots_near_say_nothing_of_the_layer() -> None:
    lots, houses = street(5, empty=(2,))  # four others, and five are wanted
    assert (cleaned(lots, outlines(*houses))[0]["state"] == "").all()


def test_what_speaks_for_a_house_keeps_the_estimate() -> None:
    lots, houses = street(9, empty=(4,))
    month = parse_month("2019-03")

    def state(buildings: BuildingOutlines, **columns: Any) -> tuple[str, list[str]]:
        table, problems = cleaned(lots, buildings, **columns)
        return table["state"][4], [p.code for p in problems]

    plain, dated = outlines(*houses), outlines(*houses, month=month)
    of_lot = lambda value: [""] * 4 + [value] + [""] * 4  # noqa: E731
    assert state(plain, slab_width_m=[np.nan] * 4 + [12.0] + [np.nan] * 4) == ("", [])
    assert state(dated, pour_date=of_lot("2021-05")) == ("", [])
    assert state(dated, pour_date=of_lot("2019")) == ("", [])  # may be of April 2019
    assert state(dated, pour_date=of_lot("1998")) == ("no_house_known", ["W-BLD-013"])
    assert state(plain, pour_date=of_lot("2021-05")) == ("no_house_known", ["W-BLD-013"])
    assert state(plain, pour_date=of_lot("2026-02")) == ("not_yet_poured", [])
    bow_tie = Polygon([(80, 0), (100, 30), (100, 0), (80, 30)])
    table, _ = cleaned([*lots[:4], at(bow_tie), *lots[5:]], plain)
    assert table["state"][4] == ""


def test_without_a_layer_every_column_is_as_before() -> None:
    lots, _ = street(3)
    first, second = cleaned(lots, None)[0], cleaned(lots, outlines())[0]
    pd.testing.assert_frame_equal(pd.DataFrame(first), pd.DataFrame(second))


def test_pieces_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    lots, houses = street(40, empty=(7, 20))
    garages = [shapely.affinity.translate(house, 8, 3) for house in houses]
    first = measured([*houses, *garages], lots)
    monkeypatch.setattr(footprints, "AT_ONCE", 7)
    second = measured([*houses, *garages], lots)
    for name in ("sides_m", "house", "covered"):
        np.testing.assert_array_equal(getattr(first, name), getattr(second, name))
    assert (first.small, first.across) == (second.small, second.across)
