"""Whatever is asked for: one answer for each request, in order, and a lot only where exactly one fits."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, Point, Polygon, box

from riskmap.answers.matching import STATES, match, normal_id

X, Y = -230_000.0, 1_650_000.0

parcel = st.one_of(st.text(max_size=6),
                   st.sampled_from(["7", "07", "007", "A-1", "a1", "1E5", "NA", "", " ", "0", "00"]))
place = st.one_of(st.none(), st.floats(-400, 400), st.text(max_size=4),
                  st.sampled_from(["-98.6", "37.9", "nan", "1e400"]))
number = st.floats(-30, 90, allow_nan=False)
shape = st.one_of(
    st.none(), st.just(Polygon()), st.builds(lambda x, y: Point(X + x, Y + y), number, number),
    st.builds(lambda x, y, w: box(X + x, Y + y, X + x + w, Y + y + w), number, number, st.floats(0.1, 50)),
    st.builds(lambda ring: Polygon([(X + x, Y + y) for x, y in ring]), st.lists(st.tuples(number, number), min_size=4,
                                                                               max_size=6)),
    st.builds(lambda x, y: LineString([(X, Y), (X + x, Y + y)]), number, number),
    st.builds(lambda bad: Point(bad, 1), st.sampled_from([np.nan, np.inf, 1e300])))
outline = st.one_of(st.none(), st.builds(lambda n, m: box(X + 20 * n, Y + 20 * m, X + 20 * n + 20, Y + 20 * m + 20),
                                         st.integers(0, 3), st.integers(0, 1)))


def lots(rows) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"lot_row": np.arange(len(rows)), "lot_id": [r[0] for r in rows]},
                            geometry=gpd.GeoSeries([r[1] for r in rows], crs="EPSG:5070"))


def requests(rows) -> gpd.GeoDataFrame:
    table = {name: [r[k] for r in rows] for k, name in enumerate(("lot_id", "lon", "lat"))}
    return gpd.GeoDataFrame(pd.DataFrame(table), geometry=gpd.GeoSeries([r[3] for r in rows], crs="EPSG:5070"))


request = st.tuples(parcel, st.one_of(st.none(), place), st.one_of(st.none(), place), shape)


@settings(max_examples=150)
@given(st.lists(request, max_size=8), st.lists(st.tuples(parcel, outline), max_size=6))
def test_rows_out_are_requests_in(asked, known):
    rows, lot = requests(asked), lots(known)
    found = match(rows, lot)
    assert found.index.equals(rows.index)
    assert found["lot_id"].tolist() == [r[0] for r in asked]
    assert set(found["match_status"]) <= set(STATES)
    matched = found["match_status"] == "matched"
    assert (found["lot_row"].notna() == matched).all()
    assert ((found["matched_by"] != "") == matched).all()
    assert (found.loc[~matched, "match_note"] != "").all()
    named = found.loc[found["match_status"] == "ambiguous", "match_note"]
    assert named.str.contains("lot_row").all()


@settings(max_examples=100)
@given(st.lists(request, min_size=1, max_size=6), st.lists(st.tuples(parcel, outline), min_size=1, max_size=6),
       st.randoms(use_true_random=False))
def test_an_answer_depends_on_its_own_row_only(asked, known, random):
    order = list(range(len(asked)))
    random.shuffle(order)
    whole = match(requests(asked), lots(known))
    mixed = match(requests([asked[k] for k in order]), lots(known))
    pd.testing.assert_frame_equal(mixed, whole.iloc[order].reset_index(drop=True))


@settings(max_examples=100)
@given(st.lists(parcel, min_size=1, max_size=8), parcel)
def test_a_match_by_id_is_the_only_lot_of_its_form(known, wanted):
    lot = lots([(name, None) for name in known])
    (answer,) = match(pd.DataFrame({"lot_id": [wanted]}), lot).itertuples()
    stripped = [name.strip() for name in known]
    if wanted.strip() and stripped.count(wanted.strip()) == 1:
        assert answer.lot_row == stripped.index(wanted.strip())
    elif answer.match_status == "matched":
        form = [normal_id(pd.Series([name]))[0].lstrip("0") for name in (wanted, known[answer.lot_row])]
        assert form[0] == form[1]
        assert form[0] != "" or wanted.strip() in stripped or normal_id(pd.Series([wanted]))[0] != ""
        # several lots are answered only where they are written alike, so that one is like the other
        assert len({name for name in known if name.strip() == stripped[answer.lot_row]}) == 1
    else:
        assert stripped.count(wanted.strip()) != 1 or not wanted.strip()
