"""The typeface: its files are those that were made, have the characters and widths wanted, and reach every page."""

from __future__ import annotations

import base64
import hashlib
import re
from pathlib import Path

import pytest
from fontTools.ttLib import TTFont

from riskmap.outputs import html_page, typeface
from riskmap.outputs.map import page_build

PACKAGE = Path(page_build.__file__).parents[2]
# Written again here: what texts of the products need, not what the script that makes the subset says.
SIGNS = "−±≥≤×°½¼¾⅓⅔⅛–—…→←↑↓▲▼✓‹›″′≈√²³●○◆“”‘’"
ABSENT = {0xAD, 0x149}  # soft hyphen and ŉ are not in Inter
MOST_BYTES = 60_000  # of both WOFF2 files: judgement


@pytest.fixture(scope="module", params=list(typeface.WEIGHTS))
def font(request: pytest.FixtureRequest) -> TTFont:
    return TTFont(typeface.ttf(request.param))


def test_the_files_are_those_that_were_made() -> None:
    listed = dict(reversed(line.split("  ")) for line in (typeface.PLACE / typeface.SUMS).read_text().splitlines())
    assert {*listed, typeface.SUMS} == {path.name for path in typeface.PLACE.iterdir()}
    assert len(listed) == 5
    for name, digest in listed.items():
        assert hashlib.sha256((typeface.PLACE / name).read_bytes()).hexdigest() == digest, name


def test_the_licence_of_the_source_is_beside_the_fonts_and_named_in_them(font: TTFont) -> None:
    text = (typeface.PLACE / "LICENSE-riskmap-sans").read_text(encoding="utf-8")
    assert "SIL Open Font License, Version 1.1" in text
    assert "The Inter Project Authors" in text
    assert "Reserved Font Name" not in text.split("PREAMBLE")[0]
    assert "SIL Open Font License, Version 1.1" in font["name"].getDebugName(13)
    assert "The Inter Project Authors" in font["name"].getDebugName(0)
    assert [font["name"].getDebugName(k).startswith("Riskmap") for k in (1, 4, 6)] == [True] * 3
    assert font["OS/2"].fsType == 0  # may be embedded


def test_the_characters_wanted_are_there(font: TTFont) -> None:
    wanted = ({*range(0x20, 0x7F), *range(0xA0, 0x180)} | {ord(sign) for sign in SIGNS}) - ABSENT
    assert "".join(map(chr, sorted(wanted - font.getBestCmap().keys()))) == ""
    assert not ABSENT & font.getBestCmap().keys()  # when they come, the script may stop leaving them out


def test_all_figures_and_signs_have_one_width(font: TTFont) -> None:
    glyphs = font.getBestCmap()
    assert len({font["hmtx"][glyphs[ord(sign)]][0] for sign in "0123456789+−±"}) == 1
    assert len({font["hmtx"][glyphs[ord(sign)]][0] for sign in ".,"}) == 1
    assert len({font["hmtx"][glyphs[ord(sign)]][0] for sign in "iIlm"}) > 1  # it is no face of one width


def test_no_hints_are_in_it(font: TTFont) -> None:
    assert not {"fpgm", "prep", "cvt "} & set(font.keys())


def test_both_weights_take_few_bytes_in_a_page() -> None:
    assert sum(path.stat().st_size for path in typeface.PLACE.glob("*.woff2")) < MOST_BYTES
    rules = re.findall(r'@font-face\{font-family:"Riskmap Sans";font-weight:(\d+);.*?base64,([\w+/=]+)\)',
                       typeface.css())
    assert [weight for weight, _ in rules] == ["400", "700"]
    for (_, inside), weight in zip(rules, typeface.WEIGHTS, strict=True):
        assert base64.b64decode(inside) == (typeface.PLACE / f"RiskmapSans-{weight}.woff2").read_bytes()


def test_every_page_has_the_fonts_in_it_and_may_use_them(tmp_path: Path) -> None:
    pages = [path for path in sorted(PACKAGE.rglob("*.html"))
             if path.read_text(encoding="utf-8").lower().startswith("<!doctype html>")]
    assert len(pages) >= 5
    for path in pages:
        text = path.read_text(encoding="utf-8")
        if "$styles" in text:
            assert typeface.css() in page_build.styles(path.parent.name)
            assert "font-src data:" in page_build.policy([])
        else:
            assert "<style>$fonts\n" in text, path.name
            policy = page_build.policy([]) if 'content="$policy"' in text else text
            assert "font-src data:" in policy, path.name
    skeleton = tmp_path / "page.html"
    skeleton.write_text("<style>$fonts</style>$name", encoding="utf-8")
    assert html_page.filled(skeleton, {"name": "a"}) == f"<style>{typeface.css()}</style>a"


SIZES = {"12px", "14px", "16px", "20px", "28px", "40px", ".75rem", ".875rem", "1rem", "1.25rem", "1.75rem", "2.5rem",
         "7pt", "8pt", "9pt", "11pt", "28pt"}  # the scale of screen and of print
ROUND = {"18px"}  # the text of the round, which is read at arm's length out of doors


def test_sizes_and_weights_of_pages_are_those_of_the_scale() -> None:
    seen = 0
    for path in sorted(path for path in PACKAGE.rglob("*") if path.suffix in (".css", ".html")):
        if path.parent.name == "vendor":
            continue
        text = path.read_text(encoding="utf-8")
        sizes = re.findall(r"font-size:\s*([^;}]+)", text)
        sizes += re.findall(r"font:(?! inherit|inherit)[^;}/]*?([\d.]+\w+)/", text)
        assert set(map(str.strip, sizes)) <= SIZES | (ROUND if path.name == "round.css" else set()), path.name
        assert set(re.findall(r"font-weight:\s*(\w+)", text)) <= {"normal", "bold", "400", "700"}, path.name
        assert not re.search(r"Georgia|Times New Roman", text), path.name
        seen += len(sizes)
    assert seen > 25
