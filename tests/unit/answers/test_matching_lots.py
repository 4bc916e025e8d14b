"""Matching without an address: parcel id, point, own polygon, pin; none, one and several are three states."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from pyproj import Transformer
from shapely.geometry import LineString, MultiPoint, Point, Polygon, box

from riskmap.answers.matching import match, normal_id
from riskmap.common.errors import LayerError

X, Y = -230_000.0, 1_650_000.0
TO_DEGREES = Transformer.from_crs("EPSG:5070", "EPSG:4326", always_xy=True)


def at(x: float, y: float) -> tuple[float, float]:
    return TO_DEGREES.transform(X + x, Y + y)


def lots(*ids: str, shapes: list | None = None) -> gpd.GeoDataFrame:
    """Lots of 20 m x 30 m side by side, numbered from row 10."""
    shapes = shapes or [box(X + 20 * n, Y, X + 20 * n + 20, Y + 30) for n in range(len(ids))]
    return gpd.GeoDataFrame({"lot_row": np.arange(10, 10 + len(ids)), "lot_id": list(ids)}, geometry=shapes,
                            crs="EPSG:5070")


def by_id(wanted: str, *ids: str) -> pd.Series:
    return match(pd.DataFrame({"lot_id": [wanted]}), lots(*ids)).iloc[0]


@pytest.mark.parametrize("wanted", ["AB-012 3", "ab0123", " Ab 01-23 ", "AB\u20130123", "ab\u00a00123", "ＡＢ0123",
                                    "AB01\u200b23"])
def test_case_blanks_and_dashes_do_not_matter(wanted):
    row = by_id(wanted, "Ab-0123", "Ab-0124")
    assert (row["match_status"], row["lot_row"], row["matched_by"]) == ("matched", 10, "parcel id")
    assert row["lot_id"] == wanted
    assert row["lot_id_compared"] == "ab0123"


def test_the_id_as_written_goes_before_any_other_form():
    assert by_id("1-23", "12-3", "1-23")["lot_row"] == 11
    assert by_id("007", "7", "007")["lot_row"] == 11
    assert by_id("1-23", "12-3", "1-23")["match_note"] == ""


def test_leading_zeros_are_left_out_only_when_nothing_else_fits_and_never_silently():
    row = by_id("000123", "123", "1234")
    assert (row["match_status"], row["lot_row"]) == ("matched", 10)
    assert "without leading zeros" in row["match_note"]
    assert row["lot_id_compared"] == "000123"
    row = by_id("007", "7", "07")
    assert row["match_status"] == "ambiguous"
    assert pd.isna(row["lot_row"])
    assert "'7' (lot_row 10), '07' (lot_row 11)" in row["match_note"]


@pytest.mark.parametrize("wanted", ["1E5", "NA", "12345678901234567", "000", "nan", "-", "=1+1"])
def test_ids_are_texts(wanted):
    row = by_id(wanted, "100000", "", "12345678901234568", "0001", "1")
    assert row["match_status"] == "unmatched"
    assert by_id(wanted, wanted)["match_status"] == "matched"


@pytest.mark.parametrize("wanted", ["1.2345678901234568e+16", "100000.0", "1E+16"])
def test_ids_that_a_spreadsheet_spoilt_are_named(wanted):
    row = by_id(wanted, "12345678901234568", "100000", "1")
    assert row["match_status"] == "unmatched"
    assert "spreadsheet" in row["match_note"]


def test_lots_with_the_same_id_are_named_and_counted():
    row = by_id("7", "7", "7", "8")
    assert row["match_status"] == "ambiguous"
    assert "'7' (lot_row 10), '7' (lot_row 11)" in row["match_note"]
    row = by_id("7", *["7"] * 9)
    assert row["match_note"].endswith("(lot_row 13) and 5 more")


def test_points_inside_on_a_side_and_outside():
    where = [at(5, 5), at(20, 15), at(19.95, 15), at(19.8, 15), at(-50, 5), at(20, 30)]
    found = match(pd.DataFrame(where, columns=["lon", "lat"]), lots("a", "b", "c"))
    assert found["match_status"].tolist() == ["matched", "ambiguous", "ambiguous", "matched", "unmatched", "ambiguous"]
    assert found["lot_row"].tolist() == [10, pd.NA, pd.NA, 10, pd.NA, pd.NA]
    assert "shared side" in found["match_note"][1]
    assert "'a' (lot_row 10), 'b' (lot_row 11)" in found["match_note"][1]
    assert "in no lot" in found["match_note"][4]


def points_as_lots(*where: float) -> gpd.GeoDataFrame:
    """Lots that were given as points on a line, as cleaning leaves them: discs with their flag."""
    found = lots(*(f"P{k}" for k in range(len(where))), shapes=[Point(X + x, Y).buffer(1.0) for x in where])
    return found.assign(flags="point_lot;slab_size_assumed")


def test_a_point_beside_lots_that_are_points_names_the_nearest():
    asked = pd.DataFrame([at(0.5, 0), at(5, 0), at(40, 0), at(-5000, 0)], columns=["lon", "lat"])
    found = match(asked, points_as_lots(0, 100))
    assert found["match_status"].tolist() == ["matched", "unmatched", "unmatched", "unmatched"]
    assert found["match_note"][1] == "the point lies in no lot; the lots are points; nearest is 'P0', 5 m away"
    assert "'P0', 40 m" in found["match_note"][2]
    assert found["match_note"][3] == "the point lies in no lot"
    assert "nearest is 'a', 7.5 m away" in match(pd.DataFrame([at(-7.5, 5)], columns=["lon", "lat"]),
                                                 lots("a"))["match_note"][0]


def test_within_takes_one_lot_and_names_two():
    asked = pd.DataFrame([at(5, 0), at(50, 0), at(30, 0), at(0.5, 0)], columns=["lon", "lat"])
    found = match(asked, points_as_lots(0, 60, 100), within_m=35)
    assert found["match_status"].tolist() == ["matched", "matched", "ambiguous", "matched"]
    assert found["lot_row"].tolist() == [10, 11, pd.NA, 10]
    assert found["match_note"][0].endswith("nearest is 'P0', 5 m away: the only lot within 35 m")
    assert "2 lots lie within 35 m; fits 'P0' (lot_row 10), 'P1' (lot_row 11)" in found["match_note"][2]
    assert found["match_note"][3] == ""
    assert match(asked, points_as_lots(0, 60, 100))["match_status"].tolist() == ["unmatched"] * 3 + ["matched"]
    pins = match(gpd.GeoDataFrame(geometry=[Point(X + 5, Y)], crs="EPSG:5070"), points_as_lots(0, 60), within_m=35)
    assert pins["lot_row"].tolist() == [10]


def test_a_coordinate_with_exchanged_degrees_or_a_lost_sign_is_told_and_not_moved():
    lon, lat = at(5, 5)
    around = (lon - 0.1, lat - 0.1, lon + 0.1, lat + 0.1)
    asked = pd.DataFrame({"lon": [-lon, lat, lat, lon, 10.0], "lat": [lat, lon, -lon, lat, 10.0]})
    found = match(asked, lots("a"), coverage=around)
    assert found["match_status"].tolist() == ["unmatched"] * 3 + ["matched", "unmatched"]
    assert "a minus sign is lost: with it the place lies in the area of the lots" in found["match_note"][0]
    assert "longitude and latitude are swapped: exchanged" in found["match_note"][1]
    assert found["match_note"][2].count("minus sign is lost") == 1
    assert found["match_note"][4] == "the point lies in no lot"
    pins = gpd.GeoDataFrame(geometry=[Point(-lon, lat), Point(lon, lat)], crs="EPSG:4326")
    assert "minus sign" in match(pins, lots("a"), coverage=around)["match_note"][0]


def test_a_point_in_stacked_lots_is_ambiguous():
    stacked = lots("1A", "1B", shapes=[box(X, Y, X + 9, Y + 9)] * 2)
    found = match(pd.DataFrame([at(5, 5)], columns=["lon", "lat"]), stacked)
    assert found["match_status"].tolist() == ["ambiguous"]
    assert "'1A'" in found["match_note"][0]
    assert "'1B'" in found["match_note"][0]


def test_coordinates_that_are_no_place_are_unmatched():
    lon, lat = at(5, 5)
    rows = pd.DataFrame({"lon": [str(lon), str(lat), "98°36'W", "", "inf", None],
                         "lat": [str(lat), str(lon), str(lat), str(lat), "37", None]})
    found = match(rows, lots("a"))
    assert found["match_status"].tolist() == ["matched"] + ["unmatched"] * 5
    assert found["match_note"].iloc[1:5].str.contains("missing or out of range").all()
    assert "gives no parcel id" in found["match_note"][5]


def shape_of(*shapes):
    return match(gpd.GeoDataFrame(geometry=list(shapes), crs="EPSG:5070"), lots("a", "b", "c"))


def test_own_polygons_take_the_lot_that_covers_half_of_them():
    found = shape_of(box(X + 2, Y + 2, X + 18, Y + 20), box(X + 8, Y, X + 28, Y + 30), box(X + 10, Y, X + 30, Y + 30),
                     box(X - 90, Y, X - 50, Y + 30), box(X - 90, Y, X, Y + 30), box(X - 30, Y, X + 10, Y + 30),
                     box(X, Y, X + 60, Y + 30))
    assert found["match_status"].tolist() == ["matched", "matched", "ambiguous", "unmatched", "unmatched", "ambiguous",
                                              "ambiguous"]
    assert found["matched_by"][0] == "own polygon"
    assert found["match_note"][:2].tolist() == ["100 % of the polygon lies in it", "60 % of the polygon lies in it"]
    assert "several lots cover half" in found["match_note"][2]
    assert "no lot covers 50%" in found["match_note"][5]
    assert "'a' (lot_row 10)" in found["match_note"][5]  # a quarter of it: named, not taken
    assert found["match_note"][6].count("lot_row") == 3


def test_invalid_own_polygons_are_repaired():
    bow_tie = Polygon([(X + 1, Y + 1), (X + 9, Y + 9), (X + 9, Y + 1), (X + 1, Y + 9)])
    assert shape_of(bow_tie)["lot_row"].tolist() == [10]


def test_pins_and_shapes_that_are_neither():
    found = shape_of(Point(X + 5, Y + 5), Point(X + 20, Y + 5), LineString([(X, Y), (X + 9, Y + 9)]), None, Polygon(),
                     Point(np.nan, 1), MultiPoint([(X, Y), (X + 1, Y + 1)]))
    assert found["match_status"].tolist() == ["matched", "ambiguous"] + ["unmatched"] * 5
    assert found["matched_by"][0] == "pin"
    assert "neither a point nor a polygon" in found["match_note"][2]
    assert "gives no parcel id" in found["match_note"][3]


def test_every_route_finds_the_same_lot():
    lon, lat = at(30, 10)
    outline = box(lon - 2e-5, lat - 2e-5, lon + 2e-5, lat + 2e-5)
    rows = pd.DataFrame({"lot_id": ["b", "", "", ""], "lon": ["", lon, "", ""], "lat": ["", lat, "", ""],
                         "geometry": [None, None, Point(lon, lat), outline]})
    found = match(rows, lots("a", "b", "c"))
    assert found["lot_row"].tolist() == [11] * 4
    assert found["matched_by"].tolist() == ["parcel id", "point", "pin", "own polygon"]


def test_a_lot_must_fit_everything_that_the_row_gives():
    inside_a, inside_b, nowhere = at(5, 5), at(25, 5), at(-90, 5)
    rows = pd.DataFrame([("a", *inside_a), ("a", *inside_b), ("x", *inside_a), ("00a", *nowhere)],
                        columns=["lot_id", "lon", "lat"])
    found = match(rows, lots("a", "b", "a"))
    assert found["match_status"].tolist() == ["matched", "ambiguous", "unmatched", "unmatched"]
    assert found["matched_by"][0] == "parcel id and point"  # the point decides between the two lots called a
    assert "'a' (lot_row 10)" in found["match_note"][1]
    assert "'b' (lot_row 11)" in found["match_note"][1]
    assert "'a' (lot_row 10)" in found["match_note"][2]
    assert "in no lot" in found["match_note"][3]  # leading zeros had to be left out: such an id does not decide alone


def test_an_exact_id_wins_over_a_point_on_the_street_and_says_so():
    street, far = at(5, -12), at(5, -4000)
    rows = pd.DataFrame([("a", *street), ("A ", *street), ("b", *street), ("0a", *street), ("a", *far), ("z", *street),
                         ("a", 200, 5), ("a", "", 37)], columns=["lot_id", "lon", "lat"])
    found = match(rows, lots("a", "b"))
    assert found["match_status"].tolist() == ["matched"] * 3 + ["unmatched"] * 3 + ["matched"] * 2
    assert found["lot_row"].tolist() == [10, 10, 11, *[pd.NA] * 3, 10, 10]
    assert found["matched_by"][found["match_status"] == "matched"].eq("parcel id").all()
    assert found["match_note"][0] == ("the point lies in no lot; nearest is 'a', 12 m away; the parcel id decides: "
                                      "its lot is 12 m away")
    assert found["match_note"][2].endswith("nearest is 'a', 12 m away; the parcel id decides: its lot is 19 m away")
    assert found["match_note"][4].endswith("the lot of the parcel id is 4000 m away; fits 'a' (lot_row 10)")
    assert found["match_note"][6].endswith("they may be swapped; the parcel id decides")
    # a lot near the point, which the distance would accept, does not stand against the id either
    near = match(rows.iloc[2:3], lots("a", "b"), within_m=15)
    assert near["lot_row"].tolist() == [11]


def test_a_point_in_a_neighbour_of_the_lot_of_the_id_is_named_and_not_decided():
    found = match(pd.DataFrame([("a", *at(32, 5))], columns=["lot_id", "lon", "lat"]), lots("a", "b", "c"))
    assert found["match_status"].tolist() == ["ambiguous"]
    assert found["match_note"][0] == ("the parcel id and the point name different lots: the lot of the id is 12 m "
                                      "away; fits 'a' (lot_row 10), 'b' (lot_row 11)")


def test_equal_rows_of_a_lot_are_answered_and_unequal_ones_are_not():
    """A lot file that contains a lot twice: the same answer either way, unless anything about the two differs."""
    two = lots("7", "7", "8", shapes=[box(X, Y, X + 20, Y + 30)] * 2 + [box(X + 20, Y, X + 40, Y + 30)])
    asked = pd.DataFrame([("7", "", ""), ("", *at(5, 5)), ("7", *at(5, 5)), ("8", "", "")],
                         columns=["lot_id", "lon", "lat"])
    found = match(asked, two.assign(long_run_mm=[12.5, 12.5, 9.0], reason=["x", "x", np.nan]))
    assert found["lot_row"].tolist() == [10, 10, 10, 12]
    assert found["match_note"].iloc[:3].str.endswith("2 equal rows of this lot; the first (lot_row 10) is shown").all()
    assert found["match_note"][3] == ""
    for unequal in (two.assign(long_run_mm=[12.5, 12.6, 9.0]), two.assign(lot_id=["7", "7 ", "8"]),
                    two.set_geometry([box(X, Y, X + 20, Y + 30), box(X, Y, X + 20, Y + 31), two.geometry[2]])):
        assert match(asked, unequal)["match_status"].tolist()[1] == "ambiguous"


def test_empty_tables_and_lots_without_a_shape():
    assert match(pd.DataFrame({"lot_id": []}), lots("a")).empty
    bare = lots("a", "b", shapes=[None, None])
    rows = pd.DataFrame({"lot_id": ["a", ""], "lon": ["", "-98"], "lat": ["", "37"]})
    assert match(rows, bare)["match_status"].tolist() == ["matched", "unmatched"]
    assert match(rows, bare.iloc[:0])["match_status"].tolist() == ["unmatched", "unmatched"]


def test_shapes_without_a_system_are_refused():
    with pytest.raises(LayerError, match="E-SCR-080"):
        match(gpd.GeoDataFrame(geometry=[Point(1, 1)]), lots("a"))


def test_requests_are_left_as_they_were_and_their_index_stays():
    rows = pd.DataFrame({"lot_id": ["b", "x"]}, index=["q", "p"])
    before = rows.copy()
    found = match(rows, lots("a", "b"))
    assert rows.equals(before)
    assert found.index.tolist() == ["q", "p"]


def test_normal_form_is_stable():
    ids = pd.Series(["AB-1 2", "ß-1", "İ", "", "００7"])
    once = normal_id(ids)
    assert normal_id(once).tolist() == once.tolist()
    assert once[0] == "ab12"
    assert once[4] == "007"
