"""Known answers about the slab: 7-9, and test 10 of the solver."""

from __future__ import annotations

from typing import Any

import numpy as np

from riskmap.evidence import closed_forms
from riskmap.evidence.known_answers.case import Case, NotIncluded, Tolerance
from riskmap.evidence.published import slab_on_mound
from riskmap.movement import slab

ROUNDED = "rounding of the print"
HETENYI = "Hetenyi (textbook form)"
NOTES = "notebooks/method.md, section 7"
SOLVER = f"independent solver ({NOTES})"
STIFFNESS, SPRING, LENGTH = 1.03e8, 5e6, 12.0  # N m2/m, N/m3, m of 7-9
P10 = {"length": 12.0, "stiffness": 30e6, "spring": 5e6}


def _bent(ground: Any, *, length: float = LENGTH, stiffness: float = STIFFNESS, spring: float = SPRING,
          load: float = 0.0, edge_load: float = 0.0, two_way: bool = True) -> Any:
    return slab.solve(np.asarray(ground, float), length / (len(ground) - 1), stiffness, spring, load, edge_load, False,
                      two_way)


def _parabola(nodes: int, height: float) -> Any:
    return height * (1 - np.linspace(-1, 1, nodes) ** 2)


def _sweep() -> list[float]:
    return [1000 * slab_on_mound.parabolic_mound(LENGTH, 0.03, factor * STIFFNESS, SPRING)[0]
            for factor in (0.1, 1.0, 10.0, 100.0)]


def _sweep_core() -> list[float]:
    out = []
    for factor in (0.1, 1.0, 10.0):
        shape = _bent(_parabola(241, 0.03), stiffness=factor * STIFFNESS)
        out.append(1000 * (shape[120] - shape[0]))
    return out


def _mean_level() -> list[float]:
    shape = _bent(_parabola(241, 0.03))
    weight = np.ones(241)
    weight[[0, -1]] = 0.5
    return [1000 * float(shape @ weight / weight.sum()),
            1000 * slab_on_mound.parabolic_mound(LENGTH, 0.03, STIFFNESS, SPRING)[1]]


def _central_load(nodes: int = 481) -> list[float]:
    """A point load at the middle node, entered as a height of the ground whose spring gives that force."""
    ground = np.zeros(nodes)
    spacing = LENGTH / (nodes - 1)
    middle = nodes // 2
    ground[middle] = 1e5 / (SPRING * spacing)
    shape = _bent(ground)
    moment = STIFFNESS * (2 * shape[middle] - shape[middle - 1] - shape[middle + 1]) / spacing**2 / 1000
    return [1000 * shape[middle], 1000 * shape[0], moment]


def _central_closed() -> list[float]:
    middle, end, moment = slab_on_mound.finite_central_load(LENGTH, 1e5, STIFFNESS, SPRING)
    return [1000 * middle, 1000 * end, moment / 1000]


def _infinite_closed() -> list[float]:
    deflection, moment = slab_on_mound.infinite_point_load(1e5, STIFFNESS, SPRING)
    return [slab_on_mound.characteristic_per_m(STIFFNESS, SPRING), 1000 * deflection, moment / 1000]


def _undulating_core() -> list[float]:
    out = []
    for wavelength in (6.0, 12.0, 24.0):
        x = np.linspace(-5 * wavelength, 5 * wavelength, 1601)
        out.append(float(_bent(np.cos(2 * np.pi * x / wavelength), length=10 * wavelength)[800]))
    return out


def _end_loads() -> list[float]:
    loads = closed_forms.finite_beam_end_loads(length_m=12, stiffness=30e6, spring=5e6, load_n_m=15e3)
    return [1000 * v for v in loads]


def _end_loads_core(nodes: int) -> list[float]:
    shape = 1000 * _bent(np.zeros(nodes), **P10, load=30e3, edge_load=15e3, two_way=False) + 6.0
    return [float(shape[0]), float(shape[nodes // 2])]


def _long_beams() -> list[float]:
    return [1000 * closed_forms.semi_infinite_beam_end(stiffness=30e6, spring=5e6, load_n_m=15e3),
            1000 * closed_forms.infinite_beam_centre(stiffness=30e6, spring=5e6, load_n_m=15e3)]


def _long_beam_core() -> list[float]:
    return [1000 * float(_bent(np.zeros(401), length=40.0, stiffness=30e6, edge_load=15e3)[0])]


def _rigid() -> list[float]:
    contact, level = closed_forms.rigid_slab_on_parabola(length_m=12, height_m=0.05, load_pa=8e3, spring=5e6)
    return [contact, 1000 * level]


def _rigid_core() -> list[float]:
    return [1000 * float(_bent(_parabola(41, 0.05), stiffness=1e12, load=8e3, two_way=False)[20])]


def _flexible_core() -> list[float]:
    ground = _parabola(41, 0.05)
    shape = _bent(ground, stiffness=100.0, load=6e3, two_way=False)
    return [1000 * float(np.abs(shape - (ground - 6e3 / SPRING)).max())]


def _lift_off(nodes: int, edge: float = 1.8) -> list[float]:
    inside = LENGTH / 2 - np.abs(np.linspace(-LENGTH / 2, LENGTH / 2, nodes))
    out = []
    for height in (0.02, 0.05, 0.10):
        ground = np.where(inside < edge, height * (1 - ((edge - inside) / edge) ** 2), height)
        shape = 1000 * _bent(ground, **P10, load=6e3, edge_load=12e3, two_way=False)
        out.append(float(shape[nodes // 2] - shape[0]))
    return out


def _balance() -> list[float]:
    """Largest share of the load that is not balanced, over rough mounds from a fixed seed."""
    rng = np.random.default_rng(3)
    weight = np.full(41, LENGTH / 40)
    weight[[0, -1]] /= 2
    worst = 0.0
    for _ in range(50):
        ground = np.cumsum(rng.normal(size=41)) * rng.uniform(0.001, 0.02)
        shape = _bent(ground, stiffness=10 ** rng.uniform(6, 8), spring=2e6, load=6e3, edge_load=12e3, two_way=False)
        reaction = 2e6 * weight * np.where(shape < ground, ground - shape, slab.IDLE_SPRING * (ground - shape))
        applied = 6e3 * weight
        applied[[0, -1]] += 12e3
        worst = max(worst, abs(float(reaction.sum() / applied.sum()) - 1))
    return [worst]


CASES = (
    Case("7a", "slab on a parabolic mound, EI x 0.1, 1, 10, 100", "closed form, " + NOTES, "computed",
         (27.540, 19.176, 4.802, 0.565), "mm", Tolerance(ROUNDED, absolute=6e-4), _sweep),
    Case("7b", "the same by the core, EI x 0.1, 1, 10", "the same; the core keeps stiffness at 1e10, so not x 100",
         "computed", (27.540, 19.176, 4.802), "mm", Tolerance("241 nodes, second order", relative=1e-3), _sweep_core),
    Case("7c", "mean level of the slab is that of the ground", "the same", "computed", (20.0, 20.0), "mm",
         Tolerance("241 nodes", relative=1e-3), _mean_level),
    Case("8a", "infinite beam, point load: beta, y0, M0", HETENYI, "computed", (0.33191, 3.3191, 75.32), "1/m mm kNm",
         Tolerance(ROUNDED, absolute=6e-6, relative=7e-5), _infinite_closed),
    Case("8b", "finite beam, central load: middle, end, moment", HETENYI, "computed", (3.58603, -0.77562, 79.45),
         "mm, kNm",
         Tolerance(ROUNDED, absolute=6e-6, relative=7e-5), _central_closed),
    Case("8c", "the same by the core, 481 nodes", HETENYI, "computed", (3.58603, -0.77562, 79.45), "mm, kNm",
         Tolerance("nodes; stated beforehand", relative=1e-3), _central_load),
    Case("9a", "undulating ground, wavelength 6, 12, 24 m", "closed form, " + NOTES, "computed",
         (0.0388, 0.3924, 0.9118), "ratio", Tolerance(ROUNDED, absolute=5.1e-5),
         lambda: slab_on_mound.undulation_transfer(np.array([6.0, 12, 24]), STIFFNESS, SPRING)),
    Case("9b", "the same by the core, ten waves long", "the same", "computed", (0.0388, 0.3924, 0.9118), "ratio",
         Tolerance("0.2 % stated beforehand, plus rounding of the print", absolute=5.1e-5, relative=2e-3),
         _undulating_core),
    Case("P10a", "finite beam, two end loads: end, middle", NOTES + " (Hetenyi)", "computed", (-2.7449, 0.3312), "mm",
         Tolerance(ROUNDED, absolute=1e-4), _end_loads),
    Case("P10b", "the same, no-tension springs preloaded, 41 nodes", SOLVER, "computed",
         (-2.732, 0.328), "mm", Tolerance(ROUNDED, absolute=1e-3), lambda: _end_loads_core(41)),
    Case("P10c", "the same, 161 nodes", SOLVER, "computed", (-2.744, 0.331), "mm",
         Tolerance(ROUNDED, absolute=1e-3), lambda: _end_loads_core(161)),
    Case("P10d", "half-infinite and infinite beam", NOTES, "computed", (-2.7108, 0.67770), "mm",
         Tolerance(ROUNDED, absolute=1e-4), _long_beams),
    Case("P10e", "half-infinite beam by the core, 401 nodes", NOTES, "computed", (-2.7108,), "mm",
         Tolerance("0.05 % printed as the node error, itself rounded", relative=6e-4), _long_beam_core),
    Case("P10f", "rigid slab on a parabola: contact, level", NOTES, "computed", (2.1805, 43.396), "m, mm",
         Tolerance(ROUNDED, absolute=1e-3), _rigid),
    Case("P10g", "the same by the core", NOTES, "computed", (43.396,), "mm",
         Tolerance("0.05 % of the mound", absolute=0.025), _rigid_core),
    Case("P10h", "a flexible slab follows the ground less q/k", NOTES, "computed", (0.0,), "mm",
         Tolerance("0.1 % of the 50 mm mound", absolute=0.05), _flexible_core),
    Case("P10i", "edges lift off, mounds 20, 50, 100 mm, 41 nodes", SOLVER, "computed",
         (9.018, 11.436, 12.904), "mm", Tolerance(ROUNDED, absolute=2e-3), lambda: _lift_off(41)),
    Case("P10j", "the same, 1,281 nodes", SOLVER, "computed", (9.046, 11.490, 12.961),
         "mm",
         Tolerance(ROUNDED, absolute=2e-3), lambda: _lift_off(1281)),
    Case("P10k", "load not borne by the ground, 50 rough mounds", "balance of forces", "computed", (0.0,), "share",
         Tolerance("stated beforehand", absolute=1e-6), _balance),
    Case("S19", "bending stiffness of five ribbed sections", NOTES, "computed", (9.4, 18.0, 32.0, 61.0, 105.0),
         "MN m2/m",
         Tolerance("print to two digits", relative=0.025),
         lambda: [slab.section_stiffness(d) / 1e6 for d in (0.40, 0.50, 0.60, 0.75, 0.90)]),
)

NOT_INCLUDED = (
    NotIncluded("-", "slab deflection, tilt or mound shape against a level survey",
                "no measured slab was reached in any open text; the slab response is untested against measurement"),
)
