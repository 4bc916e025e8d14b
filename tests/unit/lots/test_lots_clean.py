"""Cleaning of lots: shapes, slabs, states and flags. Expected areas are of rectangles given in the projected system."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
import shapely.affinity
from shapely.geometry import GeometryCollection, LineString, MultiPoint, MultiPolygon, Point, Polygon, box

from riskmap.common.month_numbers import parse_month
from riskmap.common.settings import LotSettings
from riskmap.lots import clean
from riskmap.lots.placement import swapped
from riskmap.lots.slab import describe

CRS = "EPSG:5070"
TODAY = parse_month("2025-10")
LOT = box(-230_000, 1_650_000, -229_980, 1_650_030)  # 20 m x 30 m
BOW_TIE = Polygon([(0, 0), (20, 30), (20, 0), (0, 30)])  # two wings of 20 x 15 / 2 = 150 m2 each


def cleaned(*shapes, crs=CRS, **columns):
    n = len(shapes)
    values = {"lot_id": [str(i) for i in range(n)], "source_row": np.arange(2, n + 2), "foundation_type": ["slab"] * n}
    raw = gpd.GeoDataFrame({**values, **columns}, geometry=gpd.GeoSeries(list(shapes), crs=crs), crs=crs)
    before = raw.copy()
    table, problems = clean(raw, LotSettings(), CRS, TODAY, "lots.csv")
    assert raw.equals(before)
    assert table["lot_row"].tolist() == list(range(n))
    return table, problems


@pytest.mark.parametrize(("shape", "word"), [
    (None, "no shape"), (Polygon(), "empty"), (LineString([(0, 0), (1, 1)]), "not an area"),
    (MultiPoint([(0, 0), (1, 1)]), "not an area"), (GeometryCollection([LineString([(0, 0), (1, 1)])]), "not an area"),
    (Polygon([(0, 0), (1, 1), (2, 2), (0, 0)]), "no area"),
    (box(0, 1_650_000, 200_000, 1_650_010), "wider than 1 degree"),
    (Polygon([(0, 0), (np.nan, 1), (1, 1), (0, 0)]), "not a number"), (Point(np.inf, 0), "not a number"),
])
def test_unusable_shapes_are_unmatched_and_kept(shape, word):
    table, problems = cleaned(LOT, shape)
    assert table["state"].tolist() == ["", "unmatched"]
    assert word in table["state_reason"][1]
    assert table.geometry[1] is None
    assert np.isnan(table["lot_area_m2"][1])
    assert [(p.code, p.row) for p in problems] == [("E-LOT-012", 3)]


def test_swapped_degrees_are_told():
    table, problems = cleaned(Point(37.9, -98.6), Point(-98.6, 37.9), crs="EPSG:4326")
    assert table["state"].tolist() == ["unmatched", ""]
    assert "swapped" in problems[0].rule


def test_bow_tie_keeps_both_wings_and_tells_the_areas():
    table, problems = cleaned(shapely.transform(BOW_TIE, lambda xy: xy + np.array([-230_000, 1_650_000])))
    assert table["lot_area_m2"][0] == pytest.approx(300.0)
    assert table["flags"][0] == "geometry_repair_changed_area;geometry_repaired;pour_date_unknown;slab_size_assumed"
    assert [p.code for p in problems] == ["W-LOT-013"]
    assert "from 0.0 to 300.0 m2" in problems[0].rule
    assert table["state"][0] == ""


def test_parts_that_share_a_side_after_repair_are_joined():
    ring = [(0, 0), (0, 20), (20, 0), (0, 0), (0, -20), (20, 0)]  # two triangles of 200 m2 along one side
    table, _ = cleaned(Polygon([(x - 230_000, y + 1_650_000) for x, y in ring]))
    assert table.geometry[0].is_valid
    assert table["lot_area_m2"][0] == pytest.approx(400.0)


def test_holes_and_parts_stay_and_heights_go():
    ring = LOT.difference(box(-229_995, 1_650_010, -229_990, 1_650_020))
    two = shapely.union_all([LOT, shapely.transform(LOT, lambda xy: xy + 100)])
    high = shapely.force_3d(LOT, 12.0)
    mixed = GeometryCollection([LOT, Point(0, 0), LineString([(0, 0), (1, 1)])])
    table, problems = cleaned(ring, two, high, mixed)
    assert table["lot_area_m2"].tolist() == pytest.approx([550.0, 1200.0, 600.0, 600.0])
    assert not table.geometry.has_z.any()
    assert [(p.code, p.row) for p in problems] == [("W-LOT-022", 4), ("W-LOT-024", 5)]
    assert "600.0 m2 one by one and 600.0 m2 together" in problems[1].rule


def test_collections_give_all_their_polygons_however_deep():
    beside = shapely.transform(LOT, lambda xy: xy + np.array([10.0, 0.0]))  # half of it lies on the first
    inner = GeometryCollection([GeometryCollection([LOT]), shapely.MultiPolygon([beside])])
    deep = GeometryCollection([inner, Point(0, 0)])
    table, problems = cleaned(deep)
    assert table["lot_area_m2"][0] == pytest.approx(900.0)
    assert [p.code for p in problems] == ["W-LOT-024"]
    assert "1200.0 m2 one by one and 900.0 m2 together" in problems[0].rule
    assert "geometry_repair_changed_area" in table["flags"][0]


AREA = (-99.0, 37.0, -98.0, 38.0)


def placed(*points, coverage=AREA):
    raw = gpd.GeoDataFrame({"lot_id": [str(i) for i in range(len(points))], "foundation_type": "slab"},
                           geometry=[Point(p) for p in points], crs="EPSG:4326")
    return clean(raw, LotSettings(), CRS, TODAY, "lots.csv", coverage)


def test_a_file_with_swapped_degrees_is_told_once_and_never_exchanged():
    table, problems = placed((37.9, -98.6), (37.5, -98.2), (40.0, -90.0))
    assert (table["state"].iloc[:2] == "unmatched").all()
    assert table["state_reason"].iloc[:2].str.contains("swapped").all()
    assert table.geometry.iloc[:2].isna().all()
    whole = [p for p in problems if p.code == "E-LOT-025"]
    assert [(p.row, p.value) for p in whole] == [(None, "")]
    assert "2 rows lie in the area" in whole[0].rule
    assert "[lots.columns]" in whole[0].remedy


def test_single_misplaced_rows_are_told_with_their_row():
    table, problems = placed((-98.6, 37.9), (37.9, -98.6), (98.6, 37.9), (37.9, 98.6), (-90.0, 37.9))
    assert table["state"].tolist() == ["", "unmatched", "unmatched", "unmatched", ""]
    told = {p.row: p.rule for p in problems if p.code == "E-LOT-025"}
    assert sorted(told) == [2, 3, 4]
    assert "swapped" in told[2]
    assert "minus sign" in told[3]
    assert "swapped" in told[4]
    assert "minus sign" in told[4]
    assert table["lot_row"].tolist() == [0, 1, 2, 3, 4]


def test_without_a_coverage_and_in_metres_nothing_is_guessed():
    table, problems = placed((50.0, -20.0), coverage=None)
    assert table["state"][0] == ""
    raw = gpd.GeoDataFrame({"lot_id": ["1"], "foundation_type": "slab"}, geometry=[LOT], crs=CRS)
    assert clean(raw, LotSettings(), CRS, TODAY, "a", AREA)[1] == problems == []


def test_swapped_speaks_for_the_whole_file_only():
    inside, turned, far = [-98.6, 37.9], [37.9, -98.6], [10.0, 10.0]
    assert swapped(np.array([turned, turned, far]), AREA)
    assert not swapped(np.array([turned, inside]), AREA)
    assert not swapped(np.array([turned, far]), AREA)
    assert not swapped(np.array([far]), AREA)
    assert not swapped(np.empty((0, 2)), AREA)
    assert swapped(np.array([turned, [np.nan, np.nan]]), AREA)


def test_point_becomes_a_small_disc_without_an_area():
    table, _ = cleaned(Point(-98.6, 37.9), crs="EPSG:4326")
    assert "point_lot" in table["flags"][0]
    assert np.isnan(table["lot_area_m2"][0])
    assert table.geometry[0].area == pytest.approx(np.pi, rel=0.02)
    assert table["state"][0] == ""


def test_area_is_measured_in_the_target_system():
    source = gpd.GeoSeries([LOT], crs=CRS).to_crs("EPSG:26914")[0]
    table, _ = cleaned(source, crs="EPSG:26914")
    assert table["lot_area_m2"][0] == pytest.approx(600.0, rel=1e-6)
    assert table.crs == CRS


@pytest.mark.parametrize("text", ["slab", "SLAB", "Slab on Ground", "slab-on-grade", "post-tensioned slab"])
def test_slabs_on_ground_are_answered(text):
    table, problems = cleaned(LOT, foundation_type=[text])
    assert table["state"][0] == ""
    assert "foundation_type_assumed" not in table["flags"][0]
    assert problems == []


@pytest.mark.parametrize(("text", "told"), [
    ("pier and beam", False), ("SLAB/PIER", False), ("crawl space", False), ("Basement", False), ("S", True),
    ("3", True),
])
def test_other_foundations_are_not_applicable(text, told):
    table, problems = cleaned(LOT, foundation_type=[text])
    assert table["state"][0] == "not_applicable"
    assert text in table["state_reason"][0]
    assert [p.code for p in problems] == (["W-LOT-018"] if told else [])


def test_missing_foundation_is_assumed_to_be_a_slab():
    table, _ = cleaned(LOT, LOT, foundation_type=["", "Unknown"])
    assert (table["state"] == "").all()
    assert table["flags"].str.contains("foundation_type_assumed").all()


def test_pours_of_this_month_or_later():
    table, _ = cleaned(LOT, LOT, LOT, pour_date=["2025-09", "2025-10", "2026"])
    assert table["state"].tolist() == ["", "not_yet_poured", "not_yet_poured"]


def test_bad_dates_are_told_with_row_column_and_value():
    table, problems = cleaned(LOT, LOT, pour_date=["85", "1987"])
    assert str(problems[0]) == (
        'E-LOT-014 lots.csv row 2 column pour_date: "85": this is not a date. Use YYYY, YYYY-MM, YYYY-MM-DD or a range '
        "such as 1985/1988, or leave it empty. Row kept, pour date unknown.")
    assert table["pour_date_basis"].tolist() == ["none", "year"]
    assert table["flags"][0] == "pour_date_refused;pour_date_unknown;slab_size_assumed"


@pytest.mark.parametrize("text", ["0", "0000", "0.0"])
def test_zero_is_no_year_and_no_error(text):
    table, problems = cleaned(LOT, LOT, pour_date=[text, "1987"])
    assert [(p.code, p.row, p.value) for p in problems] == [("W-LOT-014", 2, text)]
    assert "the year is not known" in problems[0].rule
    assert table["pour_date_basis"].tolist() == ["none", "year"]


def test_repeated_identifiers_are_reported_in_pairs_and_each_answered():
    table, problems = cleaned(LOT, LOT, LOT, lot_id=["7", "8", "7"])
    assert table["lot_id"].tolist() == ["7", "8", "7"]
    assert [(p.code, p.row, p.value) for p in problems] == [("W-LOT-011", 2, "7")]
    assert "2 rows: 2, 4" in problems[0].rule
    assert table["flags"].str.contains("duplicate_lot_id").tolist() == [True, False, True]


def test_missing_identifiers_are_no_pair():
    table, problems = cleaned(LOT, LOT, lot_id=["", " "])
    assert [p.code for p in problems] == ["E-LOT-010", "E-LOT-010"]
    assert not table["flags"].str.contains("duplicate").any()


def test_many_findings_of_one_kind_are_counted():
    table, problems = cleaned(*[None] * 1500)
    assert len(problems) == 1001
    assert "500 more rows" in problems[-1].rule
    assert (table["state"] == "unmatched").all()


def test_zero_rows_give_zero_rows():
    table, problems = cleaned()
    assert len(table) == 0
    assert problems == []


def test_slab_sizes():
    width = np.array([12.0, 20.0, np.nan, np.nan, 1.0, 200.0, 12.4])
    length = np.array([18.0, 11.0, 15.0, np.nan, 15.0, 15.0, 80.0])
    slab = describe(width, length, np.full(7, np.nan), pd.Series([""] * 7), default_half_width_m=6.0)
    # Short sides 12, 11, unknown, unknown, unknown (refused), unknown (refused), 12.4; halved, to the nearest 0.5 m.
    assert slab.half_width_m.tolist() == [6.0, 5.5, 6.0, 6.0, 6.0, 6.0, 6.0]
    assert slab.half_width_basis.tolist() == ["given"] * 2 + ["unknown"] * 4 + ["given"]
    assert slab.width_refused.tolist() == [False] * 4 + [True, True, False]
    assert slab.length_refused.tolist() == [False] * 6 + [True]


def test_slab_classes():
    nan = np.full(7, np.nan)
    beam = np.array([np.nan, 400.0, 449.9, 450.0, 649.9, 650.0, 24.0])
    slab = describe(nan, nan, beam, pd.Series([""] * 7), default_half_width_m=6.0)
    assert slab.slab_class.tolist() == ["unknown", "shallow", "shallow", "typical", "typical", "deep", "unknown"]
    assert slab.beam_refused.tolist() == [False] * 6 + [True]
    np.testing.assert_array_equal(slab.beam_depth_mm, [np.nan, 400.0, 449.9, 450.0, 649.9, 650.0, np.nan])


def test_a_prestressed_slab_is_known_by_yes_and_no():
    words = ["yes", "Y", "TRUE", "1", "Post-tensioned", "no", "N", "false", "0", "", "unknown", "perhaps", "2"]
    table, problems = cleaned(*[LOT] * len(words), post_tensioned=words, beam_depth_mm=[700.0] * len(words))
    assert table["post_tensioned"].tolist() == [True] * 5 + [False] * 8
    assert table["flags"].str.contains("deep_ribs_may_crack").tolist() == [False] * 5 + [True] * 8
    assert table["flags"].str.contains("slab_value_refused").tolist() == [False] * 11 + [True, True]
    assert [(p.code, p.row, p.column, p.value) for p in problems] == [
        ("W-LOT-026", 13, "post_tensioned", "perhaps"), ("W-LOT-026", 14, "post_tensioned", "2")]


def test_only_deep_ribs_are_taken_to_crack():
    table, _ = cleaned(*[LOT] * 3, beam_depth_mm=[np.nan, 649.0, 650.0])
    assert table["flags"].str.contains("deep_ribs_may_crack").tolist() == [False, False, True]
    assert not table["post_tensioned"].any()


def test_implausible_slab_values_are_told():
    table, problems = cleaned(LOT, slab_width_m=[150.0], beam_depth_mm=[24.0])
    assert [p.code for p in problems] == ["E-LOT-016", "E-LOT-017"]
    assert "slab_value_refused" in table["flags"][0]
    assert table["half_width_basis"][0] == "unknown"


# ---------------------------------------------------------------- shapes that are no lots
def at(*corners: tuple[float, float]) -> Polygon:
    return Polygon([(x - 230_000, y + 1_650_000) for x, y in corners])


@pytest.mark.parametrize("shape", [
    at((0, 0), (10, 0), (20, 0), (0, 0)), at((0, 0), (10.1, 3.7), (20.2, 7.4), (0, 0)),
    at((0, 0), (0.01, 0), (0.01, 0.01), (0, 0.01)), at((0, 0), (36, 0), (36, 0.09), (0, 0.09)),
    shapely.MultiPolygon([at((0, 0), (0.5, 0), (0.5, 0.5)), at((9, 9), (9.5, 9), (9.5, 9.5))]),
])
def test_a_polygon_without_area_is_treated_as_a_line_in_every_system(shape):
    for crs in (CRS, "EPSG:4326", "EPSG:32614"):  # rounding leaves a line some area in another system
        table, problems = cleaned(*gpd.GeoSeries([shape, LOT], crs=CRS).to_crs(crs), crs=crs)
        assert table["state"].tolist() == ["unmatched", ""]
        assert table["state_reason"][0] == "the shape has no area: it is smaller than 1 m2 or narrower than 0.1 m"
        assert table.geometry[0] is None
        assert [(p.code, p.row) for p in problems] == [("E-LOT-012", 2)]


def test_a_small_or_narrow_lot_and_a_point_are_no_lines():
    table, problems = cleaned(at((0, 0), (1.1, 0), (1.1, 1.1), (0, 1.1)), at((0, 0), (36, 0), (36, 0.3), (0, 0.3)),
                              Point(-230_000, 1_650_000))
    assert table["state"].tolist() == ["no_house_known", "no_house_known", ""]
    assert problems == []


def test_a_hole_outside_the_outline_adds_no_land():
    outside = at((50, 0), (54, 0), (54, 4), (50, 4))
    inside = at((5, 5), (9, 5), (9, 9), (5, 9))
    shell = at((0, 0), (20, 0), (20, 30), (0, 30))
    table, problems = cleaned(Polygon(shell.exterior, [outside.exterior.coords]),
                              Polygon(shell.exterior, [outside.exterior.coords, inside.exterior.coords]),
                              shapely.MultiPolygon([Polygon(shell.exterior, [outside.exterior.coords]), outside]))
    assert table["lot_area_m2"].tolist() == pytest.approx([600.0, 584.0, 616.0])  # the last has that land as a part
    assert table.geometry.is_valid.all()
    assert [p.rule.split(";")[0] for p in problems] == ["a hole lies outside the outline"] * 2 + [
        "the outline crosses itself"]  # a side of that part is given twice


@pytest.mark.parametrize(("shape", "words"), [
    (BOW_TIE, "the outline crosses itself"),
    (shapely.MultiPolygon([box(0, 0, 20, 30), box(5, 0, 25, 30)]), "parts overlap"),
    (Polygon(box(0, 0, 20, 30).exterior, [box(2, 2, 18, 28).exterior.coords, box(6, 6, 9, 9).exterior.coords]),
     "a hole lies in a hole"),
])
def test_what_was_repaired_is_named(shape, words):
    _, problems = cleaned(shapely.transform(shape, lambda xy: xy + np.array([-230_000, 1_650_000])))
    assert [p.code for p in problems] == ["W-LOT-013"]
    assert problems[0].rule.startswith(f"{words}; repair changed its area")


@pytest.mark.parametrize(("crs", "corners"), [
    ("EPSG:4326", [(179.9999, 31), (179.9999, 31.001), (-179.9999, 31.001), (-179.9999, 31)]),
    ("EPSG:4326", [(179.9999, 31), (179.9999, 31.001), (180.0001, 31.001), (180.0001, 31)]),
    ("EPSG:4326", [(-180.0001, 31), (-180.0001, 31.001), (-179.9999, 31.001), (-179.9999, 31)]),
    ("EPSG:32660", [(786_000, 3_433_000), (787_000, 3_433_000), (787_000, 3_433_100), (786_000, 3_433_100)]),
])
def test_a_shape_across_180_degrees_is_refused_in_words(crs, corners):
    for others in ([], [shapely.box(-99.0, 31.0, -98.9999, 31.0001)]):
        shapes = gpd.GeoSeries([Polygon(corners), *gpd.GeoSeries(others, crs="EPSG:4326").to_crs(crs)], crs=crs)
        table, problems = cleaned(*shapes, crs=crs)
        assert table["state"].tolist() == ["unmatched", *[""] * len(others)]
        assert table["state_reason"][0] == "the shape crosses 180 degrees of longitude"
        assert [(p.code, p.row) for p in problems] == [("E-LOT-012", 2)]


def test_lots_on_both_sides_of_180_degrees_are_lots():
    table, _ = cleaned(shapely.box(179.999, 51.9, 179.9991, 51.9001), shapely.box(-179.9991, 51.9, -179.999, 51.9001),
                       crs="EPSG:4326")
    assert table["state"].tolist() == ["", ""]
    assert table["lot_area_m2"].max() < 100.0  # 0.0001 degree each way is 11 m by 7 m


def test_a_shape_that_the_projection_tears_apart_is_refused():
    table, _ = cleaned(shapely.box(83.9999, 31.0, 84.0001, 31.0001), crs="EPSG:4326")  # 180 degrees from the middle
    assert table["state"].tolist() == ["unmatched"]
    assert "tears the shape apart" in table["state_reason"][0]


@pytest.mark.parametrize(("corners", "words"), [
    (np.random.default_rng(0).uniform(0, 100, (3000, 2)), "crosses itself more than 1,000 times"),
    (np.c_[np.linspace(0, 100, 3000), np.arange(3000) % 2 * 50 + (np.arange(3000) == 7) * 90], "crosses itself more"),
    (np.where(np.arange(50_000)[:, None] % 2, [50.0, 50.0], [0.0, 0.0]), "too tangled to be repaired"),
    (np.zeros((50_000, 2)), "no area"), (np.zeros((100_001, 2)), "more than 100,000 corners"),
])
def test_outlines_that_would_be_repaired_for_minutes_are_refused(corners, words):
    table, problems = cleaned(at(*corners), LOT)
    assert table["state"].tolist() == ["unmatched", ""]
    assert words in table["state_reason"][0]
    assert [(p.code, p.row) for p in problems] == [("E-LOT-012", 2)]


def test_an_outline_of_many_corners_that_crosses_itself_once_is_repaired():
    angle = np.linspace(0, 2 * np.pi, 5000, endpoint=False)
    ring = np.c_[50 * np.cos(angle), 50 * np.sin(angle)]
    ring[[100, 101]] = ring[[101, 100]]
    table, _ = cleaned(at(*ring))
    assert table["state"].tolist() == [""]
    assert table["flags"][0].startswith("geometry_repaired;")
    assert table["lot_area_m2"][0] == pytest.approx(np.pi * 50**2, rel=1e-4)


# ------------------------------------------------------------------------------------------- lots without a house
def strip(width: float, length: float = 60.0, angle: float = 0.0) -> Polygon:
    return shapely.affinity.translate(shapely.affinity.rotate(box(0, 0, width, length), angle), -230_000, 1_650_000)


TONGUE = shapely.union_all([strip(1.0, 200.0), strip(9.0, 9.0)])  # a narrow strip with a house's place at its end
COMB = shapely.union_all([strip(2.0, 30.0), *[shapely.affinity.translate(strip(2.0, 40.0), 3.0 * k) for k in range(9)],
                          strip(26.0, 2.0)])


@pytest.mark.parametrize(("shape", "said"), [
    (strip(0.12, 40.0), "smaller than 30 m2 (323 sq ft)"), (strip(5.4, 5.5), "smaller than 30 m2"),
    (strip(5.5, 5.5), ""),
    (strip(3.98), "nowhere 4 m (13 ft) wide"), (strip(3.98, angle=33), "nowhere 4 m"), (strip(4.02), ""),
    (strip(4.02, angle=33), ""), (TONGUE, ""), (COMB, "nowhere 4 m"),
    (MultiPolygon([strip(2.0), shapely.affinity.translate(strip(7.0, 9.0), 50)]), ""),
    (MultiPolygon([strip(2.0), shapely.affinity.translate(strip(3.0), 50)]), "nowhere 4 m"),
    (Point(-230_000, 1_650_000), ""),
])
def test_no_house_is_known_on_a_sliver_and_a_point_is_never_judged_by_its_size(shape, said):
    table, problems = cleaned(shape, LOT)
    assert table["state"].tolist() == ["no_house_known" if said else "", ""]
    assert said in table["state_reason"][0]
    assert table.geometry[0] is not None
    assert problems == []


@pytest.mark.parametrize(("foundation", "land_use", "state", "said"), [
    ("VACANT", "", "no_house_known", 'foundation_type says "VACANT"'),
    ("", "Unimproved - Residential", "no_house_known", 'land_use says "Unimproved - Residential"'),
    ("slab", "vac_land", "no_house_known", 'land_use says "vac_land"'),
    ("No improvements", "", "no_house_known", 'foundation_type says "No improvements"'),
    ("pier and beam", "vacant", "not_applicable", 'foundation type is "pier and beam"'),
    ("slab", "Vacant house", "", ""), ("slab", "non-vacant", "", ""), ("slab", "improved", "", ""),
    ("slab", "vacation home", "", ""), ("none", "", "", ""), ("", "1100", "", ""),
])
def test_words_that_say_that_no_house_stands(foundation, land_use, state, said):
    table, _ = cleaned(LOT, Point(-230_000, 1_650_000), foundation_type=[foundation] * 2, land_use=[land_use] * 2)
    assert table["state"].tolist() == [state] * 2  # of a point too: it is said, not measured
    assert said in table["state_reason"][0]


def test_states_are_asked_in_their_order():
    sliver, late = strip(1.0), "2026"
    table, _ = cleaned(None, sliver, sliver, sliver, LOT, foundation_type=["vacant", "pier", "slab", "slab", "slab"],
                       pour_date=[late, late, late, "1990", late])
    assert table["state"].tolist() == ["unmatched", "not_applicable", "no_house_known", "no_house_known",
                                       "not_yet_poured"]
