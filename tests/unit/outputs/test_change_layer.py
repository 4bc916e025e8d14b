"""Classes of the change layers come from the data, mirrored at zero, and the legend says between which months."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from riskmap.outputs.map.change_layer import NICE_MM, ChangeSince, limits, mirrored


def in_classes(values: np.ndarray) -> list[int]:
    return np.bincount(np.digitize(values, limits(values)), minlength=7).tolist()


@pytest.mark.parametrize(("values", "wanted"), [
    (np.random.default_rng(1).normal(2.1, 1.0, 1800), (1.0, 2.0, 5.0)),  # as a real drought month had it
    (np.random.default_rng(1).normal(0.0, 0.8, 1800), (0.5, 1.0, 2.0)),
    (np.random.default_rng(1).normal(0.0, 15.0, 1800), (2.0, 10.0, 20.0)),
])
def test_the_limits_follow_the_data(values: np.ndarray, wanted: tuple[float, ...]) -> None:
    assert limits(values) == mirrored(wanted)
    assert max(in_classes(values)) < 0.7 * len(values), "not all lots have one colour"


def test_the_limits_are_mirrored_nice_and_the_same_for_the_opposite_change() -> None:
    values = np.random.default_rng(4).gamma(2.0, 1.5, 500)
    found = limits(values)
    assert found == tuple(sorted(found)) == tuple(-value for value in reversed(found))
    assert set(found[3:]) <= set(NICE_MM)
    assert limits(-values) == found
    assert limits(np.append(values, [np.nan] * 50)) == found


def test_without_a_change_all_lots_are_in_the_middle_class() -> None:
    for values in (np.zeros(30), np.full(30, np.nan), np.array([]), np.full(30, 0.2)):
        assert limits(values) == mirrored((0.5, 1.0, 2.0))
    assert in_classes(np.zeros(30)) == [0, 0, 0, 30, 0, 0, 0]


def test_lots_that_did_not_move_do_not_set_the_limits() -> None:
    values = np.append(np.zeros(1000), [3.0, 6.0, 12.0])
    assert limits(values) == limits(values[1000:]) == mirrored((2.0, 5.0, 10.0))
    assert limits(np.full(9, 400.0)) == mirrored((10.0, 20.0, 50.0))


def test_title_and_note_say_between_which_months() -> None:
    changes = pd.DataFrame({"now": [1.0, 2.0], "next": [0.0, 0.0], "expected": [0.1, 0.2], "long_run": [0.0, 0.0]})
    shown = ChangeSince.of(changes, "June 2011", "July 2011").scales()
    assert list(shown) == ["change", "change_expected"], "bending now comes first"
    assert shown["change"].title == "Change now since June 2011"
    assert shown["change"].note.startswith("From June 2011 to July 2011: + the middle of the slab rose")
    same = ChangeSince.of(changes, "July 2011", "July 2011").scales()["change"]
    assert (same.title, same.note.split(":")[0]) == ("Change now since the other run", "Between two runs of July 2011")
