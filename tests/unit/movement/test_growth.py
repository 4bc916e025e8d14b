"""Growth of the ground since the pour: each December of the median run against the plain computation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from test_movement_kernels import CLIMATE, SOIL, archetypes, soils, weather

from riskmap.common.settings import MovementSettings
from riskmap.common.weather import MovementInputs
from riskmap.movement import draws, driver, growth, kernels_soil, soil_units, trace
from riskmap.movement import reduced_model as rm

SETTINGS = MovementSettings(draws=20)
NOW = 12 * 2020 + 11


def inputs(*rows: tuple[int, int, int]) -> MovementInputs:
    archetype, part = archetypes(*rows)
    profile, layer = soils(4.0, 9.0)
    return MovementInputs(archetype, part, np.arange(len(rows)), profile, layer, weather())  # type: ignore[arg-type]


def curves(given: MovementInputs) -> pd.DataFrame:
    return growth.curves(given, SETTINGS, CLIMATE, SOIL)


def plain(pour: int, profile: int, given: MovementInputs) -> tuple[np.ndarray, np.ndarray]:
    """Return month numbers from the pour to now and the ground there (n_after, 2) of the median run. [mm]"""
    middle = draws.middle(SETTINGS)
    made = driver.make(given.history, 0, middle, CLIMATE, SETTINGS)
    layers = soil_units.layer_arrays(given.profile, given.layer, SOIL)
    depth = float(middle.active_depth_m[0])
    model = rm.cached(round(6.0 / depth, 1))
    index = np.array([layers.factor[profile, k] * kernels_soil.compression_index(layers.middle_pct[profile, k], 20.0,
                                                                                 2.97)
                      for k in range(layers.top_m.shape[1])])
    cells = kernels_soil.cell_strain_index(model.depth_edges * depth, layers.top_m[profile], layers.bottom_m[profile],
                                           index)
    relative = made.suction_pf[0] - made.equilibrium_pf[0]
    moved = trace.ground(model, relative, pour - made.first_month, active_depth_m=depth, index_cells=cells,
                         diffusivity_m2_per_yr=float(middle.diffusivity_m2_per_yr[0]),
                         restraint=float(middle.restraint[0]), spin_up_mean_pf=float(relative[made.record:].mean()))
    return np.arange(pour, NOW + 1), 1000 * moved.heave_m[:, [0, -1]]


def test_each_december_is_that_of_a_slab_poured_alone() -> None:
    rows = [(0, 12 * 1990 + 4, 12 * 1990 + 4), (1, 12 * 2015 + 11, 12 * 2015 + 11), (1, 12 * 1975, 12 * 1975)]
    given = inputs(*rows)
    table = curves(given)
    for number, (profile, pour, _) in enumerate(rows):
        months, moved = plain(pour, profile, given)
        own = table[table["archetype"] == number]
        december = months % 12 == 11
        assert own["year"].tolist() == (months[december] // 12).tolist()
        np.testing.assert_allclose(own[["middle_mm", "edge_mm"]], moved[december], atol=0.0501)  # rounded to 0.1 mm
    assert table.loc[(table["archetype"] == 1) & (table["year"] == 2015), ["middle_mm", "edge_mm"]].abs().max(
        axis=None) < 0.05  # the December of the pour itself


def test_a_mixture_is_the_mean_of_its_soils() -> None:
    pour = 12 * 1995 + 3
    alone = curves(inputs((0, pour, pour), (1, pour, pour)))
    given = inputs((0, pour, pour))
    part = pd.DataFrame({"archetype_id": [0, 0], "profile_id": [0, 1], "weight": [0.25, 0.75]})
    mixed = curves(replace(given, archetype_profile=part))
    of = [alone.loc[alone["archetype"] == k, ["middle_mm", "edge_mm"]].to_numpy(float) for k in (0, 1)]
    np.testing.assert_allclose(mixed[["middle_mm", "edge_mm"]], 0.25 * of[0] + 0.75 * of[1], atol=0.11)


def test_at_most_sixty_decembers_and_none_before_the_record() -> None:
    table = curves(inputs((1, 12 * 1920, 12 * 1920), (1, NOW - 1, NOW - 1), (0, NOW - 14, NOW - 14)))
    years = [table.loc[table["archetype"] == k, "year"].tolist() for k in range(3)]
    assert years[0] == list(range(1961, 2021))
    assert years[1] == [2020]
    assert years[2] == [2019, 2020]
    short = weather(years=12, first_year=2009)
    table = growth.curves(replace(inputs((1, 12 * 1980, 12 * 1980)), history=short), SETTINGS, CLIMATE, SOIL)
    assert table["year"].tolist() == list(range(2009, 2021))


def test_order_and_company_change_nothing() -> None:
    rows = [(0, 12 * 1990, 12 * 1990 + 11), (1, 12 * 1990, 12 * 1990 + 11), (1, 12 * 2010, 12 * 2010 + 11)]
    whole = curves(inputs(*rows))
    for number, row in enumerate(rows):
        own = whole[whole["archetype"] == number].assign(archetype=np.int32(0)).reset_index(drop=True)
        pd.testing.assert_frame_equal(curves(inputs(row)), own, check_exact=True)


def test_a_cell_without_a_number_has_no_curve() -> None:
    dry = weather()
    dry.precipitation_mm = dry.precipitation_mm * 0.02
    given = replace(inputs((0, 12 * 1980, 12 * 1980)), history=dry)
    table = curves(given)
    assert len(table) == 0
    assert list(table.columns) == ["archetype", "year", "middle_mm", "edge_mm"]


def test_the_middle_of_a_new_slab_rises_more_in_its_first_ten_years_than_later() -> None:
    middle = curves(inputs((1, 12 * 1970 + 6, 12 * 1970 + 6)))["middle_mm"].to_numpy(float)
    assert middle[10] - middle[0] > abs(middle[30] - middle[20])
    assert middle[-10:].mean() == pytest.approx(middle[20:30].mean(), abs=0.5 * middle[10])
