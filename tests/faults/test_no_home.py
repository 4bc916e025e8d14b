"""An account without a home, a read-only installation, a full or damaged cache of compiled code: the same estimate."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import ordinary
import pytest
from changed_areas import write_area
from click.testing import CliRunner
from shared_runs import with_store
from test_first_run_like_any_other import CODE

from riskmap.cli.main import cli
from riskmap.movement import compiled

ROOT = Path(__file__).resolve().parents[2]
SOLVED = CODE.split("from riskmap.movement import kernels")[0] + "print(digest.hexdigest())\n"  # compiles in seconds
# The smallest compiled function: how compiled code is kept is the same for all of them, and this one takes least time.
SHORT = """
import hashlib, numpy as np
from riskmap.movement import kernels
draw = np.random.default_rng(5)
given, out = (draw.normal(0, 1, (27, 400)), draw.normal(0, 1, 27), 0), np.empty(400)
kernels.project(*given, out)
print(hashlib.sha256(out.tobytes()).hexdigest())
"""
# The same function once more, as the next Python that is started finds it: from what has been kept, or not. Each twin
# reads the files of the cache anew, so one Python can meet all ways in which they are damaged, one after another.
DAMAGED = """
import sys
from pathlib import Path
from riskmap.movement import compiled
def again():
    twin, out = compiled.compiled(kernels.project.py_func), np.empty(400)
    twin(*given, out)
    print(hashlib.sha256(out.tobytes()).hexdigest(), "from the cache:", sum(twin.stats.cache_hits.values()))
for damage in (lambda content: content[:20], lambda content: b"garbage\\n", lambda content: b""):
    for pattern in ("*.nbi", "*.nbc"):
        for path in Path(sys.argv[1]).rglob(pattern):
            path.write_bytes(damage(path.read_bytes()))
        again()
        again()
"""
WARNING = compiled.NOT_KEPT.split(":")[0]


@pytest.fixture
def installed(tmp_path: Path) -> Iterator[Path]:
    """Folder with a read-only copy of the package and nothing but closed places beside it."""
    place = tmp_path / "installed"
    shutil.copytree(ROOT / "riskmap", place / "riskmap", ignore=shutil.ignore_patterns("__pycache__"))
    (place / "closed").mkdir()
    (tmp_path / "temporary").mkdir()
    folders = [place, *(path for path in place.rglob("*") if path.is_dir())]
    for folder in folders:
        folder.chmod(0o555)
    yield place
    for folder in folders:
        folder.chmod(0o755)


def run(installed: Path, code: str, *words: str, temporary: Path | None = None, **more: str) \
        -> subprocess.CompletedProcess[str]:
    """Run code as an account whose rights bind, without a home, with a temporary folder or none."""
    environment = {name: value for name, value in os.environ.items()
                   if name not in ("XDG_CACHE_HOME", "NUMBA_CACHE_DIR")}
    environment |= {"HOME": str(installed / "closed" / "home"), "PYTHONPATH": str(installed), **more}
    place = installed / "closed" if temporary is None else temporary
    set_place = f"import tempfile; tempfile.tempdir = {str(place)!r}\n"  # else one of the system's is found
    return subprocess.run([*ordinary.prefix(), sys.executable, "-c", set_place + code, *words], env=environment,
                          cwd=installed, capture_output=True, text=True, check=False)


def kept(folder: Path) -> list[Path]:
    return sorted(folder.rglob("*.nbi"))


def test_compiled_in_memory_is_the_same_and_told_once(installed: Path, tmp_path: Path) -> None:
    memory = run(installed, SOLVED)
    assert memory.returncode == 0, memory.stderr
    assert memory.stderr.count(WARNING) == 1
    assert kept(installed) == []
    given = run(installed, SOLVED, NUMBA_CACHE_DIR=str(tmp_path / "given"))
    assert kept(tmp_path / "given")
    again = run(installed, SOLVED, NUMBA_CACHE_DIR=str(tmp_path / "given"))
    assert given.stderr == again.stderr == ""
    assert memory.stdout == given.stdout == again.stdout != ""


def test_a_temporary_folder_of_its_own_keeps_the_code(installed: Path, tmp_path: Path) -> None:
    first = run(installed, SHORT, temporary=tmp_path / "temporary")
    assert first.stderr == ""
    (folder,) = (tmp_path / "temporary").iterdir()
    assert folder.stat().st_mode & 0o777 == 0o700
    files = {path: path.stat().st_mtime_ns for path in kept(folder)}
    assert files
    assert run(installed, SHORT, temporary=tmp_path / "temporary").stdout == first.stdout
    assert {path: path.stat().st_mtime_ns for path in kept(folder)} == files


@pytest.mark.parametrize("planted", ["open to others", "a link", "a file"])
def test_code_is_never_read_from_a_folder_that_others_can_fill(installed: Path, tmp_path: Path, planted: str) -> None:
    folder = tmp_path / "temporary" / f"riskmap-compiled-{os.getuid()}"
    if planted == "a file":
        folder.write_text("mine", encoding="utf-8")
    elif planted == "a link":
        (tmp_path / "elsewhere").mkdir(mode=0o700)
        folder.symlink_to(tmp_path / "elsewhere", target_is_directory=True)
    else:
        folder.mkdir()
        folder.chmod(0o770)
    done = run(installed, SHORT, temporary=tmp_path / "temporary")
    assert done.returncode == 0, done.stderr
    assert done.stderr.count(WARNING) == 1
    assert kept(tmp_path) == []


def test_a_damaged_cache_is_compiled_again_and_mended(installed: Path, tmp_path: Path) -> None:
    cache = tmp_path / "cache"
    clean = run(installed, SHORT, NUMBA_CACHE_DIR=str(cache)).stdout
    assert kept(cache)
    done = run(installed, SHORT + DAMAGED, str(cache), NUMBA_CACHE_DIR=str(cache))
    spoilt, mended = (f"{clean.strip()} from the cache: {hits}\n" for hits in (0, 1))
    assert (done.stdout, done.stderr) == (clean + 6 * (spoilt + mended), ""), done.stderr
    again = run(installed, SHORT, NUMBA_CACHE_DIR=str(cache))
    assert (again.stdout, again.stderr) == (clean, "")


def test_a_cache_that_cannot_be_written_is_told_once(installed: Path, tmp_path: Path) -> None:
    """As on a full disk: the folder can be opened, and writing into it fails."""
    full = ("import numba.core.caching as c\n"
            "def full(*_): raise OSError(28, 'No space left on device')\n"
            "c.IndexDataCacheFile._open_for_write = full\n")
    done = run(installed, full + SHORT, NUMBA_CACHE_DIR=str(tmp_path / "cache"))
    assert done.returncode == 0, done.stderr
    assert done.stderr.count(WARNING) == 1
    assert done.stdout == run(installed, SHORT, NUMBA_CACHE_DIR=str(tmp_path / "other")).stdout


@pytest.mark.slow
def test_an_estimate_without_home_and_cache_gives_the_same_bytes(installed: Path, example: Path, tmp_path: Path,
                                                                 shared_models: Path) -> None:
    lots = gpd.read_file(example / "lots.gpkg", layer="lots").iloc[[*range(0, 1500, 100), 1497, 1498]]
    area = write_area(example, tmp_path / "area", last="2025-05", lots=lots, movement="draws = 20")
    words = ("estimate", str(area), "--workers", "2", "--outputs")
    code = "from riskmap.cli.main import main; main()"
    memory = run(installed, code, *words, str(with_store(tmp_path / "memory", shared_models)))
    assert memory.returncode == 1, memory.stderr
    assert [line for line in memory.stderr.splitlines() if WARNING in line] == [compiled.NOT_KEPT]  # without a path
    usual = CliRunner().invoke(cli, [*words, str(with_store(tmp_path / "usual", shared_models))])
    assert usual.exit_code == 1, usual.output
    found = [next((tmp_path / name).glob("example-town*")) for name in ("memory", "usual")]
    for file in ("lots.csv", "lots.parquet", "lots.gpkg", "map.html"):
        assert (found[0] / file).read_bytes() == (found[1] / file).read_bytes(), file
