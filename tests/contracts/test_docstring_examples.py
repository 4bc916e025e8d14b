"""The examples in docstrings run, and every function of the commands' names says what it takes, gives and raises."""

from __future__ import annotations

import ast
import doctest
import importlib
import inspect
import shutil
import subprocess
import sys
import typing
from pathlib import Path

import click
import pytest
from each_case import check_each

import riskmap
from riskmap import api
from riskmap.cli.main import cli

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "riskmap"
API = [getattr(api, name) for name in api.__all__ if inspect.isfunction(getattr(api, name))]
BESIDE = {"answered_list", "basemap", "calibration_said", "choose_lots", "ending", "example", "explain_code",
          "findings_csv", "finished_runs", "five_numbers", "list_columns", "lot_columns", "lot_texts", "map_files",
          "map_server", "name_note", "newer_weeks", "newness", "one_lot", "rows_of", "typed_readings"}  # no command
FACES = {"open"}  # it shows the functions in a browser, and a program has no use for it
SECTIONS = ("Parameters", "Returns", "Raises", "Examples")
FLAGS = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE


def modules_with_examples() -> list[str]:
    """Every module in which a docstring contains an example, found without importing."""
    names = []
    for path in sorted(PACKAGE.rglob("*.py")):
        content = path.read_text(encoding="utf-8")
        if ">>>" not in content:
            continue  # most modules: nothing to look through
        tree = ast.parse(content)
        texts = [ast.get_docstring(node) or "" for node in ast.walk(tree)
                 if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)]
        if any(">>>" in text for text in texts):
            parts = path.relative_to(ROOT).with_suffix("").parts
            names.append(".".join(parts[:-1] if parts[-1] == "__init__" else parts))
    return names


MODULES = modules_with_examples()


def test_the_functions_of_the_commands_have_examples() -> None:
    assert {"riskmap.api.runs", "riskmap.api.papers", "riskmap.api.surveys", "riskmap.api.network",
            "riskmap.api.evidence", "riskmap.climate.index_table"} <= set(MODULES)


@pytest.mark.slow
def test_examples_run(example_runs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In one test: all use the same two runs of the example, as riskmap.api says."""
    monkeypatch.chdir(ROOT)
    outputs = shutil.copytree(example_runs, tmp_path / "outputs")
    tried, failed = dict.fromkeys(MODULES, 0), []
    runner = doctest.DocTestRunner(optionflags=FLAGS, verbose=False)
    for name in MODULES:
        for case in doctest.DocTestFinder().find(importlib.import_module(name), extraglobs={"outputs": outputs}):
            told: list[str] = []
            result = runner.run(case, out=told.append)
            tried[name] += result.attempted
            failed += told if result.failed else []
    assert not failed, "".join(failed)
    assert all(tried.values()), tried


def test_every_function_says_what_it_takes_gives_and_raises() -> None:
    check_each(API, says_what_it_takes_gives_and_raises, lambda function: function.__name__)


def says_what_it_takes_gives_and_raises(function: typing.Callable[..., object]) -> None:
    text = inspect.getdoc(function) or ""
    for section in SECTIONS:
        assert f"\n{section}\n{'-' * len(section)}\n" in text, section
    given = inspect.signature(function)
    assert given.return_annotation is not inspect.Signature.empty
    part = text.split("\nParameters\n", 1)[1].split("\nReturns\n", 1)[0]
    named = {name.strip() for line in part.splitlines() if line and not line.startswith((" ", "-"))
             for name in line.split(":")[0].split(",")}
    assert named == set(given.parameters), "the docstring names other parameters than the function"
    for parameter in given.parameters.values():
        assert parameter.annotation is not inspect.Parameter.empty, parameter.name


def test_every_command_has_a_function_of_its_name() -> None:
    assert set(riskmap.FUNCTIONS) == {f.__name__ for f in API} - BESIDE
    assert set(cli.commands) - FACES <= set(riskmap.FUNCTIONS)
    for name in riskmap.FUNCTIONS:
        assert getattr(riskmap, name) is getattr(api, name)
    assert set(riskmap.FUNCTIONS) <= set(riskmap.__all__) <= set(dir(riskmap))
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = riskmap.nothing


def test_options_of_a_command_are_those_of_its_function() -> None:
    """By name and default, but for what only a terminal needs."""
    renamed = {"no_reuse": "reuse", "unverified": "verified", "ids": "lots", "url": "basemap",
               "attribution": "basemap", "folder": "into"}
    terminal = {"json_path", "csv_path", "as_json", "why", "serving", "port"}
    for name, command in cli.commands.items():
        if name in FACES:
            continue
        given = set(inspect.signature(getattr(riskmap, name)).parameters)
        for one in (command.commands.values() if isinstance(command, click.Group) else [command]):
            # a former name that is refused with the new one reaches no function
            asked = {renamed.get(str(p.name), str(p.name)) for p in one.params if p.expose_value} - terminal
            assert asked, (name, one.name)
            assert asked <= given, (name, one.name, asked - given)


def test_importing_riskmap_loads_nothing_heavy() -> None:
    code = ("import sys, riskmap; assert 'estimate' in dir(riskmap); "
            "print([m for m in ('numpy', 'pandas', 'numba', 'riskmap.api') if m in sys.modules])")
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
