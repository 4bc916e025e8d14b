"""The planted mistakes of tests/mutations.py name code and tests that exist, each place once."""

from __future__ import annotations

from each_case import check_each
from mutations import MISTAKES, ROOT, Mistake


def test_every_mistake_can_be_planted_and_has_its_tests() -> None:
    def check(mistake: Mistake) -> None:
        text = (ROOT / "riskmap" / mistake.file).read_text(encoding="utf-8")
        assert mistake.right in text
        assert mistake.wrong != mistake.right
        assert (ROOT / mistake.tests).exists(), mistake.tests

    check_each(MISTAKES, check, lambda mistake: mistake.name)


def test_unit_tests_lie_in_folders_named_like_rooms() -> None:
    unit = ROOT / "tests" / "unit"
    found = {path.name for path in unit.iterdir() if path.name != "__pycache__"}
    assert found
    assert found <= {path.name for path in (ROOT / "riskmap").iterdir() if path.is_dir()}
