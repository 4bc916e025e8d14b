"""The command line as a user meets it: help, exit codes, refusals in plain words, progress on stderr."""

from __future__ import annotations

import re
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]


def riskmap(*arguments: str, cwd: Path = ROOT) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "riskmap", *arguments], cwd=cwd, capture_output=True, text=True,
                          check=False)


def test_help_is_quick_and_names_the_limits() -> None:
    """No heavy library is imported for help: at most a few times a bare interpreter with click."""
    took, bare = [], []
    for _ in range(3):
        began = time.perf_counter()
        done = riskmap("--help")
        took.append(time.perf_counter() - began)
        began = time.perf_counter()
        subprocess.run([sys.executable, "-c", "import click"], check=True)
        bare.append(time.perf_counter() - began)
    assert done.returncode == 0
    assert "estimate" in done.stdout
    assert "does not replace a visit" in " ".join(done.stdout.split())
    assert min(took) < 3 * min(bare) + 0.05


def test_help_imports_nothing_heavy() -> None:
    code = ("import sys, riskmap.cli.main;"
            "heavy = {'numpy', 'pandas', 'geopandas', 'numba', 'rasterio', 'folium', 'scipy'};"
            "print(sorted(heavy & set(sys.modules)))")
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "[]\n"


@pytest.mark.parametrize("text", ["", "not toml = = =", "[area]\nname = 'x'\n",
                                  "[area]\nname='x'\nspeed=3\n[lots]\npath='a'"])
def test_a_bad_area_file_is_refused_in_words(tmp_path: Path, text: str) -> None:
    path = tmp_path / "area.toml"
    path.write_text(text, encoding="utf-8")
    done = riskmap("estimate", str(path), "--outputs", str(tmp_path / "out"))
    assert done.returncode == 2
    assert "area.toml" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "out").exists() or not list((tmp_path / "out").iterdir())


def test_missing_files_are_all_named_at_once(tmp_path: Path) -> None:
    path = tmp_path / "area.toml"
    path.write_text('[area]\nname = "x"\n[lots]\npath = "no_lots.gpkg"\n[soil]\npath = "no_soil.zip"\n'
                    '[climate]\nreader = "csv"\npath = "no_climate.csv"\ncell = "a"\nlatitude_deg = 30.0\n',
                    encoding="utf-8")
    done = riskmap("estimate", str(path), "--outputs", str(tmp_path / "out"))
    assert done.returncode == 2
    for name in ("no_lots.gpkg", "no_soil.zip", "no_climate.csv"):
        assert name in done.stderr
    assert str(tmp_path) not in done.stderr
    assert "Traceback" not in done.stderr


def test_unknown_command_and_option() -> None:
    assert riskmap("estimat").returncode == 2
    assert riskmap("estimate", "x.toml", "--units", "furlong").returncode == 2
    assert riskmap("--version").stdout.startswith("riskmap")


def text_of(path: Path) -> str:
    """Return everything that stands in a file of a run as text, the tables of a GeoPackage cell by cell."""
    if path.suffix != ".gpkg":
        return path.read_text(encoding="utf-8")
    with sqlite3.connect(path) as database:
        tables = [name for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        rows = [row for name in tables for row in database.execute(f'SELECT * FROM "{name}"')]
    return " ".join(str(cell) for row in rows for cell in row)


def test_public_writes_nothing_about_one_lot(tmp_path: Path) -> None:
    """The example with few draws; every id of its lots is looked for in every file of the run."""
    import geopandas as gpd

    example = ROOT / "layers" / "example"
    text = (example / "area.toml").read_text(encoding="utf-8") + "\n[movement]\ndraws = 20\n"
    for name in ("lots.gpkg", "soil_ZZ901.zip", "climate.csv", "climate_cells.gpkg", "drought_weekly.parquet",
                 "spei_6.tif", "pdsi.tif", "buildings.parquet", "roads.geojson", "places.geojson"):
        text = text.replace(f'"{name}"', f'"{(example / name).as_posix()}"')
    (tmp_path / "area.toml").write_text(text, encoding="utf-8")
    done = riskmap("estimate", str(tmp_path / "area.toml"), "--outputs", str(tmp_path / "out"), "--public")
    assert done.returncode == 1, done.stderr  # some lots have a state
    (run,) = [path for path in (tmp_path / "out").iterdir() if path.is_dir() and not path.name.startswith(".")]
    names = {path.name for path in run.iterdir()}
    assert names == {"manifest.json", "public.json", "public_groups.csv", "public_cells.csv", "public_cells.gpkg"}
    ids = set(gpd.read_file(example / "lots.gpkg")["lot_id"])
    words = {word for path in run.iterdir() for word in re.findall(r"[0-9A-Za-z_.-]+", text_of(path))}
    assert {"public_groups", "estimate"} & words, "the files were not read"
    # Whole words: seven digits of an id stand by chance in one of some hundred hashes and coordinates.
    assert not ids & words
    assert not ids & {word.strip(".-") for word in words}


def test_fetch_asks_for_one_place_and_offline_asks_nobody(tmp_path: Path) -> None:
    both = riskmap("fetch", "soil", "--into", str(tmp_path / "s"))
    assert both.returncode == 2
    assert "either --bbox" in both.stderr
    code = ("import sys, socket; socket.socket.connect = lambda *a: sys.exit(9);"
            "from riskmap.download import soil, cache;"
            "from pathlib import Path; soil.run((-91.2, 33.6, -91.1, 33.7), Path(sys.argv[1]) / 's',"
            "desk=cache.Desk(folder=Path(sys.argv[1]) / 'c', offline=True))")
    done = subprocess.run([sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True, check=False)
    assert "LayerError" in done.stderr
    assert "E-FET-" in done.stderr
    assert not (tmp_path / "s").exists()


def test_demo_says_that_its_mistakes_are_on_purpose_and_ends_with_0(monkeypatch: pytest.MonkeyPatch) -> None:
    from click.testing import CliRunner

    from riskmap.cli import main

    monkeypatch.chdir(ROOT)
    monkeypatch.setattr(main, "_estimate", lambda *_: main.Exit.SOME_STATES)  # what an estimate of the example returns
    done = CliRunner().invoke(main.cli, ["demo"])
    assert done.exit_code == 0
    assert done.stderr.startswith("The example contains mistakes put in on purpose;")
    assert done.stdout == ""
    assert "always exits with 0" in " ".join(CliRunner().invoke(main.cli, ["demo", "--help"]).output.split())
