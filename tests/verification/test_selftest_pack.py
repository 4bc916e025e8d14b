"""The known-answer pack: it passes, it can fail, and it says what it did not run."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from riskmap.cli.main import cli
from riskmap.climate import evapotranspiration
from riskmap.evidence import known_answers
from riskmap.evidence.known_answers import report
from riskmap.evidence.known_answers.case import STANDINGS, Case, Tolerance, judge
from riskmap.evidence.published import nelson_heave
from riskmap.movement import slab

# Published and closed-form answers that need no unseen document: 11 and 21 are named as not included.
CANDIDATES = {str(n) for n in range(1, 26)} - {"11", "21"}


def cases() -> list[tuple[str, Case]]:
    return [(group, case) for group in known_answers.GROUPS
            for case in known_answers.module_of(group).CASES]


@pytest.fixture(scope="module")
def verdicts() -> list[known_answers.Verdict]:
    return known_answers.run()


def told(verdict: known_answers.Verdict) -> str:
    case = verdict.case
    return f"{case.number} {case.name}: printed {case.printed}, ours {verdict.ours} {verdict.note}"


def test_every_case_that_needs_no_data_lies_inside_its_tolerance(verdicts: list[known_answers.Verdict]) -> None:
    """Seconds are reported to the user of the pack; on a busy machine they say nothing about the program."""
    assert [told(v) for v in verdicts if v.verdict == "miss" and v.case.unit != "s"] == []


def test_cases_that_need_data_are_not_run_and_not_passed(verdicts: list[known_answers.Verdict]) -> None:
    waiting = [v for v in verdicts if v.case.needs_data]
    assert {v.case.number for v in waiting} == {"17b", "F1a", "F1b", "F2a", "F2b", "F4a", "F4b", "F5a", "F5b"}
    assert {v.verdict for v in waiting} == {"not run"}
    assert all(v.note == "needs the open data folder" and v.ours == () for v in waiting)


def test_cases_on_real_data_lie_inside_their_tolerance(open_data: Path) -> None:
    found = [judge(case, group, open_data) for group, case in cases() if case.needs_data]
    assert len(found) == 9
    assert [told(v) for v in found if v.verdict != "pass"] == []


def test_the_pack_holds_the_candidates_the_physics_tests_and_the_field_checks() -> None:
    numbers = {case.number for _, case in cases()}
    bare = {n.rstrip("abcdefghijk") for n in numbers}
    assert bare >= CANDIDATES
    assert bare >= {f"P{n}" for n in range(1, 13)}
    assert bare >= {f"F{n}" for n in range(1, 8)}
    assert len(numbers) == len(cases()) >= 120
    named = {item.number for item in known_answers.not_included()}
    assert {"11", "21"} <= named
    assert all(item.reason for item in known_answers.not_included())


def test_every_case_states_its_source_standing_and_the_reason_of_its_tolerance() -> None:
    for _, case in cases():
        assert case.source, case.number
        assert case.standing in STANDINGS, case.number
        assert case.tolerance.reason, case.number
        assert case.printed, case.number
        assert len(case.name) <= 50, case.number
        assert len(case.unit) <= 12, case.number
        if case.tolerance.kind == "range":
            assert len(case.printed) == 2, case.number


BROKEN: list[tuple[str, object, str, Callable[..., object]]] = [
    ("movement_methods", nelson_heave, "layer_heave_m", lambda *a, **k: np.full(10, 0.0255)),
    ("slab", slab, "solve", lambda ground, *rest: 0.97 * ground),
    ("climate", evapotranspiration, "thornthwaite", lambda t, *a, **k: 5.0 * np.maximum(t, 0)),
]


@pytest.mark.parametrize(("group", "module", "name", "wrong"), BROKEN, ids=lambda v: v if isinstance(v, str) else "")
def test_a_broken_function_makes_the_pack_fail(group: str, module: object, name: str, wrong: Callable[..., object],
                                               monkeypatch: pytest.MonkeyPatch,
                                               capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(module, name, wrong)
    assert any(v.verdict == "miss" for v in known_answers.run([group]))
    monkeypatch.setattr(known_answers, "GROUPS", (group,))
    done = CliRunner().invoke(cli, ["selftest"])
    assert done.exit_code == 1
    assert " miss" in done.stdout


def one(ours: Callable[..., object], printed: tuple = (1.0,), tolerance: Tolerance | None = None) -> Case:
    return Case("x", "a case", "a source", "computed", printed, "mm", tolerance or Tolerance("why", absolute=0.1), ours)


@pytest.mark.parametrize(("case", "verdict"), [
    (one(lambda: [1.1]), "pass"), (one(lambda: [1.2]), "miss"), (one(lambda: [float("nan")]), "miss"),
    (one(lambda: []), "miss"), (one(lambda: [1.0, 1.0]), "miss"), (one(lambda: 1 / 0), "miss"),
    (one(lambda: ["1.0"]), "miss"), (one(lambda: ["H1"], ("H1",)), "pass"), (one(lambda: ["H2"], ("H1",)), "miss"),
    (one(lambda: [0.0], (0.0,), Tolerance("exact")), "pass"), (one(lambda: [1e-9], (0.0,), Tolerance("exact")), "miss"),
    (one(lambda: [2.0, 3.0], (2.0, 4.0), Tolerance("r", kind="range")), "pass"),
    (one(lambda: [2.0, 4.1], (2.0, 4.0), Tolerance("r", kind="range")), "miss"),
    (one(lambda: [float("nan")], (2.0, 4.0), Tolerance("r", kind="range")), "miss"),
    (one(lambda: [], (2.0, 4.0), Tolerance("r", kind="range")), "miss"),
])
def test_judging(case: Case, verdict: str) -> None:
    assert judge(case, "g", None).verdict == verdict


def test_the_value_farthest_from_print_is_shown_and_a_fault_is_told() -> None:
    found = judge(one(lambda: [1.0, 2.5, 3.01], (1.0, 2.0, 3.0)), "g", None)
    assert (found.verdict, found.worst) == ("miss", 1)
    assert "ZeroDivisionError" in judge(one(lambda: 1 / 0), "g", None).note


def test_text_and_json(verdicts: list[known_answers.Verdict], capsys: pytest.CaptureFixture[str],
                       monkeypatch: pytest.MonkeyPatch) -> None:
    table = report.text(verdicts, known_answers.not_included(), 1.0)
    assert max(len(line) for line in table.splitlines()) <= 120
    assert "from memory" in table
    assert "NOT INCLUDED" in table
    monkeypatch.setattr(known_answers, "GROUPS", ("soil", "climate"))
    done = CliRunner().invoke(cli, ["selftest", "--json"])
    assert done.exit_code == 0
    whole = json.loads(done.stdout)
    assert whole["counts"]["miss"] == 0
    assert whole["counts"]["not run"] == 1
    assert whole["cases"][0].keys() == {"number", "group", "name", "source", "standing", "unit", "printed", "ours",
                                        "tolerance", "verdict", "note"}
    assert whole["not_included"]


def test_an_unknown_group_is_named() -> None:
    with pytest.raises(ValueError, match="the pack has soil"):
        known_answers.run(["sail"])
