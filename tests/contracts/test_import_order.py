"""A stage imports `common` and itself; `run` imports stages; `evidence` imports stages; `answers` imports `run`; `api`
imports `answers`; `window` imports `api`; `cli` imports `window`. Every row of the rule and every module is checked."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

from each_case import check_each

PACKAGE = Path(__file__).resolve().parents[2] / "riskmap"
STAGES = ("download", "layers", "lots", "soil", "climate", "movement", "estimates", "outputs")
FLOW = {"common", *STAGES}
MAY_IMPORT = {
    "common": {"common"},
    **{stage: {"common", stage} for stage in STAGES},
    "run": {"run", *FLOW},
    "evidence": {"evidence", *FLOW},
    "answers": {"answers", "run", *FLOW},
    "api": {"api", "answers", "evidence", "run", *FLOW},
    "window": {"window", "api", "common", "outputs"},  # of outputs the look only: see below
    "cli": {"cli", "window", "api", "common"},
    "": {"api", "common", "evidence", "cli"},  # the package's own two files: hand on the commands, or start them
}
NO_FILES = {"lots", "soil", "climate", "movement", "estimates"}
# equations on arrays: no pandas, no files
PURE = ("movement/", "climate/indices/", "soil/shrink_swell.py", "soil/pedotransfer.py")
TABLE_HANDLING = {"movement/simulation.py", "movement/soil_units.py", "movement/archetypes.py",
                  "movement/summary.py", "movement/reasons.py", "movement/past.py", "movement/growth.py",
                  "movement/ahead.py", "climate/indices/__init__.py"}
COMMANDS = {"fetch", "survey", "selftest", "brief", "calibrate", "check", "compare", "demo", "estimate", "explain",
            "export", "map", "measured", "new", "read", "screen", "verify"}

FILES = sorted(PACKAGE.rglob("*.py"))


def below(path: Path) -> str:
    return path.relative_to(PACKAGE).as_posix()


def room_of(path: Path) -> str:
    parts = path.relative_to(PACKAGE).parts
    return parts[0] if len(parts) > 1 else ""


def imports(path: Path, text: str | None = None, *, types: bool = False) -> list[str]:
    """Dotted names that a file imports when it runs; with `types` also those for type checking only."""
    tree = ast.parse(path.read_text(encoding="utf-8") if text is None else text)
    skipped = {id(node) for top in ast.walk(tree) if isinstance(top, ast.If)
               and "TYPE_CHECKING" in ast.unparse(top.test) for node in ast.walk(top)}
    found = []
    for node in ast.walk(tree):
        if not types and id(node) in skipped:
            continue
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: write the whole name"
            found += [f"{node.module}.{alias.name}" for alias in node.names]
    return found


def forbidden(path: Path, text: str | None = None) -> list[str]:
    """Imports of another room that the rule does not allow to this file."""
    rooms = {name: name.split(".")[1] for name in imports(path, text) if name.startswith("riskmap.")}
    return [name for name, room in rooms.items() if room not in MAY_IMPORT[room_of(path)]]


def test_imports_go_one_way() -> None:
    assert {below(path): wrong for path in FILES if (wrong := forbidden(path))} == {}


def test_the_rule_has_a_row_for_every_room_and_sees_every_module() -> None:
    rooms = {path.name for path in PACKAGE.iterdir() if path.is_dir() and path.name != "__pycache__"}
    assert rooms == set(MAY_IMPORT) - {""}
    assert len(rooms) <= 15
    assert {path.name for path in PACKAGE.iterdir() if path.is_file()} <= {"__init__.py", "__main__.py", "py.typed"}
    assert all((folder / "__init__.py").is_file() for folder in {path.parent for path in FILES})


def test_a_planted_import_is_seen_in_every_room() -> None:
    check_each([room for room in MAY_IMPORT if room], a_planted_import_is_seen)


def a_planted_import_is_seen(room: str) -> None:
    path = next(path for path in FILES if room_of(path) == room)
    other = next(name for name in sorted(MAY_IMPORT) if name and name not in MAY_IMPORT[room])
    for line in (f"import riskmap.{other}", f"from riskmap import {other}", f"from riskmap.{other} import something",
                 f"def late():\n    from riskmap.{other}.inner import something"):
        assert forbidden(path, line), f"{room} may import {other}: {line}"
    assert not forbidden(path, f"from riskmap.{sorted(MAY_IMPORT[room])[0]} import something")


def test_the_window_has_no_word_or_rule_of_its_own() -> None:
    """It takes its answers from the API, and of `outputs` only what pages look like and what they say."""
    look = {"riskmap.outputs.palette", "riskmap.outputs.typeface", "riskmap.outputs.words"}
    used = {name for path in FILES if room_of(path) == "window" for name in imports(path)
            if name.startswith("riskmap.outputs")}
    assert used <= look | {name for one in look for name in used if name.startswith(f"{one}.")}
    assert used  # it does use them


def test_no_room_has_the_name_of_a_command() -> None:
    """Importing a submodule sets an attribute of the package: a second riskmap.estimate(...) would not be callable."""
    assert not {path.name for path in PACKAGE.iterdir()} & COMMANDS


def test_every_function_stays_callable_when_every_module_is_imported() -> None:
    """In a fresh interpreter: what a module's import puts in place of a function would stay there for other tests."""
    code = ("import importlib, pkgutil, riskmap\n"
            "first = {name: getattr(riskmap, name) for name in riskmap.FUNCTIONS}\n"
            "for found in pkgutil.walk_packages(riskmap.__path__, 'riskmap.'):\n"
            "    importlib.import_module(found.name)\n"
            "api = importlib.import_module('riskmap.api')\n"
            "for name, function in first.items():\n"
            "    for _ in range(2):\n"
            "        assert callable(getattr(riskmap, name)), name\n"
            "        assert getattr(riskmap, name) is getattr(api, name) is function, name\n"
            "print(len(first))")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=PACKAGE.parent)
    assert done.stdout.strip() == str(len(COMMANDS)), done.stderr


def test_rooms_are_listed_in_the_order_of_the_flow() -> None:
    import re

    import riskmap

    listed = [name for name in re.findall(r"`(\w+)`", riskmap.__doc__ or "") if name in MAY_IMPORT]
    assert listed == [*STAGES, "common", "run", "answers", "evidence", "api", "window", "cli"]


def test_stages_in_the_middle_open_no_files() -> None:
    opening = {"open", "read_csv", "read_file", "read_dataframe", "read_parquet", "to_csv", "to_file", "write_text",
               "read_text", "read_bytes", "write_bytes"}
    wrong = {}
    for path in FILES:
        if room_of(path) not in NO_FILES:
            continue
        called = {node.func.attr if isinstance(node.func, ast.Attribute) else ast.unparse(node.func) * (
            ast.unparse(node.func) == "open") for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
                  if isinstance(node, ast.Call)}
        if called & opening:
            wrong[below(path)] = sorted(called & opening)
    assert wrong == {}


def test_equations_know_arrays_only() -> None:
    tables = {"pandas", "geopandas", "shapely", "rasterio"}
    for path in TABLE_HANDLING:
        assert (PACKAGE / path).is_file(), path
    wrong = {below(path): sorted(used) for path in FILES
             if below(path).startswith(PURE) and below(path) not in TABLE_HANDLING and path.name != "__init__.py"
             and (used := {name.split(".")[0] for name in imports(path)} & tables)}
    assert wrong == {}


def test_modules_stay_readable() -> None:
    """130 to 400 lines is the aim; more than 500 asks whether one file contains two ideas."""
    lines = {below(path): len(path.read_text(encoding="utf-8").splitlines()) for path in FILES}
    assert not {name: n for name, n in lines.items() if n > 500}
