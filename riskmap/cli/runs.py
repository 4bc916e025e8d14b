"""Commands on finished runs: explain, verify, compare."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from riskmap.cli.exit_codes import Exit
from riskmap.cli.terminal import say, show_files
from riskmap.common.errors import counted

OUTPUTS = click.option("--outputs", type=click.Path(path_type=Path), default=Path("outputs"), show_default=True,
                       help="Folder in which `latest` is looked up.")
UNVERIFIED = click.option("--unverified", is_flag=True,
                          help="Read the run without comparing its files with its manifest: to look at a run that was "
                          "changed since it was written. The output says so.")
CALIBRATION = click.option(
    "--calibration", type=click.Path(path_type=Path), default=None, metavar="FILE",
    help="A calibration.json of `riskmap calibrate`: calibrated figures are added next to the model's own, which stay "
    "as they are.")
UNITS = click.option("--units", type=click.Choice(["us", "si"]), default="us", show_default=True)


def say_note(note: str) -> None:
    """Say how a run was read, if its files were not compared with a manifest that can be trusted."""
    if note:
        say(f"Caution: {note}")


@click.command(short_help="Explain the estimate for one lot, or a message code.")
@click.argument("run", metavar="RUN|CODE")
@click.argument("lot_id", required=False)
@UNITS
@click.option("--if-cracked", is_flag=True, help="Also compute the lot on cracked ground; some seconds.")
@UNVERIFIED
@OUTPUTS
def explain(run: str, lot_id: str | None, units: str, if_cracked: bool, unverified: bool, outputs: Path) -> None:
    """Explain the estimate for one lot. RUN is a run folder or `latest`.

    With a message code alone, such as E-LOT-014, it says what the code means and what to do; no run is opened.

    Exit 1 when the lot has a state instead of an estimate, 2 when there is no such run, lot or code.
    """
    from riskmap import api

    if lot_id is None:
        say(api.explain(run), err=False)
        return
    results = api.one_lot(run, lot_id, outputs, verified=not unverified, inputs=if_cracked)
    say_note(results.note)
    other_name = api.name_note(lot_id, results)
    if other_name:
        say(other_name + "\n", err=False)
    for text in api.lot_texts(results, units=units, if_cracked=if_cracked):
        say(text + "\n", err=False)
    sys.exit(Exit.SOME_STATES if (results.lots["state"] != "").any() else Exit.ALL_ANSWERED)


@click.command(short_help="Check every file of a run against its manifest.")
@click.argument("run")
@click.option("--area-folder", type=click.Path(path_type=Path, exists=True, file_okay=False), default=None,
              help="Where the input files are now; they are checked too when they are found.")
@OUTPUTS
def verify(run: str, area_folder: Path | None, outputs: Path) -> None:
    """Check every file of RUN against its manifest. Exit 0 when all agree, 2 when an output does not.

    Exit 1 when only inputs changed since, or files were added.
    """
    from riskmap import api
    from riskmap.api.shared import folder_of

    folder = folder_of(run, outputs)
    findings = api.verify(folder, area_folder)
    for finding in findings:
        say(finding, err=False)
    say(f"{folder.as_posix()}: " + (counted(len(findings), "finding") + "." if findings else
                                    "every file is the one that the run wrote."))
    sys.exit(Exit.REFUSED if any(line.startswith("E-") for line in findings) else
             Exit.SOME_STATES if findings else Exit.ALL_ANSWERED)


@click.command(short_help="Say what changed between two runs, lot by lot, and why.")
@click.argument("before")
@click.argument("after")
@click.option("--workers", type=click.IntRange(1, 256), default=None, help="Threads; default: all cores.")
@CALIBRATION
@UNITS
@UNVERIFIED
@OUTPUTS
def compare(before: str, after: str, workers: int | None, calibration: Path | None, units: str, unverified: bool,
            outputs: Path) -> None:
    """Say what changed between two runs, lot by lot, and split it by cause; the parts add up.

    Bending now comes first, then the next 12 months, the expected movement and the long run. Writes change.csv,
    change.json and change.pdf (with charts) into a new folder. Exit 0 when nothing changed, 1 when something did.
    """
    from riskmap import api

    outcome = api.compare(before, after, workers=workers, calibration=calibration, outputs=outputs,
                          verified=not unverified, units=units)
    say_note(outcome.note)
    for line in outcome.answer.lines:
        say(line)
    show_files(outcome.files)
    sys.exit(Exit.ALL_ANSWERED if outcome.answer.same else Exit.SOME_STATES)
