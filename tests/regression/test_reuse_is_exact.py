"""A run that reuses archetypes is the run that computes everything: same numbers to the last bit, only sooner."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from changed_areas import two_widths, write_area

from riskmap import layers, lots, movement, soil
from riskmap.common import settings
from riskmap.common.results import Results
from riskmap.movement import simulation
from riskmap.run import flow, reuse, store


@pytest.fixture(scope="module")
def area(example: Path, tmp_path_factory: pytest.TempPathFactory) -> settings.Area:
    """Every fifth lot of the example: all soils and states, and several batches of archetypes."""
    some = two_widths(gpd.read_file(example / "lots.gpkg", layer="lots").iloc[::5])
    return settings.load(write_area(example, tmp_path_factory.mktemp("area") / "a", last="2025-05", lots=some,
                                    movement="draws = 20"))


@pytest.fixture(scope="module")
def clean(area: settings.Area) -> Results:
    """The estimate that reuses nothing."""
    return flow.assess(area)[0]


def test_everything_some_and_nothing_reused_agree(area: settings.Area, clean: Results, tmp_path: Path,
                                                  monkeypatch: pytest.MonkeyPatch) -> None:
    kept = store.Store(tmp_path / "store")
    first = flow.assess(area, cache=kept)[0]
    with monkeypatch.context() as patch:
        patch.setattr(soil, "attach", _not_asked)
        second = flow.assess(area, cache=kept)[0]
    for again in (first, second):
        for name in ("profile", "layer"):
            pd.testing.assert_frame_equal(getattr(again.inputs, name), getattr(clean.inputs, name), check_exact=True)
        assert [p.as_dict() for p in again.problems] == [p.as_dict() for p in clean.problems]
        assert again.soil_lines is not None
        assert clean.soil_lines is not None
        assert again.soil_lines.geometry.geom_equals_exact(clean.soil_lines.geometry, 0).all()
        pd.testing.assert_frame_equal(pd.DataFrame(again.lots), pd.DataFrame(clean.lots), check_exact=True)
        assert again.facts["cells"] == clean.facts["cells"]
    assert first.facts["reused_archetypes"] == 0
    assert second.facts["reused_archetypes"] == clean.facts["archetypes"]
    assert second.facts["unit_draws"] == 0

    assert clean.inputs is not None
    name = reuse.cell_key(clean.inputs.history, clean.inputs.history.cells[0], area)
    found, facts = kept.get(name)  # type: ignore[misc]
    kept.put(name, found.iloc[::2].reset_index(drop=True), facts, anew=True)
    some = flow.assess(area, cache=kept)[0]
    assert 0 < some.facts["reused_archetypes"] < clean.facts["archetypes"]
    pd.testing.assert_frame_equal(pd.DataFrame(some.lots), pd.DataFrame(clean.lots), check_exact=True)

    real = simulation.simulate

    def asked_for_none(archetypes: pd.DataFrame, *given: object, **named: object) -> movement.Movement:
        assert archetypes.empty, "computed"  # a call without archetypes gives what all runs report
        return real(archetypes, *given, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(simulation, "simulate", asked_for_none)
    with pytest.raises(AssertionError, match="computed"):
        other = area.model_copy(update={"movement": area.movement.model_copy(update={"seed": 99})})
        flow.assess(other, cache=kept)


def test_a_stopped_run_goes_on_where_it_was(area: settings.Area, clean: Results, tmp_path: Path,
                                            monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reuse, "BATCH", 10)
    monkeypatch.setattr(reuse, "MOST_FILES", 3)
    kept = store.Store(tmp_path / "store")
    real, calls = simulation.simulate, []

    def stops(archetypes: pd.DataFrame, *given: object, **named: object) -> movement.Movement:
        calls.append(len(archetypes))
        if len(calls) == 6:
            raise KeyboardInterrupt
        return real(archetypes, *given, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(simulation, "simulate", stops)
    with pytest.raises(KeyboardInterrupt):
        flow.assess(area, cache=kept)
    monkeypatch.setattr(simulation, "simulate", real)
    again = flow.assess(area, cache=kept)[0]
    assert again.facts["reused_archetypes"] == sum(calls[:5])
    pd.testing.assert_frame_equal(pd.DataFrame(again.lots), pd.DataFrame(clean.lots), check_exact=True)
    whole = flow.assess(area, cache=kept)[0]
    assert whole.facts["reused_archetypes"] == clean.facts["archetypes"]
    assert max(kept.files(path.name.split("-")[0]) for path in (tmp_path / "store").iterdir()) <= 3
    pd.testing.assert_frame_equal(pd.DataFrame(whole.lots), pd.DataFrame(clean.lots), check_exact=True)


def test_everything_that_decides_the_soil_is_in_its_key(area: settings.Area) -> None:
    found = layers.read(area)
    lot, _ = lots.clean(found.lots, area.lot_settings, area.crs, 12 * 2025 + 9, "lots")
    survey = found.soil
    base = reuse._soil_key(area, lot, survey)
    assert reuse._soil_key(area, lot.copy(), survey) == base

    moved = lot.copy()
    moved.loc[7, "geometry"] = moved.geometry.iloc[7].buffer(0.01)
    horizon = survey.horizon.copy()
    horizon.loc[0, "lep_pct"] = 7.7
    polygons = survey.polygons.iloc[:-1]
    other = area.model_copy(update={"soil_settings": area.soil_settings.model_copy(update={"line_doubt": False})})
    keys = [base, reuse._soil_key(area, moved, survey), reuse._soil_key(other, lot, survey),
            reuse._soil_key(area, lot.assign(state=lot["state"].where(lot.index != 9, "not_applicable")), survey),
            *(reuse._soil_key(area, lot, replace(survey, **changed)) for changed in (
                {"horizon": horizon}, {"polygons": polygons}, {"scale": 12000}, {"from_raster": True},
                {"map_unit": survey.map_unit.iloc[::-1].reset_index(drop=True)}))]
    assert len(set(keys)) == len(keys)


def _not_asked(archetypes: pd.DataFrame, *_: object, **__: object) -> None:
    raise AssertionError(f"{len(archetypes)} archetypes computed")
