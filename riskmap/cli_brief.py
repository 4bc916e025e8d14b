"""`riskmap brief`: one page per lot to take along, a summary of the area, an order of visits."""

from __future__ import annotations

import csv
import sys
from pathlib import Path
from typing import Any

import click

from riskmap.cli_runs import OUTPUTS, UNITS


@click.command()
@click.argument("run")
@click.option("--lots", "ids", default=None, metavar="ID,ID", help="Lots by identifier, separated by commas.")
@click.option("--visits", type=click.Path(path_type=Path), default=None,
              help="A list (CSV, XLSX, KML, GeoJSON) of parcel ids or coordinates: a page for every row.")
@click.option("--top", type=click.IntRange(1, 500), default=None, metavar="N",
              help="The N lots with the largest expected movement.")
@click.option("--paper", type=click.Choice(["letter", "a4"]), default="letter", show_default=True)
@click.option("--each", is_flag=True, help="Also one PDF per page.")
@click.option("--into", type=click.Path(path_type=Path, file_okay=False), default=None,
              help="New or empty folder; default: a new one beside the run.")
@UNITS
@OUTPUTS
def brief(run: str, ids: str | None, visits: Path | None, top: int | None, paper: str, each: bool, into: Path | None,
          units: str, outputs: Path) -> None:
    """Write one page per lot of RUN (PDF and HTML), a summary of the area and an order of visits."""
    from riskmap import briefing, manifest
    from riskmap.outputs import record, run_folder
    from riskmap.outputs.brief import content, pages, pdf

    folder = run_folder.find(run, outputs)
    found = record.read(folder)
    asked = briefing.wanted(found, [lot.strip() for lot in (ids or "").split(",") if lot.strip()], visits, top)
    about = {"run": folder.resolve().name, "manifest": manifest.sha256(folder / manifest.NAME)[:12]}
    made = briefing.pages(found, asked, units, about)
    order = briefing.rounds(found, asked)
    year, month = (int(part) for part in found.today.split("-"))
    head = {"title": f"{found.area_name}: lots", "year": year, "month": month}
    summary = content.area_page(found, units, order, about)
    with run_folder.made_from(folder, f"brief {found.area_name}", into) as target:
        place = target.path
        (place / "lots.pdf").write_bytes(pdf.compiled("page.typ", {**head, "pages": made}, paper)[0])
        (place / "area.pdf").write_bytes(pdf.compiled("area.typ", {**head, "area": summary}, paper)[0])
        (place / "lots.html").write_text(pages.document(made, summary), encoding="utf-8", errors="backslashreplace",
                                         newline="\n")
        if each:
            for k, page in enumerate(made, start=1):
                (place / f"page_{k:04d}.pdf").write_bytes(pdf.compiled("page.typ", {**head, "pages": [page]}, paper)[0])
        _index(place / "pages.csv", asked, made, order)
    for path in sorted(target.final.iterdir()):
        click.echo(path.as_posix())
    without = sum(1 for page in made if page["state"])
    click.echo(f"{len(made)} pages, {without} without a number", err=True)
    sys.exit(int(without > 0))


def _index(path: Path, asked: list[Any], made: list[dict[str, Any]], order: Any) -> None:
    """Write which page is which lot and in which order to go; a text that could run as a formula gets an apostrophe."""
    import pandas as pd

    from riskmap.outputs.csv_table import guarded

    place = {int(row["lot_row"]): (int(row["cluster"]), int(row["order"])) for row in order.to_dict("records")}
    rows = [[k, page["id"], visit.status, page["state"], *place.get(visit.row, ("", ""))]
            for k, (visit, page) in enumerate(zip(asked, made, strict=True), start=1)]
    with path.open("w", encoding="utf-8-sig", errors="backslashreplace", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["page", "lot_id", "match_status", "state", "group", "order_in_group"])
        for row in rows:
            row[1] = guarded(pd.Series([row[1]]))[0]
            writer.writerow(row)
