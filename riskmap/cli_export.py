"""`riskmap export`: a finished run in another format."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path

import click

from riskmap.errors import RunFolderError, joined

WRITERS = {"gpkg": "geopackage", "parquet": "geoparquet", "csv": "csv_table", "xlsx": "xlsx", "geojson": "geojson",
           "kml": "kml"}


@click.command()
@click.argument("run")
@click.option("--format", "formats", required=True, help=f"One or more of {', '.join(WRITERS)}, separated by commas.")
@click.option("--into", "folder", type=click.Path(path_type=Path), default=None,
              help="A new or empty folder; default: a new one beside the run.")
@click.option("--raw-csv", is_flag=True,
              help="No apostrophe before texts that a spreadsheet would run as a formula. For programs only.")
@click.option("--outputs", type=click.Path(path_type=Path), default=Path("outputs"), show_default=True,
              help="Folder in which `latest` is looked up.")
def export(run: str, formats: str, folder: Path | None, raw_csv: bool, outputs: Path) -> None:
    """Write the lots of RUN (a run folder or `latest`) in other formats: same rows, same order, same values."""
    from riskmap.outputs import csv_table, record, run_folder

    wanted = [name.strip().lower() for name in formats.split(",") if name.strip()]
    unknown = [name for name in wanted if name not in WRITERS]
    if unknown or not wanted:
        raise RunFolderError(f"E-EXP-001 --format: {joined(unknown) or 'nothing'} is not a format. Use one or more of "
                             f"{joined(WRITERS)}.")
    source = run_folder.find(run, outputs)
    found = record.read(source)
    with run_folder.made_from(source, f"export {found.area_name}", folder) as made:
        for name in dict.fromkeys(wanted):
            if name == "csv":
                csv_table.write(found, made.path, raw=raw_csv)
                csv_table.write_dictionary(made.path)
            else:
                import_module(f"riskmap.outputs.{WRITERS[name]}").write(found, made.path)
    for path in sorted(made.final.iterdir()):
        click.echo(path.as_posix())
