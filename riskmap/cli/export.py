"""`riskmap export`: a finished run in another format."""

from __future__ import annotations

from pathlib import Path

import click

from riskmap.cli.runs import CALIBRATION, UNVERIFIED, say_note
from riskmap.cli.terminal import show_files
from riskmap.common.export_formats import WRITERS


@click.command(short_help="Write the lots of a run in other formats.")
@click.argument("run")
@click.option("--format", "formats", required=True, help=f"One or more of {', '.join(WRITERS)}, separated by commas.")
@CALIBRATION
@click.option("--into", "folder", type=click.Path(path_type=Path), default=None,
              help="A new or empty folder; default: a new one in the folder of runs.")
@click.option("--raw-csv", is_flag=True,
              help="No apostrophe before texts that a spreadsheet would run as a formula. For programs only.")
@UNVERIFIED
@click.option("--outputs", type=click.Path(path_type=Path), default=Path("outputs"), show_default=True,
              help="Folder in which `latest` is looked up.")
def export(run: str, formats: str, calibration: Path | None, folder: Path | None, raw_csv: bool, unverified: bool,
           outputs: Path) -> None:
    """Write the lots of RUN (a run folder or `latest`) in other formats: same rows, same order, same values."""
    from riskmap import api

    outcome = api.export(run, [name.strip().lower() for name in formats.split(",") if name.strip()],
                         calibration=calibration, into=folder, raw_csv=raw_csv, outputs=outputs,
                         verified=not unverified)
    say_note(outcome.note)
    show_files(outcome.files)
