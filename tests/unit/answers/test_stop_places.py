"""The numbers of a map of stops: apart from each other, joined to their lots, and the same each time."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from riskmap.answers.brief import plan, stop_places

SIZE, TEXT = 110.0, 2.6
NORTH, SCALE = (SIZE - 2.4 * TEXT, 0.0, SIZE, 3.5 * TEXT), (0.0, SIZE - 2.2 * TEXT, 30.0, SIZE)


def streets(count: int, wide: float, deep: float) -> list[tuple[float, float]]:
    """Return houses by fives, `wide` apart, some set back, with two more below the north arrow and the scale bar."""
    houses = [(12.0 + 20.0 * (k // 5 % 5) + wide * (k % 5), 20.0 + 18.0 * (k // 25) + deep * (k * 2 % 5 % 2))
              for k in range(count - 2)]
    return [*houses, (SIZE - 2.0, 2.0), (2.0, SIZE - 2.0)]


def rows_of_houses(count: int, apart: float) -> list[tuple[float, float]]:
    """Return houses in four rows on both sides of two streets."""
    return [(12.0 + apart * (k // 4), 45.0 + 3.0 * (k % 4)) for k in range(count)]


def radius_of(count: int) -> list[float]:
    return [(0.75 + 0.14 * (len(str(k + 1)) - 1)) * TEXT for k in range(count)]


@pytest.mark.parametrize("exchanging", [True, False])
@pytest.mark.parametrize(("count", "wide", "deep"), [(5, 1.0, 1.7), (25, 1.0, 1.7), (25, 1.6, 0.0), (100, 1.6, 0.0)])
def test_no_number_covers_another_and_no_line_crosses_one(count: int, wide: float, deep: float, exchanging: bool,
                                                          monkeypatch: pytest.MonkeyPatch) -> None:
    lots = streets(count, wide, deep)
    if not exchanging:
        monkeypatch.setattr(stop_places._Sheet, "exchange", lambda self: None)
    found = stop_places.spread(lots, radius_of(count), SIZE, TEXT, [NORTH, SCALE])
    radius = found.times * np.array(radius_of(count))
    assert found.times == 1.0
    assert (found.at >= radius[:, None]).all()
    assert (found.at <= SIZE - radius[:, None]).all()
    middles = shapely.points(found.at)
    for box in (NORTH, SCALE):
        assert (shapely.distance(middles, shapely.box(*box)) >= radius - 1e-9).all()
    between = shapely.distance(middles[:, None], middles[None, :])
    np.fill_diagonal(between, np.inf)
    assert (between > radius[:, None] + radius[None, :]).all()
    dots = shapely.points(np.array(lots))
    covered = (shapely.distance(middles[:, None], dots[None, :]) < radius[:, None]) & ~np.eye(count, dtype=bool)
    assert not covered.any()
    assert found.moved[-2:].all()
    lines = shapely.linestrings(np.stack([np.array(lots), found.at], axis=1)[found.moved])
    crossing = shapely.crosses(lines[:, None], lines[None, :])
    assert not crossing.any()
    over = shapely.distance(lines[:, None], middles[None, :]) < radius[None, :] - 1e-9
    assert over.sum() == len(lines), "a line ends at its own circle and meets no other"


@pytest.mark.parametrize(("count", "apart"), [(25, 1.6), (100, 1.6), (100, 3.4)])
def test_no_number_covers_another_where_lines_cannot_but_cross(count: int, apart: float) -> None:
    found = stop_places.spread(rows_of_houses(count, apart), radius_of(count), SIZE, TEXT)
    between = np.hypot(*(found.at[:, None] - found.at[None]).transpose(2, 0, 1))
    np.fill_diagonal(between, np.inf)
    radius = np.array(radius_of(count))
    assert found.times == 1.0
    assert (between > radius[:, None] + radius[None, :]).all()


def test_circles_exchange_their_spots_where_lines_cross(monkeypatch: pytest.MonkeyPatch) -> None:
    def crossings() -> int:
        lots = rows_of_houses(60, 2.4)
        found = stop_places.spread(lots, [TEXT] * 60, SIZE, TEXT)
        lines = shapely.linestrings(np.stack([np.array(lots), found.at], axis=1)[found.moved])
        return int(shapely.crosses(lines[:, None], lines[None, :]).sum()) // 2

    after = crossings()
    monkeypatch.setattr(stop_places._Sheet, "exchange", lambda self: None)
    assert after < crossings()


def test_a_free_number_stays_where_its_lot_is() -> None:
    lots = [(20.0, 20.0), (60.0, 60.0), (61.0, 60.0)]
    found = stop_places.spread(lots, radius_of(3), SIZE, TEXT)
    assert found.at[0].tolist() == [20.0, 20.0]
    assert found.moved.tolist() == [False, True, True]
    assert (np.hypot(*(found.at - np.array(lots)).T) < 4 * TEXT).all()


def test_equal_stops_give_equal_places() -> None:
    first, second = (stop_places.spread(rows_of_houses(60, 1.6), radius_of(60), SIZE, TEXT) for _ in range(2))
    np.testing.assert_array_equal(first.at, second.at)


def test_circles_shrink_before_they_touch_and_too_many_stay() -> None:
    """More circles than the map has room for are drawn at their smallest, each on its lot."""
    lots = [(2.0 + 6.0 * (k % 18), 2.0 + 6.0 * (k // 18)) for k in range(200)]
    found = stop_places.spread(lots, radius_of(200), SIZE, TEXT)
    assert stop_places.SIZES[-1] < found.times < 1.0
    between = np.hypot(*(found.at[:, None] - found.at[None]).transpose(2, 0, 1))
    np.fill_diagonal(between, np.inf)
    radius = found.times * np.array(radius_of(200))
    assert (between > radius[:, None] + radius[None, :]).all()
    many = [(110.0 * (k % 40) / 40, 110.0 * (k // 40) / 40) for k in range(1600)]
    found = stop_places.spread(many, radius_of(1600), SIZE, TEXT)
    assert found.times == stop_places.SIZES[-1]
    assert not found.moved.any()


def test_the_map_joins_a_moved_number_to_its_lot() -> None:
    points = [(-97.5, 33.5), (-97.49995, 33.5), (-97.48, 33.51)]
    made = plan.of_stops(points, ["1", "2", "3"], None, "us", SIZE, TEXT)
    assert made is not None
    assert made.texts("stop") == ["1", "2", "3"]
    assert len(made.paths("leader")) == len(made.paths("dot")) == 2
    for line, dot, circle in zip(made.paths("leader"), made.paths("dot"), made.paths("stop"), strict=False):
        assert np.mean(dot.points, axis=0) == pytest.approx(line.points[0])
        assert np.mean(circle.points, axis=0) == pytest.approx(line.points[1])
    same = plan.of_stops([points[0], points[0]], ["1", "2"], None, "us", SIZE, TEXT)
    assert same is not None
    assert same.texts("stop") == ["1, 2"]
    assert not same.paths("leader")
