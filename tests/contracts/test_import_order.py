"""One-way imports: a stage never imports another stage; files are opened only at the edges."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[2] / "riskmap"
STAGES = {"layers", "lots", "soil", "climate", "columns", "movement", "risk", "published", "outputs", "manifest",
          "fetch", "survey"}
BELOW = {"errors": set(), "units": set(), "constants": set(), "plain": set(), "code_digest": {"errors"},
         "memory": {"errors"}, "movement_inputs": set(), "parts": set(), "part_folder": set(), "run_files": {"errors"},
         "area_text": {"errors"}, "ranges": {"errors", "constants"}, "equal_area": {"errors", "constants"},
         "setting_words": {"errors", "ranges"},
         "tables": {"errors", "units", "constants"},
         "settings": {"errors", "units", "constants", "area_text", "ranges", "equal_area", "setting_words"},
         "results": {"errors", "units", "constants", "plain", "movement_inputs", "tables", "settings"}}
SHARED = set(BELOW)
ABOVE = {"api", "assess", "in_parts", "workers", "briefing", "calibration", "comparing", "screening", "store",
         "checking", "selftest", "sources", "__init__", "__main__"}  # and everything called cli
NO_FILES = {"lots", "soil", "climate", "columns", "movement", "risk", "survey"}
# equations on arrays: no pandas, no files
PURE = ["movement", "climate/indices", "soil/shrink_swell.py", "soil/pedotransfer.py"]
TABLE_HANDLING = {"movement/__init__.py", "movement/summary.py", "movement/reasons.py", "movement/past.py",
                  "climate/indices/__init__.py"}

FILES = sorted(PACKAGE.rglob("*.py"))


def unit_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def runtime_imports(path: Path) -> list[str]:
    """Imports that happen when the code runs; those only for type checking are left out."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    skipped = [node for top in ast.walk(tree) if isinstance(top, ast.If) and "TYPE_CHECKING" in ast.unparse(top.test)
               for node in ast.walk(top)]
    found = []
    for node in ast.walk(tree):
        if node in skipped:
            continue
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            found += [node.module] + [f"{node.module}.{alias.name}" for alias in node.names]
    return found


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_go_one_way(path: Path) -> None:
    own = unit_of(path)
    if own in ABOVE or own.startswith("cli"):
        return
    allowed = BELOW.get(own, SHARED | {own})
    used = {name.split(".")[1] for name in runtime_imports(path) if name.startswith("riskmap.")} - {"__version__"}
    assert used <= allowed, f"{own} imports {sorted(used - allowed)}"


@pytest.mark.parametrize("path", [p for p in FILES if unit_of(p) in NO_FILES],
                         ids=lambda p: str(p.relative_to(PACKAGE)))
def test_stages_in_the_middle_open_no_files(path: Path) -> None:
    called = {node.func.attr if isinstance(node.func, ast.Attribute) else ast.unparse(node.func) * (
        ast.unparse(node.func) == "open") for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
              if isinstance(node, ast.Call)}
    assert not called & {"open", "read_csv", "read_file", "read_dataframe", "read_parquet", "to_csv", "to_file",
                         "write_text", "read_text", "read_bytes", "write_bytes"}


@pytest.mark.parametrize("path", [p for p in FILES if any(str(p.relative_to(PACKAGE)).startswith(pure) for pure in PURE)
                                  and str(p.relative_to(PACKAGE)) not in TABLE_HANDLING],
                         ids=lambda p: str(p.relative_to(PACKAGE)))
def test_equations_know_arrays_only(path: Path) -> None:
    assert not {name.split(".")[0] for name in runtime_imports(path)} & {"pandas", "geopandas", "shapely", "rasterio"}


def test_modules_stay_readable() -> None:
    """130 to 500 lines is the aim; more than 500 asks whether one file holds two ideas."""
    lines = {str(p.relative_to(PACKAGE)): len(p.read_text(encoding="utf-8").splitlines()) for p in FILES}
    assert not {name: n for name, n in lines.items() if n > 500}
