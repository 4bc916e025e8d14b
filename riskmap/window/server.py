"""Binds the loopback address, prints and opens the first page, and serves until Ctrl-C or "Close"."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

from riskmap.common.loopback import HOST, LoopbackServer, bound
from riskmap.window.app import Window, assets, made
from riskmap.window.areas import Areas
from riskmap.window.list_pages import warm
from riskmap.window.refusals import WindowError

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
        try:
            sockets = bound(port)
        except (OSError, OverflowError) as error:
            raise WindowError(f"E-WIN-017 {HOST}:{port}: {getattr(error, 'strerror', None) or error}. Name another "
                              "port with --port, or leave it out.") from None
        self.port = int(sockets[0].getsockname()[1])
        self.window = Window(areas, units=units, stop=self.stop)
        self._server = LoopbackServer(made(self.window, self.port), sockets)

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
            self._server.serve_forever()
        finally:
            warming.cancel()
            self.window.stopping.set()
            self.window.desk.close()
            self.close()

    def _warm(self) -> None:
        """Start a worker, and load what the pages of the areas that are there need."""
        self.window.desk.warm()
        warm(self.window.areas)

    def stop(self) -> None:
        """End serving."""
        self.window.stopping.set()
        self._server.shutdown()

    def close(self) -> None:
        """Release the address."""
        self._server.server_close()
