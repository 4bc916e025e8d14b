"""A run that reuses columns is the run that computes everything: same numbers to the last bit, only sooner."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from riskmap import assess, movement, settings, store


@pytest.fixture(scope="module")
def area(example: Path) -> settings.Area:
    whole = settings.load(example / "area.toml")
    return whole.model_copy(update={"movement": whole.movement.model_copy(update={"draws": 40})})


def test_everything_some_and_nothing_reused_agree(area: settings.Area, tmp_path: Path,
                                                  monkeypatch: pytest.MonkeyPatch) -> None:
    kept = store.Store(tmp_path / "store")
    clean = assess.assess(area)[0]
    first = assess.assess(area, kept=kept)[0]
    second = assess.assess(area, kept=kept)[0]
    for again in (first, second):
        pd.testing.assert_frame_equal(pd.DataFrame(again.lots), pd.DataFrame(clean.lots), check_exact=True)
        assert again.facts["cells"] == clean.facts["cells"]
    assert first.facts["reused_columns"] == 0
    assert second.facts["reused_columns"] == clean.facts["columns"]
    assert second.facts["unit_draws"] == 0

    name = next((tmp_path / "store").glob("*.parquet")).name.split("-")[0]
    found, facts = kept.get(name)  # type: ignore[misc]
    kept.put(name, found.iloc[::2].reset_index(drop=True), facts, anew=True)
    some = assess.assess(area, kept=kept)[0]
    assert 0 < some.facts["reused_columns"] < clean.facts["columns"]
    pd.testing.assert_frame_equal(pd.DataFrame(some.lots), pd.DataFrame(clean.lots), check_exact=True)

    monkeypatch.setattr(movement, "simulate", _not_asked)
    with pytest.raises(AssertionError, match="computed"):
        other = area.model_copy(update={"movement": area.movement.model_copy(update={"seed": 99})})
        assess.assess(other, kept=kept)


def test_a_stopped_run_goes_on_where_it_was(area: settings.Area, tmp_path: Path,
                                            monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(store, "BATCH", 40)
    monkeypatch.setattr(store, "MOST_FILES", 3)
    clean = assess.assess(area)[0]
    kept = store.Store(tmp_path / "store")
    real, calls = movement.simulate, []

    def stops(columns: pd.DataFrame, *given: object, **named: object) -> movement.Movement:
        calls.append(len(columns))
        if len(calls) == 6:
            raise KeyboardInterrupt
        return real(columns, *given, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(movement, "simulate", stops)
    with pytest.raises(KeyboardInterrupt):
        assess.assess(area, kept=kept)
    monkeypatch.setattr(movement, "simulate", real)
    again = assess.assess(area, kept=kept)[0]
    assert again.facts["reused_columns"] == sum(calls[:5])
    pd.testing.assert_frame_equal(pd.DataFrame(again.lots), pd.DataFrame(clean.lots), check_exact=True)
    whole = assess.assess(area, kept=kept)[0]
    assert whole.facts["reused_columns"] == clean.facts["columns"]
    assert max(kept.files(path.name.split("-")[0]) for path in (tmp_path / "store").iterdir()) <= 3
    pd.testing.assert_frame_equal(pd.DataFrame(whole.lots), pd.DataFrame(clean.lots), check_exact=True)


def _not_asked(columns: pd.DataFrame, *_: object, **__: object) -> None:
    raise AssertionError(f"{len(columns)} columns computed")
