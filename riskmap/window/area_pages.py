"""The pages of areas: the list with a place for new files, and one page per area."""

from __future__ import annotations

import json
import os
import secrets
import shutil
from collections.abc import Sequence
from contextlib import suppress
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from riskmap.window import column_menus, uploads
from riskmap.window.app import Window, command, files_of, form_of, go, page, to_job, window_of
from riskmap.window.areas import AREA_FILE, FILES, INCOMING, OUTPUTS, with_calibration, written_by_us
from riskmap.window.jobs import Job
from riskmap.window.refusals import WindowError, no_form

SEEN = ".recognised.json"  # what `riskmap new` found, for the page of the area; the area file has all of it as comments
MOST_SEEN = 1 << 26
NEWS = ".newer.json"  # what the service of weekly drought maps answered last
FINDINGS = ("findings.json", "findings.csv")
WEEKS = "drought_weeks"  # folder among the files of an area for maps that came later
EDITED = "area-edited.toml"  # an area file that was edited on the page, before another was written from the files


def _runs(folder: Path) -> list[Any]:
    from riskmap import api

    with suppress(OSError):
        return api.finished_runs(folder / OUTPUTS)
    return []


async def areas(request: Request) -> Response:
    """List the areas; below them new files begin another."""
    window = window_of(request)

    def lines() -> list[tuple[str, list[Any], dict[str, Any] | None]]:
        places = [(name, window.areas.root / name) for name in window.areas.names()]
        return [(name, _runs(place), _news(place)) for name, place in places]

    return page(request, "areas.html", areas=await run_in_threadpool(lines), most=window.bounds)


async def make(request: Request) -> Response:
    """Make an area from the files of a form and recognise them."""
    window = window_of(request)
    place = window.areas.root / f"{INCOMING}-{secrets.token_hex(8)}"
    place.mkdir()
    try:
        given = await files_of(request, place)
        _need_files(given)
        wanted = given.fields.get("name", "").strip() or _called(given)
        folder = window.areas.make(wanted)
        uploads.keep(given, place, folder / FILES)
    finally:
        shutil.rmtree(place, ignore_errors=True)
    return to_job(request, _recognise(window, folder, False), f"/areas/{folder.name}")


async def add(request: Request) -> Response:
    """Add the files of a form to an area and recognise all of them again."""
    window = window_of(request)
    folder = window.areas.folder(request.path_params["area"])
    with written_by_us(folder):
        given = await files_of(request, folder)
        try:
            _need_files(given)
            uploads.keep(given, folder, folder / FILES)
        finally:
            shutil.rmtree(folder / uploads.PARTS, ignore_errors=True)
    return to_job(request, _recognise(window, folder, False))


def _need_files(given: uploads.Given) -> None:
    if not any(called or path.stat().st_size for path, called in given.files):
        raise no_form("no files came with the form")


def _called(given: uploads.Given) -> str:
    """Return a name for an area: that of the folder its files came in, or of the only file."""
    names = [called.replace("\\", "/") for _, called in given.files]
    if "/" in names[0].strip("/"):
        return names[0].strip("/").split("/")[0]
    return names[0].split(".")[0] if len(names) == 1 else "area"


def _again(window: Window, folder: Path, fetch: bool, columns: dict[str, str] | None = None,
           lots: str = "", crs: str = "", cells: Sequence[str] | None = None) -> tuple[dict[str, Any], list[str]]:
    """Return what `tasks.new` takes for all files of an area, and the words of the command.

    The columns are those that the user named before and now; the file of lots, its coordinate system and the cells
    are those named last. What was fetched before is taken from the stored answers; only `fetch` asks the services.
    """
    seen = _seen(folder) or {}
    stored = bool(seen.get("fetched")) and not fetch
    said = list(seen.get("given_cells", []) if cells is None else cells)
    lots, crs = lots or seen.get("given_lots", ""), crs or seen.get("given_crs", "")
    named = column_menus.together(seen.get("given", {}), columns or {})
    fetched = [*(["--fetch"] if fetch or stored else []), *(["--offline"] if stored else [])]
    words = ["new", FILES, "--into", ".", "--replace", *fetched, *column_menus.words(named),
             *(["--lots", lots] if lots else []), *(["--crs", crs] if crs else []),
             *(word for cell in said for word in ("--cell", cell))]
    return {"folder": str(folder), "files": str(folder / FILES), "fetch": fetch or stored, "offline": stored,
            "columns": named, "lots": lots, "crs": crs, "cells": said}, words


def _keep_edited(folder: Path) -> None:
    """Keep an area file that was edited by hand beside the one that takes its place."""
    if (_seen(folder) or {}).get("edited"):
        with suppress(OSError):
            shutil.copyfile(folder / AREA_FILE, folder / EDITED)


def _recognise(window: Window, folder: Path, fetch: bool, columns: dict[str, str] | None = None,
               lots: str = "", crs: str = "", cells: Sequence[str] | None = None) -> Job:
    """Start `riskmap new` on all files of an area, with what the user said of them before and now."""
    given, words = _again(window, folder, fetch, columns, lots, crs, cells)
    _keep_edited(folder)

    def after(answer: dict[str, Any]) -> str:
        _write(folder / SEEN, json.dumps(answer))
        return f"/areas/{folder.name}"

    return window.desk.start(folder.name, "Recognise the files", "new", given, after, command=command(folder, *words),
                             lock=written_by_us(folder))


def _write(path: Path, text: str) -> None:
    """Write a file completely or not at all."""
    part = path.with_name(f"{path.name}.part")
    try:
        part.write_text(text, encoding="utf-8", newline="\n")
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)


def _seen(folder: Path) -> dict[str, Any] | None:
    """Return what `riskmap new` found, where it is known."""
    path = folder / SEEN
    with suppress(OSError, ValueError):
        if path.stat().st_size < MOST_SEEN:
            content = json.loads(path.read_text(encoding="utf-8"))
            return content if isinstance(content, dict) and "check" in content else None
    return None


async def area(request: Request) -> Response:
    """Show an area: what its files are, what is missing, the findings, its runs."""
    folder = window_of(request).areas.folder(request.path_params["area"])

    def values() -> dict[str, Any]:
        seen, text = _seen(folder), ""
        refused = bool(seen and seen["check"]["refusals"])
        with suppress(OSError, UnicodeDecodeError):
            text = (folder / AREA_FILE).read_text(encoding="utf-8")
        return {"seen": seen, "check": seen["check"] if seen else None, "text": text, "runs": _runs(folder),
                "news": _news(folder), "means": _means(seen), "meanings": column_menus.OF_LOTS, "cells": _cells(seen),
                "ready": bool(text) and not refused,
                "fetchable": bool(seen and any(one["layer"] for one in seen["missing"]))}

    found = await run_in_threadpool(values)
    words = [*with_calibration(folder)[1], *window_of(request).unit_words]
    return page(request, "area.html", **found, command=command(folder, "estimate", AREA_FILE, *words))


async def _asked(request: Request) -> tuple[dict[str, list[str]], Window, Path]:
    """Return the form that a page of an area sent, the window, and the folder of the area."""
    form, window = await form_of(request), window_of(request)
    return form, window, window.areas.folder(request.path_params["area"])


async def fetch(request: Request) -> Response:
    """Get what is missing from the public services, because the user pressed the button."""
    _, window, folder = await _asked(request)
    return to_job(request, _recognise(window, folder, True))


async def newer(request: Request) -> Response:
    """Get newer weekly drought maps, because the user pressed the button; without newer ones nothing changes."""
    _, window, folder = await _asked(request)
    runs = await run_in_threadpool(_runs, folder)
    if not runs or not runs[0].newest_map:
        raise WindowError("E-WIN-022 this area has no run with weekly drought maps, so there is nothing to compare "
                          "with. Estimate it first, or fetch what is missing.", 409)
    if _weeks_were_fetched(folder):  # with the rest of what was fetched
        return to_job(request, _recognise(window, folder, True))
    since, given = runs[0].newest_map, _again(window, folder, False)
    day = (date.fromisoformat(since) + timedelta(days=1)).isoformat()
    into = f"{FILES}/{WEEKS}"

    def after(answer: dict[str, Any]) -> str:
        if answer["new"] is not None:
            _keep_edited(folder)
            _write(folder / SEEN, json.dumps(answer["new"]))
        _write(folder / NEWS, json.dumps({"said": answer["said"], "asked": date.today().isoformat(),
                                          "came": answer["new"] is not None, "run": runs[0].name}))
        return f"/areas/{folder.name}"

    words = ["fetch", "drought", "--from", day, "--to", date.today().isoformat(), "--into", into]
    return to_job(request, window.desk.start(
        folder.name, "New drought data?", "newer", {"since": since, "into": str(folder / FILES / WEEKS),
                                                    "again": given[0]}, after,
        command=f"{command(folder, *words)}\n{command(folder, *given[1]).splitlines()[1]}", lock=written_by_us(folder)))


def _weeks_were_fetched(folder: Path) -> bool:
    """Return whether the weekly maps of an area came with `riskmap new --fetch`."""
    return any(one["section"] == "drought" and one["key"] == "path" and "fetched" in one["value"]
               for one in (_seen(folder) or {}).get("guesses", []))


def _news(folder: Path) -> dict[str, Any] | None:
    """Return what the service answered last, where it was asked."""
    with suppress(OSError, ValueError):
        content = json.loads((folder / NEWS).read_text(encoding="utf-8")[:MOST_SEEN])
        if isinstance(content, dict) and {"said", "asked", "came", "run"} <= set(content):
            return content
    return None


async def settings(request: Request) -> Response:
    """Write the area file as the user edited it, and check it."""
    form, window, folder = await _asked(request)
    with written_by_us(folder):
        _write(folder / AREA_FILE, form.get("text", [""])[0].replace("\r\n", "\n"))

    def after(answer: dict[str, Any]) -> str:
        seen = _seen(folder) or {"guesses": [], "missing": [], "left": [], "fetched": []}
        _write(folder / SEEN, json.dumps({**seen, "check": answer, "open_points": answer["refusals"], "missing": [],
                                          "edited": True, "complete": not answer["refusals"]}))
        return f"/areas/{folder.name}"

    return to_job(request, window.desk.start(
        folder.name, "Check the files", "check", {"area": str(folder / AREA_FILE)}, after,
        command=command(folder, "check", AREA_FILE), lock=written_by_us(folder)))


def _means(seen: dict[str, Any] | None) -> dict[str, str]:
    """Return the column of the lot file -> our name, of the lines that were written."""
    return {json.loads(one["value"]): one["key"] for one in (seen or {}).get("guesses", [])
            if one["section"] == "lots.columns" and one["written"] and json.loads(one["value"])}


async def columns(request: Request) -> Response:
    """Recognise the files again with what the user says about columns of the lot file."""
    form, window, folder = await _asked(request)
    seen = _seen(folder) or {}
    means = dict.fromkeys((one["name"] for one in seen.get("columns", [])), "") | _means(seen)
    named = column_menus.said(form, means, column_menus.OF_LOTS)
    return to_job(request, _recognise(window, folder, False, named))


def _cells(seen: dict[str, Any] | None) -> list[dict[str, Any]]:
    """Return the questions of which cell of the weather is meant: its key, its cells, and the one that was chosen."""
    cells = (seen or {}).get("cells", [])
    return [{"key": key, "cells": [one for one in cells if one["key"] == key],
             "chosen": next((json.loads(one["value"]) for one in (seen or {})["guesses"]
                             if one["written"] and (one["section"], one["key"]) == ("climate", key)), "")}
            for key in dict.fromkeys(one["key"] for one in cells)]


async def lots_file(request: Request) -> Response:
    """Recognise the files again with the file of lots that the user chose."""
    form, window, folder = await _asked(request)
    chosen = form.get("lots", [""])[0]
    if chosen not in [one["name"] for one in (_seen(folder) or {}).get("lots_files", [])]:
        raise WindowError("E-WIN-026 no file of lots was chosen. Choose one in the menu.")
    return to_job(request, _recognise(window, folder, False, lots=chosen))


async def system(request: Request) -> Response:
    """Recognise the files again with the coordinate system of the lots that the user chose."""
    form, window, folder = await _asked(request)
    chosen = form.get("crs", [""])[0]
    if chosen not in [one["code"] for one in (_seen(folder) or {}).get("systems", [])]:
        raise WindowError("E-WIN-027 no coordinate system was chosen. Choose one in the menu.")
    return to_job(request, _recognise(window, folder, False, crs=chosen))


async def cell(request: Request) -> Response:
    """Recognise the files again with the cell of the weather that the user chose."""
    form, window, folder = await _asked(request)
    asked = _cells(_seen(folder))
    chosen = [form.get(one["key"], [""])[0] for one in asked]
    if not asked or any(name not in [cell["name"] for cell in one["cells"]]
                        for name, one in zip(chosen, asked, strict=True)):
        raise WindowError("E-WIN-025 no cell of the weather was chosen. Choose one in the menu.")
    return to_job(request, _recognise(window, folder, False, cells=list(dict.fromkeys(chosen))))


async def estimate(request: Request) -> Response:
    """Estimate the area."""
    _, window, folder = await _asked(request)
    put, words = with_calibration(folder)
    job = window.desk.start(
        folder.name, "Estimate every lot", "estimate",
        {"area": str(folder / AREA_FILE), "outputs": str(folder / OUTPUTS), "units": window.units, **put},
        lambda run: f"/areas/{folder.name}/runs/{run}",
        command=command(folder, "estimate", AREA_FILE, *words, *window.unit_words), lock=written_by_us(folder))
    return to_job(request, job)


async def findings(request: Request) -> Response:
    """Return all findings as a file: the one of `riskmap check --json`, or that of `--csv`."""
    seen = _seen(window_of(request).areas.folder(request.path_params["area"]))
    if seen is None:
        return go(request, f"/areas/{request.path_params['area']}")
    name = request.url.path.rsplit("/", 1)[1]
    content = seen["check"]["json"] if name == FINDINGS[0] else await run_in_threadpool(_as_csv, seen["check"]["json"])
    return Response(content, media_type="application/json" if name == FINDINGS[0] else "text/csv",
                    headers={"Content-Disposition": f'attachment; filename="{name}"'})


def _as_csv(report: str) -> bytes:
    from riskmap import api

    return api.findings_csv(json.loads(report)["problems"]).encode("utf-8-sig")  # a spreadsheet needs the mark


ROUTES = [
    Route("/areas/{area}", area), *(Route(f"/areas/{{area}}/{name}", findings) for name in FINDINGS),
    *(Route(f"/areas/{{area}}/{name}", answer, methods=["POST"]) for name, answer in (
        ("files", add), ("fetch", fetch), ("newer", newer), ("settings", settings), ("columns", columns),
        ("lots", lots_file), ("system", system), ("cell", cell), ("estimate", estimate))),
]
