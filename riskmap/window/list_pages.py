"""The pages of lists and surveys: files of the user that are compared with a run."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from riskmap.common import wording
from riskmap.common.errors import RiskmapError
from riskmap.window import uploads
from riskmap.window.app import command, files_of, folder_of, form_of, go, page, to_job, window_of
from riskmap.window.areas import (
    CALIBRATION,
    LISTS,
    OUTPUTS,
    SURVEYS,
    Areas,
    entry_of,
    in_use,
    use,
    with_calibration,
    written_by_us,
)
from riskmap.window.refusals import WindowError

if TYPE_CHECKING:
    from riskmap.api import AnsweredList

SCREENED, CARD = "screened.html", "calibration.html"


def answer_of(folder: Path) -> AnsweredList | None:
    """Return what an answered list says as a whole; None where it is damaged or of another version."""
    from riskmap import api

    with suppress(RiskmapError):
        return api.answered_list(folder)
    return None


def list_of(folder: Path, answer: AnsweredList) -> tuple[Path, Path] | None:
    """Return the list and the run of an answer, where both are still in the area."""
    with suppress(WindowError):
        return entry_of(folder.parent.parent / LISTS, answer.listing), entry_of(folder.parent, answer.run)
    return None


async def choose(request: Request) -> Response:
    """Answer a list again, with the lots that the user chose for its open rows."""
    form = await form_of(request)
    window, folder = window_of(request), folder_of(request)
    answer = await run_in_threadpool(answer_of, folder)
    places = None if answer is None else list_of(folder, answer)
    if answer is None or places is None:
        raise WindowError("E-WIN-021 the list or the run of this answer is not in the area any more. Give the list "
                          "again.", 404)
    chosen = [(one.row, one.listed_as, lot) for one in answer.open_rows
              if (lot := form.get(f"lot-{one.row}", [one.chosen])[0].strip())]
    area, (listing, run_folder) = folder.parent.parent, places
    choices = _free(listing.with_name(f"{listing.stem}-choices.csv"))
    words = [word for ours, theirs in answer.columns.items() for word in ("--column", f"{ours}={theirs}")]
    if chosen:
        words += ["--choices", f"{LISTS}/{choices.name}"]
    put, more = with_calibration(area)
    return to_job(request, window.desk.start(
        area.name, "Answer the list", "screen", {"run": str(run_folder), "listing": str(listing),
                                                 "columns": answer.columns, "units": window.units, "chosen": chosen,
                                                 "choices": str(choices), **put},
        lambda name: f"/areas/{area.name}/runs/{name}",
        command=command(area, "screen", run_folder.name, f"{LISTS}/{listing.name}", *words, *more, *window.unit_words),
        lock=written_by_us(area)))


def _free(path: Path) -> Path:
    """Return the first name like this one that is free."""
    k, free = 1, path
    while free.exists():
        k += 1
        free = path.with_name(f"{path.stem}-{k}{path.suffix}")
    return free


def _made_with(outputs: Path, name: str) -> list[str]:
    """Return the folders of outputs that have a file of this name, the newest first."""
    if not outputs.is_dir():
        return []
    found = [path for path in outputs.iterdir() if not path.is_symlink() and (path / name).is_file()]
    return [path.name for path in sorted(found, key=lambda path: -path.stat().st_mtime)]


async def _for_list(request: Request, template: str, made: str, *words: str, **more: Any) -> Response:
    """Ask for a file that is compared with a run, and show what was made from earlier ones."""
    from riskmap import api

    area = window_of(request).areas.folder(request.path_params["area"])

    def values() -> dict[str, Any]:
        return {"runs": api.finished_runs(area / OUTPUTS), "answered": _made_with(area / OUTPUTS, made)}

    return page(request, template, **await run_in_threadpool(values), **more, caution=wording.CAUTION_LENDER,
                command=command(area, *words))


async def _one_file(request: Request, area: Path, into: str) -> tuple[Path, Path, dict[str, str]]:
    """Return the file of a form, kept in a folder of the area, the run that the form names, and its fields."""
    with written_by_us(area):
        given = await files_of(request, area)
        kept = uploads.keep(given, area, area / into)
    if len(kept) != 1:
        raise WindowError("E-WIN-016 give one file at a time.")
    return kept[0][0], entry_of(entry_of(area, OUTPUTS), given.fields.get("run", "")), given.fields


async def lists(request: Request) -> Response:
    """Ask for a list, and show the answered ones."""
    return await _for_list(request, "lists.html", SCREENED, "screen", "latest", f"{LISTS}/LIST.xlsx")


async def answer_list(request: Request) -> Response:
    """Answer every row of a list."""
    window = window_of(request)
    area = window.areas.folder(request.path_params["area"])
    listing, run_folder, fields = await _one_file(request, area, LISTS)
    columns = {ours: fields[f"column_{ours}"].strip() for ours in ("lot_id", "address")
               if fields.get(f"column_{ours}", "").strip()}
    words = [word for ours, theirs in columns.items() for word in ("--column", f"{ours}={theirs}")]
    put, more = with_calibration(area)
    return to_job(request, window.desk.start(
        area.name, "Answer the list", "screen", {"run": str(run_folder), "listing": str(listing), "columns": columns,
                                                 "units": window.units, **put},
        lambda name: f"/areas/{area.name}/runs/{name}",
        command=command(area, "screen", run_folder.name, f"{LISTS}/{listing.name}", *words, *more, *window.unit_words),
        lock=written_by_us(area)))


def warm(areas: Areas) -> None:
    """Read one calibration and one answered list, so that the first page of such does not wait for what reads them."""
    from riskmap import api

    with suppress(RiskmapError, OSError):
        of_list = (SCREENED, lambda path: api.answered_list(path.parent))
        for name, read in ((CALIBRATION, api.calibration_said), of_list):
            found = ((areas.root / area / OUTPUTS, made) for area in areas.names()
                     for made in _made_with(areas.root / area / OUTPUTS, name))
            if first := next(found, None):
                read(first[0] / first[1] / name)


async def surveys(request: Request) -> Response:
    """Ask for surveys, and show the calibrations: what each found, and whether it is switched on."""
    from riskmap import api

    area = window_of(request).areas.folder(request.path_params["area"])

    def told() -> list[tuple[str, Any]]:
        found = []
        for name in _made_with(area / OUTPUTS, CARD):
            with suppress(RiskmapError):
                found.append((name, api.calibration_said(entry_of(area / OUTPUTS / name, CALIBRATION))))
        return found

    now = in_use(area)
    return await _for_list(request, "surveys.html", CARD, "calibrate", "latest", f"{SURVEYS}/SURVEYS.csv",
                           calibrations=await run_in_threadpool(told), now=now.parent.name if now else "",
                           card=CARD)


async def switch(request: Request) -> Response:
    """Switch a calibration on, or calibration off; one that the surveys do not allow stays off."""
    from riskmap import api

    form = await form_of(request)
    area = window_of(request).areas.folder(request.path_params["area"])
    name = form.get("name", [""])[0]
    if not name:
        with written_by_us(area):
            use(area, None)
        return go(request, f"/areas/{area.name}/surveys")
    path = entry_of(entry_of(entry_of(area, OUTPUTS), name), CALIBRATION)
    try:
        said = await run_in_threadpool(api.calibration_said, path)
    except RiskmapError as error:
        raise WindowError(str(error), 422) from None
    if not said.on:
        raise WindowError(f"E-WIN-023 {name}: this calibration cannot be switched on. {' '.join(said.lines)}", 409)
    with written_by_us(area):
        use(area, name)
    return go(request, f"/areas/{area.name}/surveys")


async def calibrate(request: Request) -> Response:
    """Compare a run with surveys, and fit a calibration where they allow it."""
    window = window_of(request)
    area = window.areas.folder(request.path_params["area"])
    measured, run_folder, _ = await _one_file(request, area, SURVEYS)
    return to_job(request, window.desk.start(
        area.name, "Compare with the surveys", "calibrate", {"run": str(run_folder), "surveys": str(measured)},
        lambda name: f"/areas/{area.name}/runs/{name}",
        command=command(area, "calibrate", run_folder.name, f"{SURVEYS}/{measured.name}"), lock=written_by_us(area)))


ROUTES = [
    Route("/areas/{area}/lists", lists), Route("/areas/{area}/lists", answer_list, methods=["POST"]),
    Route("/areas/{area}/runs/{run}/choices", choose, methods=["POST"]),
    Route("/areas/{area}/surveys", surveys), Route("/areas/{area}/surveys", calibrate, methods=["POST"]),
    Route("/areas/{area}/calibration", switch, methods=["POST"]),
]
