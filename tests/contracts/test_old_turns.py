"""Turns of phrase that a reader had to read twice do not come back, in any kind of text that this file lists.

Each kind of text is a generator in `TEXTS`. To check another kind (messages, help, README, pages), add one that yields
`Text`. Names in backticks, examples and the names of parameters are left out, because they are code.
"""

from __future__ import annotations

import ast
import json
import re
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest
from each_case import check_each

ROOT = Path(__file__).resolve().parents[2]
WITH_DOCSTRING = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
HELP = {"command", "group"}  # decorators of click: the docstring of such a function is help, which users read


@dataclass(frozen=True)
class Text:
    """One piece of text: the file below the project's folder, its line, and the words."""

    file: str
    line: int
    words: str


@dataclass(frozen=True)
class Turn:
    """A refused turn: its pattern, what to write instead, and a sentence that contains it."""

    pattern: str
    instead: str
    sample: str


# The samples are sentences that once were in the code.
OLD_TURNS = (
    Turn(r"\btold\b", "reported, shown, listed or said; of a function that is called: called with",
         "Every correction is told: applied, replaced by a later one, or refused and why."),
    Turn(r"(?<!cannot )\btells?\b(?! (?:\w+ ){0,2}apart)", "report, show, say or list; of an outcome: predict",
         "`answer.sound` tells whether every row could be used."),
    Turn(r"\btelling of\b", "report, show, say or list", "A telling of the reasons follows."),
    Turn(r"\bstands? (?:in|beside|behind|above|below|atop|for|as|by|at|high|low|together|with|first|there|elsewhere)\b",
         "is, is in, is written in, is next to, or means", "A current map stands in the table."),
    Turn(r"\b(?:as|what|where) (?:it|they) stands?\b|\bstands? on (?:it|them|one line)\b",
         "unchanged, or what is there",
         "Return the cells as they stand."),
    Turn(r"\bholds?\b(?! an? (?:\S+ )?lock)|\bholding\b", "contains, has; of a rule: applies",
         "The folder holds lots."),
    Turn(r"\bheld (?:as|in memory|within|below|between|to|against|at \+-|in the store)\b",
         "kept in memory, limited to, or checked against", "Scores are held within +-5."),
    Turn(r"\bcarr(?:y|ies|ied|ying)\b(?! out\b)", "has, contains, or shows", "The manifest carries its own digest."),
    Turn(r"\banew\b", "again, or from scratch", "A damaged file is dropped and computed anew."),
    Turn(r"\b(?:this|its|the|a|no) doubt\b(?! about)|\bdescribes the doubt\b", "range",
         "The range shown includes this doubt."),
    Turn(r"\b(?:an?|one|each|every|the|this|per|no|middle|further) draw\b|\bdraw's\b|"
         r"\b(?:over|of|all|by) (?:the )?draws\b(?! of| that every)", "model run, model runs",
         "Median over the draws, nan before the pour."),
    Turn(r"\b(?:nothing|what is) drawn\b|\bdrawn (?:parameters?|limits?|shares?|values?|part|diffusivit\w+|active|"
         r"vertical)\b", "varied, or sampled", "Surface suction with the default settings and nothing drawn."),
    Turn(r"\bmiddle (?:run|year|class|value|result|parameters?|score|answer|of all)\b|\bat (?:its|their) middles?\b"
         r"(?!\.|;)|\bround another middle\b", "median, or average",
         "One run with every parameter at its middle, the mean over the soils."),
    Turn(r"\bsoil lines?\b", "soil boundary", "Distance to the nearest soil line."),
    Turn(r"\bso many (?!that\b)", "number of, or this many", "So many lots with the largest expected movement."),
    Turn(r"\b(?:a|one) (?:rain|row|page|file|map|zip|band|feature|column|number|line|sheet) an? (?:week|month|year|day|"
         r"lot|house|row|worker|point|reading|comparison|sheet)\b|"
         r"\b(?:products|draws|runs|gb) an? (?:second|month|worker)\b|\bmm a year\b", "per",
         "One row a lot, in file order."),
    Turn(r"\ba lot on average\b", "per lot", "It takes 2 ms a lot on average."),
    Turn(r"(?<!estimates are )\bas of `", "as returned by, or as in", "As of `matching.match`."),
    Turn(r"\bmonth of `?now`?|\bmonth number of now\b|\b(?:that|bending|deflection|driver|change|weather) of now\b",
         "the present month, present bending", "Month number of now."),
    Turn(r"\b(?:with|without|has|have|gives?|gets?|got) (?:no|a) numbers?\b(?! that| of| with|>)|\bno number of\b|"
         r"\b(?:what|why) (?:the|a|one) lot's (?:number|score|result)\b", "estimate, no estimate",
         "A row without a number has a state."),
    Turn(r"\breference lot\b|\bthe middle lot\b", "typical lot", "What the reference lot of a cell has."),
    Turn(r"(?<!there )\b(?:is|are) no (?!longer\b|more\b|drought\b|less\b)(?=[a-zA-Z])", "is not a",
         "The file is no table of surveys."),
    Turn(r"\bworked out\b", "computed", "The tolerance was stated before the figures were worked out."),
    Turn(r"\bput to (?:the lots|both runs|a later run|another run)\b", "applied to",
         "A calibration put to the lots of a run."),
    Turn(r"\b(?:are|is|be) let go\b", "dropped, or freed", "All other columns are let go at the door."),
    Turn(r"\b(?:hand|hands|handed|handing) (?:on|over|out)\b", "return, or pass on", "What the soil stage hands on."),
    Turn(r"\b(?:is|are|was|were) passed over\b", "skipped", "Lots without a shape are passed over."),
    Turn(r"\bcome by\b|\bcame by\b", "obtained", "How the printed value was come by."),
    Turn(r"\b(?:goes?|called) by (?:another|the|one|other) names?\b|\bcalled otherwise\b|\bwritten otherwise\b",
         "has another name", "The list's column, where it is called otherwise."),
    Turn(r"\bbeside (?:ours|each other|the (?:model|run|file|estimate|code|table|driver|reference)(?:'s)?)\b",
         "next to, together with, or compared with", "Published and exact values beside ours."),
    Turn(r"\bclosed[- ]forms?\b", "exact solution", "Published and closed-form values."),
    Turn(r"\bif wanted\b", "optional", "Columns: lot_id; if wanted source and block."),
    Turn(r"\bask(?:s|ed)? (?:no|any|another|no other|any other) host\b", "contacts no host",
         "The map asks no host for anything."),
    Turn(r"\bwhole or not at all\b", "complete or not at all", "One new run folder, whole or not at all."),
    Turn(r"\bthe (?:one|only) home of\b|\bhave their home\b|\bread from its one home\b", "is defined only here",
         "This is the one home of the ranges."),
    Turn(r"\bthe trade\b(?! facts)", "practitioners; for a source, practice", "What the trade says of slabs."),
    Turn(r"\bany number gives the same\b", "the result does not depend on it",
         "Threads; any number gives the same result."),
    Turn(r"\bfour fifths of\b", "80 % of the model runs", "They hold four fifths of that range."),
    Turn(r"\bin what is not known\b", "gaps in the data", "-0.2 in what is not known."),
    Turn(r"\b[Ee]xpected bending (?:by|in)\b|\b[Ll]argest (?:by|from now)\b",
         "the name in telling.NAMES: largest bending from now to October 2026", "Expected bending by October 2026"),
    Turn(r"\byardsticks?\b", "figure for comparison", "A steady yardstick for a slab."),
    Turn(r"\bweaker still\b|\bweakest source\b", "least reliable", "The weakest source in its last months."),
    Turn(r"\bcame out at\b|\bwhat (?:it|they) (?:is|are) come to\b", "is", "The estimate came out at 12 mm."),
)

# (file, a part of the text, the turn that it would break) -> why it may stay
EXCEPTIONS = {
    ("riskmap/evidence/constants_sources.py", "usual in the trade", "the trade"):
        "the definition of the source `practice`, which readers of the table know by these words",
    ("riskmap/outputs/lot_text.py", "a reference lot here: ", "reference lot"):
        "a text in runs of former versions, which is read and not shown",
}


@cache
def modules() -> tuple[tuple[str, str, list[ast.AST]], ...]:
    """Every module of the program, the example and the notebooks: its file, its text and its nodes, parsed once."""
    paths = [*(ROOT / "riskmap").rglob("*.py"), *(ROOT / "layers").rglob("*.py"), *(ROOT / "notebooks").glob("*.py")]
    texts = ((path.relative_to(ROOT).as_posix(), path.read_text(encoding="utf-8")) for path in sorted(paths))
    return tuple((name, text, nodes_of(text)) for name, text in texts)


def nodes_of(text: str) -> list[ast.AST]:
    """Return the nodes of a module that can have a docstring, and its strings."""
    return [node for node in ast.walk(ast.parse(text)) if isinstance(node, (*WITH_DOCSTRING, ast.JoinedStr))
            or (isinstance(node, ast.Constant) and isinstance(node.value, str | bytes))]


def is_help(node: ast.AST) -> bool:
    """Whether click shows the docstring of a function as help."""
    marks = [mark.func if isinstance(mark, ast.Call) else mark for mark in getattr(node, "decorator_list", [])]
    return any(isinstance(mark, ast.Attribute) and mark.attr in HELP for mark in marks)


def docstrings() -> Iterator[Text]:
    """Every docstring that is not help."""
    for name, _, nodes in modules():
        for node in nodes:
            if isinstance(node, WITH_DOCSTRING) and not is_help(node) and (words := ast.get_docstring(node)):
                yield Text(name, node.body[0].lineno, prose(words))


def comments() -> Iterator[Text]:
    """Every comment; those in consecutive lines are one text."""
    for name, text, nodes in modules():
        inside: dict[int, list[tuple[int, int]]] = {}
        for node in nodes:
            if isinstance(node, ast.Constant | ast.JoinedStr):
                for line in range(node.lineno, node.end_lineno + 1):
                    first = node.col_offset if line == node.lineno else 0
                    last = node.end_col_offset if line == node.end_lineno else 10**6
                    inside.setdefault(line, []).append((first, last))
        begun, words = 0, []
        for number, line in enumerate([*text.split("\n"), ""], 1):
            place = comment_of(line, inside.get(number, []))
            own = place >= 0 and not line[:place].strip()
            if words and not own:
                yield Text(name, begun, prose("\n".join(words)))
                words = []
            if own:
                begun = begun if words else number
                words.append(line[place:].lstrip("#: "))
            elif place >= 0:
                yield Text(name, number, prose(line[place:].lstrip("#: ")))


def comment_of(line: str, inside: list[tuple[int, int]]) -> int:
    """Return where the comment of a line begins, -1 without one; `inside` are the bytes that lie in strings."""
    place = line.find("#")
    while place >= 0:
        at = len(line[:place].encode())
        if not any(first <= at < last for first, last in inside):
            return place
        place = line.find("#", place + 1)
    return -1


def helps() -> Iterator[Text]:
    """Every docstring that is help of a command."""
    for name, _, nodes in modules():
        for node in nodes:
            if isinstance(node, WITH_DOCSTRING) and is_help(node) and (words := ast.get_docstring(node)):
                yield Text(name, node.body[0].lineno, prose(words))


def messages() -> Iterator[Text]:
    """Every text of the code with more than two words that is no docstring: messages, words of pages, meanings."""
    for name, _, nodes in modules():
        documents = {id(node.body[0].value) for node in nodes if isinstance(node, WITH_DOCSTRING) and node.body
                     and isinstance(node.body[0], ast.Expr)}
        inside = {id(part) for node in nodes if isinstance(node, ast.JoinedStr) for part in node.values}
        for node in nodes:
            if id(node) in documents or id(node) in inside:
                continue
            if isinstance(node, ast.JoinedStr):
                words = "".join(part.value if isinstance(part, ast.Constant) else "`x`" for part in node.values)
            elif isinstance(node, ast.Constant) and isinstance(node.value, str):
                words = node.value
            else:
                continue
            if len(words.split()) > 2:
                yield Text(name, node.lineno, prose(words))


def codes() -> Iterator[Text]:
    """Every meaning and remedy of a message code."""
    file = "riskmap/common/codes.toml"
    for code, entry in tomllib.loads((ROOT / file).read_text(encoding="utf-8")).items():
        for words in entry.values():
            yield Text(f"{file} {code}", 0, prose(str(words)))


def documents() -> Iterator[Text]:
    """Every paragraph of the documents, and of the notebooks' text; code and tables' figures left out."""
    for path in [ROOT / "README.md", ROOT / "CHANGELOG.md", ROOT / "DEVELOPERS.md", ROOT / "layers" / "README.md",
                 *sorted((ROOT / "notebooks").glob("*.md"))]:
        content = re.sub(r"(?ms)^```.*?^```|^(?:    |\t).*?$", "", path.read_text(encoding="utf-8"))
        for words in re.split(r"\n\s*\n|\n(?=[-|#])", content):
            yield Text(path.relative_to(ROOT).as_posix(), 0, prose(words))
    for path in sorted((ROOT / "notebooks").glob("*.ipynb")):
        for cell in json.loads(path.read_text(encoding="utf-8"))["cells"]:
            if cell["cell_type"] == "markdown":
                yield Text(path.relative_to(ROOT).as_posix(), 0, prose("".join(cell["source"])))


def pages() -> Iterator[Text]:
    """Every text of the pages with more than two words: strings and comments of their scripts, skeletons, paper."""
    for path in sorted((ROOT / "riskmap").rglob("*")):
        if path.suffix not in (".js", ".html", ".typ") or "vendor" in path.parts:
            continue
        content, name = path.read_text(encoding="utf-8"), path.relative_to(ROOT).as_posix()
        if path.suffix == ".html":
            found = re.sub(r"(?s)<(style|script)\b.*?</\1>|<[^>]*>", "\n", content).split("\n")
        else:
            found = [next(filter(None, one), "") for one in
                     re.findall(r'"([^"\n]*)"|`([^`]*)`|//([^\n]*)', content)]
        for words in found:
            if len(words.split()) > 2:
                yield Text(name, 0, prose(words))


def prose(words: str) -> str:
    """Return a text on one line without what is code: examples with their output, names in backticks, parameters."""
    kept, example = [], False
    for line in words.split("\n"):
        example = line.strip() != "" and (example or line.lstrip().startswith(">>>"))
        if not example and not re.fullmatch(r"\s*[\w*`, ]+ : .*", line):
            kept.append(line)
    return re.sub(r"\s+", " ", re.sub(r"`[^`]*`", "`x`", "\n".join(kept)))


TEXTS: dict[str, Callable[[], Iterator[Text]]] = {
    "docstrings": docstrings, "comments": comments, "help": helps, "messages": messages, "codes": codes,
    "documents": documents, "pages": pages}
COMPILED = [(re.compile(turn.pattern), turn) for turn in OLD_TURNS]  # looked for in small letters: three times as fast


def refused(text: Text) -> Iterator[tuple[str, Turn]]:
    """Yield each old turn in a text with the words around it."""
    small = text.words.lower()
    for pattern, turn in COMPILED:
        for found in pattern.finditer(small):
            yield text.words[max(0, found.start() - 40):found.end() + 40], turn


def excepted(text: Text, turn: Turn) -> list[tuple[str, str, str]]:
    """Return the exceptions that let a turn stay in a text."""
    return [key for key in EXCEPTIONS if key[0] == text.file and key[1] in text.words
            and re.search(turn.pattern, key[2])]


def test_no_old_turn_comes_back() -> None:
    wrong, read, used = [], dict.fromkeys(TEXTS, 0), set()
    for kind, texts in TEXTS.items():
        for text in texts():
            read[kind] += 1
            for around, turn in refused(text):
                if keys := excepted(text, turn):
                    used.update(keys)
                else:
                    wrong.append(f"{text.file}:{text.line} ({kind}): '{around}': write {turn.instead}")
    assert not wrong, "\n".join(wrong)
    assert used == set(EXCEPTIONS), "an exception that nothing needs"
    assert read["docstrings"] > 2000, read
    assert read["comments"] > 900, read
    assert read["messages"] > 1500, read
    assert read["codes"] > 800, read
    assert read["documents"] > 1000, read
    assert read["pages"] > 150, read
    assert read["help"] > 12, read


def test_each_old_turn_is_seen() -> None:
    """Each turn is planted in a docstring and in a comment, and is found in both."""
    def check(turn: Turn) -> None:
        for words in (turn.sample, f"Return the table.\n\nNotes\n-----\n{turn.sample}"):
            assert turn in [one for _, one in refused(Text("a.py", 1, prose(words)))]

    check_each(OLD_TURNS, check)


def test_better_words_pass() -> None:
    for words in ("The map is in the table, next to the other one.", "A house stands on this land.", "It cannot tell.",
                  "This tells rows apart.", "Median over the model runs.", "The middle of the slab rises.",
                  "One row per lot.", "There is no lot with this id.", "It is no longer used.", "It carries out a run.",
                  "`told`, `stands` and `holds` are names.", ">>> lot.told\n'it stands in the row'"):
        assert list(refused(Text("a.py", 1, prose(words)))) == [], words


def test_comments_and_docstrings_are_found(monkeypatch: pytest.MonkeyPatch) -> None:
    code = '"""One."""\nA = "# no comment"  # two\n# three\n#: four\n\n\ndef f():\n'
    code += '    """Five `x`."""\n    return f"# {A}"\n'
    code += '@cli.command("g")\ndef g():\n    """Help."""\n'
    monkeypatch.setattr("test_old_turns.modules", lambda: (("m.py", code, nodes_of(code)),))
    assert [text.words for text in comments()] == ["two", "three four"]
    assert [text.words for text in docstrings()] == ["One.", "Five `x`."]
