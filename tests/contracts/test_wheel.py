"""What an installed riskmap has: the wheel contains the whole package, the example and the licences, and works alone.

The wheel is built by the build backend itself, without a network. `.ci/versions` installs it into empty environments.
"""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
import zipfile
from collections import defaultdict
from importlib.util import find_spec
from pathlib import Path

import pytest

from riskmap.run import code_digest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> zipfile.ZipFile:
    """The wheel of this checkout."""
    if find_spec("hatchling") is None:
        pytest.skip("hatchling absent: the wheel is NOT BUILT and its content NOT CHECKED; install riskmap[test]")
    place = tmp_path_factory.mktemp("wheel")
    done = subprocess.run([sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(place)], cwd=ROOT,
                          capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    (made,) = place.glob("*.whl")
    return zipfile.ZipFile(made)


@pytest.fixture(scope="module")
def unpacked(wheel: zipfile.ZipFile, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the content of the wheel and nothing of the project beside it; its path has blanks."""
    place = tmp_path_factory.mktemp("unpacked") / "a path with blanks"
    wheel.extractall(place)
    return place


def files_of(folder: Path) -> dict[str, bytes]:
    """Return the files below a folder without compiled code: relative name -> content."""
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*")
            if path.is_file() and "__pycache__" not in path.parts}


def riskmap(unpacked: Path, folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    folder.mkdir(exist_ok=True)
    return subprocess.run([sys.executable, "-m", "riskmap", *words], cwd=folder, capture_output=True, text=True,
                          check=False, env={**os.environ, "PYTHONPATH": str(unpacked)})


def test_the_wheel_has_every_file_of_the_package_and_the_layers_and_no_other(wheel: zipfile.ZipFile) -> None:
    ours = {f"riskmap/{name}": content for name, content in files_of(ROOT / "riskmap").items()}
    ours |= {f"riskmap/example_layers/{name}": content for name, content in files_of(ROOT / "layers").items()
             if name != "example/make_example.py"}  # it makes the example; a user of the wheel has it made
    inside = {name: wheel.read(name) for name in wheel.namelist()}
    package = {name: content for name, content in inside.items() if ".dist-info/" not in name}
    assert sorted(package) == sorted(ours)
    assert [name for name in ours if package[name] != ours[name]] == []
    fonts = {name.rsplit("/", 1)[1] for name in package if name.startswith("riskmap/outputs/type/")}
    assert fonts == {"SHA256SUMS", "LICENSE-riskmap-sans",  # the licence asks to be where the fonts are
                     *(f"RiskmapSans-{weight}.{kind}" for weight in ("Regular", "Bold") for kind in ("ttf", "woff2"))}
    (licence,) = (content for name, content in inside.items() if name.endswith(".dist-info/licenses/LICENSE"))
    assert licence == (ROOT / "LICENSE").read_bytes()


# Libraries of an extra, and the only modules that may import them.
OF_EXTRAS = {
    "distributed": ("distributed", {"run/workers.py"}),
}


def imported() -> dict[str, set[str]]:
    """Return the libraries that the package imports anywhere, and the modules that do."""
    found: dict[str, set[str]] = defaultdict(set)
    for path in (ROOT / "riskmap").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_bytes())):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else \
                [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            for top in {name.split(".")[0] for name in names} - sys.stdlib_module_names - {"riskmap", "__future__"}:
                found[top].add(path.relative_to(ROOT / "riskmap").as_posix())
    return dict(found)


def test_the_wheel_asks_for_what_the_code_imports_and_for_nothing_else(wheel: zipfile.ZipFile) -> None:
    (metadata,) = (wheel.read(name).decode() for name in wheel.namelist() if name.endswith("/METADATA"))
    asked: dict[str, set[str]] = defaultdict(set)  # extra, or empty -> libraries
    for line in metadata.splitlines():
        if line.startswith("Requires-Dist: "):
            needed, _, condition = line.split(": ", 1)[1].partition("; extra == ")
            asked[condition.strip("'\"")].add(re.split(r"[\[<>=]", needed)[0].lower())
    found = {code_digest._DISTRIBUTION.get(name, name): where for name, where in imported().items()}
    assert asked[""] == found.keys() - OF_EXTRAS.keys() - {"pydantic_core"}  # pydantic asks for its one version of it
    for library, (extra, places) in OF_EXTRAS.items():
        assert library in asked[extra]
        assert found[library] == places, "only this module may import what an extra brings"
    assert {"geopandas", "rasterio", "shapely", "pyproj", "folium", "scikit-learn"} <= asked[""]
    assert "pytest" in asked["test"]


def test_demo_of_the_wheel_finds_its_example_in_an_empty_folder(unpacked: Path, tmp_path: Path) -> None:
    here = tmp_path / "another path with blanks"
    code = ("from riskmap import api; import riskmap, pathlib; one = api.example(); print(one.area.as_posix());"
            "print(one.note); print(pathlib.Path(riskmap.__file__).parent.parent)")
    here.mkdir()
    done = subprocess.run([sys.executable, "-c", code], cwd=here, capture_output=True, text=True, check=False,
                          env={**os.environ, "PYTHONPATH": str(unpacked)})
    area, note, home = done.stdout.splitlines()
    assert home == str(unpacked)  # it is the wheel that runs, not this checkout
    assert area == "riskmap-example/area.toml"
    assert note.startswith("The example was copied to riskmap-example;")
    copied = files_of(here / "riskmap-example")
    assert copied.pop("layers.md") == (ROOT / "layers" / "README.md").read_bytes()
    assert copied == {name: content for name, content in files_of(ROOT / "layers" / "example").items()
                      if name != "make_example.py"}
    assert [path.name for path in here.iterdir()] == ["riskmap-example"]
    checked = riskmap(unpacked, here, "check", area)
    assert checked.returncode == 1, checked.stderr  # states on purpose, as in the project's folder
    assert "1,531 lots" in checked.stdout


def test_survey_draws_its_contours_without_a_package_for_plots(unpacked: Path, tmp_path: Path) -> None:
    (tmp_path / "readings.csv").write_text("point,x_ft,y_ft,elevation_in\n"
                                           "A,0,0,0\nB,15,0,0.3\nC,15,12,0.9\nD,0,12,0.5\n")
    code = ("import sys; sys.modules['matplotlib'] = None\n"
            "sys.argv = ['riskmap', 'survey', 'readings.csv', '--into', 'made']\n"
            "from riskmap.cli.main import main; main()")
    done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False,
                          env={**os.environ, "PYTHONPATH": str(unpacked)})
    assert done.returncode in (0, 1), done.stderr
    assert "Traceback" not in done.stderr
    assert "and 4 contours" in (tmp_path / "made" / "levels.svg").read_text(encoding="utf-8")
