"""What a comment or docstring points to can be opened: a section of notebooks/method.md, or a published document.

The page itself is held to the code: its table of defaults is the one the code gives, and a default named in its text
has the value of the code.
"""

from __future__ import annotations

import ast
import importlib
import importlib.util
import re
import subprocess
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

from riskmap.evidence import constants_sources

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "riskmap"
NOTEBOOKS = ROOT / "notebooks"
PAGE = NOTEBOOKS / "method.md"
TEXT = {".py", ".md", ".ipynb", ".toml", ".js", ".typ", ".css", ".txt", ".run", ""}
# Names of working papers that are not part of the project.
OUTSIDE = re.compile(
    r"decisions page|physics (notes|page|tests?\b)|reference (sheet|notes)|field[- ](cases? )?sheet|product page,|"
    r"soil[- ]data sheet|soil-data\.md|methods\.md|users-and-trust\.md|asked by the (notes|sheet|reference|physics)|"
    r"the driver's notes|list of (features|field cases)|referee('s)? README", re.IGNORECASE)
POINTER = re.compile(r"method\.md,\s+section\s+(\d+(?:\.\d+)?)((?:(?:,| and)\s+(?:section\s+)?\d+(?:\.\d+)?)*)")
SECTION = re.compile(r"method\.md, section \d")
DOCUMENT = re.compile(r"\b(1[89]|20)\d\d\b|Hetenyi|AS 2870|PTI DC10|ASTM|ASCE|NCHRP|AASHTO|Nelson|Iowa|DSCI page|"
                      r"definition of pF")
UNIT = re.compile(r"\[[^\]\n]+\]")
# Modules of equations, by folder and by name: wherever the modules lie, these have to be found.
FOLDERS = ("movement", "climate", "indices", "published")
NO_EQUATION = ("compiled",)  # how functions are compiled
NAMES = ("closed_forms", "shrink_swell", "pedotransfer", "as2870", "cole_volume", "van_der_merwe_1964")
# Of these the equations: every number that a public function returns has its unit in brackets.
WITH_UNITS = ("surface", "closed_forms", "kernels_soil", "evapotranspiration", "spi", "spei", *NAMES)


def files() -> list[Path]:
    """Return the text files of the project, as git lists them."""
    told = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True).stdout
    listed = [ROOT / name for name in told.decode("utf-8").split("\0") if name]
    return [path for path in listed if path.suffix in TEXT and path.is_file() and path != Path(__file__)]


def headings(text: str) -> set[str]:
    """Return the numbers of the sections of the page, also of those that begin a paragraph in bold."""
    return set(re.findall(r"^## (\d+)\. ", text, re.M)) | set(re.findall(r"^\*\*(\d+\.\d+) ", text, re.M))


def pointers(text: str) -> Iterator[str]:
    """Yield every section that a text points to, also those listed after the first."""
    for first, more in POINTER.findall(text):
        yield first
        yield from re.findall(r"\d+(?:\.\d+)?", more)


def equation_modules() -> list[Path]:
    """Return the modules of equations, whichever rooms they lie in."""
    return sorted(path for path in PACKAGE.rglob("*.py")
                  if (path.parent.name in FOLDERS or path.stem in NAMES) and path.stem not in NO_EQUATION)


def public(tree: ast.Module) -> list[ast.FunctionDef]:
    return [node for node in tree.body if isinstance(node, ast.FunctionDef) and not node.name.startswith("_")]


def test_nothing_points_to_papers_outside() -> None:
    found = [f"{path.relative_to(ROOT)}: {hit.group(0)}" for path in files()
             for hit in OUTSIDE.finditer(path.read_text(encoding="utf-8", errors="replace"))]
    assert found == []


def test_old_references_would_be_found() -> None:
    old = ("it counts (decisions page)", "physics notes section 6", "reference sheet 5.1", "asked by the notes",
           "the product page, section 2", "field-cases sheet, section 5", "Field sheet C10", "referee README")
    assert [text for text in old if not OUTSIDE.search(text)] == []


def test_every_pointer_finds_its_section() -> None:
    known = headings(PAGE.read_text(encoding="utf-8"))
    assert {str(n) for n in range(1, 17)} <= known
    seen = [(path, section) for path in files() if path != PAGE
            for section in pointers(path.read_text(encoding="utf-8", errors="replace"))]
    assert [f"{path.relative_to(ROOT)}: section {section}" for path, section in seen if section not in known] == []
    assert len(seen) > 100


def test_pointers_of_the_page_to_itself_find_their_section() -> None:
    text = PAGE.read_text(encoding="utf-8")
    inside = {number.rstrip(".") for number in re.findall(r"\bsections?\s+(\d+(?:\.\d+)?)", text)}
    assert inside - headings(text) == set()
    assert len(inside) > 8


def test_every_function_of_an_equation_names_a_section_or_a_document() -> None:
    without, seen = [], 0
    for path in equation_modules():
        tree = ast.parse(path.read_text(encoding="utf-8"))
        source = next((ast.unparse(node.value) for node in tree.body if isinstance(node, ast.Assign)
                       and ast.unparse(node.targets[0]) == "SOURCE"), "")
        of_module = (ast.get_docstring(tree) or "") + source
        for node in public(tree):
            text = (ast.get_docstring(node) or "") + of_module
            seen += 1
            if not SECTION.search(text) and not DOCUMENT.search(text):
                without.append(f"{path.name}: {node.name}")
    assert without == []
    assert seen > 150


def test_numbers_of_equations_have_their_unit_in_brackets() -> None:
    without, seen = [], set()
    for path in equation_modules():
        if path.stem not in WITH_UNITS and path.parent.name != "published":
            continue
        for node in public(ast.parse(path.read_text(encoding="utf-8"))):
            kind = ast.unparse(node.returns) if node.returns else ""
            seen.add(path.stem)
            of_numbers = ("Array" in kind or "float" in kind) and "object_" not in kind and "bool_" not in kind
            if of_numbers and not UNIT.search(ast.get_docstring(node) or ""):
                without.append(f"{path.name}: {node.name}")
    assert without == []
    assert seen >= set(WITH_UNITS)


# ------------------------------------------------------------------------------------------------- page and code
def table_script() -> ModuleType:
    """Return notebooks/make_method_table.py as a module."""
    spec = importlib.util.spec_from_file_location("make_method_table", NOTEBOOKS / "make_method_table.py")
    assert spec is not None
    assert spec.loader is not None
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    return script


def test_the_table_of_defaults_is_what_the_code_gives() -> None:
    """After a change of a default: python notebooks/make_method_table.py."""
    script = table_script()
    text = PAGE.read_text(encoding="utf-8")
    assert script.with_table(text) == text
    assert all(f"| `{constant.where}` | {script.shown(constant.value)} |" in text
               for constant in constants_sources.CONSTANTS)


def paragraphs(text: str) -> list[str]:
    """Return rows of tables one by one and paragraphs whole, without the generated table."""
    before, _, rest = text.partition("<!-- table of defaults: begin -->")
    after = rest.partition("<!-- table of defaults: end -->")[2]
    parts: list[str] = []
    for block in re.split(r"\n\s*\n", before + after):
        parts += block.split("\n") if block.startswith("|") else [" ".join(block.split())]
    return parts


def test_a_default_named_in_the_text_has_the_value_of_the_code() -> None:
    script = table_script()
    value = {constant.where: script.shown(constant.value) for constant in constants_sources.CONSTANTS}
    wrong, seen = [], set()
    for part in paragraphs(PAGE.read_text(encoding="utf-8")):
        for name in re.findall(r"`((?:lots|soil|climate|movement|riskmap)\.[\w.]+)`", part):
            seen.add(name)
            stated = rf"`{re.escape(name)}` ?[(,] ?{re.escape(value.get(name, 'no such default'))}(?![\d.]*\d)"
            if not re.search(stated, part):
                wrong.append(name)
    assert wrong == []
    assert len(seen) > 50


def test_known_answers_of_the_page_are_those_of_the_pack() -> None:
    """Numbers with three decimals or more in the two tables of known answers are printed values of a case."""
    cases = [case for group in ("suction", "ground", "slab")
             for case in importlib.import_module(f"riskmap.evidence.known_answers.{group}").CASES]
    printed = {f"{abs(value):.{digits}f}" for case in cases for value in case.printed if isinstance(value, float)
               for digits in (3, 4, 5)}
    rows = [part for part in paragraphs(PAGE.read_text(encoding="utf-8")) if part.startswith("| ")]
    answers = [row.rsplit("|", 2)[1] for row in rows]
    numbers = {number for answer in answers for number in re.findall(r"\d+\.\d{4,}|\d+\.\d{3}(?= ?mm)", answer)}
    assert len(numbers) > 20
    assert numbers - printed == set()
