"""Past months of the slab, soil boundaries and weekly shapes that the map shows with the estimate."""

from __future__ import annotations

import datetime
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from changed_areas import write_area

from riskmap.climate import drought_to_draw
from riskmap.common import month_numbers, settings
from riskmap.common.inputs import DroughtTables
from riskmap.common.results import Results
from riskmap.common.weather import ClimateHistory
from riskmap.movement import draw_inputs, draws, driver, kernels, past, run_draws, slab, stiffness
from riskmap.run import flow
from riskmap.soil import lines, lines_to_draw, overlay

CRS = "EPSG:5070"


@pytest.fixture(scope="module")
def area(example: Path, tmp_path_factory: pytest.TempPathFactory) -> settings.Area:
    """Every fifth lot of the example, old and young, with its weekly maps."""
    some = gpd.read_file(example / "lots.gpkg", layer="lots").iloc[::5]
    maps = f'[drought]\npath = "{(example / "drought_weekly.parquet").as_posix()}"\n'
    return settings.load(write_area(example, tmp_path_factory.mktemp("area") / "a", last="2025-10", lots=some,
                                    beside=maps))


@pytest.fixture(scope="module")
def found(area: settings.Area) -> Results:
    return flow.assess(area)[0]


def test_last_month_is_now_and_lots_without_a_number_have_no_series(found: Results) -> None:
    assert found.history is not None
    now = found.lots["bend_now_mm"].to_numpy()
    known = np.isfinite(now)
    assert 0 < known.sum() < len(now)
    assert ((found.history.series >= 0) == known).all()
    assert found.history.months[-1] == found.today
    assert len(found.history.months) == 24
    last = found.history.deflection_mm[found.history.series[known], -1]
    np.testing.assert_array_equal(last, now[known].astype(np.float32))
    whole = found.history.deflection_mm
    assert len(np.unique(np.where(np.isnan(whole), -1e9, whole), axis=0)) == len(whole)


def test_no_number_before_the_latest_pour_and_one_in_every_month_after(found: Results) -> None:
    assert found.history is not None
    known = found.history.series >= 0
    values = found.history.deflection_mm[found.history.series[known]]
    late = found.lots.loc[known, "pour_to"].map(month_numbers.parse_month).to_numpy()
    months = np.array([month_numbers.parse_month(m) for m in found.history.months])
    before = months[None, :] < np.minimum(late, months[-1] - 1)[:, None]
    old = late < months[-1] - 12 * 12
    assert np.isfinite(values[old]).all()
    young = late >= months[0]
    assert young.any()
    np.testing.assert_array_equal(np.isnan(values[young]), before[young])


@pytest.mark.parametrize("months", [0, 1, 120])
def test_other_numbers_do_not_depend_on_the_months_asked_for(area: settings.Area, found: Results, months: int) -> None:
    other = area.model_copy(update={"movement": area.movement.model_copy(update={"history_months": months})})
    again = flow.assess(other)[0]
    pd.testing.assert_frame_equal(pd.DataFrame(again.lots), pd.DataFrame(found.lots), check_exact=True)
    if not months:
        assert again.history is None
        return
    assert again.history is not None
    assert found.history is not None
    known = again.history.series >= 0
    shared = min(months, 24)
    np.testing.assert_allclose(again.history.deflection_mm[again.history.series[known], -shared:],
                               found.history.deflection_mm[found.history.series[known], -shared:], atol=1e-3)


def test_a_past_month_is_what_now_was_then(found: Results) -> None:
    """The months in the kernel against a run of the kernel whose `now` is that month, draw by draw."""
    assert found.inputs is not None
    given = settings.MovementSettings(draws=30)
    drawn = draws.make(given)
    weather: ClimateHistory = found.inputs.history
    made = driver.make(weather, 0, drawn, settings.ClimateSettings(), given)
    layers = draw_inputs.Layers(*(np.array([[v, 0.0]]) for v in (0.0, 2.0, 6.0, 9.0, 12.0, 1.0)))
    run = run_draws.Engine(drawn, layers, np.array([np.inf]),
                           [stiffness.stiffness_of(stiffness.UNKNOWN, 0.0, given)], 20.0, given)
    pours = np.array([made.record + 24, made.now - 200, made.now - 60, made.now - 14])
    zero = np.zeros(pours.size, np.int64)
    units = draw_inputs.Units(zero, zero, pours, pours)
    before = past.room(made, pours.size, 30, 24)
    with ThreadPoolExecutor(2) as pool:
        run.run(made, units, 6.0, "given", pool, past=before)
        for back in (1, 7, 13, 23):
            then = units if back < 14 else units.part(slice(0, 3))
            block = run.run(made, then, 6.0, "given", pool, now=made.now - back)
            np.testing.assert_allclose(before[: then.profile.size, :, -back], block[:, :, kernels.NOW], atol=2e-8)
    assert np.isnan(before[3, :, :-14]).all()
    assert np.isfinite(before[3, :, -14:]).all()
    assert np.isfinite(before[:3]).all()


def test_contact_of_the_month_before_gives_the_same_slab() -> None:
    rng = np.random.default_rng(4)
    system = slab.assemble(21, 0.3, 2e7, 2e6, 6e3, 1.2e4, True)
    touching, factored, shape = np.ones(21, dtype=np.bool_), False, np.empty(21)
    x = np.linspace(0, 1, 21)
    lifted = 0
    for _ in range(60):
        ground = rng.normal(0, 0.04) * x**2 + rng.normal(0, 0.02) * x**6
        factored = slab.settle(ground, system, touching, factored, shape)
        np.testing.assert_allclose(shape, slab.deflect(ground, system.copy(), False), atol=1e-12)
        lifted += not touching.all()
    assert lifted > 10


def test_no_lot_with_a_number_gives_no_series() -> None:
    archetype = pd.DataFrame({"state": ["not_enough_data"], "state_reason": ["x"], "flags": [""]})
    rest, history = past.split(archetype, np.array([0, -1]), 24, 12 * 2020)
    assert history is not None
    assert rest.equals(archetype)
    assert history.deflection_mm.shape == (0, 24)
    assert history.series.tolist() == [-1, -1]


# ---------------------------------------------------------------- soil lines
def units_map() -> tuple[overlay.SoilPolygons, pd.DataFrame]:
    polygons = gpd.GeoDataFrame({"mukey": ["a", "b", "c"]}, crs=CRS, geometry=[
        shapely.box(0, 0, 1000, 3000), shapely.box(1000, 0, 9000, 3000), shapely.box(9000, 0, 9900, 3000)])
    return overlay.prepare(polygons, CRS), pd.DataFrame({"mukey": ["a", "b", "c"], "muname": ["Clay", "Sand", "Loam"]})


def test_only_lines_near_a_lot_with_both_names() -> None:
    soils, names = units_map()
    every = lines.soil_lines(soils)
    lots = np.array([shapely.box(950, 100, 980, 130), None, shapely.Polygon()], dtype=object)
    told = lines_to_draw.near_lots(lots, every, soils, names, CRS)
    assert told.crs == "EPSG:4326"
    assert set(map(tuple, told[list(lines_to_draw.COLUMNS)].to_numpy())) == {("Clay", "Sand")}
    assert told.to_crs(CRS).length.sum() == pytest.approx(3000, rel=1e-3)
    far = np.array([shapely.box(4000, 0, 4010, 9)], dtype=object)
    assert lines_to_draw.near_lots(far, every, soils, names, CRS).empty
    assert lines_to_draw.near_lots(np.array([None], dtype=object), every, soils, names, CRS).empty


def test_lines_of_the_example_lie_near_its_lots(found: Results) -> None:
    assert found.soil_lines is not None
    assert len(found.soil_lines) > 0
    assert (found.soil_lines["map_unit_name_left"] != found.soil_lines["map_unit_name_right"]).all()


# ---------------------------------------------------------------- weekly shapes
def maps() -> DroughtTables:
    polygons = gpd.GeoDataFrame({"valid_date": ["2020-03-03", "2020-03-03", "2019-01-01"], "category": [0, 2, 1]},
                                geometry=[shapely.box(-100, 30, -90, 40), shapely.box(-95, 30, -90, 40),
                                          shapely.box(-100, 30, -90, 40)], crs="EPSG:4326")
    return DroughtTables(polygons, ("2019-01-01", "2020-03-03", "2020-03-10"))


def lots_at(lon: float) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(geometry=[shapely.box(lon, 35, lon + 0.001, 35.001), None], crs="EPSG:4326").to_crs(CRS)


def test_shapes_of_the_months_asked_for_highest_category_first() -> None:
    told = drought_to_draw.near_lots(lots_at(-95.0), maps(), 12 * 2020 + 2, 12)
    assert told is not None
    assert told["valid_date"].tolist() == ["2020-03-03"] * 2
    assert told["category"].tolist() == ["D0", "D2"]
    low, high = told.geometry
    assert low.intersection(high).area < 1e-12
    assert low.bounds[2] == pytest.approx(-95.0)
    south = told.total_bounds[1]
    assert (35 - south) * drought_to_draw.M_PER_DEGREE == pytest.approx(drought_to_draw.MARGIN_M, rel=1e-3)


def test_no_maps_no_months_no_place() -> None:
    march = 12 * 2020 + 2
    assert drought_to_draw.near_lots(lots_at(-95.0), None, march, 24) is None
    assert drought_to_draw.near_lots(lots_at(-95.0), maps(), march, 0) is None
    nowhere = gpd.GeoDataFrame(geometry=[None], crs=CRS)
    assert drought_to_draw.near_lots(nowhere, maps(), march, 24) is None
    away = drought_to_draw.near_lots(lots_at(-70.0), maps(), march, 24)
    assert away is not None
    assert away.empty


def test_shapes_of_the_example_are_of_the_months_of_the_slider(found: Results) -> None:
    assert found.drought_shapes is not None
    assert found.history is not None
    assert set(found.drought_shapes["valid_date"].str[:7]) <= set(found.history.months)
    assert len(found.drought_shapes) > 10
    assert found.drought_shapes.is_valid.all()
    for _, week in found.drought_shapes.groupby("valid_date"):
        datetime.date.fromisoformat(str(week["valid_date"].iloc[0]))
        areas = shapely.area(week.geometry.to_numpy())
        assert areas.sum() == pytest.approx(shapely.area(shapely.union_all(week.geometry.to_numpy())))
