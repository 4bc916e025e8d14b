"""Every index found in riskmap/climate/indices keeps the contract of that folder; a new file is picked up by itself."""

from __future__ import annotations

import ast
import inspect
import json
import sys
import tempfile
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from riskmap.climate import indices
from riskmap.common.errors import LayerError

NOTEBOOK = Path(__file__).resolve().parents[2] / "notebooks" / "05_add_an_index.ipynb"


def from_the_notebook() -> tuple[str, tuple[ModuleType, ...]]:
    """Return the file that the notebook writes, and what is found once it is written."""
    cells = ["".join(cell["source"]) for cell in json.loads(NOTEBOOK.read_text(encoding="utf-8"))["cells"]]
    (source,) = [cell for cell in cells if cell.startswith("text = ")]
    text = ast.literal_eval(ast.parse(source).body[0].value)
    with tempfile.TemporaryDirectory() as place:
        Path(place, "balance_rank.py").write_text(text, encoding="utf-8")
        return text, indices.modules(Path(place))


OWN, FOUND = from_the_notebook()  # one file in a folder of one's own keeps the same rules as those of the package


@pytest.fixture(params=FOUND, ids=lambda module: module.NAME)
def index(request: pytest.FixtureRequest) -> ModuleType:
    return request.param


def inputs(index: ModuleType, n_series: int = 3, n_month: int = 480) -> list[np.ndarray]:
    rng = np.random.default_rng(7)
    return [rng.gamma(2.0, 30.0, (n_series, n_month)) for _ in index.NEEDS]


def compute(index: ModuleType, arrays: list[np.ndarray], first: int = 1, months: int = 3) -> np.ndarray:
    return index.compute(*arrays, first_calendar_month=first, accumulation_months=months)


def test_the_indices_are_found() -> None:
    assert [module.NAME for module in indices.modules()] == ["spei", "spi"]
    assert [module.NAME for module in FOUND] == ["spei", "spi", "balance_rank"]


def test_a_file_in_the_folder_of_the_package_is_found(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The package lists its folders when asked: one more folder on its path does the same as a file copied into it."""
    (tmp_path / "balance_rank.py").write_text(OWN, encoding="utf-8")
    (tmp_path / "_helper.py").write_text("", encoding="utf-8")
    monkeypatch.setattr(indices, "__path__", [*indices.__path__, str(tmp_path)])
    monkeypatch.setitem(sys.modules, f"{indices.__name__}.balance_rank", None)  # so that it is forgotten afterwards
    del sys.modules[f"{indices.__name__}.balance_rank"]
    assert [module.NAME for module in indices.modules()] == ["balance_rank", "spei", "spi"]


@pytest.mark.parametrize(("name", "change", "code"), [
    ("spi", ("NAME", "NAME"), "E-CLI-050"), ("balance_rank", ("UNIT =", "UNITS ="), "E-CLI-052.*missing: UNIT"),
    ("another", ("NAME", "NAME"), "E-CLI-053"), ("not-a-name", ("NAME", "NAME"), "E-CLI-053")])
def test_a_file_that_is_no_index_is_refused(tmp_path: Path, name: str, change: tuple[str, str], code: str) -> None:
    (tmp_path / f"{name}.py").write_text(OWN.replace(*change), encoding="utf-8")
    with pytest.raises(LayerError, match=code):
        indices.modules(tmp_path)


def test_a_folder_with_packages_is_refused_and_an_empty_one_adds_nothing(tmp_path: Path) -> None:
    assert len(indices.modules(tmp_path)) == 2
    (tmp_path / "balance_rank").mkdir()
    (tmp_path / "balance_rank" / "__init__.py").write_text(OWN, encoding="utf-8")
    with pytest.raises(LayerError, match="E-CLI-051"):
        indices.modules(tmp_path)


def test_declares_what_it_is(index: ModuleType) -> None:
    assert index.__name__.endswith("." + index.NAME)
    assert index.UNIT
    assert index.SOURCE
    assert index.RANGE[0] < 0 < index.RANGE[1]
    positional = [p.name for p in inspect.signature(index.compute).parameters.values()
                  if p.kind is p.POSITIONAL_OR_KEYWORD]
    assert tuple(positional) == index.NEEDS


def test_keeps_shape_and_has_no_value_before_the_first_whole_sum(index: ModuleType) -> None:
    score = compute(index, inputs(index), first=5, months=6)
    assert score.shape == (3, 480)
    assert np.isnan(score[:, :5]).all()
    assert np.isfinite(score[:, 5:]).all()


def test_is_standardised_for_each_calendar_month(index: ModuleType) -> None:
    """40 years of stationary weather: mean within 0.05 and standard deviation within 0.1 of a unit normal."""
    score = compute(index, inputs(index, n_series=50), months=1).reshape(50, 40, 12)
    assert np.abs(score.mean(axis=1)).mean() < 0.05
    assert np.abs(score.std(axis=1) - 1).mean() < 0.1


def test_unknown_month_spoils_only_the_sums_that_hold_it(index: ModuleType) -> None:
    arrays = inputs(index)
    arrays[0][1, 100] = np.nan
    score = compute(index, arrays, months=3)
    assert np.flatnonzero(np.isnan(score[1])).tolist() == [0, 1, 100, 101, 102]
    np.testing.assert_array_equal(score[[0, 2]], compute(index, inputs(index), months=3)[[0, 2]])


def test_more_rain_is_a_higher_index(index: ModuleType) -> None:
    rain, *others = inputs(index, n_series=1)
    score = compute(index, [rain, *[np.full_like(o, 50.0) for o in others]], months=1)[0, ::12]
    assert (np.diff(score[np.argsort(rain[0, ::12])]) > 0).all()


def test_leaves_its_input_untouched(index: ModuleType) -> None:
    arrays = inputs(index)
    before = [a.copy() for a in arrays]
    compute(index, arrays)
    for now, then in zip(arrays, before, strict=True):
        np.testing.assert_array_equal(now, then)


@pytest.mark.parametrize(("first", "months"), [(0, 3), (13, 3), (1, 0)])
def test_impossible_options_are_refused(index: ModuleType, first: int, months: int) -> None:
    with pytest.raises(ValueError, match="must be"):
        compute(index, inputs(index), first=first, months=months)


@pytest.mark.parametrize("n_month", [0, 2, 60])
def test_too_short_a_record_gives_no_value(index: ModuleType, n_month: int) -> None:
    score = compute(index, inputs(index, n_month=n_month), months=3)
    assert score.shape == (3, n_month)
    assert np.isnan(score).all()


def test_constant_weather_gives_no_value_and_no_series_no_row(index: ModuleType) -> None:
    constant = [np.full((1, 480), 30.0 + k) for k, _ in enumerate(index.NEEDS)]
    assert np.isnan(compute(index, constant)).all()
    assert compute(index, inputs(index, n_series=0)).shape == (0, 480)
