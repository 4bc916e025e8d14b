"""Every setting has an entry with its source; no number is repeated there."""

from __future__ import annotations

import ast
from pathlib import Path

from riskmap.common import settings
from riskmap.evidence import constants_sources

FILE = Path(constants_sources.__file__)


def test_every_setting_is_told_once() -> None:
    told = [constant.where for constant in constants_sources.CONSTANTS]
    assert len(told) == len(set(told))
    fields = {f"{group}.{name}" for group, model in constants_sources.GROUPS.items() for name in model.model_fields}
    assert fields - set(told) == set()
    assert {where for where in told if not where.startswith("riskmap.")} - fields == set()


def test_entries_are_whole_and_hold_no_value() -> None:
    for constant in constants_sources.CONSTANTS:
        assert constant.standing in constants_sources.STANDINGS
        assert constant.source
        assert constant.meaning
        assert constant.value is not None
    called = [node for node in ast.walk(ast.parse(FILE.read_text(encoding="utf-8")))
              if isinstance(node, ast.Call) and ast.unparse(node.func) == "Constant"]
    assert all(isinstance(value, str) for node in called for part in node.args for value in
               [n.value for n in ast.walk(part) if isinstance(n, ast.Constant)])


def test_standings_agree_with_the_settings_file() -> None:
    """`common/settings.py` names the basis of a default behind it; the table says the same where it does."""
    lines = Path(settings.__file__).read_text(encoding="utf-8").splitlines()
    for group, model in constants_sources.GROUPS.items():
        for name in model.model_fields:
            line = next(text for text in lines if text.strip().startswith(f"{name}:"))
            basis = line.partition("#")[2].strip().split(":")[0].split(";")[0].split(",")[0]
            entry = next(c for c in constants_sources.CONSTANTS if c.where == f"{group}.{name}")
            if basis in constants_sources.STANDINGS and entry.standing != "from memory":
                assert entry.standing == basis, (entry.where, basis)
