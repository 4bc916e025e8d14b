"""What a run leaves behind is enough to compute any of its lots again, to the last bit."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from riskmap import movement
from riskmap.common import settings
from riskmap.common.results import Results
from riskmap.outputs.files import geoparquet
from riskmap.run import flow, record
from riskmap.run.files import RunFiles
from riskmap.run.products import write_problems


@pytest.fixture(scope="module")
def found(example: Path) -> Results:
    return flow.assess(settings.load(example / "area.toml"))[0]


@pytest.fixture(scope="module")
def back(found: Results, tmp_path_factory: pytest.TempPathFactory) -> Results:
    folder = tmp_path_factory.mktemp("run")
    geoparquet.write(found, folder)
    write_problems(found, folder)
    record.write(found, folder)
    return record.read(RunFiles(folder, verified=False))


def test_inputs_come_back_as_they_were(found: Results, back: Results) -> None:
    assert found.inputs is not None
    assert back.inputs is not None
    for name in record.INPUTS:
        pd.testing.assert_frame_equal(getattr(back.inputs, name), getattr(found.inputs, name), check_dtype=False)
    np.testing.assert_array_equal(back.inputs.lot_archetype, found.inputs.lot_archetype)
    ours, theirs = back.inputs.history, found.inputs.history
    assert (ours.cells, ours.first_month, ours.flags) == (theirs.cells, theirs.first_month, theirs.flags)
    for name in ("precipitation_mm", "pet_mm", "z", "source", "coldest_normal_c"):
        np.testing.assert_array_equal(getattr(ours, name), getattr(theirs, name), err_msg=name)


def test_some_archetypes_computed_again_have_the_numbers_of_the_run(found: Results, back: Results) -> None:
    inputs = back.inputs
    assert inputs is not None
    area = settings.Area.model_validate(back.settings)
    some = inputs.archetype.iloc[::25]
    parts = inputs.archetype_profile[inputs.archetype_profile["archetype_id"].isin(some.index)]
    again = movement.simulate(some, parts, inputs.profile, inputs.layer, inputs.history, movement=area.movement,
                              climate=area.climate_settings, soil=area.soil_settings, workers=1).archetype
    rows = pd.DataFrame({"archetype": inputs.lot_archetype, "lot": np.arange(len(found.lots))})
    first = rows.drop_duplicates("archetype").set_index("archetype").loc[some.index, "lot"]
    numbers = [name for name in again.columns if name in found.lots and again[name].dtype.kind == "f"]
    assert len(numbers) > 20
    pd.testing.assert_frame_equal(
        again[numbers].reset_index(drop=True),
        pd.DataFrame(found.lots[numbers].iloc[first.to_numpy()]).reset_index(drop=True), check_exact=True)
