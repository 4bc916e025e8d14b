"""Colours are written in one module, and what each hue means is in one table that this test keeps."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from riskmap.outputs import palette

ROOT = Path(__file__).resolve().parents[2]
HOME = ROOT / "riskmap" / "outputs" / "palette.py"
KINDS = {".py", ".js", ".css", ".html", ".typ", ".ipynb", ".qml", ".sld", ".svg"}
# names that the drawing programs know, where one is given as a colour
NAMED = r"(?:white|black|gr[ae]y|red|blue|green|brown|orange|yellow|purple|tab:\w+)"
LITERALS = {
    "a number": re.compile(r"(?<![\w&])#(?:[0-9a-fA-F]{8}|[0-9a-fA-F]{6}|[0-9a-fA-F]{3,4})(?![\w-])"),
    "a function": re.compile(r"\b(?:rgba?|hsla?|luma|cmyk|oklch|oklab)\(\s*[\d\"]"),
    "a name": re.compile(r"(?:colou?r|fill|stroke|background|facecolor|edgecolor|c)\s*[=:]\s*\\?[\"']?"
                         rf"{NAMED}\b(?!\()"),
    "a shade": re.compile(r"color=\\?[\"'](?:0?\.\d+|C\d)\\?[\"']"),
}


def sources() -> Iterator[Path]:
    for folder in ("riskmap", "layers", "notebooks"):
        for path in sorted((ROOT / folder).rglob("*")):
            if path.suffix in KINDS and path != HOME and not {"vendor", "__pycache__"} & set(path.parts):
                yield path


def found(text: str) -> list[tuple[int, str, str]]:
    return [(number, kind, hit.group()) for number, line in enumerate(text.splitlines(), 1)
            for kind, pattern in LITERALS.items() for hit in pattern.finditer(line)]


def test_no_colour_is_written_elsewhere() -> None:
    files = list(sources())
    assert len(files) > 300
    wrong = {str(path.relative_to(ROOT)): hits for path in files if (hits := found(path.read_text(encoding="utf-8")))}
    assert not wrong


def test_the_search_finds_colours() -> None:
    for line in ('fill="#b85c28"', "background:#fff;", 'rgb("#4d4d4d")', "rgba(255, 255, 255, 0.8)", "luma(160)",
                 'facecolor=\\"white\\"', "color: red;", 'color=\\"0.6\\"', 'color="C1"', "fill: white))"):
        assert found(line), line
    for line in ("var(--ink)", "#lots li.active {", "rgb(l.at(7))", "palette.INK", "# 255 values",
                 "&#13;", "rgb(data.colors.soft)"):
        assert not found(line), line


def test_home_has_every_colour_once_per_meaning() -> None:
    """No product hands a colour on under a second name of its own."""
    text = HOME.read_text(encoding="utf-8")
    assert len(re.findall(r"#[0-9a-f]{6}", text)) > 60
    assert set(re.findall(r'"(#[0-9a-f]{6})"', text)) >= {*palette.SIZE, *palette.BENDING, *palette.PAGE.values()}


def test_pages_read_properties_that_exist() -> None:
    used: set[str] = set()
    for path in sources():
        if path.suffix in (".css", ".html", ".js"):
            text = path.read_text(encoding="utf-8")
            used |= set(re.findall(r"var\(--([a-z]+)\)", text))
            assert set(re.findall(r"about\.ui\.(\w+)", text)) <= set(palette.page_colors()), path
    assert used <= set(palette.PAGE)
    assert {"ink", "paper", "wet", "dry", "range", "ground"} <= used
    assert all(f"--{name}:{color};" in palette.css() for name, color in palette.PAGE.items())


def test_the_table_says_what_every_hue_means() -> None:
    """layers/README.md, "Colours": one row per ramp with its colours, as they are in the one home."""
    text = (ROOT / "layers" / "README.md").read_text(encoding="utf-8")
    part = text.split("\n## Colours\n", 1)[1].split("\n## ", 1)[0]
    rows = re.findall(r"^\| (.+?) \| (.+?) \| (.+?) \|$", part, flags=re.M)
    told = {tuple(re.findall(r"#[0-9a-f]{6}", colors)): hue for hue, _, colors in rows if "#" in colors}
    wanted = {palette.SIZE, palette.SHARE, palette.BENDING, palette.CHANGE, palette.WEATHER, palette.SOIL, palette.AGE,
              palette.KNOWN, palette.DROUGHT, (palette.INK, palette.PAPER), (palette.GROUND,)}
    assert set(told) == wanted
    hues = list(told.values())
    assert len(set(hues)) == len(hues)  # one hue, one meaning
