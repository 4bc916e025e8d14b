"""The picture across the slab tells what the run tells."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from changed_areas import write_area

from riskmap.common import settings
from riskmap.common.results import Results
from riskmap.movement import shape_now
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
    for archetype, (_, lot) in zip(archetypes, lots.iterrows(), strict=True):
        shape = shapes[archetype]
        assert shape.shape[1] == 7
        assert (shape[:, 0] == np.linspace(0, 1, len(shape))).all()
        assert np.allclose(shape[-1, 1:], 0, atol=1e-9)
        # all draws of the run are used, so the middle must agree; ranges of the run are wider where frost adds to them
        assert shape[0, 5] == pytest.approx(lot["bend_now_mm"], abs=0.3)
        assert shape[0, 2] == pytest.approx(lot["soil_differential_now_mm"], abs=0.3)
        assert (np.diff(shape[:, 1:4], axis=1) >= 0).all()
        assert (np.diff(shape[:, 4:7], axis=1) >= 0).all()


def test_fewer_draws_stay_near(found: Results) -> None:
    assert found.inputs is not None
    area = settings.Area.model_validate(found.settings)
    archetype = int(found.inputs.lot_archetype[found.inputs.lot_archetype >= 0][0])
    whole = shape_now.across(found.inputs, [archetype], area, count=60)[archetype]
    part = shape_now.across(found.inputs, [archetype], area, count=30)[archetype]
    assert np.abs(whole[:, 5] - part[:, 5]).max() < 4.0
