"""Soil polygons that overlap: ground counts once, every candidate stays in the mixture, the lots are reported."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import assume, given
from hypothesis import strategies as st
from test_soil_attach import CLAY, CRS, SILT, attach, lots, survey

from riskmap.soil import overlap, overlay

SLOT = st.integers(0, 12)


def shares(lot, polygons):
    frame = gpd.GeoDataFrame({"mukey": [m for m, _ in polygons]}, geometry=[g for _, g in polygons], crs=CRS)
    return overlay.shares(np.array([lot], dtype=object), overlay.prepare(frame, CRS))


LOT = shapely.box(0, 0, 10, 10)
A, B = ("1", shapely.box(-50, -50, 4, 60)), ("2", shapely.box(4, -50, 60, 60))


@pytest.mark.parametrize(("polygons", "expected", "mapped", "overlapping", "doubled"), [
    ([A, B], [0.4, 0.6], 1.0, False, False),
    ([A, B, ("1", shapely.box(-9, -9, 4, 20))], [0.4, 0.6], 1.0, False, True),  # a second, smaller polygon of unit 1
    ([A, ("1", shapely.box(2, -9, 4, 20))], [0.4], 0.4, False, True),  # sums to 0.6 of the lot: no sum above 1
    ([A, ("1", shapely.box(2, -9, 6, 20))], [0.6], 0.6, False, True),
    ([A, ("2", shapely.box(0, -50, 60, 60))], [0.4 / 1.4, 1.0 / 1.4], 1.0, True, False),
    ([A, ("2", shapely.box(2, -50, 6, 60))], [0.3, 0.3], 0.6, True, False),  # 0.4 + 0.4 over 0.6 of the lot
    ([A, ("2", A[1]), ("3", A[1])], [0.4 / 3] * 3, 0.4, True, False),
    ([A, A, B, ("2", shapely.box(3, -50, 60, 60))], [0.4 / 1.1, 0.7 / 1.1], 1.0, True, True),
], ids=range(8))
def test_ground_counts_once_and_candidates_share_it(polygons, expected, mapped, overlapping, doubled):
    found = shares(LOT, polygons)
    assert found.share.tolist() == pytest.approx(expected, abs=1e-12)
    assert found.mapped.tolist() == pytest.approx([mapped], abs=1e-12)
    assert (found.overlapping.tolist(), found.doubled.tolist()) == ([overlapping], [doubled])


@given(st.lists(st.tuples(st.sampled_from("123"), SLOT, SLOT, SLOT, SLOT), max_size=6))
def test_shares_sum_to_what_the_polygons_cover_and_never_above_one(boxes):
    polygons = [(m, shapely.box(min(a, b), min(c, d), max(a, b) + 1, max(c, d) + 1)) for m, a, b, c, d in boxes]
    found = shares(LOT, polygons)
    covered = shapely.intersection(LOT, shapely.union_all([g for _, g in polygons])).area / 100
    added = sum(shapely.intersection(LOT, g).area for _, g in polygons) / 100
    assume(covered == 1 or added != 1)  # an overlap as large as a gap to a millionth: only boxes on a grid do that
    assert found.share.sum() == pytest.approx(covered, abs=1e-9)
    assert found.mapped[0] == pytest.approx(covered, abs=1e-9)
    of_units = [shapely.union_all([g for m, g in polygons if m == unit]).intersection(LOT).area / 100
                for unit in sorted({m for m, _ in polygons})]
    assert bool(found.overlapping[0]) == (sum(of_units) > covered + 1e-6)
    order = np.random.default_rng(1).permutation(len(polygons))
    again = shares(LOT, [polygons[k] for k in order])
    assert again.share.tolist() == pytest.approx(found.share.tolist(), abs=1e-12)


def test_the_mixture_of_a_lot_holds_both_candidates_and_the_lots_are_told():
    tables = survey([("1", shapely.box(0, 0, 100, 100)), ("2", shapely.box(0, 0, 100, 50))],
                    [("a", "1", 100.0), ("b", "2", 100.0)], [("a", *CLAY), ("b", *SILT)], scale=None)
    found = attach(lots(shapely.box(10, 60, 20, 70), shapely.box(10, 10, 20, 20), shapely.box(30, 10, 40, 20)), tables)
    weight = found.lot_profile.set_index(["lot_row", "profile_id"])["weight"]
    assert weight[0].tolist() == [1.0]
    assert weight[1].tolist() == pytest.approx([0.5, 0.5])
    touched = overlap.touched(found.lot_soil)
    assert touched[overlap.OVERLAP].tolist() == [1, 2]
    problem, = overlap.findings(touched, lambda position: position + 2)
    assert problem.code == "W-SOIL-075"
    assert "polygons of different map units overlap on 2 lots (rows 3, 4 of the lots)" in problem.rule
    assert "scaled to what the map covers" in problem.action


def test_the_same_unit_over_itself_changes_nothing_but_is_told():
    one = [("1", shapely.box(0, 0, 50, 100)), ("2", shapely.box(50, 0, 100, 100))]
    soils = ([("a", "1", 100.0), ("b", "2", 100.0)], [("a", *CLAY), ("b", *SILT)])
    lot = lots(shapely.box(45, 10, 55, 20))
    clean, twice = (attach(lot, survey([*one, *more], *soils)) for more in ([], [("1", shapely.box(0, 0, 50, 60))]))
    assert twice.lot_profile["weight"].tolist() == pytest.approx(clean.lot_profile["weight"].tolist())
    problem, = overlap.findings(overlap.touched(twice.lot_soil), lambda position: position + 2)
    assert (problem.code, problem.action) == ("W-SOIL-074", "Their ground counts once.")
    assert overlap.findings(overlap.touched(clean.lot_soil), lambda position: position + 2) == []


def test_a_finding_names_the_first_rows_only():
    problem, = overlap.findings({overlap.OVERLAP: np.arange(1200)[::-1]}, lambda position: position + 2)
    assert "on 1,200 lots (rows 2, 3, 4, 5, 6, ... of the lots)" in problem.rule
