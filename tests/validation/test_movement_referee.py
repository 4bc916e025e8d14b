"""Solver, driver and mixtures against the independent solution (a slow march and a grid-free series).

The referee says whether the equations are solved, not whether they are right. Limits are its own: movement
max(1 % of the edge range, 0.3 mm), driver 0.001 pF, mixtures four standard errors.
"""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from riskmap.common.errors import LayerError
from riskmap.evidence.known_answers import case_file


@pytest.fixture(scope="module")
def content(referee: Path) -> dict[str, Any]:
    return case_file.load(referee / "cases_shared.json")


@pytest.fixture(scope="module")
def lines(content: dict[str, Any], open_data: Path) -> list[case_file.Line]:
    return case_file.check(content, case_file.read_divisions(open_data))


@pytest.mark.parametrize(("kind", "count"), [("driver", 12), ("equilibrium", 13), ("solver", 32), ("behaviour", 30),
                                              ("mixture", 16)])
def test_every_comparison_is_inside_its_limit(lines: list[case_file.Line], kind: str, count: int) -> None:
    of_kind = [line for line in lines if line.kind == kind]
    assert len(of_kind) == count
    assert not [(line.name, line.difference, line.limit) for line in of_kind if not line.passed]


def test_a_wrong_value_is_noticed(content: dict[str, Any]) -> None:
    case = copy.deepcopy(content["cases"][0])
    case["heave_mm"]["edge"][5] += 2 * case["tolerance_mm"]
    assert not case_file.check_case(case, content["drivers"]).passed
    case = copy.deepcopy(content["cases"][0])
    case["input"]["lateral_factor"] *= 1.05
    assert not case_file.check_case(case, content["drivers"]).passed
    assert not case_file.Line("solver", "x", float("nan"), 1.0, "mm", "").passed


def test_components_are_drawn_not_averaged(content: dict[str, Any]) -> None:
    """A mixture of unlike soils spreads wider than its average soil would: the low tenth is the poor component's."""
    mixture = content["mixtures"][0]
    lep = {c["name"]: np.mean([h["lep_l_r_h_pct"][1] for h in c["horizons"]]) for c in mixture["components"]
           if c["horizons"]}
    ours = case_file.mixture_quantities(mixture, content["drivers"][mixture["driver"]], 200, 3)
    low, high = np.percentile(ours["dome_max"], (10, 90))
    assert high / low > 3
    assert max(lep.values()) / min(lep.values()) > 3


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"drivers": {}, "cases": [], "format_version": 1}', "\x00"])
def test_a_file_that_holds_no_cases_is_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "cases.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(LayerError, match="E-SLF-00"):
        case_file.load(path)
