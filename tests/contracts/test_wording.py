"""No word of a verdict in any output, and the cautions on every page that a person reads.

Words: those of the trade (no grades, indices, dials, `safe`, `certified`, `report card`), and whatever would
sound like an opinion on a structure.
"""

from __future__ import annotations

import ast
import inspect
import json
import re
import zipfile
from pathlib import Path

import pytest
from changed_areas import write_area
from click.testing import CliRunner

import riskmap
from riskmap.cli.main import cli
from riskmap.common import wording
from riskmap.run import flow

PACKAGE = Path(__file__).resolve().parents[2] / "riskmap"
NOTEBOOKS = PACKAGE.parent / "notebooks"
FORBIDDEN = re.compile(
    r"\b(safe|unsafe|certif\w+|report card|grade [a-f]|risk score|hot ?spots?|traffic light|damag(?:e|ed|es|ing)|"
    r"failed|failure|failing|defect\w*|danger\w*|sound structure|hazard\w*|bad|poor|excellent|risky|high.risk|"
    r"low.risk)\b",
    re.IGNORECASE)
# says what a number is not; speaks of a file
ALLOWED = ("not the chance of damage", "The tile file is damaged or was cut off")
READ = {".csv", ".json", ".html", ".txt", ".geojson", ".kml", ".xlsx"}


def words_of(text: str) -> list[str]:
    for phrase in ALLOWED:
        text = text.replace(phrase, " ")
    return FORBIDDEN.findall(text)


@pytest.fixture(scope="module")
def outputs(example: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("words")
    folder = place / "outputs"
    flow.run(write_area(example, place / "a", last="2025-05"), folder)
    flow.run(write_area(example, place / "b", last="2025-08"), folder)
    (place / "l.csv").write_text("lot_id\n0010001\nnope\n", encoding="utf-8")
    for words in (["screen", "latest", str(place / "l.csv"), "--why"], ["brief", "latest", "--top", "2"],
                  ["compare", "previous", "latest"], ["export", "latest", "--format", "geojson,kml"],
                  ["map", "latest", "--tiles"]):
        done = CliRunner().invoke(cli, [*words, "--outputs", str(folder)])
        assert done.exit_code in (0, 1), (words, done.output)
        assert not isinstance(done.exception, Exception) or isinstance(done.exception, SystemExit)
        assert words_of(done.output) == [], words
    return folder


def text_of(path: Path) -> str:
    if path.suffix == ".xlsx":
        with zipfile.ZipFile(path) as packed:
            return " ".join(packed.read(name).decode("utf-8", "replace") for name in packed.namelist()
                            if name.startswith("xl/") and name.endswith(".xml"))
    content = path.read_text(encoding="utf-8")
    return re.sub(r"<(script|style)\b.*?</\1>|<meta[^>]*>", " ", content, flags=re.S) if path.suffix == ".html" \
        else content


def test_no_product_gives_a_verdict(outputs: Path) -> None:
    read = 0
    for path in sorted(outputs.rglob("*")):
        if path.suffix in READ and ".store" not in path.parts:
            assert words_of(text_of(path)) == [], path.relative_to(outputs)
            read += 1
    assert read > 15


def test_the_words_of_the_pages_give_no_verdict() -> None:
    from riskmap.outputs.map import page_build

    ours = [path for path in sorted(page_build.ASSETS.rglob("*.js")) if path.parent.name != "vendor"]
    assert len(ours) > 15
    for path in ours:
        texts = re.findall(r"\"([^\"\n]*)\"|'([^'\n]*)'|`([^`]*)`", path.read_text(encoding="utf-8"))
        assert words_of(" ".join("".join(found) for found in texts)) == [], path.name
    skeletons = sorted(PACKAGE.rglob("*.html"))
    assert len(skeletons) > 4
    for path in skeletons:
        assert words_of(text_of(path)) == [], path.name
    from riskmap.outputs import words

    told = [getattr(words, name) for name in dir(words) if name.isupper()]
    assert words_of(json.dumps(told)) == []


def test_notebooks_give_no_verdict() -> None:
    places = [*NOTEBOOKS.glob("*.ipynb"), NOTEBOOKS / "README.md"]
    assert len(places) > 4
    for path in places:
        text = path.read_text(encoding="utf-8")
        if path.suffix == ".ipynb":
            text = "\n".join("".join(cell["source"]) for cell in json.loads(text)["cells"])
        assert words_of(text) == [], path.name
        assert re.findall(r"\bprobab\w+|\blikel\w+|\bchances?\b|\bodds\b", text.replace(
            "not the chance of damage", ""), re.IGNORECASE) == [], path.name


def test_the_functions_of_the_commands_give_no_verdict() -> None:
    for name in riskmap.FUNCTIONS:
        assert words_of(inspect.getdoc(getattr(riskmap, name)).replace("or a file of it is damaged", "").replace(
            "no such file, damaged,", "")) == [], name


def test_help_gives_no_verdict() -> None:
    for name in ["", *cli.commands]:
        done = CliRunner().invoke(cli, [*([name] if name else []), "--help"])
        assert done.exit_code == 0
        assert words_of(done.output) == [], name


def test_every_page_that_a_person_reads_carries_the_caution(outputs: Path) -> None:
    pages = [path for path in outputs.rglob("*.html") if path.name not in ("map.html", "county.html")]
    assert {path.name for path in pages} == {"screened.html", "lots.html"}
    for path in pages:
        content = path.read_text(encoding="utf-8").replace("&#x27;", "'")
        assert wording.CAUTION in content, path.name
        assert wording.STANDING in content, path.name
    for path in outputs.rglob("screened.*"):
        if path.suffix in (".html", ".json"):
            assert wording.CAUTION_LENDER in path.read_text(encoding="utf-8"), path.name


def test_the_maps_carry_the_caution() -> None:
    from riskmap.outputs.map import web_map

    told = web_map._cautions(24000)
    assert wording.CAUTION in told.values()
    assert wording.STANDING in told.values()


def _last_words(node: ast.expr) -> str:
    """Return the text with which an argument ends, where the code writes it out."""
    parts = node.values if isinstance(node, ast.JoinedStr) else [node.right] if isinstance(node, ast.BinOp) else [node]
    last = parts[-1]
    return last.value if isinstance(last, ast.Constant) and isinstance(last.value, str) else ""


def _sentences(call: ast.Call) -> list[ast.expr]:
    return [word.value for word in call.keywords if word.arg in ("rule", "remedy", "action")]


def test_parts_of_a_finding_are_sentences() -> None:
    """Rule, remedy and action stand one behind another: each ends as a sentence, none in the middle of one."""
    seen = 0
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and ast.unparse(node.func) == "Problem":
                for text in map(_last_words, _sentences(node)):
                    seen += bool(text)
                    assert not text.rstrip().endswith((":", ";", ",")), f"{path.name}: {text}"
    assert seen > 100
