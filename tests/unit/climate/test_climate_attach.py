"""The climate stage on tiny layers: two square cells, a few lots, invented weather."""

from __future__ import annotations

import io

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from rasterio.transform import from_origin
from shapely.geometry import box

from riskmap import climate
from riskmap.climate import category, cells, history
from riskmap.climate.evapotranspiration import thornthwaite
from riskmap.climate.indices import spei, spi
from riskmap.common import month_numbers
from riskmap.common.constants import CATEGORY_NORMAL_SCORE
from riskmap.common.errors import LayerError
from riskmap.common.inputs import ClimateTables, DroughtTables, IndexGrid
from riskmap.common.settings import ClimateSettings
from riskmap.common.weather import usual_months

SETTINGS = ClimateSettings()
CRS = "EPSG:5070"
JAN_1980, DEC_2020 = month_numbers.month_number(1980, 1), month_numbers.month_number(2020, 12)
CELLS = gpd.GeoDataFrame({"cell_id": ["0101", "0102"]}, geometry=[box(-98, 32, -97, 33), box(-97, 32, -96, 33)],
                         crs="EPSG:4326")


def lots(*places: tuple[float, float] | None) -> gpd.GeoDataFrame:
    shapes = [None if p is None else box(p[0], p[1], p[0] + 1e-3, p[1] + 1e-3) for p in places]
    return gpd.GeoDataFrame({"lot_row": range(len(places))}, geometry=shapes, crs="EPSG:4326").to_crs(CRS)


def monthly(cell: str, first: int = JAN_1980, last: int = DEC_2020, seed: int = 1) -> pd.DataFrame:
    """Return invented months: gamma rain about 80 mm, temperature 18 +- 10 degC."""
    month = np.arange(first, last + 1)
    rng = np.random.default_rng(seed)
    return pd.DataFrame({"cell_id": cell, "month": month, "precipitation_mm": rng.gamma(2.0, 40.0, len(month)),
                         "temperature_c": 18 - 10 * np.cos(np.pi * month / 6) + rng.normal(0, 1, len(month)),
                         "pet_mm": np.nan})


def layer(*frames: pd.DataFrame, pet_source: str = "", with_cells: bool = True) -> ClimateTables:
    whole = pd.concat(frames, ignore_index=True)
    latitude = dict.fromkeys(whole["cell_id"].unique(), 32.5)
    return ClimateTables(whole, latitude, CELLS if with_cells else None, pet_source)


def weekly(rows: list[tuple[str, int, object]], weeks: tuple[str, ...], extent: object = None) -> DroughtTables:
    dates, classes, shapes = zip(*rows, strict=True) if rows else ((), (), ())
    frame = gpd.GeoDataFrame({"valid_date": list(dates), "category": np.array(classes, dtype=np.int64)},
                             geometry=list(shapes), crs="EPSG:4326")
    return DroughtTables(frame, weeks, None if extent is None else gpd.GeoSeries([extent], crs="EPSG:4326"))


def index_grid(value: float, months: list[int], name: str = "spei", accumulation: int = 6) -> IndexGrid:
    values = np.full((len(months), 40, 40), value)
    return IndexGrid(name, accumulation, np.array(months), values, from_origin(-99, 34, 0.1, 0.1), "EPSG:4326")


def attach(lot, tables_=None, drought=None, index=(), today=None):
    return climate.attach(lot, tables_, drought, index, SETTINGS, CRS, today)


IN_FIRST, IN_SECOND, OUTSIDE = (-97.5, 32.5), (-96.5, 32.5), (-90.0, 32.5)


def test_every_lot_gets_the_cell_that_holds_it() -> None:
    found = attach(lots(IN_SECOND, OUTSIDE, IN_FIRST, None), layer(monthly("0101"), monthly("0102", seed=2)))
    table = found.lot_climate
    assert table["cell_id"].tolist() == ["0102", "", "0101", ""]
    assert table["driver_level"].tolist() == [1, 0, 1, 0]
    assert table["lot_row"].tolist() == [0, 1, 2, 3]
    assert table["drought_category"].tolist() == [""] * 4
    assert found.history.cells == ("0101", "0102")
    assert (found.history.first_month, found.today) == (JAN_1980, DEC_2020)


def test_only_cells_with_a_lot_get_a_history_and_one_cell_serves_all_lots() -> None:
    both = layer(monthly("0101"), monthly("0102", seed=2))
    assert attach(lots(IN_SECOND), both).history.cells == ("0102",)
    one = attach(lots(IN_FIRST, OUTSIDE, None), layer(monthly("0309"), with_cells=False))
    assert one.lot_climate["cell_id"].tolist() == ["0309"] * 3
    assert one.lot_climate["driver_level"].tolist() == [1] * 3


def test_record_months_carry_rain_and_thornthwaite() -> None:
    frame = monthly("0101")
    record = attach(lots(IN_FIRST), layer(frame)).history
    np.testing.assert_allclose(record.precipitation_mm[0], frame["precipitation_mm"])
    expected = thornthwaite(frame["temperature_c"].to_numpy()[None], np.array([32.5]), first_calendar_month=1)
    np.testing.assert_allclose(record.pet_mm, expected)
    assert (record.source == 1).all()
    assert np.isnan(record.z).all()
    normal = frame[frame["month"] // 12 >= 1991].groupby(frame["month"] % 12)["temperature_c"].mean()
    assert record.coldest_normal_c[0] == pytest.approx(normal.min())


def test_months_after_the_record_come_from_the_index_then_the_weekly_maps() -> None:
    """Two months of index, then a month with two maps: half D2 and half None, then all D4."""
    drought = weekly([("2021-03-02", 2, box(-98, 32, -97.5, 33)), ("2021-03-09", 4, box(-99, 31, -96, 34))],
                     ("2021-03-02", "2021-03-09"))
    index = index_grid(-1.25, [DEC_2020 + 1, DEC_2020 + 2])
    found = attach(lots(IN_FIRST), layer(monthly("0101")), drought, (index,))
    record = found.history
    assert found.today == DEC_2020 + 3
    assert record.source[0, -4:].tolist() == [1, 2, 2, 3]
    half = 0.5 * (CATEGORY_NORMAL_SCORE[2] + CATEGORY_NORMAL_SCORE[-1])
    assert record.z[0, -3:] == pytest.approx([-1.25, -1.25, 0.5 * (half + CATEGORY_NORMAL_SCORE[4])], abs=1e-3)
    assert np.isnan(record.precipitation_mm[0, -3:]).all()
    assert found.lot_climate["driver_level"].tolist() == [3]


def test_gap_is_bridged_by_index_then_usual_season_and_flagged() -> None:
    frame = monthly("0101")
    frame.loc[[100, 200], "precipitation_mm"] = np.nan
    found = attach(lots(IN_FIRST), layer(frame), index=(index_grid(0.7, [JAN_1980 + 100]),))
    record = found.history
    assert record.source[0, [99, 100, 200]].tolist() == [1, 2, 4]
    assert record.z[0, 100] == pytest.approx(0.7)
    assert record.z[0, 200] == 0.0
    assert np.isnan(record.pet_mm[0, [100, 200]]).all()
    assert record.flags == ("climate_gap_filled",)
    assert found.lot_climate["climate_flags"].tolist() == ["climate_gap_filled"]
    assert [p.code for p in found.problems] == ["W-CLI-043"]
    assert found.lot_climate["driver_level"].tolist() == [1]  # the gaps are older than the last 24 months


def test_recent_gap_counts_as_the_usual_season() -> None:
    frame = monthly("0101")
    frame.loc[len(frame) - 5, "temperature_c"] = np.nan
    assert attach(lots(IN_FIRST), layer(frame)).lot_climate["driver_level"].tolist() == [4]


def test_record_that_ends_before_today_is_told() -> None:
    found = attach(lots(IN_FIRST), layer(monthly("0101")), today=DEC_2020 + 4)
    assert found.history.source[0, -4:].tolist() == [4] * 4
    assert found.lot_climate["climate_flags"].tolist() == ["climate_ends_before_today;climate_gap_filled"]
    assert [p.code for p in found.problems] == ["W-CLI-042"]
    assert found.lot_climate["driver_level"].tolist() == [4]


def test_months_between_two_maps_count_as_the_usual_season() -> None:
    """Rain to September 2018, maps of October 2018 and April 2019: five months between them have nothing."""
    frame = monthly("0101", last=month_numbers.month_number(2018, 9))
    found = attach(lots(IN_FIRST), layer(frame), weekly([], ("2018-10-16", "2019-04-16")))
    assert found.history.source[0, -8:].tolist() == [1, 3, 4, 4, 4, 4, 4, 3]
    assert found.lot_climate["driver_level"].tolist() == [4]
    assert "5 months bridged" in str(next(p for p in found.problems if p.code == "W-CLI-043"))


@pytest.mark.parametrize(("months", "code"), [(24, "W-CLI-042"), (25, "E-CLI-047")])
def test_more_than_two_years_without_data_are_told_as_no_number(months: int, code: str) -> None:
    found = attach(lots(IN_FIRST), layer(monthly("0101")), today=DEC_2020 + months)
    assert [p.code for p in found.problems] == [code]
    assert usual_months(found.history.source).tolist() == [months]
    late = weekly([], (f"{2020 + (12 + months - 1) // 12}-{months % 12 or 12:02d}-05",))
    with_map = attach(lots(IN_FIRST), layer(monthly("0101")), late, today=DEC_2020 + months)
    assert with_map.history.source[0, -1] == 3
    assert usual_months(with_map.history.source).tolist() == [months - 1]  # one map does not begin the count anew


def test_data_after_today_are_not_used() -> None:
    today = JAN_1980 + 400
    drought = weekly([("2021-03-02", 2, box(-99, 31, -96, 34))], ("2021-03-02",))
    found = attach(lots(IN_FIRST), layer(monthly("0101")), drought, today=today)
    assert found.history.source.shape[1] == 401
    assert found.lot_climate["drought_category"].tolist() == [""]
    assert len(found.drought_weeks) == 0
    assert found.climate["month"].iloc[-1] == month_numbers.month_name(today)


def test_record_that_begins_later_has_no_source_before() -> None:
    found = attach(lots(IN_FIRST, IN_SECOND), layer(monthly("0101"), monthly("0102", first=JAN_1980 + 60)))
    assert found.history.source[1, 59:61].tolist() == [0, 1]
    assert len(found.climate[found.climate["cell_id"] == "0102"]) == DEC_2020 - JAN_1980 + 1 - 60


def test_short_record_is_flagged() -> None:
    found = attach(lots(IN_FIRST), layer(monthly("0101", first=month_numbers.month_number(2000, 1))))
    assert found.history.flags == ("short_climate_record",)
    assert [p.code for p in found.problems] == ["W-CLI-045"]


def test_reference_evapotranspiration_is_refused_and_thornthwaite_used() -> None:
    frame = monthly("0101")
    own = thornthwaite(frame["temperature_c"].to_numpy()[None], np.array([32.5]), first_calendar_month=1)[0]
    grass = attach(lots(IN_FIRST), layer(frame.assign(pet_mm=1.7 * own), pet_source="grass reference"))
    np.testing.assert_allclose(grass.history.pet_mm[0], own)
    assert grass.history.flags == ("declared_pet_refused",)
    assert "looks like reference ET" in str(grass.problems[0])
    fair = attach(lots(IN_FIRST), layer(frame.assign(pet_mm=1.05 * own), pet_source="Thornthwaite"))
    np.testing.assert_allclose(fair.history.pet_mm[0], 1.05 * own)
    assert fair.problems == []


def test_monthly_table_carries_the_indices_of_the_record() -> None:
    found = attach(lots(IN_FIRST), layer(monthly("0101", first=JAN_1980 + 5)))
    record, table = found.history, found.climate
    when = {"first_calendar_month": 6}
    np.testing.assert_allclose(table["spi_3"], spi.compute(record.precipitation_mm, accumulation_months=3, **when)[0])
    np.testing.assert_allclose(table["spei_12"], spei.compute(record.precipitation_mm, record.pet_mm,
                                                              accumulation_months=12, **when)[0])
    assert table["month"].iloc[0] == "1980-06"
    assert table.columns.tolist() == ["cell_id", "month", "precipitation_mm", "pet_mm", "spi_3", "spei_6", "spei_12",
                                      "driver_source"]


def test_month_outside_the_fit_is_held_and_flagged() -> None:
    """200 Julys of 80 +- 1 mm and one of 120 mm: thirteen standard deviations, held at five."""
    frame = monthly("0101", first=month_numbers.month_number(1820, 1))
    frame["precipitation_mm"] = np.random.default_rng(3).normal(80, 1, len(frame))
    frame.loc[frame["month"] == month_numbers.month_number(2010, 7), "precipitation_mm"] = 120.0
    found = attach(lots(IN_FIRST), layer(frame))
    assert found.climate["spi_3"].max() == spi.RANGE[1]
    assert found.history.flags == ("index_beyond_fit",)
    assert found.lot_climate["climate_flags"].tolist() == ["index_beyond_fit"]


def test_drought_category_of_the_newest_map_at_the_lot() -> None:
    drought = weekly([("2020-12-22", 4, box(-99, 31, -89, 34)), ("2020-12-29", 1, box(-97.6, 32, -97, 33)),
                      ("2020-12-29", 3, box(-97, 32, -96, 33))], ("2020-12-22", "2020-12-29"))
    found = attach(lots(IN_FIRST, IN_SECOND, OUTSIDE, None), layer(monthly("0101"), monthly("0102")), drought)
    assert found.lot_climate["drought_category"].tolist() == ["D1", "D3", "none", ""]
    assert found.lot_climate["drought_valid_date"].tolist() == ["2020-12-29"] * 3 + [""]
    weeks = found.drought_weeks.set_index(["cell_id", "valid_date"])["category"]
    assert weeks[("0101", "2020-12-22")] == "D4"
    assert weeks[("0101", "2020-12-29")] == "D1"  # 60 % D1, 40 % None


@pytest.mark.parametrize(("week", "category"), [("2020-12-29", "D2"), ("2020-11-03", "D2"), ("2020-10-27", "")])
def test_category_of_today_is_of_this_month_or_the_one_before(week: str, category: str) -> None:
    found = attach(lots(IN_FIRST), layer(monthly("0101")), weekly([(week, 2, box(-99, 31, -96, 34))], (week,)))
    assert found.lot_climate["drought_category"].tolist() == [category]
    assert found.lot_climate["drought_valid_date"].tolist() == [week if category else ""]
    assert found.lot_climate["climate_flags"].tolist() == ["" if category else "drought_map_not_of_today"]
    assert found.history.flags == ("",)  # the driver is as without the map
    assert [p.code for p in found.problems] == ([] if category else ["W-CLI-046"])


def test_old_maps_are_told_once_with_what_they_still_do() -> None:
    """Rain to December 2020: an older map changes nothing; rain to February 2019 only: it stands in for a month."""
    maps = weekly([("2018-10-16", 1, box(-99, 31, -96, 34))], ("2018-10-16", "2019-04-16"))
    told = attach(lots(IN_FIRST, IN_SECOND), layer(monthly("0101"), monthly("0102")), maps).problems
    assert [(p.code, p.value) for p in told] == [("W-CLI-046", "2019-04-16")]
    assert "of 2020-11 or 2020-12" in str(told[0])
    assert "older than the rain record (to 2020-12): the weekly maps change no estimate" in str(told[0])
    short = layer(monthly("0101", last=month_numbers.month_number(2019, 2)))
    told = attach(lots(IN_FIRST), short, maps, today=DEC_2020).problems
    assert "are used for months without rain" in str(next(p for p in told if p.code == "W-CLI-046"))
    told = attach(lots(IN_FIRST), layer(monthly("0101")), maps, today=JAN_1980 + 400).problems
    assert "All weekly maps are later than now" in str(told[0])
    assert attach(lots(IN_FIRST), layer(monthly("0101"))).problems == []


def test_outside_what_the_maps_cover_there_is_no_category() -> None:
    drought = weekly([("2021-01-05", 1, box(-97, 32, -96, 33))], ("2021-01-05",), extent=box(-97, 32, -96, 33))
    found = attach(lots(IN_FIRST, IN_SECOND), layer(monthly("0101"), monthly("0102")), drought)
    assert found.lot_climate["drought_category"].tolist() == ["", "D1"]
    assert found.drought_weeks["cell_id"].tolist() == ["0102"]
    assert found.history.source[:, -1].tolist() == [4, 3]


def test_week_without_any_polygon_is_none_everywhere() -> None:
    found = attach(lots(IN_FIRST), layer(monthly("0101")), weekly([], ("2021-01-05",)))
    assert found.lot_climate["drought_category"].tolist() == ["none"]
    assert found.drought_weeks["category"].tolist() == ["none"]
    table = found.lot_climate[["drought_category"]].to_csv()
    assert pd.read_csv(io.StringIO(table))["drought_category"].tolist() == ["none"]  # not taken for an empty value
    assert found.history.z[0, -1] == CATEGORY_NORMAL_SCORE[-1]


def test_area_without_climate_still_gets_its_category() -> None:
    found = attach(lots(IN_FIRST), None, weekly([("2021-01-05", 2, box(-98, 32, -97, 33))], ("2021-01-05",)))
    assert found.lot_climate["drought_category"].tolist() == ["D2"]
    assert found.lot_climate["driver_level"].tolist() == [0]
    assert found.history.cells == ()
    assert (len(found.climate), len(found.drought_weeks)) == (0, 0)


def test_area_without_any_data_needs_today() -> None:
    with pytest.raises(LayerError, match="set today"):
        attach(lots(IN_FIRST))
    assert attach(lots(IN_FIRST), today=DEC_2020).today == DEC_2020


def test_no_lots_and_no_lot_in_any_cell() -> None:
    drought = weekly([("2021-01-05", 2, box(-98, 32, -97, 33))], ("2021-01-05",))
    assert len(attach(lots(), layer(monthly("0101")), drought).lot_climate) == 0
    none = attach(lots(OUTSIDE), layer(monthly("0101")), drought, (index_grid(1.0, [DEC_2020]),))
    assert none.history.cells == ()
    assert none.lot_climate["driver_level"].tolist() == [0]


def test_inputs_are_left_untouched() -> None:
    frame, drought = monthly("0101"), weekly([("2021-01-05", 2, box(-98, 32, -97, 33))], ("2021-01-05",))
    source, lot = layer(frame), lots(IN_FIRST)
    before = source.monthly.copy(), drought.polygons.copy(), lot.copy()
    attach(lot, source, drought)
    pd.testing.assert_frame_equal(source.monthly, before[0])
    pd.testing.assert_frame_equal(pd.DataFrame(drought.polygons), pd.DataFrame(before[1]))
    pd.testing.assert_frame_equal(pd.DataFrame(lot), pd.DataFrame(before[2]))


# ------------------------------------------------------------------------------------------------- parts of it
def test_nearest_accumulation_counts_others_fill_and_pdsi_is_scaled() -> None:
    shapes = np.asarray(CELLS.geometry)
    axis = {"accumulation_months": 6, "first_month": DEC_2020, "n_month": 3}
    grids = (index_grid(-5.0, [DEC_2020, DEC_2020 + 1], "pdsi"), index_grid(-1.0, [DEC_2020]),
             index_grid(3.0, [DEC_2020], "spi", 24))
    score = cells.score_over_cells(grids, shapes, **axis)
    np.testing.assert_allclose(score, [[-1.0, -2.0, np.nan]] * 2)
    np.testing.assert_allclose(cells.score_over_cells((index_grid(7.0, [DEC_2020]),), shapes, **axis)[:, 0], 4.0)


def test_index_is_the_mean_of_grid_cells_whose_centre_is_inside_else_the_one_at_the_middle() -> None:
    values = np.arange(9.0).reshape(1, 3, 3) / 4
    values[0, 0, 0] = np.nan
    grid = IndexGrid("spi", 6, np.array([DEC_2020]), values, from_origin(0, 3, 1, 1), "EPSG:4326")
    shapes = np.array([box(0, 1, 2, 3), box(2.1, 0.1, 2.3, 0.3), box(10, 10, 11, 11)])
    score = cells.score_over_cells((grid,), shapes, accumulation_months=6, first_month=DEC_2020, n_month=1)
    np.testing.assert_allclose(score[:, 0], [(0.25 + 0.75 + 1.0) / 3, 2.0, np.nan])


def test_largest_share_and_worse_class_when_equal() -> None:
    share = np.array([[0.4, 0.3, 0.3, 0, 0, 0], [0.5, 0, 0, 0.5, 0, 0], [0, 0, 0, 0, 0, 1.0]])
    assert [category.PRODUCT_NAMES[k] for k in category.largest(share)] == ["none", "D2", "D4"]


def test_month_without_a_map_has_no_score() -> None:
    weeks = np.array([[1.0, np.nan], [3.0, 5.0]])
    score = category.monthly_score(weeks, np.array([10, 10]), 9, 3)
    np.testing.assert_allclose(score, [[np.nan, 2.0, np.nan], [np.nan, 5.0, np.nan]])


def test_level_is_the_weakest_of_the_last_months() -> None:
    source = np.array([[4, 1, 1], [1, 2, 1], [1, 1, 4], [0, 0, 0]], dtype=np.int8)
    assert history.recent_level(source, 2).tolist() == [1, 2, 4, 0]
