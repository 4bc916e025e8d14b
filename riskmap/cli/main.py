"""The command line. Its exit codes and its end are in `cli/exit_codes.py`.

Nothing heavy is imported here, because `--help` must stay quick.
"""

from __future__ import annotations

import os
import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

from riskmap.cli.brief import brief
from riskmap.cli.calibrate import calibrate
from riskmap.cli.exit_codes import Exit, help_text, run_to_end
from riskmap.cli.export import export
from riskmap.cli.fetch import fetch
from riskmap.cli.map import map_command
from riskmap.cli.measured import measured
from riskmap.cli.new import INTO, fetching, new, write_area
from riskmap.cli.open import open_command
from riskmap.cli.progress import Progress
from riskmap.cli.runs import CALIBRATION, compare, explain, verify
from riskmap.cli.screen import COLUMNS, named, screen
from riskmap.cli.survey import survey
from riskmap.cli.terminal import say, show_files
from riskmap.common.errors import RunFolderError, counted
from riskmap.common.problems import lines
from riskmap.common.version import __version__

if TYPE_CHECKING:
    from riskmap.common.results import Run

SHOWN_PROBLEMS = 20


def _report(run: Run, area: Path, units: str) -> None:
    """Say what became of the lots: what was set aside, how many cautions, and the figures of the whole area."""
    from riskmap import api

    found = run.results.problems
    refused = lines([problem for problem in found if problem.code.startswith("E-")])
    for text in refused[:SHOWN_PROBLEMS]:
        say(f"  {text}")
    if found:
        aside = f"{len(refused):,} with a value or row set aside (E-), " if refused else ""
        all_lines = lines(found)
        say(f"{counted(len(all_lines), 'finding')} about your files: {aside}{len(all_lines) - len(refused):,} used "
            f"with a caution (W-). To list them: riskmap check {shlex.quote(area.as_posix())}")
    for text in api.ending(run, units):
        say(text)


def _estimate(area: Path, outputs: Path, units: str, workers: int | None, public_k: int | None = None,
              reuse: bool = True, scheduler: str | None = None, calibration: Path | None = None) -> int:
    from riskmap import api

    run = api.estimate(area, outputs, units=units, workers=workers, progress=Progress(), public_k=public_k,
                       reuse=reuse, scheduler=scheduler, calibration=calibration)
    show_files(sorted(run.folder.iterdir()))
    _report(run, area, units)
    if (run.folder / "map.html").is_file():
        say(f"Open map: {(run.folder / 'map.html').as_posix()}")
    elif public_k is None:
        say(f"For a map of this many lots: riskmap map {run.folder.as_posix()} --tiles")
    return Exit.SOME_STATES if run.rows.by_state else Exit.ALL_ANSWERED


def _area_file(given: tuple[Path, ...], into: Path, fetch: bool, daily: bool, offline: bool) -> Path:
    """Return the area file that was given, or the one that is written from files; say what was guessed for it."""
    from riskmap.api import start

    if not start.are_files(given):
        start.refuse_fetch(given, fetch or daily or offline)
        return given[0]
    made = write_area(given, into, False, fetch, daily, offline)
    say(made.text())
    start.refuse_open(made)
    return made.path


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100}, epilog=help_text())
@click.version_option(__version__, prog_name="riskmap")
def cli() -> None:
    """Expected movement of slab-on-ground houses on expansive clay, lot by lot.

    Planning information from public soil, weather and lot records. It describes ground and slab age, not the condition
    of a house, and does not replace a visit or an engineer's evaluation.
    """


_OPTIONS = (
    click.option("--outputs", type=click.Path(path_type=Path), default=Path("outputs"), show_default=True,
                 help="Folder that receives the new run folder."),
    click.option("--units", type=click.Choice(["us", "si"]), default="us", show_default=True,
                 help="Units that the map shows first. Files always use SI units, and the column name says which."),
    click.option("--workers", type=click.IntRange(1, 256), default=None,
                 help="Workers of this machine: threads, or processes above 50,000 lots. The result does not depend "
                 "on it. Default: one for each core."),
)


def _with_options(command):  # type: ignore[no-untyped-def]
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


@cli.command(short_help="Estimate every lot of an area and draw the map.")
@click.argument("area", nargs=-1, required=True, type=click.Path(path_type=Path))
@_with_options
@INTO
@fetching
@click.option("--public", "public_k", type=click.IntRange(2, 1000), is_flag=False, flag_value=10, default=None,
              help="Write only tables for publication: groups of at least this many lots (10 when no number is given).")
@click.option("--no-reuse", is_flag=True, help="Compute everything again. The estimates are the same either way.")
@click.option("--scheduler", metavar="ADDRESS", default=None,
              help="Give the work to a dask scheduler whose workers see the outputs folder under the same path.")
@CALIBRATION
def estimate(area: tuple[Path, ...], outputs: Path, units: str, workers: int | None, into: Path, fetch: bool,
             daily: bool, offline: bool, public_k: int | None, no_reuse: bool, scheduler: str | None,
             calibration: Path | None) -> None:
    """Estimate every lot of AREA (a TOML file) and write one new run folder.

    AREA may also be the files or folders themselves: then an area file is written from them first, as `riskmap new`
    does, and the estimate goes on when nothing in it needs your eyes. With --fetch, one file of lots is enough: the
    other layers are fetched. Only a box around all lots leaves this computer, as `riskmap new --help` says.

    Exit 1 when some lots have a state instead of an estimate.
    """
    path = _area_file(area, into, fetch, daily, offline)
    sys.exit(_estimate(path, outputs, units, workers, public_k, not no_reuse, scheduler, calibration))


@cli.command()
@_with_options
def demo(outputs: Path, units: str, workers: int | None) -> None:
    """Estimate the invented example town.

    In the project's folder it reads layers/example. Elsewhere it first copies the example to riskmap-example in the
    current folder; a copy that is there already is used as it is.

    Some of its lots have a state instead of an estimate on purpose, so that every state can be seen; that is not an
    error. Unlike `estimate` it always exits with 0 when it worked.
    """
    from riskmap import api

    found = api.example()
    if found.note:
        say(found.note)
    say("The example contains mistakes put in on purpose; the findings and states below are part of it.")
    _estimate(found.area, outputs, units, workers)


@cli.command(short_help="Say what is wrong with the files of an area.")
@click.argument("path", type=click.Path(path_type=Path))
@click.option("--as", "role", type=click.Choice(["lots", "soil", "climate", "drought"]), default=None,
              help="Check one file of this kind instead of a whole area.")
@COLUMNS
@click.option("--json", "json_path", type=click.Path(path_type=Path), default=None,
              help="Also write the report as JSON.")
@click.option("--csv", "csv_path", type=click.Path(path_type=Path), default=None,
              help="Also write the findings as a table for a spreadsheet (CSV).")
def check(path: Path, role: str | None, columns: tuple[str, ...], json_path: Path | None,
          csv_path: Path | None) -> None:
    """Read everything PATH (an area file) names, compute nothing, and say what is wrong with it.

    One line per finding: code, file, row as your editor numbers it (the first feature of a layer is 1, the heading of a
    CSV is 1), column, value, rule, remedy, what was done. E-: a value, row or file was set aside; W-: used with a
    caution. Findings that differ only in the row share a line; --json and --csv keep the rows apart, up to
    1,000 of a kind.

    Exit 0 when every lot goes on to the estimate, 1 when some have a state instead (no shape, no slab), 2 when a run
    would be refused. Findings alone never change it, with --as too.
    """
    from riskmap import api

    wanted = [(option, file) for option, file in (("--json", json_path), ("--csv", csv_path)) if file is not None]
    for option, file in wanted:
        _check_place(file, option)
    if columns and role != "lots":
        raise click.UsageError("--column says what a column of a lot file is: give --as lots too")
    report = api.check(path, role, columns=named(columns))
    say(report.text(), err=False)
    for line in api.newness(report):
        say(line)
    for option, file in wanted:
        content = f"{report.as_json()}\n".encode() if option == "--json" else report.as_csv().encode("utf-8-sig")
        try:
            file.write_bytes(content)
        except OSError as error:
            raise RunFolderError(f"E-RUN-052 {option} {file.as_posix()}: the report could not be written: "
                                 f"{error.strerror}. Check the disk and your rights, or name another file.") from None
    sys.exit(report.exit_code)


def _check_place(file: Path, option: str) -> None:
    """Refuse, before any work, an output file whose folder does not exist or whose name is that of a folder."""
    if os.path.isdir(file):
        raise RunFolderError(f"E-RUN-051 {option} {file.as_posix()}: is a folder. Name a file in it.")
    if not os.path.isdir(file.parent):
        raise RunFolderError(f"E-RUN-051 {option} {file.as_posix()}: there is no folder {file.parent.as_posix()}. Make "
                             "it first, or name a file in a folder that is there.")


@cli.command()
@click.option("--cases", type=click.Path(path_type=Path), default=None,
              help="A case file (solver cases with drivers, or day steps) to check instead of the built-in pack.")
@click.option("--open-data", type=click.Path(path_type=Path, exists=True, file_okay=False), default=None,
              help="Folder with drought/ and field/: field checks and driver months that need real files run too.")
@click.option("--json", "as_json", is_flag=True, help="Print the pack as JSON.")
def selftest(cases: Path | None, open_data: Path | None, as_json: bool) -> None:
    """Compare riskmap with published and exact solutions. Exit 1 when one is outside its tolerance."""
    from riskmap import api

    report = api.selftest(cases, open_data)
    click.echo(report.as_json() if as_json else report.text())
    sys.exit(Exit.ALL_ANSWERED if report.passed else Exit.SOME_STATES)


for _command in (new, fetch, brief, export, screen, explain, verify, compare, map_command, survey, calibrate, measured,
                 open_command):
    cli.add_command(_command)


def main() -> NoReturn:
    """Run the command line and end the process with one of the codes of `exit_codes.Exit`."""
    run_to_end(lambda: cli.main(standalone_mode=False))
