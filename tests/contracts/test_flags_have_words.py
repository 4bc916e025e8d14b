"""Every flag the code can set has plain words, and every flag that a mark of data quality asks for is a real one."""

from __future__ import annotations

import ast
import re
from itertools import product
from pathlib import Path

from changed_areas import write_area
from each_case import check_each

from riskmap.common import settings, tables
from riskmap.estimates import table as risk
from riskmap.outputs import palette, words
from riskmap.outputs.files import csv_table
from riskmap.run import flow

PACKAGE = Path(__file__).resolve().parents[2] / "riskmap"
STAGES = ("lots", "soil", "climate", "movement", "risk", "calibration")
# what stands beside flags in the code and is none
NO_FLAGS = {column.name for table in tables.TABLES for column in table.columns} | {
    "water_table_m", "lep_source", "water_table_all_year_m", "rock_depth_m", "past_years", "equilibrium_pf",
    "mean_filling", "soil_state", "soil_state_reason", "reference_lot", "not_enough_data", "whatif_years",
    "unit_draws_per_s", "unit_draws", "draws_by_day_steps", "draws_by_month"}


def names_of_flags(path: Path) -> set[str]:
    """Return what looks like a code in the statements of a file that speak of flags or of reasons of soil."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        simple = isinstance(node, ast.Assign | ast.AugAssign | ast.AnnAssign | ast.Expr | ast.Return)
        if simple and re.search("flag|reasons", ast.unparse(node)):
            found |= {part.value for part in ast.walk(node) if isinstance(part, ast.Constant)
                      and isinstance(part.value, str) and re.fullmatch("[a-z0-9]+(_[a-z0-9]+)+", part.value)}
    return found - NO_FLAGS


def test_doubts_name_flags_that_exist() -> None:
    def check(flag: str) -> None:
        assert flag in words.FLAGS

    check_each(risk.GUESSED_SOIL, check)


def test_words_are_sentences() -> None:
    for flag, sentence in words.FLAGS.items():
        assert flag == flag.lower()
        assert sentence[0].isupper()
        assert sentence.endswith(".")


def test_every_flag_that_the_code_names_is_explained() -> None:
    named = set().union(*(names_of_flags(path) for stage in STAGES for path in (PACKAGE / stage).rglob("*.py")))
    assert not NO_FLAGS & set(words.FLAGS)
    assert {"point_lot", "index_beyond_fit", "organic_soil", "shallow_rock", "frost_not_modelled"} <= named
    assert named <= set(words.FLAGS), named - set(words.FLAGS)


def test_the_column_dictionary_explains_every_code_of_a_run(example: Path, tmp_path: Path) -> None:
    found = flow.assess(settings.load(write_area(example, tmp_path / "a", last="2025-05")))[0]
    names = [column.name for column in tables.ESTIMATE.columns]
    fields = {field["name"]: field for field in csv_table.dictionary(names)["fields"]}
    for name in words.CODES:
        cells = {part for cell in found.lots[name].astype("str") for part in cell.split(";")} - {"", "<NA>"}
        assert cells, name
        assert cells <= set(fields[name]["values"]), name
        assert all(fields[name]["values"].values())


def test_the_words_of_the_marks_have_the_limits_of_the_code() -> None:
    assert f"{risk.WELL_MAPPED_PCT:g} %" in tables.ESTIMATE.column("soil_known").meaning


def test_every_text_of_data_quality_is_known_to_the_words_and_has_a_class_on_the_map() -> None:
    scale = palette.SCALES["quality"]
    assert len(set(tables.DATA_QUALITY)) == 2 ** len(tables.MARKS) == len(scale.ranks())
    assert list(words.QUALITY) == list(scale.classes) == list(tables.DATA_QUALITY)
    for marks in product((True, False), repeat=len(tables.MARKS)):
        assert scale.ranks()[tables.not_known(marks)] == marks.count(False)
    assert len(scale.words) == len(scale.colors) == len(tables.MARKS) + 1
    assert tables.not_known((True, False, False, True)) == "pour date, slab size"
