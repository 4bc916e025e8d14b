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
    if folder is not None and folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise RunFolderError(f"E-EXP-002 {folder.as_posix()}: is there already and not an empty folder; nothing is "
                             "written over. Name another one with --into.")
    source = run_folder.find(run, outputs)
    if folder is not None and folder.resolve().is_relative_to(source.resolve()):
        raise RunFolderError(f"E-EXP-003 {folder.as_posix()}: lies inside the run, which must stay as it was written. "
                             "Name a folder elsewhere with --into.")
    found = record.read(source)
    target = folder.parent if folder is not None else source.resolve().parent
    with run_folder.new_run(target, f"export {found.area_name}", point=False) as made:
        for name in dict.fromkeys(wanted):
            if name == "csv":
                csv_table.write(found, made.path, raw=raw_csv)
                csv_table.write_dictionary(found, made.path)
            else:
                import_module(f"riskmap.outputs.{WRITERS[name]}").write(found, made.path)
    final = made.final
    if folder is not None:
        if folder.exists():
            folder.rmdir()
        final = final.rename(folder)
    for path in sorted(final.iterdir()):
        click.echo(path.as_posix())
