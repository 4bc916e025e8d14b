"""A first run, which compiles, and a later one, which reads the compiled code, give the same digits."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
CODE = """
import hashlib, numpy as np
from riskmap.movement import slab
draw = np.random.default_rng(5)
ground = np.cumsum(draw.normal(0, 1e-3, 21))
digest = hashlib.sha256()
for lift in (False, True):
    digest.update(slab.solve(ground, 0.3, 2e7, 2e7, 4000.0, 8000.0, True, lift).tobytes())
from riskmap.movement import kernels
states = np.empty((400, 27))
kernels.march(draw.normal(0, 0.3, 400), draw.normal(0, 1, 27), draw.uniform(0.5, 1, 27), draw.normal(0, 1, 27),
              draw.normal(0, 1, 27), states)
out = np.empty(400)
kernels.project(np.ascontiguousarray(states.T), draw.normal(0, 1, 27), 0, out)
digest.update(states.tobytes() + out.tobytes())
print(digest.hexdigest())
"""


def digest(cache: Path) -> str:
    done = subprocess.run([sys.executable, "-c", CODE], env={**os.environ, "NUMBA_CACHE_DIR": str(cache)}, cwd=ROOT,
                          capture_output=True, text=True, check=True)
    return done.stdout.strip()


@pytest.mark.slow
def test_compiled_and_cached_code_agree(tmp_path: Path) -> None:
    first = digest(tmp_path)
    assert list(tmp_path.rglob("*.nbi")), "nothing was cached"
    assert digest(tmp_path) == first


def test_the_compiler_may_not_regroup_sums() -> None:
    from riskmap.movement import kernels, slab

    for function in (kernels.march, kernels.run_draw, kernels.project, slab.solve):
        assert not function.targetoptions.get("fastmath"), function
