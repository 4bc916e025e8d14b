"""Lots found by their address: exactly, in the order id, address, coordinate; near ones are named and never taken."""

from __future__ import annotations

import time
from functools import cache

import geopandas as gpd
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import box

from riskmap.answers import matching

# Four lots of 10 m side by side in metres, 2 m apart; the labels are of a lot file (invented).
LOTS = gpd.GeoDataFrame(
    {"lot_row": [0, 1, 2, 3], "lot_id": ["A1", "A2", "A3", "A4"]},
    geometry=[box(12 * k, 0, 12 * k + 10, 10) for k in range(4)], crs="EPSG:5070")
LABELS = pd.Series({0: "100 ALPHA ST", 1: "102 Alpha Street", 2: "104 BETA AVE", 3: "104 Beta Avenue"})


def lonlat(x: float, y: float) -> tuple[str, str]:
    from pyproj import Transformer

    lon, lat = Transformer.from_crs("EPSG:5070", "EPSG:4326", always_xy=True).transform(x, y)
    return f"{lon:.9f}", f"{lat:.9f}"


def found(labels: pd.Series | None = LABELS, **row: str) -> dict[str, object]:
    table = matching.match(pd.DataFrame([row]), LOTS, labels=labels)
    return {str(key): value for key, value in table.iloc[0].items()}


@pytest.mark.parametrize("text", ["100 alpha st", "100 Alpha Street", " 100  ALPHA ST. ", "0100 Alpha St",
                                  "100 Alpha St, Town, KS 67000"])
def test_an_address_finds_its_lot_however_it_is_spelled(text: str) -> None:
    answer = found(address=text)
    assert (answer["match_status"], answer["lot_row"], answer["matched_by"]) == ("matched", 0, "address")


def test_two_lots_with_one_address_are_ambiguous_and_named() -> None:
    answer = found(address="104 Beta Ave")
    assert answer["match_status"] == "ambiguous"
    assert answer["match_note"] == "several lots have this address; fits 'A3' (lot_row 2), 'A4' (lot_row 3)"


def test_a_point_decides_between_two_lots_with_one_address() -> None:
    lon, lat = lonlat(29, 5)
    answer = found(address="104 Beta Ave", lon=lon, lat=lat)
    assert (answer["match_status"], answer["lot_row"]) == ("matched", 2)
    assert answer["matched_by"] == "address and point"


@pytest.mark.parametrize(("text", "named"), [
    ("100 Alpha Ct", "100 ALPHA ST"), ("100 Alpah St", "100 ALPHA ST"), ("100 Alpha St Apt 2", "100 ALPHA ST"),
    ("102 N Alpha St", "102 Alpha Street"), ("102 Alpha", "102 Alpha Street")])
def test_a_near_miss_is_named_and_never_taken(text: str, named: str) -> None:
    answer = found(address=text)
    assert answer["match_status"] == "unmatched"
    assert answer["match_note"] == f"the address is not among the labels; similar: '{named}'; nothing was taken"


@pytest.mark.parametrize("text", ["106 Alpha St", "100 Gamma Blvd"])
def test_what_is_not_similar_is_not_named(text: str) -> None:
    assert found(address=text)["match_note"] == "the address is not among the labels"


def test_an_address_without_a_house_number_says_so() -> None:
    assert found(address="Alpha St")["match_note"] == "the address has no house number, so it names no lot"


def test_another_city_or_postcode_is_another_address() -> None:
    labels = pd.Series({0: "100 ALPHA ST, NORTHTOWN", 1: "100 ALPHA ST, SOUTHTOWN", 2: "104 BETA AVE 67000"})
    assert found(labels, address="100 Alpha St, Southtown, KS")["lot_row"] == 1
    assert found(labels, address="100 Alpha St")["match_status"] == "ambiguous"
    assert found(labels, address="104 Beta Ave, KS 67001")["match_status"] == "unmatched"
    assert found(labels, address="104 Beta Ave, KS 67000")["lot_row"] == 2


def test_id_and_address_that_agree_are_matched_by_both() -> None:
    answer = found(lot_id="A1", address="100 Alpha St")
    assert (answer["match_status"], answer["matched_by"]) == ("matched", "parcel id and address")


def test_id_and_address_of_different_lots_are_ambiguous_and_say_so() -> None:
    answer = found(lot_id="A1", address="102 Alpha St")
    assert answer["match_status"] == "ambiguous"
    assert answer["match_note"] == ("the parcel id and the address name different lots; fits 'A1' (lot_row 0), 'A2' "
                                    "(lot_row 1)")


def test_an_address_and_a_point_in_another_lot_are_ambiguous() -> None:
    lon, lat = lonlat(17, 5)
    answer = found(address="100 Alpha St", lon=lon, lat=lat)
    assert answer["match_status"] == "ambiguous"
    assert str(answer["match_note"]).startswith("the address and the point name different lots: the lot of the address")


@pytest.mark.parametrize("y", [-30.0, -900.0])
def test_an_address_decides_over_a_point_on_the_street(y: float) -> None:
    lon, lat = lonlat(5, y)
    answer = found(address="100 Alpha St", lon=lon, lat=lat)
    assert (answer["match_status"], answer["lot_row"]) == ("matched", 0)
    assert f"the address decides: its lot is {-y:.0f} m away" in str(answer["match_note"])


def test_an_address_far_from_its_point_is_not_taken() -> None:
    lon, lat = lonlat(5, -5000)
    assert found(address="100 Alpha St", lon=lon, lat=lat)["match_status"] == "unmatched"


def test_an_address_decides_where_the_coordinate_cannot_be_used() -> None:
    answer = found(address="100 Alpha St", lon="999", lat="1")
    assert answer["match_status"] == "matched"
    assert str(answer["match_note"]).endswith("; the address decides")


def test_an_unknown_address_leaves_the_decision_to_the_others() -> None:
    lon, lat = lonlat(17, 5)
    for row, by in (({"lot_id": "A2"}, "parcel id"), ({"lon": lon, "lat": lat}, "point")):
        answer = found(address="999 Nowhere Rd", **row)
        assert (answer["match_status"], answer["lot_row"], answer["matched_by"]) == ("matched", 1, by)
        assert answer["match_note"] == "the address is not among the labels"


def test_an_id_that_is_not_there_is_not_saved_by_an_address() -> None:
    """As with a point today: the id may be that of another county."""
    answer = found(lot_id="Z9", address="100 Alpha St")
    assert answer["match_status"] == "unmatched"
    assert "the parcel id is not among the lots" in str(answer["match_note"])
    assert "fits 'A1'" in str(answer["match_note"])


def test_without_labels_nothing_changes() -> None:
    lon, lat = lonlat(17, 5)
    with_address = found(None, lot_id="A2", lon=lon, lat=lat, address="100 Alpha St")
    assert with_address == found(None, lot_id="A2", lon=lon, lat=lat)
    assert found(None, address="100 Alpha St")["match_note"] == "the row gives no parcel id, point or shape"


def test_labels_of_lots_that_are_not_there_are_passed_over() -> None:
    labels = pd.Series({0: "100 ALPHA ST", 17: "102 ALPHA ST"})
    assert found(labels, address="102 Alpha St")["match_status"] == "unmatched"


@cache  # seven texts, asked for again and again
def status_alone(text: str) -> str:
    return str(found(address=text)["match_status"])


@given(st.lists(st.sampled_from(["100 Alpha St", "102 ALPHA ST", "104 beta ave", "9 None St", "", "Alpha", "=1+1"]),
                max_size=8))
def test_rows_stay_in_order_and_none_is_lost(texts: list[str]) -> None:
    table = matching.match(pd.DataFrame({"address": pd.Series(texts, dtype=str)}), LOTS, labels=LABELS)
    assert table["match_status"].tolist() == [status_alone(text) for text in texts]


def test_many_labels_and_many_rows_take_seconds() -> None:
    """A county has a million labels: only those with a house number of the list are brought into the written form."""
    count = 200_000
    labels = pd.Series([f"{k % 9000 + 1} STREET{k % 97} RD" for k in range(count)])
    lots = gpd.GeoDataFrame({"lot_row": range(count), "lot_id": [str(k) for k in range(count)]},
                            geometry=[None] * count, crs="EPSG:5070")
    began = time.perf_counter()
    asked = pd.DataFrame({"address": [f"{k} Streat{(k - 1) % 97} Road" for k in range(1, 60)]})
    table = matching.match(asked, lots, labels=labels)
    assert (table["match_status"] == "unmatched").all()
    assert table["match_note"].str.contains("similar").all()
    assert time.perf_counter() - began < 60
