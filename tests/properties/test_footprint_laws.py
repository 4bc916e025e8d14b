"""What holds of the size of a slab by any outline."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapely.affinity import rotate, translate

from riskmap.common.inputs import BuildingOutlines
from riskmap.lots import footprints

CRS = "EPSG:5070"
LOT = shapely.box(-500, -500, 500, 500)
SAME = 4 * footprints.CIRCLE_STEP_M  # the circle is sought to this; its diameter can differ by twice that, twice
usual = settings(max_examples=80, deadline=None, suppress_health_check=list(HealthCheck))


@st.composite
def plans(draw: Any) -> Any:
    """Return a house of one to four rectangles that overlap."""
    parts, x, y = [], 0.0, 0.0
    for _ in range(draw(st.integers(1, 4))):
        wide, deep = draw(st.floats(6, 18)), draw(st.floats(6, 18))
        parts.append(shapely.box(x, y, x + wide, y + deep))
        x, y = x + draw(st.floats(0.2, 0.8)) * wide, y + draw(st.floats(0.2, 0.8)) * deep
    return shapely.union_all(parts)


def sides(shapes: list[Any], lots: list[Any] | None = None) -> Any:
    lot = np.array([LOT] if lots is None else lots, dtype=object)
    column = pa.array([shapely.to_wkb(shape) for shape in shapes], pa.binary())
    buildings = BuildingOutlines(pa.chunked_array([column]), CRS, "b")
    return footprints.of_lots(lot, np.zeros(len(lot), dtype=bool), buildings, CRS).sides_m


@usual
@given(plan=plans(), angle=st.floats(0, 360), x=st.floats(-300, 300), y=st.floats(-300, 300))
def test_where_and_how_a_house_stands_does_not_matter(plan: Any, angle: float, x: float, y: float) -> None:
    first, second = sides([plan]), sides([translate(rotate(plan, angle), x, y)])
    assert np.isfinite(first[0, 0])
    np.testing.assert_allclose(first[:, 0], second[:, 0], atol=SAME)


@usual
@given(plan=plans())
def test_a_slab_is_never_wider_than_the_box_of_its_house(plan: Any) -> None:
    box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(plan))
    narrow = np.hypot(*np.diff(box[:3], axis=0).T).min()
    short, long_side = sides([plan])[0]
    assert short <= narrow - footprints.EAVES_M + 1e-6
    assert short <= 2 * np.sqrt(plan.area / np.pi) - footprints.EAVES_M + 1e-6  # the circle lies inside
    assert np.isnan(long_side) or long_side >= short * np.pi / 4


@usual
@given(parts=st.lists(plans(), min_size=2, max_size=6), seed=st.integers(0, 2**32 - 1),
       places=st.lists(st.tuples(st.floats(-60, 60), st.floats(-60, 60)), min_size=6, max_size=6))
def test_the_order_of_buildings_and_lots_never_matters(parts: list[Any], seed: int,
                                                       places: list[tuple[float, float]]) -> None:
    shapes = [translate(part, *place) for part, place in zip(parts, places, strict=False)]
    lots = [shapely.box(-100, -100, 0, 100), shapely.box(0, -100, 100, 100), shapely.box(0, -100, 100, 100)]
    rng = np.random.default_rng(seed)
    of_lots = rng.permutation(len(lots))
    first = sides(shapes, lots)
    second = sides([shapes[k] for k in rng.permutation(len(shapes))], [lots[k] for k in of_lots])
    np.testing.assert_array_equal(first[of_lots], second)
