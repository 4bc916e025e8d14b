"""The pages of lists and surveys: files of the user that are compared with a run."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from riskmap.common import wording
from riskmap.common.errors import RiskmapError
from riskmap.window import column_menus, uploads
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
SAY_COLUMNS = "Say what the columns of the list are"


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


def _screen(request: Request, area: Path, listing: Path, run: Path, columns: dict[str, str],
            chosen: Sequence[tuple[int, str, str]] = ()) -> Response:
    """Start the answer to a list; from its job the user can go on to the columns of the list."""
    window, words = window_of(request), column_menus.words(columns)
    choices = _free(listing.with_name(f"{listing.stem}-choices.csv"))
    if chosen:
        words += ["--choices", f"{LISTS}/{choices.name}"]
    put, more = with_calibration(area)
    job = window.desk.start(
        area.name, "Answer the list", "screen", {"run": str(run), "listing": str(listing), "columns": columns,
                                                 "units": window.units, "chosen": list(chosen),
                                                 "choices": str(choices), **put},
        lambda name: f"/areas/{area.name}/runs/{name}",
        command=command(area, "screen", run.name, f"{LISTS}/{listing.name}", *words, *more, *window.unit_words),
        lock=written_by_us(area))
    job.otherwise = (f"/areas/{area.name}/lists/{listing.name}?{urlencode({'run': run.name})}", SAY_COLUMNS)
    return to_job(request, job)


async def choose(request: Request) -> Response:
    """Answer a list again, with the lots that the user chose for its open rows."""
    form = await form_of(request)
    folder = folder_of(request)
    answer = await run_in_threadpool(answer_of, folder)
    places = None if answer is None else list_of(folder, answer)
    if answer is None or places is None:
        raise WindowError("E-WIN-021 the list or the run of this answer is not in the area any more. Give the list "
                          "again.", 404)
    chosen = [(one.row, one.listed_as, lot) for one in answer.open_rows
              if (lot := form.get(f"lot-{one.row}", [one.chosen])[0].strip())]
    return _screen(request, folder.parent.parent, *places, answer.columns, chosen)


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
    area = window_of(request).areas.folder(request.path_params["area"])
    listing, run, _ = await _one_file(request, area, LISTS)
    return _screen(request, area, listing, run, {})


@dataclass(frozen=True)
class _List:
    """A list of the area, the run it is compared with, the columns that were named before, and what is in it."""

    area: Path
    listing: Path
    run: Path
    named: dict[str, str]
    found: dict[str, Any]

    @property
    def means(self) -> dict[str, str]:
        """Column -> our name, empty where it is not used."""
        return {one["name"]: one["means"] for one in self.found["columns"]}

    @property
    def meanings(self) -> dict[str, str]:
        """What a column can be; an address only where there are some to compare with."""
        return {ours: said for ours, said in column_menus.OF_LISTS.items()
                if ours != "address" or self.found["addresses"]}


async def _list(request: Request, run: str, answered: str) -> _List:
    """Return the list that an address names; `answered` is the folder of an earlier answer to it, or empty."""
    window = window_of(request)
    area = window.areas.folder(request.path_params["area"])
    listing = entry_of(area / LISTS, request.path_params["listing"])
    run_folder = entry_of(entry_of(area, OUTPUTS), run)
    named: dict[str, str] = {}
    if answered:
        answer = await run_in_threadpool(answer_of, entry_of(area / OUTPUTS, answered))
        named = answer.columns if answer is not None and answer.listing == listing.name else {}
    found = await run_in_threadpool(window.desk.ask, "list_columns", run=str(run_folder), listing=str(listing),
                                    columns=named)
    return _List(area, listing, run_folder, named, found)


async def list_columns(request: Request) -> Response:
    """Ask what the columns of a list are."""
    answered = request.query_params.get("answer", "")
    one = await _list(request, request.query_params.get("run", ""), answered)
    words = [*column_menus.words(one.named), *with_calibration(one.area)[1], *window_of(request).unit_words]
    return page(request, "list.html", listing=one.listing.name, run=one.run.name, answered=answered, means=one.means,
                meanings=one.meanings, caution=wording.CAUTION_LENDER, **one.found,
                command=command(one.area, "screen", one.run.name, f"{LISTS}/{one.listing.name}", *words))


async def with_columns(request: Request) -> Response:
    """Answer a list with the columns that the user chose."""
    form = await form_of(request)
    one = await _list(request, form.get("run", [""])[0], form.get("answer", [""])[0])
    columns = column_menus.together(one.named, column_menus.said(form, one.means, one.meanings))
    return _screen(request, one.area, one.listing, one.run, columns)


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
    Route("/areas/{area}/lists/{listing}", list_columns),
    Route("/areas/{area}/lists/{listing}", with_columns, methods=["POST"]),
    Route("/areas/{area}/runs/{run}/choices", choose, methods=["POST"]),
    Route("/areas/{area}/surveys", surveys), Route("/areas/{area}/surveys", calibrate, methods=["POST"]),
    Route("/areas/{area}/calibration", switch, methods=["POST"]),
]
