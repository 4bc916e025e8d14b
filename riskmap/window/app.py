"""The application: its addresses, what each needs, and how refusals are shown."""

from __future__ import annotations

import asyncio
import errno
import json
import shlex
import threading
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import jinja2
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp

from riskmap.outputs import typeface
from riskmap.window import uploads
from riskmap.window.areas import OUTPUTS, Areas, entry_of, in_use, keep_command
from riskmap.window.guard import TOKEN_FIELD, TOKEN_HEADER, Guard, Secrets, same
from riskmap.window.jobs import Desk, Job
from riskmap.window.refusals import WindowError, cannot_write, no_such, no_token, too_long

HOME = Path(__file__).parent
KINDS = {".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml",
         ".woff2": "font/woff2"}
MOST_FORM = 1 << 20  # bytes of a form without files: an area file has a few thousand
NOT_WRITTEN = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS, errno.EACCES, errno.EPERM}
EVERY_S = 0.25  # how often a page hears of a job
Answer = Callable[[Request], Awaitable[Response]]


@dataclass
class Window:
    """What all pages share."""

    areas: Areas
    secret: Secrets = field(default_factory=Secrets)
    desk: Desk = field(default_factory=Desk)
    bounds: uploads.Bounds = field(default_factory=uploads.Bounds)
    units: str = "us"
    stop: Callable[[], None] = lambda: None
    stopping: threading.Event = field(default_factory=threading.Event)
    cache: dict[tuple[str, ...], Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Let every folder of outputs have the command that makes it again."""
        self.desk.done = self._keep_command

    def _keep_command(self, job: Job) -> None:
        place, _, name = job.after.rpartition("/runs/")
        if name and job.command and job.area and place == f"/areas/{job.area}":
            keep_command(self.areas.root / job.area, name, job.command)

    @property
    def unit_words(self) -> list[str]:
        """The words of a command that ask for the units of this window."""
        return [] if self.units == "us" else ["--units", self.units]


@cache
def _pages() -> jinja2.Environment:
    pages = jinja2.Environment(loader=jinja2.FileSystemLoader(HOME / "pages"), autoescape=True,
                               undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    pages.globals["thousands"] = lambda count: f"{count:,}"
    return pages


def window_of(request: Request) -> Window:
    """Return what all pages share."""
    window: Window = request.app.state.window
    return window


def folder_of(request: Request) -> Path:
    """Return the folder of outputs that the address of a request names."""
    area = window_of(request).areas.folder(request.path_params["area"])
    folder = entry_of(entry_of(area, OUTPUTS), request.path_params["run"])
    if not folder.is_dir():
        raise no_such()
    return folder


def page(request: Request, name: str, status: int = 200, **values: Any) -> HTMLResponse:
    """Return a page; every value is escaped by the template."""
    window = window_of(request)
    area = request.path_params.get("area", "")
    calibration = in_use(window.areas.root / area) if area in window.areas.names() else None
    shared = {"calibration": calibration.parent.name if calibration else "", "token": window.secret.token, "area": area,
              "root": window.areas.root.as_posix(), "command": "", "jobs": window.desk.running()}
    return HTMLResponse(_pages().get_template(name).render({**shared, **values}), status)


def command(folder: Path, *words: str) -> str:
    """Return the command that a page equals, with the folder in which it is given."""
    return f"cd {shlex.quote(folder.as_posix())}\nriskmap {' '.join(shlex.quote(word) for word in words)}"


def wants_json(request: Request) -> bool:
    """Return whether one of our scripts asks, which follows the answer itself."""
    return "application/json" in request.headers.get("accept", "")


def go(request: Request, where: str) -> Response:
    """Send the browser to another page."""
    return JSONResponse({"go": where}) if wants_json(request) else RedirectResponse(where, 303)


def came_from(request: Request) -> str:
    """Return the page of ours from which a request came, for a link back; empty text where none is known."""
    try:
        path = urlsplit(request.headers.get("referer", "")).path
    except ValueError:
        return ""
    itself = request.method != "POST" and path == request.url.path
    return path if path.startswith("/") and not path.startswith("//") and not itself else ""


def to_job(request: Request, job: Job, back: str = "") -> Response:
    """Send the browser to the page of a job; from there it goes back to where it came from."""
    job.back = back or came_from(request) or (f"/areas/{job.area}" if job.area else "/")
    return go(request, f"/jobs/{job.key}")


def is_ours(request: Request) -> Callable[[dict[str, str]], bool]:
    """Return the function that says whether a form has the token, in a field or in the header."""
    token, header = window_of(request).secret.token, request.headers.get(TOKEN_HEADER, "")
    return lambda fields: same(header, token) or same(fields.get(TOKEN_FIELD, ""), token)


async def form_of(request: Request) -> dict[str, list[str]]:
    """Return the fields of a form without files.

    Raises
    ------
    WindowError
        It has no token of ours, or is too long.
    """
    from urllib.parse import parse_qs

    content = b""
    async for piece in request.stream():
        content += piece
        if len(content) > MOST_FORM:
            raise too_long()
    try:
        fields = parse_qs(content.decode("utf-8", "replace"), keep_blank_values=True, max_num_fields=5000)
    except ValueError:
        raise too_long() from None
    if not is_ours(request)({name: values[0] for name, values in fields.items()}):
        raise no_token()
    return fields


async def files_of(request: Request, folder: Path) -> uploads.Given:
    """Write the files of a form to the disk, below a folder."""
    window = window_of(request)
    stated = request.headers.get("content-length", "")
    return await uploads.receive(request.stream(), request.headers.get("content-type", ""),
                                 int(stated) if stated.isdigit() else None, folder, window.bounds, is_ours(request))


# ---------------------------------------------------------------- parts of every page
@cache
def assets() -> dict[str, tuple[bytes, str]]:
    """Return the files of the pages by name: nothing of a request becomes a path."""
    found = {path.name: path for path in sorted((HOME / "assets").iterdir()) if path.suffix in KINDS}
    found |= {path.name: path for path in sorted(typeface.PLACE.glob("*.woff2"))}
    read = {name: (path.read_bytes(), KINDS[path.suffix]) for name, path in found.items()}
    read["colours.css"] = (_colours().encode(), KINDS[".css"])
    return read


def _colours() -> str:
    from riskmap.outputs import palette  # it needs pandas, which takes most of a second: the address is printed before

    faces = [f'@font-face{{font-family:"{typeface.FAMILY}";font-weight:{number};font-style:normal;font-display:block;'
             f'src:url(/assets/RiskmapSans-{weight}.woff2) format("woff2")}}'
             for weight, number in typeface.WEIGHTS.items()]
    return "\n".join([palette.css(), *faces])


async def asset(request: Request) -> Response:
    """Return a style, a script or a font of the pages."""
    if (found := (await run_in_threadpool(assets)).get(request.path_params["name"])) is None:
        raise no_such()
    return Response(found[0], media_type=found[1], headers={"Cache-Control": "no-cache"})


def job_of(request: Request) -> Job:
    """Return the job of an address."""
    job = window_of(request).desk.jobs.get(request.path_params["job"])
    if job is None:
        raise WindowError("E-WIN-013 this job is not known: the window was started again since. Open the area: what "
                          "was finished is there.", 404)
    return job


async def job_page(request: Request) -> Response:
    """Show how far a job is."""
    job = job_of(request)
    shown = job.shown()  # read once: the job goes on while the page is made
    if shown["state"] == "done":
        return go(request, shown["after"])
    return page(request, "job.html", job=job, shown=shown, area=job.area, command=job.command)


async def job_events(request: Request) -> Response:
    """Send what a job says, until it ends or the page is left."""
    job, window = job_of(request), window_of(request)

    async def events() -> AsyncIterator[str]:
        version = -1
        while not window.stopping.is_set():
            now = job.version
            if now != version or job.state == "running":
                yield f"data: {json.dumps(job.shown())}\n\n"
            version = now
            if job.state != "running" and job.took:
                return
            await asyncio.sleep(EVERY_S)

    return StreamingResponse(events(), media_type="text/event-stream")


async def job_cancel(request: Request) -> Response:
    """Cancel a job."""
    await form_of(request)
    job = job_of(request)
    await run_in_threadpool(window_of(request).desk.cancel, job)
    return go(request, f"/areas/{job.area}" if job.area else "/")


async def close(request: Request) -> Response:
    """Ask whether to close, or close."""
    if request.method == "POST":
        await form_of(request)
        window_of(request).stop()
        return page(request, "closed.html")
    return page(request, "close.html")


# ---------------------------------------------------------------- refusals
async def refused(request: Request, error: Exception) -> Response:
    """Show what is wrong and what to do; a script gets it as JSON."""
    status = error.status if isinstance(error, WindowError) else getattr(error, "status_code", 500)
    message = str(error) if isinstance(error, WindowError) else (
        "There is no such page. Go back to the list of areas." if status == 404 else str(getattr(error, "detail", "")))
    if wants_json(request):
        return JSONResponse({"message": message}, status)
    return page(request, "refused.html", status, message=message, area="", back=came_from(request))


async def not_written(request: Request, error: Exception) -> Response:
    """Say that something could not be written, such as on a full disk; another failure of the system is a fault."""
    if not isinstance(error, OSError) or error.errno not in NOT_WRITTEN:
        return await fault(request, error)
    return await refused(request, cannot_write(request.path_params.get("area", "") or "this window", error))


async def fault(request: Request, error: Exception) -> Response:
    """Show a fault of riskmap itself."""
    return page(request, "refused.html", 500, area="", back=came_from(request),
                message=f"Internal fault: {type(error).__name__}: {error}. Please report it.")


def made(window: Window, port: int) -> ASGIApp:
    """Return the guarded application for a port of this computer."""
    from riskmap.window import about, area_pages, house_pages, list_pages, run_pages

    routes = [
        Route("/", area_pages.areas), Route("/areas", area_pages.make, methods=["POST"]),
        *area_pages.ROUTES, *run_pages.ROUTES, *list_pages.ROUTES,
        *house_pages.ROUTES, *about.ROUTES,
        Route("/jobs/{job}", job_page), Route("/jobs/{job}/events", job_events),
        Route("/jobs/{job}/cancel", job_cancel, methods=["POST"]),
        Route("/close", close, methods=["GET", "POST"]), Route("/assets/{name}", asset),
    ]
    handlers: dict[Any, Any] = {WindowError: refused, HTTPException: refused, OSError: not_written,
                                Exception: fault}
    app = Starlette(routes=routes, exception_handlers=handlers)
    app.state.window = window
    return Guard(app, window.secret, port)
