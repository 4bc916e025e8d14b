"""Modules of a page become one script: in the order of their imports, and nothing that breaks the rule gets through."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from riskmap.outputs import html_page
from riskmap.outputs.map import page_build

PROJECT = Path(__file__).resolve().parents[3]
PAGES = ("map", "county")
LINTER = shutil.which("oxlint", path=str(Path(sys.executable).parent)) or shutil.which("oxlint")


def folder(tmp_path: Path, **texts: str) -> Path:
    """Write modules of a page `p`; `__` in a name means a folder."""
    for name, text in texts.items():
        path = tmp_path / f"{name.replace('__', '/')}.js"
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return tmp_path


def test_each_module_stands_once_and_after_those_it_imports(tmp_path: Path) -> None:
    assets = folder(
        tmp_path, p__main='import { b } from "./b.js";\nimport { c } from "../s/c.js";\nb(c);\n',
        p__b='// of b\nimport {\n  c, d,\n} from "../s/c.js";\n\nexport function b(x) {\n  return c + d + x;\n}\n',
        s__c="export const c = 1;\nexport let d = 2;\nconst e = [c, d];\nd = e[0];\n")
    assert page_build.script("p", assets) == (
        '(function () {\n"use strict";\nconst c = 1;\nlet d = 2;\nconst e = [c, d];\nd = e[0];\n\n'
        "// of b\n\nfunction b(x) {\n  return c + d + x;\n}\n\nb(c);\n})();")


@pytest.mark.parametrize(("texts", "said"), [
    ({"p__main": 'import { a } from "./a.js";\na();\n',
      "p__a": 'import { b } from "./main.js";\nexport const a = b;\n'},
     "circle: p/main.js imports p/a.js imports p/main.js"),
    ({"p__main": 'import { a } from "./main.js";\na();\n'}, "circle: p/main.js imports p/main.js"),
    ({"p__main": 'import { a } from "./a.js";\na();\n', "p__a": "const a = 1;\n"},
     "p/main.js imports a, which p/a.js does not export"),
    ({"p__main": 'import { a } from "./a.js";\na();\n'}, r"p/main.js imports ./a.js: there is no such module"),
    ({"p__main": 'import { a } from "../../a.js";\na();\n'}, "there is no such module"),
    ({"p__main": 'import { a } from "./a.js";\nfunction b() {}\na();\n',
      "p__a": "export const a = 1;\nasync function b() {}\n"},
     "p/a.js and p/main.js both make the name b"),
    ({"p__main": "class a {}\nconst a = 1;\n"}, "both make the name a"),
    ({"p__main": "const a = 1, b = 2;\n"}, "more than one name"),
    ({"p__main": "let a,\n  b;\n"}, "more than one name"),
    ({"p__main": "const { a } = window;\n"}, "takes a value apart"),
    ({"p__main": "export default function a() {}\n"}, "can be joined"),
    ({"p__main": "const a = 1;\nexport { a };\n"}, "can be joined"),
    ({"p__main": 'export * from "./a.js";\n', "p__a": ""}, "can be joined"),
    ({"p__main": 'import a from "./a.js";\n', "p__a": ""}, "can be joined"),
    ({"p__main": 'import * as a from "./a.js";\n', "p__a": ""}, "can be joined"),
    ({"p__main": 'import { a as b } from "./a.js";\n', "p__a": "export const a = 1;\n"},
     "can be joined|does not export"),
    ({"p__main": 'import "./a.js";\n', "p__a": ""}, "can be joined"),
    ({"p__main": 'import { a } from "https://example.org/a.js";\n'}, "can be joined"),
    ({"p__main": '  import { a } from "./a.js";\n', "p__a": "export const a = 1;\n"}, "can be joined"),
    ({"p__main": 'const a = import("./a.js");\n'}, "can be joined"),
    ({"p__main": "const a = import.meta.url;\n"}, "can be joined"),
    ({"p__main": 'const a = "</Script>";\n'}, "end the script"),
    ({"p__main": 'const a = "<!--";\n'}, "end the script"),
])
def test_what_breaks_the_rule_is_refused(tmp_path: Path, texts: dict[str, str], said: str) -> None:
    with pytest.raises(page_build.PageError, match=said):
        page_build.script("p", folder(tmp_path, **texts))


def test_texts_and_commas_within_do_not_count_against_a_module(tmp_path: Path) -> None:
    text = ('// import what you like, export it\nconst a = "x, import { b } from c";\n'
            "const b = f(1, [2, 3], { c: 4, d: 5 });\n"
            "const c = /[,(]/g;\nconst d = `e, export`;\nconst e = (g, h) => g.replace(/[{,]/g, h);\n")
    assert text in page_build.script("p", folder(tmp_path, p__main=text))


@pytest.mark.parametrize("page", PAGES)
def test_no_word_of_a_module_is_left_in_a_page(page: str) -> None:
    script = page_build.script(page)
    assert not re.search(r"^\s*(import|export)\b", script, flags=re.M)
    assert script.startswith('(function () {\n"use strict";\n')
    assert script.endswith("})();")


def test_every_module_is_reached_and_every_export_is_taken() -> None:
    reached = {one.name: one for page in PAGES for one in page_build.modules(f"{page}/main.js")}
    there = {path.relative_to(page_build.ASSETS).as_posix() for path in page_build.ASSETS.rglob("*.js")
             if path.parent.name != "vendor"}
    assert set(reached) == there
    taken = {(other, name) for one in reached.values() for other, names in one.imports for name in names}
    assert {(one.name, name) for one in reached.values() for name in one.exports} == taken


def test_no_page_has_a_folder_of_another() -> None:
    for page in PAGES:
        assert {one.name.split("/")[0] for one in page_build.modules(f"{page}/main.js")} == {page, "shared"}


def test_no_module_makes_a_name_of_the_browser_that_another_means() -> None:
    lines = (PROJECT / ".oxlintrc.json").read_text(encoding="utf-8").splitlines()
    names = set(json.loads("".join(re.sub(r"(^|\s)//.*", "", line) for line in lines))["globals"])
    assert {"document", "L"} <= names
    for page in PAGES:
        assert names.isdisjoint(top for one in page_build.modules(f"{page}/main.js") for top in one.tops)


def lint(text_of: dict[str, str], tmp_path: Path, *options: str) -> subprocess.CompletedProcess[str]:
    """Run the linter on a copy of our modules in which some texts are exchanged."""
    assert LINTER, "the linter is not there"
    copy = tmp_path / "riskmap" / "outputs" / "map" / "assets"
    shutil.copytree(page_build.ASSETS, copy)
    shutil.copy(PROJECT / ".oxlintrc.json", tmp_path)
    for name, text in text_of.items():
        (copy / name).write_text(text, encoding="utf-8")
    return subprocess.run([LINTER, "--deny-warnings", *options, "-f", "unix", "riskmap"], cwd=tmp_path,
                          capture_output=True, text=True, check=False)


needs_linter = pytest.mark.skipif(
    LINTER is None and not os.environ.get("CI"), reason="the linter for JavaScript is not installed: NOT TESTED")


@needs_linter
def test_the_linter_passes_our_modules_and_reads_them_all(tmp_path: Path) -> None:
    done = lint({}, tmp_path)
    assert (done.returncode, done.stdout) == (0, "")


@needs_linter
def test_the_linter_finds_a_name_that_is_made_twice_in_the_joined_script(tmp_path: Path) -> None:
    whole = page_build.script("map").replace("})();", "function stripes() {}\n})();\n")
    done = lint({"map_whole.js": whole}, tmp_path, "-A", "no-shadow")
    assert done.returncode != 0
    assert "'stripes' is already defined" in done.stdout


@needs_linter
@pytest.mark.parametrize(("name", "more", "rule"), [
    ("map/main.js", "\nnowhere(1);\n", "no-undef"),
    ("shared/lot.js", "\nput(name);\n", "no-undef"),  # a name of the browser that nobody listed
    ("county/archive.js", "\nfunction nobody() {}\n", "no-unused-vars"),
    ("map/state.js", '\nimport { put } from "../shared/page.js";\n', "no-unused-vars"),
    ("map/list.js", '\nimport { nothing } from "./state.js";\nnothing();\n', "named"),
    ("map/draw.js", '\nimport { data } from "./state.js";\nstripes(data);\n', "no-cycle"),
])
def test_the_linter_finds_a_planted_mistake(tmp_path: Path, name: str, more: str, rule: str) -> None:
    done = lint({name: page_build.asset(name) + more}, tmp_path)
    assert done.returncode != 0
    assert rule in done.stdout
    assert name in done.stdout


@needs_linter
def test_the_joined_scripts_are_whole(tmp_path: Path) -> None:
    """No name is made twice and none is missing, also among those that no import or export names."""
    # an inner name may well be the name of another module's function: both were written apart
    done = lint({f"{page}_whole.js": page_build.script(page) + "\n" for page in PAGES}, tmp_path, "-A", "no-shadow")
    assert (done.returncode, done.stdout) == (0, "")


# ---------------------------------------------------------------- skeletons
def test_a_slot_takes_a_text_escaped_and_markup_as_it_is(tmp_path: Path) -> None:
    skeleton = tmp_path / "s.html"
    skeleton.write_text("<p title=\"$name\">$name</p>$rest\n", encoding="utf-8")
    made = html_page.filled(skeleton, {"name": "<b>\"'&$rest"}, {"rest": "<i>$name</i>"})
    told = "&lt;b&gt;&quot;&#x27;&amp;$rest"
    assert made == f'<p title="{told}">{told}</p><i>$name</i>'  # and what was put in is not read again


@pytest.mark.parametrize(("texts", "markup"), [({}, {}), ({"a": 1, "b": 2}, {}), ({"a": 1}, {"a": ""}), ({"b": 1}, {})])
def test_slots_and_values_must_agree(tmp_path: Path, texts: dict[str, object], markup: dict[str, str]) -> None:
    skeleton = tmp_path / "s.html"
    skeleton.write_text("$a", encoding="utf-8")
    with pytest.raises(ValueError, match=r"s\.html: slots and values differ in"):
        html_page.filled(skeleton, texts, markup)


def test_every_skeleton_says_its_policy_before_anything_that_runs() -> None:
    whole = [path for path in sorted((PROJECT / "riskmap").rglob("*.html"))
             if path.read_text(encoding="utf-8").lower().startswith("<!doctype html>")]
    assert len(whole) >= 4
    for path in whole:
        text = path.read_text(encoding="utf-8")
        assert text.count("Content-Security-Policy") == 1, path.name
        before = text[: text.index("Content-Security-Policy")]
        assert "$" not in before, path.name
        assert "<script" not in before, path.name
