"""The section across the house: anchoring, scales, units, soil layers, and what it says where nothing is known."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from defusedxml import ElementTree

from riskmap.common.settings import SoilSettings
from riskmap.movement import shape_now, soil_units
from riskmap.outputs import drawing, palette, section, section_words

X = tuple(np.linspace(0, 1, 21).tolist())
LAYERS = [(0.0, 0.15, 9.0), (0.15, 0.65, 12.0), (0.65, 1.25, 13.0), (1.25, 2.0, 10.5)]
BOX = section.Box(124.0, 46.0, 2.5)


def facts(bend: float, edge_gap: float, middle_gap: float = 0.0, **other: Any) -> section.Facts:
    x = np.array(X)
    gap = edge_gap * np.maximum(x - 0.7, 0) / 0.3 + middle_gap * np.maximum(0.5 - x, 0) / 0.5
    values: dict[str, Any] = {
        "width_m": 12.0, "x": X, "slab_mm": tuple(bend * (1 - x**2)), "gap_mm": tuple(gap),
        "gap_edge_mm": (0.5 * edge_gap, edge_gap, 1.6 * edge_gap),
        "gap_middle_mm": (0.5 * middle_gap, middle_gap, 1.6 * middle_gap),
        "slab_range_mm": (bend - 10, bend, bend + 15),
        "ground_range_mm": (bend + edge_gap - middle_gap - 10, bend + edge_gap - middle_gap, bend + edge_gap + 15),
        "layers": section.down_to(LAYERS, 3.5, np.inf, 2.0, 0.5), "surveyed_m": 2.0}
    return section.Facts(**values | other)


DOME, DISH, LEVEL = facts(43.0, 36.0), facts(-18.0, 0.0, 12.0), facts(0.3, 0.0)


def lower_side(made: drawing.Drawing) -> list[drawing.Point]:
    """Return the underside of the slab, left to right."""
    (slab,) = made.paths("slab")
    return list(slab.points[: len(slab.points) // 2])


def ground_at(made: drawing.Drawing, x: float) -> float:
    (ground,) = made.paths("ground")
    return float(np.interp(x, [p[0] for p in ground.points], [p[1] for p in ground.points]))


def parted(made: drawing.Drawing) -> list[float]:
    """Return the gap below the slab at each of its points, in units of the drawing."""
    return [ground_at(made, x) - y for x, y in lower_side(made)]


@pytest.mark.parametrize("given", [DOME, DISH, LEVEL], ids=["dome", "dish", "level"])
def test_the_ground_touches_the_slab_and_never_crosses_it(given: section.Facts) -> None:
    gaps = parted(section.drawn(given, "us", BOX))
    assert min(gaps) == pytest.approx(0, abs=1e-9)
    half = len(gaps) // 2
    assert gaps == pytest.approx(gaps[::-1])
    if given is DOME:
        assert gaps[half] == pytest.approx(0)
        assert max(gaps) == pytest.approx(gaps[0])
    elif given is DISH:
        assert gaps[0] == pytest.approx(0)
        assert max(gaps) == pytest.approx(gaps[half])
    else:
        assert max(gaps) == pytest.approx(0)


@pytest.mark.parametrize(("given", "place", "gap"), [(DOME, 0, 36.0), (DISH, 20, 12.0)], ids=["edge", "middle"])
@pytest.mark.parametrize("times", [5.0, 20.0])
def test_a_gap_and_a_bending_are_as_tall_as_the_note_says(given: section.Facts, place: int, gap: float,
                                                          times: float) -> None:
    made = section.drawn(given, "si", BOX, times)
    scale = section.scale_of(given, BOX, times)
    assert parted(made)[place] == pytest.approx(times * scale.per_m * gap / 1000)
    line = lower_side(made)
    assert line[0][1] - line[20][1] == pytest.approx(times * scale.per_m * given.slab_mm[0] / 1000)
    assert line[-1][0] - line[0][0] == pytest.approx(12.0 * scale.per_m)  # widths are to scale
    (active,) = made.paths("active")
    (ground,) = made.paths("ground")
    assert active.points[0][1] - ground.points[0][1] == pytest.approx(3.5 * scale.per_m)  # and depths too
    assert f"drawn {times:.0f} times too tall" in section_words.note(given, times, "si")
    (bar,) = made.paths("scale")
    assert bar.points[1][0] - bar.points[0][0] == pytest.approx(3.0 * scale.per_m)


def test_the_gap_that_is_named_is_that_of_the_model_runs_and_its_place() -> None:
    assert section_words.gap_place(DOME) == "edge"
    assert section_words.gap_place(DISH) == "middle"
    assert section_words.gap_place(LEVEL) == ""
    assert section.drawn(DOME, "us", BOX).texts("gap") == ["1.4 in (0.7 to 2.3)", "at the edge:", "gap to look for"]
    assert section.drawn(DISH, "si", BOX).texts("gap") == ["12 mm (6 to 20)", "in the middle:", "gap to look for"]
    assert section.drawn(LEVEL, "us", BOX).texts("gap") == ["no gap expected"]
    rare = facts(43.0, 0.0, gap_edge_mm=(0.0, 0.0, 9.0))
    assert section.drawn(rare, "si", BOX).texts("gap")[0] == "0 mm (0 to 10)"
    unknown = replace(DOME, gap_mm=(), gap_edge_mm=None, gap_middle_mm=None)
    assert section.drawn(unknown, "us", BOX).texts("gap") == []
    assert parted(section.drawn(unknown, "us", BOX)) == pytest.approx([0.0] * 41)


@pytest.mark.parametrize(("system", "own", "foreign"), [("us", " in", (" mm", " cm", " m")),
                                                        ("si", " mm", (" in", " ft"))])
@pytest.mark.parametrize("given", [DOME, DISH, LEVEL], ids=["dome", "dish", "level"])
def test_one_unit_system_in_every_text(system: str, own: str, foreign: tuple[str, ...], given: section.Facts) -> None:
    made = section.drawn(given, system, BOX)
    told = [part.text for part in made.parts if isinstance(part, drawing.Text)]
    told += [made.alt, section_words.note(given, 20, system)]
    everything = " ".join(told).replace(" in the middle", "").replace(" in 80 %", "") + " "
    for unit in foreign:
        assert f"{unit} " not in everything.replace(",", " ").replace(".", " ").replace(":", " "), (unit, everything)
    assert given is LEVEL or own in everything
    assert "9.0 %" in everything


def test_the_bars_hold_the_middle_and_show_the_range_at_the_edge() -> None:
    made, scale = section.drawn(DOME, "us", BOX), section.scale_of(DOME, BOX, 20)
    for name, low, high in (("slab", 33.0, 58.0), ("ground", 69.0, 94.0)):
        bar, tick = made.paths(f"{name}_range")
        heights = sorted({round(y, 6) for _, y in bar.points})
        held = scale.bent(43.0)
        assert heights == pytest.approx([held + 20 * scale.per_m * one / 1000 for one in (low, high)], abs=1e-5)
        assert tick.points[0][1] == pytest.approx(scale.bent(0.0 if name == "slab" else -36.0))
    alone = section.drawn(replace(DOME, slab_range_mm=None, ground_range_mm=None), "us", BOX)
    assert alone.paths("slab_range") == alone.paths("ground_range") == []
    assert (made.texts("bars"), made.texts("bar")) == (["ranges"], ["slab", "ground"])
    assert alone.texts("bars") == alone.texts("bar") == []


def test_the_note_says_what_is_slab_ground_gap_and_range() -> None:
    whole, alone = (section_words.note(one, 20, "us") for one in (DOME, replace(DOME, slab_range_mm=None)))
    assert whole.startswith("The grey band is the slab, and the line below it is the ground. "
                            "Where they part, there is a gap. ")
    assert "The two bars are ranges: in 80 % of the model runs the edge of the slab and that of the ground " in whole
    assert "bar" not in alone
    only = section_words.note(replace(DOME, gap_mm=()), 20, "us")  # nothing is known of a gap
    assert "The bar is a range: in 80 % of the model runs the edge of the slab is within it" in only
    assert "Where they part" not in only


# ---------------------------------------------------------------- soil
def test_soil_layers_have_their_colours_and_end_at_the_active_depth() -> None:
    made, scale = section.drawn(DOME, "us", BOX), section.scale_of(DOME, BOX, 20)
    assert [path.fill for path in made.paths("soil")] == [palette.soil_layer(p) for p in (9, 12, 13, 10.5, 5.25)]
    assert made.texts("layer") == ["0–6 in: 9.0 %", "6–26 in: 12.0 %", "26–49 in: 13.0 %", "49–79 in: 10.5 %",
                                   "below: 5.2 %, assumed"]
    assert len(made.paths("assumed")) == 1
    level = scale.bent(-36.0)
    bottoms = [max(y for _, y in path.points) for path in made.paths("soil")]
    assert bottoms == pytest.approx([level + scale.per_m * m for m in (0.15, 0.65, 1.25, 2.0, 3.5)])


def test_boundaries_of_layers_never_cross_at_the_largest_stretch() -> None:
    for given in (DOME, DISH, facts(120.0, 100.0), facts(-150.0, 0.0, 80.0)):
        made = section.drawn(given, "si", BOX)
        for path in made.paths("soil"):
            n = len(path.points) // 2
            upper, lower = path.points[:n], path.points[n:][::-1]
            assert all(u[1] <= d[1] + 1e-9 for u, d in zip(upper, lower, strict=True))


def test_layers_are_extended_by_the_rule_of_the_model() -> None:
    import pandas as pd

    settings = SoilSettings()
    for given, rock in ((LAYERS, np.inf), (LAYERS[:2], np.inf), (LAYERS, 0.9), ([(0.0, 2.4, 6.0)], np.inf),
                        (LAYERS[:1], 1.5)):
        profile = pd.DataFrame({"profile_id": [0], "rock_depth_m": [rock]})
        layer = pd.DataFrame([[0, *one, one[2], one[2]] for one in given],
                             columns=["profile_id", "top_m", "bottom_m", "lep_low_pct", "lep_pct", "lep_high_pct"])
        model = soil_units.layer_arrays(profile, layer, settings)
        mine = section.down_to(given, 3.5, rock, settings.extend_to_cm / 100, settings.below_profile_factor)
        for depth in np.arange(0.025, 3.5, 0.05):
            (k,) = np.nonzero((model.top_m[0] <= depth) & (depth < model.bottom_m[0]))
            wanted = float(model.middle_pct[0, k].sum() and (model.factor * model.middle_pct)[0, k][0])
            found = sum(one.extensibility_pct for one in mine if one.top_m <= depth < one.bottom_m)
            assert found == pytest.approx(wanted), (given, rock, depth)
    assert section.down_to([], 3.5, np.inf, 2.0, 0.5) == ()


def test_no_horizons_and_rock_are_said() -> None:
    bare = section.drawn(replace(DOME, layers=(), surveyed_m=0.0), "us", BOX)
    assert bare.texts("no_layers") == ["no soil layers in the survey"]
    assert bare.texts("layers") == []
    assert [path.fill for path in bare.paths("soil")] == [palette.SHEET]
    assert "surveyed" not in section_words.note(replace(DOME, surveyed_m=0.0), 20, "us")
    rocky = replace(DOME, layers=section.down_to(LAYERS, 3.5, 0.9, 2.0, 0.5), rock_m=0.9, surveyed_m=0.9)
    made = section.drawn(rocky, "si", BOX)
    assert len(made.paths("rock")) == 1
    assert made.texts("layer")[-1] == "rock at 0.9 m"
    assert section.drawn(DOME, "us", BOX).paths("rock") == []


@pytest.mark.parametrize("count", [1, 4, 9])
def test_labels_of_layers_stand_apart(count: int) -> None:
    tops = [0.05 * k for k in range(count)]
    thin = [(top, after, 6.0) for top, after in pairwise([*tops, 2.0])]
    made = section.drawn(facts(43.0, 36.0, layers=section.down_to(thin, 3.5, np.inf, 2.0, 0.5)), "us", BOX)
    places = [part.y for part in made.parts if isinstance(part, drawing.Text) and part.role == "layer"]
    assert len(places) == count + 1
    assert all(b - a >= section.LEAST_LABEL * 2.5 - 1e-9 for a, b in pairwise(places))


# ---------------------------------------------------------------- scales and forms
def test_the_stretch_is_the_largest_that_fits_all() -> None:
    assert section.stretch([10.0, -30.0], 3.5) == 20
    assert section.stretch([130.0], 3.5) == 10
    assert section.stretch([-250.0], 3.5) == 5
    assert section.stretch([9999.0], 3.5) == 1
    assert section.stretch([], 3.5) == section.stretch([float("nan")], 3.5) == 20
    assert max(section.heights(DOME)) == pytest.approx(79.0)
    assert max(section.heights(DISH), key=abs) == pytest.approx(-30.0)


@pytest.mark.parametrize("width", [4.0, 7.0, 12.0, 24.0])
@pytest.mark.parametrize("box", [BOX, section.Box(340.0, 200.0, 12.0)], ids=["paper", "panel"])
def test_everything_stays_in_its_box(width: float, box: section.Box) -> None:
    for bend, edge, middle in ((43.0, 36.0, 0.0), (-18.0, 0.0, 12.0), (90.0, 80.0, 0.0), (0.3, 0.0, 0.0)):
        made = section.drawn(facts(bend, edge, middle, width_m=width), "us", box)
        for part in made.parts:
            points = part.points if isinstance(part, drawing.Path) else ((part.x, part.y),)
            assert all(-1e-6 <= x <= box.width and 0 <= y <= box.height for x, y in points), part


def test_svg_is_strict_xml_with_its_words_and_plain_values_are_json() -> None:
    made = section.drawn(DOME, "us", BOX)
    tree = ElementTree.fromstring(drawing.svg(made))
    space = "{http://www.w3.org/2000/svg}"
    assert tree.attrib["aria-label"] == made.alt
    assert "Gap to look for at the edge 1.4 in (0.7 to 2.3)." in made.alt
    assert [one.text for one in tree.findall(f"{space}text")] == \
        [part.text for part in made.parts if isinstance(part, drawing.Text)]
    assert len(tree.findall(f"{space}path")) == sum(isinstance(part, drawing.Path) for part in made.parts)
    hostile = drawing.Drawing(10, 10, (drawing.Text("t", 1, 1, '<b>"&', 2, "#000000"),), '"><script>')
    (text,) = ElementTree.fromstring(drawing.svg(hostile)).findall(f"{space}text")
    assert text.text == '<b>"&'
    plain = json.loads(json.dumps(made.plain(), allow_nan=False))
    assert len(plain["parts"]) == len(made.parts)


def test_facts_of_plain_values_give_the_same_drawing() -> None:
    values = {"width_m": 12.0, "x": list(X), "slab_mm": list(DOME.slab_mm), "gap_mm": list(DOME.gap_mm),
              "gap_edge_mm": list(DOME.gap_edge_mm or ()), "gap_middle_mm": list(DOME.gap_middle_mm or ()),
              "slab_range_mm": list(DOME.slab_range_mm or ()), "ground_range_mm": list(DOME.ground_range_mm or ()),
              "layers": [[one.top_m, one.bottom_m, one.extensibility_pct, one.assumed] for one in DOME.layers],
              "surveyed_m": 2.0}
    assert section.facts_of(values) == DOME
    assert section.drawn(section.facts_of(values), "us", BOX) == section.drawn(DOME, "us", BOX)


def test_hatching_stays_in_its_rectangle() -> None:
    lines = drawing.hatch("gaps", 10.0, 5.0, 7.0, 3.0, 1.0, stroke="#000000", line=0.1)
    assert len(lines) > 5
    for line in lines:
        (x0, y0), (x1, y1) = line.points
        assert 10 - 1e-9 <= x0 < x1 <= 17 + 1e-9
        assert 5 - 1e-9 <= y1 < y0 <= 8 + 1e-9
        assert x1 - x0 == pytest.approx(y0 - y1)


# ---------------------------------------------------------------- from model runs
def test_the_gap_is_the_median_of_the_gaps_and_no_difference_of_medians() -> None:
    x = np.linspace(0, 1, 5)
    bends, gaps = np.array([10.0, 20.0, 60.0]), np.array([30.0, 0.0, 10.0])
    slab = bends[:, None] * (1 - x**2)
    draws = np.stack([slab, slab - gaps[:, None] * x, slab], axis=1)
    told = shape_now.summarised(draws)
    assert told.gap_mm.shape == (5, 3)
    assert told.gap_mm[-1].tolist() == pytest.approx(np.percentile(gaps, [10, 50, 90]))
    assert told.gap_mm[0].tolist() == [0.0, 0.0, 0.0]
    assert told.ground_mm.tolist() == pytest.approx(np.percentile(bends + gaps, [10, 50, 90]))
    assert told.lines_mm.shape == (5, 7)
    assert told.ground_mm[1] != pytest.approx(20.0 + 10.0 - 5.0)
