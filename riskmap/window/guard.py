"""Which requests are answered: those of the browser of this computer that was given the key, and of no other page.

- Host must be this computer with the port of the server, so that a page elsewhere cannot reach the server under a name
  of its own (DNS rebinding): 421 otherwise.
- The first address has a random key. It is exchanged for a cookie that scripts cannot read and that the browser sends
  from our own pages only; without it: 403.
- A request that could change something must come from our own origin and must contain the token of our own forms
  (`token_is_right`): 403 otherwise.
- Every answer has a policy under which only our own scripts and styles run, and which no other page may frame.
"""

from __future__ import annotations

import hmac
import secrets
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from riskmap.common import loopback

NAMES = (loopback.HOST, "localhost", f"[{loopback.HOST_6}]")
READING = {"GET", "HEAD"}
TOKEN_HEADER, TOKEN_FIELD = "x-riskmap-token", "token"
POLICY = ("default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; "
          "connect-src 'self'; frame-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
HEADERS = {
    # same-origin: with no-referrer a browser sends `Origin: null` with a form, and the origin could not be checked
    "Content-Security-Policy": POLICY, "X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin", "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin", "Cache-Control": "no-store",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}


@dataclass
class Secrets:
    """The random texts of one server; each has 256 bits.

    Attributes
    ----------
    key : str
        In the first address.
    session : str
        Value of the cookie.
    token : str
        In every form, and in a header of requests of our scripts.
    """

    key: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    session: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    token: str = field(default_factory=lambda: secrets.token_urlsafe(32))


def same(given: str, ours: str) -> bool:
    """Return whether two texts are equal, in a time that does not show where they differ."""
    return hmac.compare_digest(given.encode("utf-8", "replace"), ours.encode("utf-8"))


class Guard:
    """Answers what is not allowed, and adds the headers to everything that is."""

    def __init__(self, app: ASGIApp, secret: Secrets, port: int) -> None:
        """Guard an application that is served at a port of this computer."""
        self._app, self._secret = app, secret
        self._hosts = {f"{name}:{port}" for name in NAMES}
        self._cookie = f"riskmap_{port}"  # browsers do not separate cookies by port

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or pass it on."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        refused = self._refusal(scope)

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        await (refused or self._app)(scope, receive, send_with_headers)

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        if (status := loopback.refusal(scope, self._hosts)) is not None:
            return PlainTextResponse("This page is for the browser of this computer.", status)
        reading = scope["method"] in READING
        key = parse_qs(scope.get("query_string", b"").decode("latin-1")).get("key", [""])[0]
        if reading and scope["path"] == "/" and key and same(key, self._secret.key):
            answer = RedirectResponse("/", 303)
            answer.set_cookie(self._cookie, self._secret.session, httponly=True, samesite="strict", path="/")
            return answer
        if not same(self._session(headers), self._secret.session):
            return PlainTextResponse("Open the address that riskmap printed: it has a key at its end.", 403)
        site = headers.get("sec-fetch-site", "same-origin")
        if site not in ("same-origin", "none"):
            return PlainTextResponse("Another page asked for this.", 403)
        if not reading and headers.getlist("origin") != [f"http://{headers['host'].lower()}"]:
            return PlainTextResponse("Another page asked for this.", 403)
        return None

    def _session(self, headers: Headers) -> str:
        try:
            cookies = SimpleCookie("; ".join(headers.getlist("cookie")))
        except CookieError:
            return ""
        return cookies[self._cookie].value if self._cookie in cookies else ""
