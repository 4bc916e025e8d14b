"""Show a few files to the browser on this computer and to nobody else: it can only read them, by name, in ranges.

The server listens on the loopback address only. It knows its files by name from the start; there is no listing, and no
path is ever built from a request. A request must name this computer as its host, so that a page elsewhere cannot reach
the files under a name of its own (DNS rebinding).
"""

from __future__ import annotations

import re
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from riskmap.common.errors import RiskmapError

HOST = "127.0.0.1"
KINDS = {".html": "text/html; charset=utf-8", ".pmtiles": "application/octet-stream"}
CHUNK = 1 << 18
SECONDS = 30  # a connection that is silent for this long is closed
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


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    server_version, sys_version = "riskmap", ""
    timeout = SECONDS

    def __init__(self, files: Mapping[str, Path], *args: object) -> None:
        self._files = files
        super().__init__(*args)  # type: ignore[arg-type]

    def do_GET(self) -> None:
        self._answer(body=True)

    def do_HEAD(self) -> None:
        self._answer(body=False)

    def log_message(self, format: str, *args: object) -> None:
        """Print nothing, because one line per tile would hide what matters."""

    def send_error(self, code: int, message: str | None = None, explain: str | None = None) -> None:
        """Answer with a status and no text, so that nothing of a request comes back."""
        self._head(code, {"Content-Length": "0", "Connection": "close"})
        self.close_connection = True

    def _head(self, status: int, more: dict[str, str]) -> None:
        self.send_response(status)
        for name, value in (HEADERS | more).items():
            self.send_header(name, value)
        self.end_headers()

    def _answer(self, body: bool) -> None:
        host, port = self.headers.get_all("Host") or [""], self.connection.getsockname()[1]
        if len(host) != 1 or host[0].lower() not in {f"{HOST}:{port}", f"localhost:{port}"}:
            return self.send_error(HTTPStatus.MISDIRECTED_REQUEST)
        path = self._files.get(self.path.split("?", 1)[0])
        if path is None:
            return self.send_error(HTTPStatus.NOT_FOUND)
        try:
            with path.open("rb") as file:
                size = file.seek(0, 2)
                try:
                    span = byte_range(self.headers.get("Range"), size)
                except ValueError:
                    return self._head(HTTPStatus.REQUESTED_RANGE_NOT_SATISFIABLE,
                                      {"Content-Range": f"bytes */{size}", "Content-Length": "0"})
                low, high = span or (0, size - 1)
                more = {"Content-Type": KINDS[path.suffix], "Accept-Ranges": "bytes",
                        "Content-Length": str(high - low + 1)}
                more |= {"Content-Range": f"bytes {low}-{high}/{size}"} if span else {}
                self._head(HTTPStatus.PARTIAL_CONTENT if span else HTTPStatus.OK, more)
                if body:
                    self._send(file, low, high)
        except (BrokenPipeError, ConnectionResetError, TimeoutError):
            self.close_connection = True  # the browser has moved on to something else
        except OSError:
            self.send_error(HTTPStatus.NOT_FOUND)

    def _send(self, file: object, low: int, high: int) -> None:
        file.seek(low)  # type: ignore[attr-defined]
        left = high - low + 1
        while left > 0:
            chunk = file.read(min(CHUNK, left))  # type: ignore[attr-defined]
            if not chunk:  # the file was cut while it was read, so the answer cannot be completed
                self.close_connection = True
                return
            self.wfile.write(chunk)
            left -= len(chunk)


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    allow_reuse_address = True

    def handle_error(self, request: object, client_address: object) -> None:
        """Print nothing about a connection that broke."""


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


def server(files: Mapping[str, Path], port: int = 0) -> ThreadingHTTPServer:
    """Return a server of some files on the loopback address; `port` 0 takes any free port.

    Raises
    ------
    ServeError
        When the port is not available.
    """
    try:
        return _Server((HOST, port), partial(_Handler, files))
    except (OSError, OverflowError) as error:
        raise ServeError(f"E-SRV-001 {HOST}:{port}: {getattr(error, 'strerror', None) or error}. "
                         "Name another port with --port, or leave it out.") from None


def until_stopped(running: ThreadingHTTPServer, stop: threading.Event) -> None:
    """Serve until `stop` is set or Ctrl-C is pressed, then close."""
    thread = threading.Thread(target=running.serve_forever, kwargs={"poll_interval": 0.2}, daemon=True)
    try:  # from the first moment in which it answers, because Ctrl-C may come before the wait begins
        thread.start()
        while not stop.wait(0.2):
            pass
    except KeyboardInterrupt:
        pass
    finally:
        if thread.ident is not None:  # a thread that never began would never report that it has ended
            running.shutdown()
            thread.join()
        running.server_close()


@dataclass(frozen=True)
class MapServer:
    """A server that already has its address; its files are served from `until_stopped` on."""

    running: ThreadingHTTPServer

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
