"""The first page of the window is there at once: what it needs loads no table, no map and no solver."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

SLOW = ("pandas", "geopandas", "pyarrow", "shapely", "scipy", "numba", "riskmap.api", "riskmap.run")


def test_the_first_page_and_its_styles_load_nothing_slow(tmp_path: Path) -> None:
    code = ("import sys\nfrom pathlib import Path\n"
            "from riskmap.window.server import Server\nfrom riskmap.window.app import assets\n"
            f"server = Server(Path({str(tmp_path / 'areas')!r}))\n"
            "assert b'--' in assets()['colours.css'][0]\n"
            f"print([name for name in {SLOW!r} if name in sys.modules])\n")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
