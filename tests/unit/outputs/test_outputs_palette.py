"""Colours are told apart, also by eyes that see fewer of them, and labels on them can be read."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from colorspacious import cspace_convert, deltaE

from riskmap.common import tables
from riskmap.outputs import palette

LEAST_DIFFERENCE = 15.0  # CAM02-UCS units, neighbours of one ramp
RAMPS = {"sequential": palette.SEQUENTIAL, "diverging": palette.DIVERGING, "soil": palette.SOIL,
         "quality": palette.QUALITY, "age": palette.AGE, "phase": palette.PHASE}


def seen(color: str, deficiency: str | None) -> np.ndarray:
    rgb = np.array([int(color[k : k + 2], 16) / 255 for k in (1, 3, 5)])
    if deficiency is None:
        return rgb
    space = {"name": "sRGB1+CVD", "cvd_type": deficiency, "severity": 100}
    return np.clip(cspace_convert(rgb, space, "sRGB1"), 0, 1)


@pytest.mark.parametrize("deficiency", [None, "deuteranomaly", "protanomaly", "tritanomaly"])
@pytest.mark.parametrize("ramp", RAMPS)
def test_neighbours_differ(ramp: str, deficiency: str | None) -> None:
    for first, second in itertools.pairwise(RAMPS[ramp]):
        assert deltaE(seen(first, deficiency), seen(second, deficiency), input_space="sRGB1") >= LEAST_DIFFERENCE


@pytest.mark.parametrize("deficiency", [None, "deuteranomaly", "protanomaly", "tritanomaly"])
def test_up_and_down_differ(deficiency: str | None) -> None:
    for down, up in zip(palette.DIVERGING[:3], palette.DIVERGING[:3:-1], strict=True):
        assert deltaE(seen(down, deficiency), seen(up, deficiency), input_space="sRGB1") >= LEAST_DIFFERENCE


def test_labels_on_every_class_can_be_read() -> None:
    for color in itertools.chain(*RAMPS.values(), palette.DROUGHT):
        assert palette.contrast(color, palette.label_color(color)) >= 4.5


def test_outlines_show_on_every_class() -> None:
    for color in itertools.chain(*RAMPS.values(), palette.DROUGHT):
        assert palette.contrast(color, palette.edge_color(color)) >= 3.0  # WCAG 2.2, 1.4.11: parts of a picture


def test_a_middle_grey_of_a_scale_is_known() -> None:
    assert palette.grey_class(palette.SEQUENTIAL) == 2
    for colors in (palette.SOIL, palette.AGE, palette.DROUGHT, palette.DIVERGING, ("#000000", "#ffffff")):
        assert palette.grey_class(colors) is None


def test_contrast_of_black_and_white_is_21() -> None:
    assert palette.contrast("#000000", "#ffffff") == pytest.approx(21.0)  # WCAG 2.2: range is 1 to 21


def test_traffic_light_ramp_would_fail() -> None:
    """The measure finds the ramp that is known to fail: red and green ends under deuteranomaly."""
    ends = [seen(c, "deuteranomaly") for c in ("#d73027", "#1a9850")]
    assert deltaE(*ends, input_space="sRGB1") < LEAST_DIFFERENCE


def test_every_scale_is_complete() -> None:
    names = {column.name for column in tables.ESTIMATE.columns}
    for scale in (*palette.SCALES.values(), *palette.DERIVED_SCALES.values()):
        assert (scale.column in names) == (scale in palette.SCALES.values())
        assert scale.unit in ("mm", "years")
        ranks = scale.ranks()
        assert len(ranks) == len(scale.classes)
        classes = len(scale.limits_mm) + 1 if scale.limits_mm else len(set(ranks.values()))
        assert sorted(set(ranks.values())) == (list(range(classes)) if scale.classes else [])
        assert len(scale.colors) == classes
        assert not scale.words or len(scale.words) == classes
    assert all(phase in tables.ESTIMATE.column("phase").meaning for phase in palette.PHASE_CLASSES)
    assert set(palette.HATCH) == set(tables.STATES)
    assert len(set(palette.HATCH.values())) == len(tables.STATES)
    assert set(palette.HATCH_ANGLES) == set(palette.HATCH.values())
