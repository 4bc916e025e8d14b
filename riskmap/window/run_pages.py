"""The pages of a finished run: its map, its lots, papers for chosen lots, comparisons, and every file."""

from __future__ import annotations

import html
import json
import re
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from riskmap.common.errors import counted
from riskmap.window.app import command, folder_of, form_of, page, to_job, window_of
from riskmap.window.areas import entry_of, kept_command, with_calibration, written_by_us
from riskmap.window.list_pages import CARD, SAY_COLUMNS, SCREENED, answer_of, list_of
from riskmap.window.refusals import WindowError, no_such

MOST_LOTS = 500  # lots of one brief; more are refused by `api.brief` too
MOST_OPEN = 500  # rows of a list that a page lets the user decide; the file of choices has all
KEPT = 4  # tables of lots in memory
MAP = "map.html"
SHOWN = (MAP, SCREENED, CARD, "lots.html")  # pages with a policy of their own
PAPERS = (("screened.xlsx", "Answered list", "Answered list (XLSX)"), ("lots.pdf", "Brief", "Brief (PDF)"),
          ("area.pdf", "Brief", "Summary of the area (PDF)"),
          ("change.pdf", "Change between two runs", "Change (PDF)"), ("change.csv", "Change between two runs",
                                                                      "Change (CSV)"),
          ("levels.pdf", "Survey of a house", "Survey sheet (PDF)"),
          (CARD, "Calibration", "Calibration card (HTML)"))
PICTURES = ("levels.svg", "change.svg")
LINES = ".lines"  # folder in an area for the sentences of its outputs
_META = re.compile(r'<meta http-equiv="Content-Security-Policy" content="([^"]*)">')
HEAD = 1 << 14  # characters in which a page states its policy
SANDBOX = "sandbox allow-scripts allow-popups allow-downloads allow-modals"


def _files(folder: Path) -> list[tuple[str, int]]:
    return sorted((path.name, path.stat().st_size) for path in folder.iterdir()
                  if path.is_file() and not path.is_symlink() and not path.name.startswith("."))


async def run(request: Request) -> Response:
    """Show a run."""
    from riskmap import api

    folder = folder_of(request)

    def values() -> dict[str, Any]:
        names = [name for name, _ in _files(folder)]
        runs = api.finished_runs(folder.parent)
        return {"files": _files(folder), "map": MAP in names,
                "others": [one for one in runs if one.name != folder.name],
                "about": next((one for one in runs if one.name == folder.name), None)}

    found = await run_in_threadpool(values)
    if not any(name == "lots.parquet" for name, _ in found["files"]):
        return await run_in_threadpool(_made, request, folder, found["files"])
    area = folder.parent.parent
    return page(request, "run.html", run=folder.name, **found, most=MOST_LOTS,
                command=kept_command(area, folder.name) or command(area, "brief", folder.name, "--lots", "ID,ID"))


async def lots(request: Request) -> Response:
    """Return the figures of a run and its table of lots."""
    window, folder = window_of(request), folder_of(request)
    key = ("lots", str(folder), window.units)
    if key not in window.cache:
        def content() -> bytes | memoryview:  # written once, and not where all pages wait: 20,000 lots are 3 MB
            return JSONResponse(window.desk.ask("run_lots", run=str(folder), units=window.units)).body

        answer = await run_in_threadpool(content)
        while len(window.cache) >= KEPT:
            del window.cache[next(iter(window.cache))]
        window.cache[key] = answer
    return Response(window.cache[key], media_type=JSONResponse.media_type)


async def show(request: Request) -> Response:
    """Return a page that riskmap made, for a frame: it runs under its own policy, apart from our pages.

    The policy of the file, which has the hash of its script, is put in the header together with a sandbox without an
    origin, so that the file reaches neither our cookie nor our addresses.
    """
    folder, name = folder_of(request), request.path_params["name"]
    if name not in SHOWN:
        raise no_such()
    text = await run_in_threadpool(entry_of(folder, name).read_text, encoding="utf-8")
    found = _META.search(text[:HEAD])
    if found is None:
        raise WindowError(f"E-WIN-014 {name}: the page states no policy of its own, so it is not shown here. Make it "
                          "again, or open the file yourself if you trust it.", 422)
    policy = html.unescape(found.group(1)).replace("\n", " ")
    return HTMLResponse(text, headers={"Content-Security-Policy": f"{policy}; {SANDBOX}; frame-ancestors 'self'",
                                       "X-Frame-Options": "SAMEORIGIN"})


async def file(request: Request) -> Response:
    """Return one file of a run as a download; nothing of it is shown as a page of ours."""
    path = entry_of(folder_of(request), request.path_params["name"])
    if not path.is_file():
        raise no_such()
    kind = "application/pdf" if path.suffix == ".pdf" else "application/octet-stream"
    return FileResponse(path, media_type=kind, filename=path.name)


async def brief(request: Request) -> Response:
    """Write a page for each chosen lot."""
    form = await form_of(request)
    window, folder = window_of(request), folder_of(request)
    chosen = [lot for lot in form.get("lot", []) if lot]
    if not 0 < len(chosen) <= MOST_LOTS:
        raise WindowError(f"E-WIN-015 {counted(len(chosen), 'lot is', 'lots are')} chosen, and a brief takes 1 to "
                          f"{MOST_LOTS}. Tick the lots in the table.")
    area = folder.parent.parent
    put, words = with_calibration(area)
    return to_job(request, window.desk.start(
        area.name, "Write the brief", "brief", {"run": str(folder), "lots": chosen, "units": window.units, **put},
        lambda name: f"/areas/{area.name}/runs/{name}",
        command=command(area, "brief", folder.name, "--lots", ",".join(chosen), *words, *window.unit_words),
        lock=written_by_us(area)))


async def compare(request: Request) -> Response:
    """Compare an earlier run with this one."""
    form = await form_of(request)
    window, folder = window_of(request), folder_of(request)
    before = entry_of(folder.parent, form.get("before", [""])[0])
    area = folder.parent.parent

    def after(answer: dict[str, Any]) -> str:
        keep_lines(area, answer["folder"], answer["lines"])
        return f"/areas/{area.name}/runs/{answer['folder']}"

    put, words = with_calibration(area)
    return to_job(request, window.desk.start(
        area.name, "Compare the runs", "compare", {"before": str(before), "after": str(folder),
                                                   "outputs": str(folder.parent), "units": window.units, **put}, after,
        command=command(area, "compare", before.name, folder.name, *words, *window.unit_words),
        lock=written_by_us(area)))


def keep_lines(area: Path, folder: str, lines: list[str]) -> None:
    """Keep the sentences that the API gave with a folder of outputs, for the page of this folder."""
    (area / LINES).mkdir(exist_ok=True)
    (area / LINES / f"{folder}.json").write_text(json.dumps(lines), encoding="utf-8")


def _lines(folder: Path) -> list[str]:
    try:
        lines = json.loads((folder.parent.parent / LINES / f"{folder.name}.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return []
    return [str(line) for line in lines] if isinstance(lines, list) else []


async def picture(request: Request) -> Response:
    """Return the drawing of a survey, as a picture in which nothing runs."""
    folder, name = folder_of(request), request.path_params["name"]
    if name not in PICTURES:
        raise no_such()
    return FileResponse(entry_of(folder, name), media_type="image/svg+xml", headers={
        "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; font-src data:; sandbox"})


def _made(request: Request, folder: Path, files: list[tuple[str, int]]) -> Response:
    """Show what was made from a run: the file that the user asked for first, then all files."""
    names = [name for name, _ in files]
    title = next((title for name, title, _ in PAPERS if name in names), folder.name)
    answer = answer_of(folder) if SCREENED in names else None
    return page(request, "made.html", folder=folder.name, files=files, lines=_lines(folder), title=title,
                answer=answer, most_open=MOST_OPEN, say_columns=SAY_COLUMNS,
                decidable=answer is not None and list_of(folder, answer) is not None,
                pictures=[name for name in PICTURES if name in names],
                first=[(name, label) for name, _, label in PAPERS if name in names],
                shown=[name for name in names if name in SHOWN],
                command=kept_command(folder.parent.parent, folder.name))


ROUTES = [
    Route("/areas/{area}/runs/{run}", run), Route("/areas/{area}/runs/{run}/lots.json", lots),
    Route("/areas/{area}/runs/{run}/picture/{name}", picture),
    Route("/areas/{area}/runs/{run}/brief", brief, methods=["POST"]),
    Route("/areas/{area}/runs/{run}/compare", compare, methods=["POST"]),
    Route("/areas/{area}/runs/{run}/show/{name}", show), Route("/areas/{area}/runs/{run}/files/{name}", file),
]
