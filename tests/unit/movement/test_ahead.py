"""Equations that are compiled ahead are all that an estimate needs."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import geopandas as gpd
from changed_areas import two_widths, write_area

COUNT = """
import sys
from pathlib import Path
from numba.core import event

compiled = []

class Listener(event.Listener):
    def on_start(self, happened): compiled.append(happened.data["dispatcher"].py_func.__name__)
    def on_end(self, happened): pass

def signatures():
    return {(module, name): len(value.signatures) for module in sorted(sys.modules) if module.startswith("riskmap.")
            for name, value in vars(sys.modules[module]).items() if hasattr(value, "signatures")}

from riskmap.movement import ahead
ahead.compile_all()
before = signatures()
event.register("numba:compile", Listener())
from riskmap.run import flow
flow.run(Path(sys.argv[1]), Path(sys.argv[2]), workers=1, reuse=False)
after = signatures()
print(sum(before.values()), {name: count for name, count in after.items() if count != before.get(name)}, compiled)
"""


def test_an_estimate_compiles_nothing_more(example: Path, tmp_path: Path) -> None:
    lots = two_widths(gpd.read_file(example / "lots.gpkg", layer="lots").iloc[::60])
    made = write_area(example, tmp_path / "area", last="2025-05", lots=lots, movement="draws = 20")
    done = subprocess.run([sys.executable, "-c", COUNT, str(made), str(tmp_path / "out")], capture_output=True,
                          text=True, check=True)
    count, rest = done.stdout.strip().split(" ", 1)
    assert int(count) > 5
    assert rest == "{} []"
