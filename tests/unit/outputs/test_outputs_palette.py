"""Colours are told apart, also by eyes that see fewer of them and in grey, and what lies on them can be read."""

from __future__ import annotations

import itertools
import re

import numpy as np
import pytest

from riskmap.common import tables
from riskmap.outputs import palette, telling
from riskmap.outputs.palette import (
    AGE,
    BEAMS,
    BENDING,
    CHANGE,
    DROUGHT,
    INK,
    KNOWN,
    PAPER,
    PHASE,
    SHARE,
    SIZE,
    SOIL,
    WEATHER,
)
from tests.colour_measures import EYES, cam02, ciede2000, grey, grey_class, lab

RAMPS = {"size": SIZE, "bending": BENDING, "change": CHANGE, "weather": WEATHER, "soil": SOIL, "age": AGE,
         "phase": PHASE, "share": SHARE, "known": KNOWN, "beams": BEAMS}
DIVERGING = ("bending", "change", "weather")
# CAM02-UCS units between neighbours. Seven classes from L* 89 to 13 reached 12.4 as the best of one search in these
# hues; up to five classes have room for more.
LEAST = {7: 12.0, 5: 13.5, 4: 13.5, 3: 13.5}
LEAST_GREY = 7.0  # CIEDE2000 of the lightness alone, all classes of a diverging ramp in one order
LEAST_SIGNS = 14.0  # CAM02-UCS units, the same class with the other sign
LEAST_ROLES = 11.0  # CIEDE2000, classes of two roles
LEAST_PALEST = 1.25  # contrast to paper

# What a colour means, without the neutral class, which says "none" or "all known" in each role.
ROLES = {"size": SIZE, "dish": BENDING[:3], "dome": BENDING[4:], "less": CHANGE[:3], "more": CHANGE[4:],
         "dry": WEATHER[:3], "wet": WEATHER[4:], "soil": SOIL, "age": AGE, "drought": DROUGHT[1:], "share": SHARE,
         "known": KNOWN[1:]}
SAME_MEANING = ({"size", "more"}, {"size", "share"}, {"more", "share"})  # how much; on purpose one hue


def below(limit: float, measured: dict[object, float]) -> dict[object, float]:
    return {name: round(value, 2) for name, value in measured.items() if value < limit}


@pytest.mark.parametrize("ramp", RAMPS)
def test_neighbours_differ(ramp: str) -> None:
    colors = RAMPS[ramp]
    assert not below(LEAST[len(colors)], {(pair, eye): cam02(*pair, eye)
                                          for pair in itertools.pairwise(colors) for eye in EYES})


@pytest.mark.parametrize("ramp", DIVERGING)
def test_both_signs_differ(ramp: str) -> None:
    colors = RAMPS[ramp]
    signs = list(zip(colors[:3], colors[:3:-1], strict=True))
    assert not below(LEAST_SIGNS, {(pair, eye): cam02(*pair, eye) for pair in signs for eye in EYES})


@pytest.mark.parametrize("ramp", DIVERGING)
def test_all_classes_stand_in_one_grey_order(ramp: str) -> None:
    """In grey print a minus is no plus: every two of the seven classes differ, and the minus is the darker one."""
    colors = RAMPS[ramp]
    assert not below(LEAST_GREY, {pair: grey(*pair) for pair in itertools.combinations(colors, 2)})
    assert all(lab(minus)[0] < lab(plus)[0] for minus, plus in zip(colors[:3], colors[:3:-1], strict=True))


def test_one_way_ramps_get_darker() -> None:
    for name in RAMPS.keys() - set(DIVERGING):
        light = [lab(color)[0] for color in RAMPS[name]]
        assert (np.diff(light) < 0).all(), name


def test_different_meanings_differ() -> None:
    measured: dict[object, float] = {}
    for (one, first), (other, second) in itertools.combinations(ROLES.items(), 2):
        if {one, other} not in SAME_MEANING:
            measured[one, other] = min(ciede2000(lab(a), lab(b)) for a in first for b in second)
    assert len(measured) == 12 * 11 / 2 - 3
    assert not below(LEAST_ROLES, measured)


def test_what_means_the_same_looks_the_same() -> None:
    """A size, more of it and a share beyond a size are one hue: their middles lie within 35 degrees of CIELAB hue."""
    hues = [np.degrees(np.arctan2(*lab(color)[:0:-1])) % 360 for color in (SIZE[4], palette.MORE, SHARE[3])]
    assert np.ptp(hues) < 35


def test_the_palest_class_shows_on_paper() -> None:
    for ramp in RAMPS.values():
        assert max(ramp, key=palette.luminance) in {ramp[k] for k in palette.palest(ramp)}
        assert min(palette.contrast(color, PAPER) for color in ramp) >= LEAST_PALEST


def test_labels_on_every_class_can_be_read() -> None:
    for color in itertools.chain(*RAMPS.values(), DROUGHT):
        assert palette.contrast(color, palette.label_color(color)) >= 4.5


def test_outlines_show_on_every_class() -> None:
    for color in itertools.chain(*RAMPS.values(), DROUGHT):
        assert palette.contrast(color, palette.edge_color(color)) >= 3.0  # WCAG 2.2, 1.4.11: parts of a picture
        assert max(palette.contrast(color, ring) for ring in (INK, PAPER)) >= 4.0  # of the chosen lot


def test_text_and_lines_show_on_paper() -> None:
    least = {"ink": 7.0, "soft": 4.5, "outline": 4.5, "ground": 4.5, "hatch": 3.0, "control": 3.0, "range": 3.0,
             "slab": 3.0}
    for name, wanted in least.items():  # WCAG 2.2, 1.4.6, 1.4.3 (text) and 1.4.11 (lines)
        assert palette.contrast(palette.PAGE[name], PAPER) >= wanted, name
    assert all(palette.contrast(INK, color) >= 4.5 for color in palette.SOIL_LAYERS)


def test_no_ramp_has_a_middle_grey() -> None:
    """It would be read as "no data"; shades of ink are what the files say, and one of them is one."""
    assert grey_class(("#fee838", "#7d7c78", "#00224e")) == 1
    for name, colors in RAMPS.items():
        assert (grey_class(colors) is not None) == (name in ("known", "beams")), name


def test_measures_against_published_values() -> None:
    """WCAG 2.2: contrast is 1 to 21. Two of the test pairs of Sharma, Wu & Dalal 2005, table 1."""
    assert palette.contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert ciede2000(np.array([50, 2.6772, -79.7751]), np.array([50, 0, -82.7485])) == pytest.approx(2.0425, abs=5e-5)
    assert ciede2000(np.array([60.2574, -34.0099, 36.2677]),
                     np.array([60.4626, -34.1751, 39.4387])) == pytest.approx(1.2644, abs=5e-5)


def test_ramps_known_to_fail_would_fail() -> None:
    """The measures find what is known to fail: red against green ends, and a ramp whose two ends are one grey."""
    assert cam02("#d73027", "#1a9850", "deuteranomaly") < LEAST_SIGNS
    assert grey("#d7a081", "#80b2ca") < LEAST_GREY


def test_a_class_keeps_its_colour() -> None:
    scale = palette.SCALES["expected"]
    for largest, classes in ((float("nan"), 5), (3.0, 5), (36.0, 5), (49.9, 5), (50.0, 6), (74.0, 6), (75.0, 7)):
        shown = scale.reached(largest)
        assert shown.colors == SIZE[:classes]
        assert shown.limits_mm == palette.SIZE_LIMITS_MM[: classes - 1]
    assert palette.SCALES["now"].reached(400.0) is palette.SCALES["now"]
    assert palette.SIZE_LIMITS_MM == (5, 10, 20, 35, 50, 75)
    assert palette.SIZE_LIMITS_MM[:4] == tables.DEFLECTION_BANDS_MM


def test_a_layer_of_an_estimate_has_the_name_of_its_answer() -> None:
    """The list of layers and the legend call an estimate what the panel, the terminal and the papers call it."""
    layers = {**{question: question for question in telling.COLUMNS}, "whatif": "whatif_dry"}
    assert set(layers) == set(telling.NAMES)
    for question, layer in layers.items():
        assert palette.SCALES[layer].title == telling.NAMES[question]


def test_every_scale_is_complete() -> None:
    names = {column.name for column in tables.ESTIMATE.columns}
    for scale in (*palette.SCALES.values(), *palette.DERIVED_SCALES.values()):
        assert (scale.column in names) == (scale in palette.SCALES.values())
        assert scale.unit in ("mm", "years", "share")
        ranks = scale.ranks()
        assert len(ranks) == len(scale.classes)
        classes = len(scale.limits_mm) + 1 if scale.limits_mm else len(set(ranks.values()))
        assert sorted(set(ranks.values())) == (list(range(classes)) if scale.classes else [])
        assert len(scale.colors) == classes
        assert not scale.words or len(scale.words) == classes
    assert all(phase in tables.ESTIMATE.column("phase").meaning for phase in palette.PHASE_CLASSES)
    assert all(word in tables.ESTIMATE.column("slab_class").meaning for word in palette.BEAM_CLASSES)
    assert all(re.match(r"D\d ", text) for text in palette.SCALES["drought"].words[1:])  # no colour without letters
    assert set(palette.HATCH) == set(tables.STATES)
    assert len(set(palette.HATCH.values())) == len(tables.STATES)
    assert set(palette.HATCH_ANGLES) == set(palette.HATCH.values())


def test_every_layer_is_in_one_group() -> None:
    grouped = [name for names in palette.GROUPS.values() for name in names]
    assert len(grouped) == len(set(grouped))
    assert set(grouped) == {*palette.SCALES, *palette.DERIVED_SCALES, *palette.CHANGE_LAYERS}
    assert palette.groups(["soil", "now"]) == [("Movement", ["now"]), ("Why", ["soil"])]


def test_layers_have_the_colours_of_their_meaning() -> None:
    """Signed bending has the bending ramp, a size the ramp of sizes; blue and brown are of the weather alone."""
    for name, scale in (palette.SCALES | palette.DERIVED_SCALES).items():
        if scale.unit == "mm" and scale.limits_mm:
            assert scale.colors == (BENDING if scale.limits_mm[0] < 0 else SIZE), name
        assert not set(scale.colors) & {*WEATHER[:3], *WEATHER[4:]}, name
        assert (scale.colors == DROUGHT) == (name == "drought"), name
    assert AGE[::2] == PHASE == palette.SCALES["phase"].colors
