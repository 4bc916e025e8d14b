"""The digest that says "same code": a changed character is seen in each module that a stage reaches, and only there."""

from __future__ import annotations

import shutil
from functools import cache
from importlib import metadata
from pathlib import Path

import pytest

from riskmap.run import code_digest
from riskmap.run.code_digest import PACKAGE, STAGES, CodeDigestError

# Stages that a run calls and that decide no value of lots.parquet: what is said of the lots, and how a run is kept.
DECIDE_NOTHING = {
    "climate.freshness": "says how new the data are", "climate.drought_to_draw": "drought polygons of the map",
    "run.code_digest": "says which code this is", "layers.catalogue": "reached through layers",
    "lots.assumptions": "findings about what was assumed", "run.manifest": "written after the numbers",
    "run.memory": "refuses or frees memory", "outputs.files.csv_table": "another product",
    "run.labels": "shown, and in no number", "outputs.files.geopackage": "another product",
    "outputs.files.public_table": "another product", "run.record": "another product",
    "run.products": "names the products",
    "run.folder": "where files go", "common.json_values": "values for JSON",
}


@pytest.fixture(autouse=True)
def versions_asked_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ask the installation for the version of a library once a test: it does not change under one, and takes long."""
    monkeypatch.setattr(metadata, "version", cache(metadata.version))


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    target = tmp_path / "riskmap"
    shutil.copytree(PACKAGE, target, ignore=shutil.ignore_patterns("__pycache__", "assets", "data"))
    return target


def every_module() -> dict[str, Path]:
    """Dotted name below the package -> file below the package."""
    found = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        below = path.relative_to(PACKAGE)
        parts = below.with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = below
    return found


@pytest.mark.parametrize("stage", STAGES)
def test_one_changed_character_is_seen_where_the_stage_reaches_and_only_there(
        stage: str, copy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(code_digest, "_listed", cache(code_digest._listed))  # no module comes or goes here
    reached = code_digest.reached(stage)
    before = code_digest.digest_of(stage, copy)
    assert before == code_digest.digest_of(stage, PACKAGE)
    wrong = []
    for name, below in every_module().items():
        path = copy / below
        content = path.read_bytes()
        path.write_bytes(content + b"#")
        changed = code_digest.digest_of(stage, copy) != before
        path.write_bytes(content)
        if changed != (name in reached):
            wrong.append(name)
    assert wrong == []
    assert len(reached) < len(every_module())


def test_what_was_once_left_out_counts() -> None:
    """Each of these changed numbers and left a former digest as it was."""
    assert {"common.weather", "common.results", "common.tables"} <= set(code_digest.reached("movement"))
    assert {"soil.horizon", "soil.component", "common.units", "common.tables"} <= set(code_digest.reached("soil"))
    assert {"soil.horizon", "estimates.table", "movement.archetypes", "common.results", "common.tables",
            "common.units", "common.weather", "lots.pour_date", "layers.lots_csv", "layers.soil_ssurgo",
            "layers.soil_key_raster", "climate.indices.spei", "run.flow", "run.part_tasks",
            "outputs.files.rounding"} <= set(code_digest.reached("estimate"))
    assert {"outputs.files.csv_table", "outputs.files.geopackage", "soil.horizon"} <= set(code_digest.reached("worker"))


def test_every_stage_that_a_run_calls_counts_or_is_named_here() -> None:
    reached = set(code_digest.reached("estimate"))
    for runner in ("run.flow", "run.part_tasks", "run.reuse", "run.store"):
        imports = code_digest._imports((PACKAGE / f"{runner.replace('.', '/')}.py").read_bytes(), runner)
        called = {code_digest._holder(name, code_digest._listed(PACKAGE)) for name in imports.modules} - {""}
        assert called - reached <= set(DECIDE_NOTHING), f"{runner}: {sorted(called - reached)}"


@pytest.mark.parametrize(("text", "code"), [
    ("import riskmap.no_such_module\n", "E-RUN-074"), ("from riskmap.gone import that\n", "E-RUN-074"),
    ("def f():\n    from riskmap import gone_too\n    return gone_too.x\n", "E-RUN-074"),
    ("def f():\n    from riskmap import estimate\n    return estimate\n", "E-RUN-074"),
    ("from . import errors\n", "E-RUN-073"), ("def f(:\n", "E-RUN-072"),
    ("import importlib\nimportlib.import_module('riskmap.' + 'x')\n", "E-RUN-071"),
    ("import a_library_that_nobody_has\n", "E-RUN-070")])
def test_what_cannot_be_followed_is_refused_and_not_passed_over(text: str, code: str, copy: Path) -> None:
    path = copy / "soil" / "horizon.py"
    path.write_text(path.read_text(encoding="utf-8") + "\n" + text, encoding="utf-8")
    with pytest.raises(CodeDigestError, match=code):
        code_digest.digest_of("soil", copy)


def test_a_module_that_is_gone_or_moved_is_refused(copy: Path) -> None:
    (copy / "soil" / "horizon.py").rename(copy / "horizon.py")
    with pytest.raises(CodeDigestError, match=r"E-RUN-074 riskmap\.soil\.horizon"):
        code_digest.digest_of("soil", copy)
    shutil.rmtree(copy / "movement")
    for stage in ("movement", "estimate", "worker"):
        with pytest.raises(CodeDigestError, match="E-RUN-074"):
            code_digest.digest_of(stage, copy)


def test_imports_for_type_checking_only_do_not_count() -> None:
    text = b"if TYPE_CHECKING:\n    from riskmap import cli\nelse:\n    from riskmap.common import units\n"
    assert "cli" not in code_digest._imports(text, "x").modules
    assert "common.units" in code_digest._imports(text, "x").modules


def test_folders_that_are_imported_by_listing_them_are_whole() -> None:
    for folder in code_digest.FOLDERS:
        listed = {f"{folder}.{path.stem}" for path in (PACKAGE / folder.replace(".", "/")).glob("*.py")
                  if path.stem != "__init__"}
        assert listed
        assert listed <= set(code_digest.reached("estimate"))


def test_the_digest_is_the_same_twice_and_says_the_libraries(monkeypatch: pytest.MonkeyPatch) -> None:
    first = code_digest.digest_of("movement", PACKAGE)
    assert first == code_digest.digest_of("movement", PACKAGE)
    version = metadata.version
    monkeypatch.setattr(metadata, "version", lambda name: "0" if name == "numba" else version(name))
    assert code_digest.digest_of("movement", PACKAGE) != first


def test_a_library_that_passes_tasks_on_counts_for_workers_only(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the extra `distributed` estimates work, and installing it discards no earlier result."""
    with_it = {stage: code_digest.digest_of(stage, PACKAGE) for stage in STAGES}
    version = metadata.version

    def absent(name: str) -> str:
        if name == "distributed":
            raise metadata.PackageNotFoundError(name)
        return version(name)

    monkeypatch.setattr(metadata, "version", absent)
    for stage in STAGES.keys() - {"worker"}:
        assert code_digest.digest_of(stage, PACKAGE) == with_it[stage]
    with pytest.raises(CodeDigestError, match="E-RUN-070 the library distributed"):
        code_digest.digest_of("worker", PACKAGE)
    monkeypatch.setattr(metadata, "version", lambda name: "0" if name == "distributed" else version(name))
    assert code_digest.digest_of("worker", PACKAGE) != with_it["worker"]
