"""Assembles a page: one script from its modules, its styles, and the policy that names its scripts.

A page that is opened from disk cannot load modules, so they are joined into one classic script. The rule is strict, so
that one pass over plain text is enough: imports come first and name what they import, an export is the word before a
declaration, and a declaration at the top of a module makes one name. What breaks the rule is refused.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from riskmap.outputs import palette, typeface

ASSETS = Path(__file__).parent / "assets"
VENDOR = "shared/vendor"
STYLES = {"map": ("shared/page.css",), "county": ("shared/page.css", "county/county.css")}
ENTRY = "main.js"  # the module of a page's folder from which the others are reached

_IMPORT = re.compile(r'^import \{([\w$,\s]*)\} from "(\.{1,2}/[\w./-]+\.js)";\n', flags=re.M)
_TOP = re.compile(r"^(export )?(?:async function\*?|function\*?|class|const|let|var)\s+([\w$]+)", flags=re.M)
_EXPORT_WORD = re.compile(r"^export (?=(?:async function|function|class|const|let) [\w$]+)", flags=re.M)
_LIST = re.compile(r"^(?:export )?(?:const|let|var)\b.*?(?=^\S|\Z)", flags=re.M | re.S)
_TEXTS = re.compile(r'"(?:\\.|[^"\\\n])*"|\'(?:\\.|[^\'\\\n])*\'|`(?:\\.|[^`\\])*`|//[^\n]*|/\*.*?\*/'
                    r"|(?:(?<=[=(,:?|&]\s)|(?<=[(=,!]))/(?:\\.|\[(?:\\.|[^\]\\\n])*\]|[^/\\\n])+/", flags=re.S)


class PageError(ValueError):
    """A module of a page breaks the rule by which modules are joined."""


@dataclass(frozen=True)
class Module:
    """One module: the modules and names that it imports, the names that it makes, and its text without the words.

    Attributes
    ----------
    name : str
        Path below the folder of assets.
    imports : tuple of (str, tuple of str)
        Name of the other module and what is taken from it, in the order of the text.
    tops : tuple of str
        Names made at the top of the module.
    exports : frozenset of str
        Those that others may import.
    text : str
        The module as part of a classic script.
    """

    name: str
    imports: tuple[tuple[str, tuple[str, ...]], ...]
    tops: tuple[str, ...]
    exports: frozenset[str]
    text: str


def module(name: str, assets: Path = ASSETS) -> Module:
    """Read one module.

    Parameters
    ----------
    name : str
        Path below the folder of assets, such as `map/main.js`.
    assets : Path
        The folder of assets.

    Raises
    ------
    PageError
        When the module does not exist or breaks the rule.
    """
    path = (assets / name).resolve()
    if assets.resolve() not in path.parents or not path.is_file():
        raise PageError(f"{name}: there is no such module")
    whole = path.read_text(encoding="utf-8")
    if re.search(r"</script|<!--", whole, flags=re.I):
        raise PageError(f"{name}: the text would end the script of the page")
    imports = tuple((_other(path, where, assets), tuple(part.strip() for part in names.split(",") if part.strip()))
                    for names, where in _IMPORT.findall(whole))
    text = _IMPORT.sub("", whole)
    tops = [(bool(exported), top) for exported, top in _TOP.findall(text)]
    _refuse_lists(name, text)
    text = _EXPORT_WORD.sub("", text)
    left = re.search(r"\b(?:import|export)\b[^\n]*", _without_texts(text))
    if left:
        raise PageError(f"{name}: “{left.group().strip()}” is not an import or export of the form that can be joined")
    return Module(name, imports, tuple(top for _, top in tops), frozenset(top for out, top in tops if out), text)


def _other(path: Path, where: str, assets: Path) -> str:
    other = (path.parent / where).resolve()
    if assets.resolve() not in other.parents or not other.is_file():
        raise PageError(f"{path.relative_to(assets.resolve()).as_posix()} imports {where}: there is no such module")
    return other.relative_to(assets.resolve()).as_posix()


def _without_texts(text: str) -> str:
    return _TEXTS.sub(" ", text)


def _refuse_lists(name: str, text: str) -> None:
    """Refuse `const a = 1, b = 2` and `const {a} = b` at the top, because the second name would not be noticed."""
    for statement in _LIST.findall(_without_texts(text)):
        depth = 0
        for sign in statement:
            depth += (sign in "([{") - (sign in ")]}")
            if sign == "," and depth == 0:
                raise PageError(f"{name}: “{statement.splitlines()[0]}” makes more than one name in one statement")
        if not _TOP.match(statement):
            raise PageError(f"{name}: “{statement.splitlines()[0]}” takes a value apart at the top of the module")


def modules(entry: str, assets: Path = ASSETS) -> list[Module]:
    """Return the modules of a page, each after those that it imports, as a browser would run them.

    Parameters
    ----------
    entry : str
        Path of the page's first module below the folder of assets.
    assets : Path
        The folder of assets.

    Raises
    ------
    PageError
        When modules import each other in a circle, a name is not exported, or two modules make the same name.
    """
    done: dict[str, Module] = {}
    _reach(entry, assets, (), done)
    makers: dict[str, str] = {}
    for one in done.values():
        for top in one.tops:
            if top in makers:
                raise PageError(f"{makers[top]} and {one.name} both make the name {top}")
            makers[top] = one.name
        for other, names in one.imports:
            for name in names:
                if name not in done[other].exports:
                    raise PageError(f"{one.name} imports {name}, which {other} does not export")
    return list(done.values())


def _reach(name: str, assets: Path, way: tuple[str, ...], done: dict[str, Module]) -> None:
    if name in way:
        circle = " imports ".join((*way[way.index(name):], name))
        raise PageError(f"modules import each other in a circle: {circle}")
    if name in done:
        return
    one = module(name, assets)
    for other, _ in one.imports:
        _reach(other, assets, (*way, name), done)
    done[name] = one


def script(page: str, assets: Path = ASSETS) -> str:
    """Return the script of a page: its modules inside one function, so that none of it is global.

    Parameters
    ----------
    page : str
        Folder of the page below the folder of assets.
    assets : Path
        The folder of assets.
    """
    parts = [one.text for one in modules(f"{page}/{ENTRY}", assets)]
    return '(function () {\n"use strict";\n' + "\n".join(parts) + "})();"


def vendored() -> str:
    """Return the script of the map library as it was published, except for the address of its source map."""
    return re.sub(r"//# sourceMappingURL=.*", "", asset(f"{VENDOR}/leaflet.js"))


def styles(page: str) -> str:
    """Return the styles of a page as elements: those of the map library first; without pictures, which no page uses."""
    texts = [re.sub(r"url\([^)]*\)", "none", asset(f"{VENDOR}/leaflet.css")), typeface.css() + "\n",
             palette.css() + "\n", *(asset(name) for name in STYLES[page])]
    return "\n".join(f"<style>\n{text}</style>" for text in texts)


def inline(scripts: Sequence[str]) -> str:
    """Return scripts as elements."""
    return "\n".join(f"<script>{script}</script>" for script in scripts)


def policy(scripts: Sequence[str], pictures_host: str | None = None, *, reads_beside: bool = False) -> str:
    """Return the content policy of a page.

    Parameters
    ----------
    scripts : sequence of str
        The only scripts that may run, each named by its hash.
    pictures_host : str, optional
        The only host from which pictures may come.
    reads_beside : bool
        Whether the page may read the file next to it from its own server.
    """
    hashes = " ".join(f"'sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()}'"
                      for script in scripts)
    pictures = f" https://{pictures_host}" if pictures_host else ""
    connect = "connect-src 'self'; " if reads_beside else ""
    return (f"default-src 'none'; img-src data:{pictures}; style-src 'unsafe-inline'; font-src data:; "
            f"script-src {hashes}; {connect}base-uri 'none'; form-action 'none'")


def asset(name: str) -> str:
    """Return the text of a file below the folder of assets."""
    return (ASSETS / name).read_text(encoding="utf-8")
