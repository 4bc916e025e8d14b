"""Binds the loopback address, prints and opens the first page, and serves until Ctrl-C or "Close"."""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Callable
from pathlib import Path

import uvicorn

from riskmap.window.app import Window, assets, made
from riskmap.window.areas import Areas
from riskmap.window.guard import HOST
from riskmap.window.list_pages import warm
from riskmap.window.refusals import WindowError

CONNECTIONS = 100  # at once; a browser opens six for one page
GRACE_S = 2
WARM_AFTER_S = 1.0  # judgement: then the browser has the first page


class Server:
    """A window that has its address; `serve` answers until it is stopped."""

    def __init__(self, root: Path, port: int = 0, units: str = "us") -> None:
        """Bind a port of this computer; 0 takes any free one.

        Raises
        ------
        WindowError
            When the port is not available, or the folder of areas cannot be made.
        """
        areas = Areas(root)
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            if os.name != "nt":  # there the option would let another program take the port away
                self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            self._socket.bind((HOST, port))
            self._socket.listen()
        except (OSError, OverflowError) as error:
            self._socket.close()
            raise WindowError(f"E-WIN-017 {HOST}:{port}: {getattr(error, 'strerror', None) or error}. Name another "
                              "port with --port, or leave it out.") from None
        self.port = int(self._socket.getsockname()[1])
        self.window = Window(areas, units=units, stop=self.stop)
        self._server = uvicorn.Server(uvicorn.Config(
            made(self.window, self.port), log_level="critical", access_log=False, server_header=False, lifespan="off",
            ws="none", limit_concurrency=CONNECTIONS, timeout_graceful_shutdown=GRACE_S, proxy_headers=False))

    @property
    def address(self) -> str:
        """The first address, with its key."""
        return f"http://{HOST}:{self.port}/?key={self.window.secret.key}"

    def serve(self, ready: Callable[[], None] = lambda: None) -> None:
        """Serve until `stop` or Ctrl-C; `ready` is called from the moment in which requests wait to be answered."""
        warming = threading.Timer(WARM_AFTER_S, self._warm)  # the first page comes before it
        warming.daemon = True
        warming.start()
        threading.Thread(target=assets, daemon=True).start()  # while the browser starts
        try:
            ready()
            self._server.run(sockets=[self._socket])
        finally:
            warming.cancel()
            self.window.stopping.set()
            self.window.desk.close()
            self._socket.close()

    def _warm(self) -> None:
        """Start a worker, and load what the pages of the areas that are there need."""
        self.window.desk.warm()
        warm(self.window.areas)

    def stop(self) -> None:
        """End serving."""
        self.window.stopping.set()
        self._server.should_exit = True
