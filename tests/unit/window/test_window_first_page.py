"""The first page of the window is there at once: what it needs loads no table, no map and no solver."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import psutil
from window_client import window

SLOW = ("pandas", "geopandas", "pyarrow", "shapely", "scipy", "numba", "riskmap.api", "riskmap.run")
MOST_CPU_S = 1.0  # the figure of the design for the first page; 0.3 s were measured in November 2026


def test_the_first_page_and_its_styles_load_nothing_slow(tmp_path: Path) -> None:
    code = ("import sys\nfrom pathlib import Path\n"
            "import riskmap.cli.main\n"
            "from riskmap.window.server import Server\nfrom riskmap.window.app import assets\n"
            f"server = Server(Path({str(tmp_path / 'areas')!r}))\n"
            "assert b'--' in assets()['colours.css'][0]\n"
            f"print([name for name in {SLOW!r} if name in sys.modules])\n")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_first_page_takes_little_work(tmp_path: Path) -> None:
    """Seconds of work, not of the clock, which a busy machine makes longer."""
    with window(tmp_path / "areas") as (client, running):
        assert "New area" in client.get("/")
        work = psutil.Process(running.pid).cpu_times()
        assert 0 < work.user + work.system < MOST_CPU_S
