"""A server that only the browser of this computer reaches: its sockets, which requests are for it, and how it runs.

`riskmap open` and `riskmap map --serve` are such servers. Both listen on 127.0.0.1, and on ::1 with the same port where
this computer has it, because a browser may look for `localhost` there.
"""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Awaitable, Callable, Collection, MutableMapping
from contextlib import suppress
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import uvicorn

HOST, HOST_6 = "127.0.0.1", "::1"
ADDRESSES = {HOST, HOST_6}
CONNECTIONS = 100  # at once; a browser opens six for one page
GRACE_S = 2
TRIES = 20  # ports that are looked at, where any port will do
FORBIDDEN, MISDIRECTED = 403, 421
Scope = MutableMapping[str, Any]
App = Callable[[Scope, Callable[[], Awaitable[Any]], Callable[[Any], Awaitable[None]]], Awaitable[None]]


def bound(port: int = 0) -> list[socket.socket]:
    """Return listening sockets of one port: on 127.0.0.1, and on ::1 where it is free there.

    Parameters
    ----------
    port : int
        0 takes any port, one that is free on both where there is one.

    Raises
    ------
    OSError, OverflowError
        The port is not available on 127.0.0.1.
    """
    for last in range(TRIES if port == 0 else 1):
        first = _listening(socket.AF_INET, HOST, port)
        second = None
        with suppress(OSError):
            second = _listening(socket.AF_INET6, HOST_6, int(first.getsockname()[1]))
        if second is not None:
            return [first, second]
        if port or last == TRIES - 1 or not _has_6():
            break
        first.close()
    return [first]


def _has_6() -> bool:
    """Return whether this computer has ::1 at all."""
    with suppress(OSError):
        _listening(socket.AF_INET6, HOST_6, 0).close()
        return True
    return False


def _listening(family: socket.AddressFamily, host: str, port: int) -> socket.socket:
    made = socket.socket(family, socket.SOCK_STREAM)
    try:
        if os.name != "nt":  # there the option would let another program take the port away
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if family == socket.AF_INET6:
            made.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        made.bind((host, port))
        made.listen()
    except BaseException:
        made.close()
        raise
    return made


def refusal(scope: Scope, hosts: Collection[str]) -> int | None:
    """Return the status for a request that is not for this server, or None.

    A request must name this computer as its only host, so that a page elsewhere cannot reach the server under a name of
    its own (DNS rebinding), and it must come from this computer.

    Parameters
    ----------
    scope : mapping
        Of ASGI.
    hosts : collection of str
        Names with the port, in small letters.
    """
    host = [value.decode("latin-1").lower() for name, value in scope["headers"] if name == b"host"]
    if len(host) != 1 or host[0] not in hosts:
        return MISDIRECTED
    client = scope.get("client")
    return FORBIDDEN if client is not None and client[0] not in ADDRESSES else None


class LoopbackServer:
    """A server of an application on sockets of this computer."""

    def __init__(self, app: App, sockets: list[socket.socket]) -> None:
        """Take the application and sockets that `bound` returned."""
        self.sockets, self._app = sockets, app
        self._server: uvicorn.Server | None = None
        self._stopped, self._ended, self._thread = threading.Event(), threading.Event(), 0
        self._ended.set()

    @property
    def server_address(self) -> tuple[str, int]:
        """The address on 127.0.0.1."""
        return HOST, int(self.sockets[0].getsockname()[1])

    def serve_forever(self) -> None:
        """Serve until `shutdown` or Ctrl-C; requests that came before wait in the sockets."""
        import uvicorn

        # h11 gives the target of a request as it was sent, so that no other spelling of a name is a name
        self._server = uvicorn.Server(uvicorn.Config(
            self._app, http="h11", log_level="critical", access_log=False, server_header=False, lifespan="off",  # type: ignore[arg-type]
            ws="none", limit_concurrency=CONNECTIONS, timeout_graceful_shutdown=GRACE_S, proxy_headers=False))
        if self._stopped.is_set():
            return
        self._thread = threading.get_ident()
        self._ended.clear()
        try:
            self._server.run(sockets=self.sockets)
        finally:
            self._ended.set()

    def shutdown(self) -> None:
        """End serving. From another thread, return when it has ended; an application may call it while it answers."""
        self._stopped.set()
        if self._server is not None:
            self._server.should_exit = True
        if threading.get_ident() != self._thread:
            self._ended.wait(2 * GRACE_S)

    def server_close(self) -> None:
        """Release the address."""
        for one in self.sockets:
            one.close()
