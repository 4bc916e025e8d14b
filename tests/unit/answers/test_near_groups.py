"""Lots near to each other: the groups are those of a clustering library, one lot is a group, and steps reach far."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from riskmap.answers.brief import visits


@pytest.mark.parametrize("count", [1, 2, 40, 300])
@pytest.mark.parametrize("width_m", [500.0, 20_000.0, 60_000.0])
def test_groups_are_those_of_the_clustering_library(count: int, width_m: float) -> None:
    from sklearn.cluster import DBSCAN

    xy = np.random.default_rng(count).uniform(0, width_m, (count, 2))
    theirs = DBSCAN(eps=visits.APART_M, min_samples=1).fit_predict(xy)
    ours = visits._near_groups(shapely.points(xy))
    assert len(set(zip(ours.tolist(), theirs.tolist(), strict=True))) == len(set(ours)) == len(set(theirs))


def test_steps_lead_from_one_end_of_a_street_to_the_other_and_not_across_a_gap() -> None:
    along = np.array([0, 1, 2, 3, 3 + 1.001, 5.0]) * visits.APART_M
    groups = visits._near_groups(shapely.points(along, 0.0))
    assert groups[:4].tolist() == [groups[0]] * 4
    assert groups[4] == groups[5] != groups[0]
