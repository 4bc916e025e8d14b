"""Stage 6: suction, ground movement, slab, Monte Carlo.

In: archetypes, their profiles and layers, the climate history. Out: one row per archetype with medians, ranges and
shares, and the reason where a cell gives no estimate. The equations are in grid, reduced_model, surface and slab;
`kernels` is the compiled path that joins them. Nothing here opens a file.
Method: notebooks/method.md, section 1 and, step by step, section 4 to section 9.
"""

from riskmap.movement.simulation import Movement, simulate

__all__ = ["Movement", "simulate"]
