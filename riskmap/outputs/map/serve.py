"""Show a few files to the browser on this computer and to nobody else: it can only read them, by name, in ranges.

The server (`common.loopback`, as for `riskmap open`) listens on the loopback addresses only. It knows its files by name
from the start; there is no listing, and no path is ever built from a request.
"""

from __future__ import annotations

import asyncio
import re
import threading
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from http import HTTPStatus
from pathlib import Path
from typing import Any

from riskmap.common import loopback
from riskmap.common.errors import RiskmapError
from riskmap.common.loopback import HOST, LoopbackServer

KINDS = {".html": "text/html; charset=utf-8", ".pmtiles": "application/octet-stream"}
CHUNK = 1 << 18
Send = Callable[[Any], Awaitable[None]]
HEADERS = {
    "X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY", "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin", "Cross-Origin-Opener-Policy": "same-origin",
    "Cache-Control": "no-store",
}
_RANGE = re.compile(r"bytes=(\d{0,15})-(\d{0,15})")


class ServeError(RiskmapError):
    """The address is taken, or a file to be shown does not exist."""


def byte_range(header: str | None, size: int) -> tuple[int, int] | None:
    """Return the first and last byte requested (RFC 9110, section 14), or None for the whole file.

    A header that is not one plain range of bytes is ignored, as the standard allows. ValueError when no byte of the
    range exists.
    """
    match = _RANGE.fullmatch(header.strip()) if header else None
    if match is None or match.groups() == ("", ""):
        return None
    first, last = match.groups()
    if not first:  # the last bytes
        count = min(int(last), size)
        if count == 0:
            raise ValueError("no byte of the file lies in this range")
        return size - count, size - 1
    low, high = int(first), min(int(last) if last else size - 1, size - 1)
    if last and int(last) < low:
        return None
    if low >= size:
        raise ValueError("no byte of the file lies in this range")
    return low, high


class _Files:
    """Answers requests for a few files; it speaks ASGI, and `common.loopback` serves it."""

    def __init__(self, files: Mapping[str, Path], port: int) -> None:
        self._files = files
        self._hosts = {f"{HOST}:{port}", f"localhost:{port}"}

    async def __call__(self, scope: loopback.Scope, receive: object, send: Send) -> None:
        if scope["type"] == "http":
            with suppress(OSError):  # the browser has moved on to something else
                await self._answer(scope, send)

    async def _answer(self, scope: loopback.Scope, send: Send) -> None:
        if (status := loopback.refusal(scope, self._hosts)) is not None:
            return await _nothing(send, status)
        if scope["method"] not in ("GET", "HEAD"):
            return await _nothing(send, HTTPStatus.NOT_IMPLEMENTED)
        path = self._files.get(scope["raw_path"].split(b"?", 1)[0].decode("latin-1"))
        try:
            file = None if path is None else path.open("rb")
        except OSError:
            file = None
        if path is None or file is None:
            return await _nothing(send, HTTPStatus.NOT_FOUND)
        with file:
            size = file.seek(0, 2)
            asked = [value.decode("latin-1") for name, value in scope["headers"] if name == b"range"]
            try:
                span = byte_range(asked[0] if len(asked) == 1 else None, size)
            except ValueError:
                return await _nothing(send, HTTPStatus.REQUESTED_RANGE_NOT_SATISFIABLE,
                                      {"Content-Range": f"bytes */{size}"}, close=False)
            low, high = span or (0, size - 1)
            more = {"Content-Type": KINDS[path.suffix], "Accept-Ranges": "bytes", "Content-Length": str(high - low + 1)}
            more |= {"Content-Range": f"bytes {low}-{high}/{size}"} if span else {}
            await _head(send, HTTPStatus.PARTIAL_CONTENT if span else HTTPStatus.OK, more)
            left = high - low + 1 if scope["method"] == "GET" else 0
            file.seek(low)
            while left > 0:
                chunk = await asyncio.to_thread(file.read, min(CHUNK, left))
                if not chunk:  # the file was cut while it was read, so the answer cannot be completed
                    break
                await send({"type": "http.response.body", "body": chunk, "more_body": True})
                left -= len(chunk)
            await send({"type": "http.response.body", "body": b""})


async def _head(send: Send, status: int, more: dict[str, str]) -> None:
    headers = [(name.encode("latin-1"), value.encode("latin-1")) for name, value in (HEADERS | more).items()]
    await send({"type": "http.response.start", "status": int(status), "headers": headers})


async def _nothing(send: Send, status: int, more: dict[str, str] | None = None, *, close: bool = True) -> None:
    """Answer with a status and no text, so that nothing of a request comes back."""
    await _head(send, status, {**(more or {}), "Content-Length": "0", **({"Connection": "close"} if close else {})})
    await send({"type": "http.response.body", "body": b""})


def served(folder: Path, names: list[str]) -> dict[str, Path]:
    """Return the request paths of some files of a folder; the first is also the answer to `/`.

    Raises
    ------
    ServeError
        When a name is not that of a plain file inside the folder (links that lead out of it are refused).
    """
    root = folder.resolve()
    paths: dict[str, Path] = {}
    for name in names:
        path = (root / name).resolve()
        if path.parent != root or not path.is_file() or path.suffix not in KINDS:
            raise ServeError(f"E-SRV-002 {(folder / name).as_posix()}: this is not a map file of the folder.")
        paths[f"/{name}"] = path
    return {"/": next(iter(paths.values())), **paths}


def server(files: Mapping[str, Path], port: int = 0) -> LoopbackServer:
    """Return a server of some files on the loopback addresses; `port` 0 takes any free port.

    Raises
    ------
    ServeError
        When the port is not available.
    """
    try:
        sockets = loopback.bound(port)
    except (OSError, OverflowError) as error:
        raise ServeError(f"E-SRV-001 {HOST}:{port}: {getattr(error, 'strerror', None) or error}. "
                         "Name another port with --port, or leave it out.") from None
    return LoopbackServer(_Files(files, int(sockets[0].getsockname()[1])), sockets)


def until_stopped(running: LoopbackServer, stop: threading.Event) -> None:
    """Serve until `stop` is set or Ctrl-C is pressed, then close."""
    ended = threading.Event()

    def watch() -> None:
        while not ended.is_set() and not stop.wait(0.1):
            pass
        running.shutdown()

    watching = threading.Thread(target=watch, daemon=True)
    try:
        watching.start()
        running.serve_forever()
    except KeyboardInterrupt:
        pass
    finally:
        ended.set()
        running.server_close()


@dataclass(frozen=True)
class MapServer:
    """A server that already has its address; its files are served from `until_stopped` on."""

    running: LoopbackServer

    @property
    def address(self) -> str:
        """The address to open in a browser of this computer."""
        return f"http://{HOST}:{self.running.server_address[1]}/"

    def until_stopped(self, stop: threading.Event | None = None) -> None:
        """Serve until `stop` is set or Ctrl-C is pressed, then close."""
        until_stopped(self.running, stop or threading.Event())

    def close(self) -> None:
        """Release the address without having served."""
        self.running.server_close()
