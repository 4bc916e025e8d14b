"""The picture across the slab shows what the run says."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from changed_areas import write_area

from riskmap.common import settings
from riskmap.common.results import Results
from riskmap.movement import shape_now, slab
from riskmap.run import flow


@pytest.fixture(scope="module")
def found(example: Path, tmp_path_factory: pytest.TempPathFactory) -> Results:
    path = write_area(example, tmp_path_factory.mktemp("p") / "area", last="2025-05", movement="draws = 60")
    return flow.assess(settings.load(path))[0]


def test_middle_minus_edge_is_the_deflection_of_the_run(found: Results) -> None:
    assert found.inputs is not None
    area = settings.Area.model_validate(found.settings)
    lots = found.lots[found.lots["state"] == ""].iloc[::6]
    archetypes = [int(found.inputs.lot_archetype[row]) for row in lots["lot_row"]]
    shapes = shape_now.across(found.inputs, sorted(set(archetypes)), area, count=60)
    draws = shape_now.of_draws(found.inputs, sorted(set(archetypes)), area, count=60)
    for archetype, (_, lot) in zip(archetypes, lots.iterrows(), strict=True):
        shape = shapes[archetype]
        assert shape.shape[1] == 7
        assert (shape[:, 0] == np.linspace(0, 1, len(shape))).all()
        assert np.allclose(shape[-1, 4:], 0, atol=1e-9)
        # all draws of the run are used, so the middle must agree; ranges of the run are wider where frost adds to them
        assert shape[0, 5] == pytest.approx(lot["bend_now_mm"], abs=0.3)
        ground = draws[archetype][:, 0]
        assert np.median(ground[:, 0] - ground[:, -1]) == pytest.approx(lot["soil_differential_now_mm"], abs=0.3)
        # the compiled path keeps the gap that the slow one draws; as above, frost can only widen the range of the run
        gap = np.percentile(np.maximum(draws[archetype][:, 2, -1] - draws[archetype][:, 1, -1], 0.0), [10, 50, 90])
        assert gap[1] == pytest.approx(lot["edge_gap_now_mm"], abs=0.3)
        assert lot["edge_gap_now_mm_p10"] <= gap[0] + 0.3
        assert lot["edge_gap_now_mm_p90"] >= gap[2] - 0.3
        assert (np.diff(shape[:, 1:4], axis=1) >= 0).all()
        assert (np.diff(shape[:, 4:7], axis=1) >= 0).all()


def test_the_slab_rests_on_the_ground_and_the_gap_is_where_it_is_looked_for(found: Results) -> None:
    assert found.inputs is not None
    area = settings.Area.model_validate(found.settings)
    lots = found.lots[found.lots["state"] == ""]
    at_edge = 0
    for archetype in sorted({int(found.inputs.lot_archetype[row]) for row in lots["lot_row"].iloc[::6]}):
        draws = shape_now.of_draws(found.inputs, [archetype], area, count=20)[archetype]
        gap = draws[:, 2] - draws[:, 1]
        assert gap.min() >= -1e-9  # the ground is never drawn above the slab
        assert np.abs(gap.min(axis=1)).max() < 1e-9  # and each run touches it somewhere
        dome = draws[:, 0, 0] - draws[:, 0, -1] > 5.0
        assert (gap[dome, 0] < 1e-9).all()  # the crown of a dome carries the slab
        at_edge += int((gap[dome, -1] > 1.0).sum())
        drawn = shape_now.across(found.inputs, [archetype], area, count=20)[archetype]
        assert (drawn[:, 1:4] <= drawn[:, 4:7] + 1e-9).all()
        if dome.all():
            assert np.abs(drawn[:, 5] - drawn[:, 2]).min() < 1e-9
    assert at_edge > 20


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_slab_bridges_a_dish_and_cantilevers_over_a_dome(sign: float) -> None:
    """By the plate itself: ground of 60 mm over 6 m, a very stiff slab on firm springs."""
    x = np.linspace(0.0, 1.0, 41)
    ground = sign * 0.060 * (1 - x**2)
    given = (6.0 / 40, 500e6, 20e6, 5000.0, 5000.0, True, False)
    bent, level = slab.solve(ground, *given), slab.solve(np.zeros(41), *given)
    low, line = shape_now.resting(ground, bent, level)
    gap = line - low
    touch, apart = (0, -1) if sign > 0 else (-1, 0)
    assert gap[touch] == 0
    assert gap[apart] > 0.005
    assert gap[apart] == pytest.approx((bent - ground)[apart])
    assert line[-1] == 0


def test_fewer_draws_stay_near(found: Results) -> None:
    assert found.inputs is not None
    area = settings.Area.model_validate(found.settings)
    archetype = int(found.inputs.lot_archetype[found.inputs.lot_archetype >= 0][0])
    whole = shape_now.across(found.inputs, [archetype], area, count=60)[archetype]
    part = shape_now.across(found.inputs, [archetype], area, count=30)[archetype]
    assert np.abs(whole[:, 5] - part[:, 5]).max() < 4.0
