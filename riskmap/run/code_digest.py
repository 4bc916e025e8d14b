"""Digests of the code that decides the estimates: what a stage imports, at any depth, and the libraries it uses.

Results are reused, runs are compared and workers are accepted only where these digests agree. A module counts when it
is imported at the top of a file or inside a function; imports only for type checking do not count. There is no list of
names that somebody must remember to extend: a module that cannot be found, a relative import, or an import whose name
is only known at run time (outside `FOLDERS`) is an error, not a gap.
"""

from __future__ import annotations

import ast
import hashlib
import sys
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path

from riskmap.common.errors import RiskmapError

PACKAGE = Path(__file__).parent.parent
ROOT = PACKAGE.name


@dataclass(frozen=True)
class Stage:
    """Where a digest begins.

    Attributes
    ----------
    follow : tuple of str
        Modules of the package that compute; everything they import counts too.
    alone : tuple of str
        Modules of which only their own text counts, because they pass tables on and import every stage.
    """

    follow: tuple[str, ...]
    alone: tuple[str, ...] = ()


# What decides the rows in `store` and every value of lots.parquet. Writers of other products are not followed.
STAGES: Mapping[str, Stage] = {
    "movement": Stage(("movement",), ("run.reuse", "run.store")),
    # what the papers on single lots add to it: the shape across a slab, and the scenario of cracked ground
    "papers": Stage(("movement.shape_now", "movement.if_cracked"), ("run.reuse", "run.store")),
    "soil": Stage(("soil",), ("run.reuse", "run.store", "run.part_tasks")),
    "estimate": Stage(("common.settings", "layers", "lots", "soil", "climate", "movement", "movement.archetypes",
                       "movement.growth", "estimates", "estimates.beside", "run.part_files", "outputs.files.rounding",
                       "outputs.files.arrow_lots", "outputs.files.geoparquet"),
                      ("run.flow", "run.kept_lots", "run.part_tasks", "run.reuse", "run.store", "run.workers")),
    # What a worker on another machine runs: the stages above and the writers of every product.
    "worker": Stage(("run.part_tasks", "run.reuse", "run.workers")),
}
# Modules that import whatever is in a folder: the whole folder counts.
FOLDERS = ("climate.indices",)
# Libraries whose installed name differs from the name that is imported.
_DISTRIBUTION = {"sklearn": "scikit-learn", "python_multipart": "python-multipart"}
# Libraries of an extra that pass tasks on and decide no value: they count only for the stage named here, and may be
# absent for the others. Otherwise nobody could estimate without them, and installing them would discard every result.
_CARRIERS = {"distributed": "worker"}
_RUN_TIME = ("import_module", "__import__", "exec_module", "run_module", "run_path", "exec", "eval")


class CodeDigestError(RiskmapError):
    """The code that decides the estimates cannot be read, so nothing can be called the same code."""


def code_digest(stage: str = "estimate") -> str:
    """Return a short digest of the code and libraries that decide the results of a stage of `STAGES`.

    Parameters
    ----------
    stage : str
        `estimate` covers everything that decides a value of `lots.parquet`.

    Raises
    ------
    CodeDigestError
        When a module that counts cannot be found or read.
    """
    return digest_bytes(stage).hex()[:16]


@cache
def digest_bytes(stage: str) -> bytes:
    """Return the whole digest of a stage, 32 bytes; it is computed once per process."""
    return digest_of(stage, PACKAGE)


def digest_of(stage: str, package: Path) -> bytes:
    """Return the digest of a stage of the package in a folder, 32 bytes."""
    from importlib import metadata

    files = reached(stage, package)
    digest = hashlib.sha256(repr(sys.version_info[:2]).encode())
    libraries: set[str] = set()
    for name, path in sorted(files.items()):
        content = _read(path)
        digest.update(name.encode() + b"\0" + hashlib.sha256(content).digest())
        libraries |= _imports(content, name).libraries
    for library in sorted(one for one in libraries if _CARRIERS.get(one, stage) == stage):
        try:
            digest.update(f"{library} {metadata.version(_DISTRIBUTION.get(library, library))}\n".encode())
        except metadata.PackageNotFoundError:
            raise CodeDigestError(f"E-RUN-070 the library {library} has no version to be found. Install riskmap with "
                                  "pip.") from None
    return digest.digest()


def reached(stage: str, package: Path = PACKAGE) -> dict[str, Path]:
    """Return the modules whose text counts for a stage, by dotted name below the package.

    Raises
    ------
    CodeDigestError
        When one of them cannot be found or read, or imports by a name that is only known at run time.
    """
    modules = _listed(package)
    modules_reached: dict[str, Path] = {}
    waiting = list(STAGES[stage].follow)
    while waiting:
        name = waiting.pop()
        if name in modules_reached or name in STAGES[stage].alone:
            continue
        modules_reached[name] = _module(name, modules)
        if not name:
            continue  # the package's own first file only loads commands when they are used
        imports = _imports(_read(modules_reached[name]), name)
        if imports.at_run_time and name not in FOLDERS:
            raise CodeDigestError(f"E-RUN-071 {ROOT}.{name} imports by a name that is only known at run time; nothing "
                                  "can be said to be the same code.")
        waiting += _parents(name)
        waiting += [_holder(name_imported, modules) for name_imported in imports.modules]
        if name in FOLDERS:
            waiting += [other for other in modules if other.startswith(f"{name}.")]
    return modules_reached | {name: _module(name, modules) for name in STAGES[stage].alone}


@dataclass(frozen=True)
class _Imports:
    """What one file imports when it runs."""

    # below the package: `soil.horizon`, or `soil.horizon.Horizon` where a name is imported from it
    modules: frozenset[str]
    libraries: frozenset[str]
    at_run_time: bool


@lru_cache(maxsize=1024)
def _imports(content: bytes, name: str) -> _Imports:
    modules: set[str] = set()
    libraries: set[str] = set()
    at_run_time = False
    try:
        nodes = list(_running(ast.parse(content)))
    except SyntaxError as error:
        raise CodeDigestError(f"E-RUN-072 {name}: is not Python that can be read ({error.msg}).") from None
    for node in nodes:
        names: Iterable[str] = ()
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            if node.level:
                raise CodeDigestError(f"E-RUN-073 {name}: a relative import; write the whole name.")
            names = [f"{node.module}.{alias.name}" for alias in node.names]
        elif isinstance(node, ast.Call):
            at_run_time |= _called(node.func) in _RUN_TIME
        for full in names:
            top, _, below = full.partition(".")
            if top == ROOT:
                modules.add(below)
            elif top not in sys.stdlib_module_names:
                libraries.add(top)
    return _Imports(frozenset(modules), frozenset(libraries), at_run_time)


def _called(function: ast.expr) -> str:
    """Return the last name of what is called: `c` of `a.b.c(...)`."""
    if isinstance(function, ast.Name):
        return function.id
    return function.attr if isinstance(function, ast.Attribute) else ast.unparse(function).rsplit(".", 1)[-1]


def _running(tree: ast.AST) -> Iterable[ast.AST]:
    """Yield every import and call except those below `if TYPE_CHECKING:`.

    Every command does this for a hundred files, so the loop goes through the nodes without a function call for each.
    """
    waiting: list[object] = [tree]
    while waiting:
        node = waiting.pop()
        kind = type(node)
        if kind is ast.Name or kind is ast.Constant:
            continue
        if kind is ast.Import or kind is ast.ImportFrom or kind is ast.Call:
            yield node  # type: ignore[misc]
        parts = vars(node)
        if kind is ast.If and isinstance(parts["test"], ast.Name | ast.Attribute) \
                and ast.unparse(parts["test"]) in ("TYPE_CHECKING", "typing.TYPE_CHECKING"):
            waiting += parts["orelse"]
            continue
        for part in parts.values():
            if type(part) is list:
                waiting += [one for one in part if isinstance(one, ast.AST)]
            elif isinstance(part, ast.AST):
                waiting.append(part)


def _parents(name: str) -> list[str]:
    """Return the packages that Python runs before a module: for `soil.horizon` these are `soil` and the package."""
    parts = name.split(".")
    return [".".join(parts[:k]) for k in range(len(parts))]


def _listed(package: Path) -> dict[str, Path]:
    """Return every module of a package by its dotted name below it."""
    modules = {}
    for path in package.rglob("*.py"):
        parts = path.relative_to(package).with_suffix("").parts
        modules[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return modules


def _holder(name: str, modules: Mapping[str, Path]) -> str:
    """Return the module that an import means: the name itself, or the module that defines it."""
    if name in modules:
        return name
    holder = name.rpartition(".")[0]
    if not holder and name not in _assigned(_read(_module("", modules))):
        # of the package itself only names that its first file assigns count; otherwise the module is missing
        holder = name
    _module(holder, modules)
    return holder


@lru_cache(maxsize=8)
def _assigned(content: bytes) -> frozenset[str]:
    """Return the names that the top of a file assigns."""
    return frozenset(target.id for node in ast.parse(content).body if isinstance(node, ast.Assign)
                     for target in node.targets if isinstance(target, ast.Name))


def _module(name: str, modules: Mapping[str, Path]) -> Path:
    if name not in modules:
        raise CodeDigestError(f"E-RUN-074 {ROOT}.{name} is imported and cannot be found; nothing can be said to be the "
                              "same code. Install riskmap again.")
    return modules[name]


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise CodeDigestError(f"E-RUN-075 {path.name}: cannot be read ({error.strerror}).") from None
