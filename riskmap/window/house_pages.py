"""The page of one house: why its estimate is what it is, and what elevation readings of it say."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from riskmap.window.app import command, form_of, page, to_job, window_of
from riskmap.window.areas import OUTPUTS, entry_of, plain, written_by_us
from riskmap.window.refusals import WindowError
from riskmap.window.run_pages import keep_lines

HOUSES = "houses"
ROWS, MOST_ROWS = 12, 1000  # of the table of readings: shown, and taken
SURVEYS = ("first", "second")
CELLS = ("point", "x", "y", "elevation")


async def house(request: Request) -> Response:
    """Ask for a lot and its readings; with a lot in the address, explain its estimate."""
    from riskmap import api

    window = window_of(request)
    area = window.areas.folder(request.path_params["area"])
    lot, run = request.query_params.get("lot", "").strip(), request.query_params.get("run", "")
    runs = await run_in_threadpool(api.finished_runs, area / OUTPUTS)
    text = ""
    if lot and run:
        folder = entry_of(entry_of(area, OUTPUTS), run)
        text = await run_in_threadpool(window.desk.ask, "explain", run=str(folder), lot=lot, units=window.units)
    words = ["survey", f"{HOUSES}/READINGS.csv", "--run", "latest", "--lot", "ID"]
    if text:
        words = ["explain", run, lot, *window.unit_words]
    return page(request, "house.html", runs=runs, lot=lot, run=run, text=text, rows=range(ROWS), units=window.units,
                command=command(area, *words))


async def survey(request: Request) -> Response:
    """Turn the readings of a house into levels, and compare them with its estimate."""
    form = await form_of(request)
    window = window_of(request)
    area = window.areas.folder(request.path_params["area"])
    lot, run = form.get("lot", [""])[0].strip(), form.get("run", [""])[0]
    units = "si" if form.get("units", [""])[0] == "si" else "us"
    tables: dict[str, Any] = {survey: _rows(form, survey) for survey in SURVEYS}
    if not tables["first"]:
        raise WindowError("E-WIN-019 there are no readings. Write a point, its place and its elevation in each row of "
                          "the table.")
    (area / HOUSES).mkdir(exist_ok=True)
    typed = [{"rows": rows, "file": str(_new_file(area / HOUSES, lot, survey)),
              "date": form.get(f"{survey}-date", [""])[0].strip()} for survey, rows in tables.items() if rows]
    given: dict[str, Any] = {"typed": typed, "run": None, "lot": None, "outputs": str(area / OUTPUTS), "units": units}
    first, *second = (f"{HOUSES}/{Path(one['file']).name}" for one in typed)
    words = ["survey", first, *(word for file in second for word in ("--second", file))]
    if lot and run:
        folder = entry_of(entry_of(area, OUTPUTS), run)
        given |= {"run": str(folder), "lot": lot}
        words += ["--run", folder.name, "--lot", lot]

    def after(answer: dict[str, Any]) -> str:
        keep_lines(area, answer["folder"], answer["lines"])
        return f"/areas/{area.name}/runs/{answer['folder']}"

    return to_job(request, window.desk.start(area.name, "Survey of a house", "survey", given, after,
                                             command=command(area, *words, "--units", units), lock=written_by_us(area)))


def _rows(form: dict[str, list[str]], survey: str) -> list[tuple[str, ...]]:
    """Return the rows of a table of readings that were filled."""
    cells = ([text.strip() for text in form.get(f"{survey}-{name}", [])[:MOST_ROWS]] for name in CELLS)
    return [row for row in zip(*cells, strict=False) if any(row[1:])]


def _new_file(folder: Path, lot: str, survey: str) -> Path:
    """Return the place of a new file of readings."""
    name, k = plain(lot, "house").replace(".", "_"), 1
    while (path := folder / f"{name}-{survey}-{k}.csv").exists():
        k += 1
    return path


ROUTES = [Route("/areas/{area}/house", house), Route("/areas/{area}/house", survey, methods=["POST"])]
