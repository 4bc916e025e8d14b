"""One hardened client: named public hosts over https only, no private address, time and size limits, checked content.

The services are only read, so it is safe to repeat a request. It is repeated a few times, with jitter, after faults
that pass by themselves (no connection, time-out, cut transfer, 429, 502, 503, 504), and after no others.
"""

from __future__ import annotations

import ipaddress
import re
import socket
import threading
import zlib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import TYPE_CHECKING, Any

from riskmap.common.errors import LayerError, shown
from riskmap.common.version import __version__

if TYPE_CHECKING:
    import httpx

SOIL = "https://sdmdataaccess.sc.egov.usda.gov"
DROUGHT_MAPS = "https://droughtmonitor.unl.edu"
DROUGHT_STATISTICS = "https://usdmdataservices.unl.edu"
CLIMATE = "https://www.ncei.noaa.gov"
OUTLINES = "https://www2.census.gov"

REPEATABLE = (429, 502, 503, 504)
MOVED = (301, 302, 303, 307, 308)
TOO_BIG_FOR_SERVICE = b"maxjsonlength"  # the soil service's own words with status 500 (seen: soilDB issue 147)
BLANK = b"\xef\xbb\xbf \r\n\t"  # may come before content, like the mark of UTF-8
ERROR_BYTES = 64 * 1024  # length of an error page that is enough to find the reason


class Passing(LayerError):
    """A fault of the connection or the service that may be gone at the next attempt.

    Attributes
    ----------
    wait_s : float or None
        How long the service asks to wait (Retry-After), when it does. [s]
    """

    wait_s: float | None = None


class TooMuch(LayerError):
    """The answer is over a limit; asking for less may help."""


@dataclass(frozen=True)
class Policy:
    """Where a client may go and how long it waits.

    Only the default is meant for use; tests give another one to reach a stand-in server. Nothing outside the program
    changes it, neither an environment variable nor a file; proxies and .netrc of the environment are not used.

    Attributes
    ----------
    origins : frozenset of str
        `scheme://host[:port]` that may be contacted; every redirect is checked against it.
    private : bool
        True allows addresses that are not public.
    attempts : int
        Attempts per request. The wait between them grows from `wait_s` to `longest_wait_s`, with jitter of the same
        size. A service that asks for a wait gets it, and is not asked again when it asks for more than the longest one.
    connect_s, read_s, whole_s : float
        Longest wait for a connection, for the next bytes, and for one whole answer.
    redirects : int
        Number of redirects that are followed.
    """

    origins: frozenset[str] = frozenset({SOIL, DROUGHT_MAPS, DROUGHT_STATISTICS, CLIMATE, OUTLINES})
    private: bool = False
    attempts: int = 4  # judgement, like all the times below
    wait_s: float = 1.0
    longest_wait_s: float = 20.0
    connect_s: float = 15.0
    read_s: float = 60.0
    whole_s: float = 600.0
    redirects: int = 4


PUBLIC = Policy()


@dataclass(frozen=True)
class Kind:
    """A kind of content: media types that announce it, and the first bytes it must have (any if empty)."""

    name: str
    types: tuple[str, ...]
    starts: tuple[bytes, ...] = ()
    proves_itself: bool = False  # its end can be seen from its content, as in JSON and zip


JSON = Kind("JSON", ("application/json", "text/json"), (b"{",), True)
ZIP = Kind("zip", ("application/zip", "application/x-zip-compressed", "application/octet-stream"), (b"PK\x03\x04",),
           True)
CSV = Kind("CSV", ("text/csv", "application/csv", "text/plain", "application/octet-stream"))
TEXT = Kind("plain text", ("text/plain", "application/octet-stream", ""))


@dataclass(frozen=True)
class Request:
    """A GET, or a POST when there is a form. It contains no secret, because these services use no keys."""

    url: str
    kind: Kind
    form: tuple[tuple[str, str], ...] = ()
    max_bytes: int = 64 * 1024**2

    @property
    def method(self) -> str:
        """GET or POST."""
        return "POST" if self.form else "GET"


@dataclass(frozen=True)
class _Moved:
    """Where a redirect leads, and whether a POST remains one."""

    url: str
    keeps_method: bool


@dataclass
class Client:
    """Sends requests under a policy."""

    policy: Policy = PUBLIC
    _http: httpx.Client | None = field(default=None, repr=False)

    def content(self, request: Request) -> bytes:
        """Return the complete, unpacked content of the answer.

        Raises
        ------
        LayerError
            The address is not allowed, the service refuses, or it answers with an outage page or wrong content.
            `TooMuch` when the answer is over a limit, `Passing` when the last attempt failed too.
        """
        import stamina

        policy = self.policy
        with _quiet():
            for attempt in stamina.retry_context(on=self._again, attempts=policy.attempts, timeout=None,
                                                 wait_initial=policy.wait_s, wait_max=policy.longest_wait_s,
                                                 wait_jitter=policy.wait_s):
                with attempt:
                    return self._once(request)
        raise AssertionError("not reached: the last attempt returns or raises")

    def _again(self, error: Exception) -> bool | float:
        """Return whether to try again, or after how many seconds."""
        if not isinstance(error, Passing):
            return False
        if error.wait_s is None:
            return True
        return error.wait_s <= self.policy.longest_wait_s and max(error.wait_s, self.policy.wait_s)

    def close(self) -> None:
        """Close connections that are still open."""
        if self._http is not None:
            self._http.close()
            self._http = None

    # -------------------------------------------------------------------------------------------- one attempt
    def _once(self, request: Request) -> bytes:
        url, method = request.url, request.method
        for _ in range(self.policy.redirects + 1):
            check_address(url, self.policy)
            reply = self._hop(url, method, request)
            if isinstance(reply, bytes):
                _check_start(reply, request)
                return reply
            if method == "POST" and not reply.keeps_method:
                raise LayerError(f"E-FET-004 {host(url)}: sent the question elsewhere in a way that would lose it. The "
                                 "service may have changed; report it to the maintainers.")
            url = reply.url
        raise LayerError(f"E-FET-004 {host(request.url)}: more than {self.policy.redirects} redirects. Try later.")

    def _hop(self, url: str, method: str, request: Request) -> bytes | _Moved:
        """Return the content, or where a redirect leads."""
        import httpx

        with self._deadline(url) as (extensions, late):
            try:
                with self._opened().stream(method, url, data=dict(request.form) or None,
                                           extensions=extensions) as response:
                    if response.status_code in MOVED:
                        return _Moved(_target(url, response.headers.get("location", "")),
                                      response.status_code in (307, 308))
                    return _body(response, request, late)
            except httpx.TransportError as error:
                raise _told(error, url, self.policy, late) from None

    def _opened(self) -> httpx.Client:
        import httpx

        if self._http is None:
            times = httpx.Timeout(self.policy.read_s, connect=self.policy.connect_s)
            self._http = httpx.Client(
                follow_redirects=False, trust_env=False, timeout=times,
                limits=httpx.Limits(max_keepalive_connections=0),
                headers={"User-Agent": f"riskmap/{__version__}", "Accept-Encoding": "identity"})
        return self._http

    @contextmanager
    def _deadline(self, url: str) -> Iterator[tuple[dict[str, Any], threading.Event]]:
        """Watch one hop: refuse a connection to a private address, and close the socket when the whole takes too long.

        The read time-out alone does not stop a server that sends a byte now and then.
        """
        late, lines = threading.Event(), []

        def follow(name: str, info: dict[str, Any]) -> None:
            if name in ("connection.connect_tcp.complete", "connection.start_tls.complete"):
                line = info["return_value"].get_extra_info("socket")
                lines.append(line)
                if not self.policy.private and not is_public(str(line.getpeername()[0])):
                    info["return_value"].close()
                    raise LayerError(f"E-FET-003 {host(url)}: leads to a private address. Check the network's name "
                                     "service.")

        def shut() -> None:
            late.set()
            for line in lines[-1:]:
                with suppress(OSError):  # closed already
                    socket.socket.shutdown(line, socket.SHUT_RDWR)

        timer = threading.Timer(self.policy.whole_s, shut)
        timer.daemon = True
        timer.start()
        try:
            yield {"trace": follow}, late
        finally:
            timer.cancel()


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep the retry library from logging, because with structlog it would print between our data on stdout."""
    from stamina import instrumentation

    before = instrumentation.get_on_retry_hooks()
    instrumentation.set_on_retry_hooks(())
    try:
        yield
    finally:
        instrumentation.set_on_retry_hooks(before)


# ------------------------------------------------------------------------------------------------ addresses
def host(url: str) -> str:
    """Return the host of an address for messages, never its query or user part."""
    import httpx

    try:
        return shown(httpx.URL(url).host) or "(no host)"
    except (httpx.InvalidURL, ValueError):
        return "(no host)"


def check_address(url: str, policy: Policy = PUBLIC) -> None:
    """Raise LayerError unless the address is on the list and its name leads only to public addresses."""
    import httpx

    try:
        parsed = httpx.URL(url)
        origin = f"{parsed.scheme}://{parsed.host}" + (f":{parsed.port}" if parsed.port else "")
    except (httpx.InvalidURL, ValueError):
        raise LayerError("E-FET-001 an address that cannot be read. The service may have changed; nothing was "
                         "asked.") from None
    if origin not in policy.origins or parsed.userinfo:
        raise LayerError(f"E-FET-001 {shown(origin)}: not on the list of public services (https only). Nothing was "
                         "asked there; if a service moved, report it to the maintainers.")
    if policy.private:
        return
    try:
        addresses = {str(entry[4][0]) for entry in socket.getaddrinfo(parsed.host, parsed.port or 443,
                                                                      type=socket.SOCK_STREAM)}
    except (OSError, UnicodeError):
        raise Passing(f"E-FET-002 {parsed.host}: name not found. Is there a network? Files fetched before are used "
                      "with --offline.") from None
    private = sorted(address for address in addresses if not is_public(address))
    if private or not addresses:
        raise LayerError(f"E-FET-003 {parsed.host}: leads to a private address ({', '.join(private)}). Check the "
                         "network's name service.")


def is_public(address: str) -> bool:
    """Return whether an IP address belongs to the open internet; addresses wrapped in IPv6 are unwrapped."""
    try:
        ip = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return False
    if isinstance(ip, ipaddress.IPv6Address):
        inner = ip.ipv4_mapped or ip.sixtofour or (ip.teredo[1] if ip.teredo else None)
        if inner is None and ip in ipaddress.ip_network("64:ff9b::/96"):
            inner = ipaddress.IPv4Address(int(ip) & 0xFFFFFFFF)
        if inner is not None:
            ip = inner
    return ip.is_global and not ip.is_multicast


def _target(url: str, location: str) -> str:
    import httpx

    try:
        return str(httpx.URL(url).join(location))
    except (httpx.InvalidURL, ValueError):
        raise LayerError(f"E-FET-004 {host(url)}: redirects to an address that cannot be read.") from None


# -------------------------------------------------------------------------------------------------- content
def _body(response: httpx.Response, request: Request, late: threading.Event) -> bytes:
    where = host(request.url)
    if response.status_code != 200:
        _raise_status(response, request, where, late)
    media = response.headers.get("content-type", "").partition(";")[0].strip().lower()
    if media not in request.kind.types:
        raise LayerError(f"E-FET-006 {where}: answered with {shown(media) or 'no media type'} instead of "
                         f"{request.kind.name}: an outage or sign-in page. Try later.")
    announced = response.headers.get("content-length", "")
    if announced.isdigit() and int(announced) > request.max_bytes:
        raise TooMuch(f"E-FET-007 {where}: announces {int(announced):,} bytes, more than the {request.max_bytes:,} "
                      "allowed.")
    framed = announced.isdigit() or "chunked" in response.headers.get("transfer-encoding", "").lower()
    if not framed and not request.kind.proves_itself:
        raise LayerError(f"E-FET-008 {where}: does not say how long the {request.kind.name} is, so a cut one would "
                         "not be noticed. Try later.")
    return _unpacked(response, request, late, where)


def _unpacked(response: httpx.Response, request: Request, late: threading.Event, where: str) -> bytes:
    """Return the body. Packed content is unpacked under the same size limit and must end properly."""
    coding = response.headers.get("content-encoding", "identity").strip().lower()
    if coding not in ("identity", "", "gzip", "x-gzip"):
        raise LayerError(f"E-FET-009 {where}: packed in an unknown way ({shown(coding)}). Try later.")
    unpack = zlib.decompressobj(wbits=31) if "gzip" in coding else None
    whole = bytearray()
    for chunk in response.iter_raw(64 * 1024):
        if late.is_set():
            raise Passing(_too_slow(where))
        try:
            whole += chunk if unpack is None else unpack.decompress(chunk, request.max_bytes + 1 - len(whole))
        except zlib.error:
            raise LayerError(f"E-FET-009 {where}: the answer is said to be packed but cannot be unpacked. Try "
                             "later.") from None
        if len(whole) > request.max_bytes:
            raise TooMuch(f"E-FET-007 {where}: more than the {request.max_bytes:,} bytes allowed.")
    if late.is_set():
        raise Passing(_too_slow(where))
    if unpack is not None and (not unpack.eof or unpack.unused_data):
        raise Passing(f"E-FET-010 {where}: the packed answer is cut short.")
    return bytes(whole)


def _check_start(content: bytes, request: Request) -> None:
    """Refuse an outage page that comes with status 200 and the right media type."""
    where, start = host(request.url), content[:4096]
    if start.lstrip(BLANK).startswith(b"<"):
        raise LayerError(f"E-FET-006 {where}: answered with a web page or an error message instead of "
                         f"{request.kind.name}: an outage, daily maintenance or a sign-in page. Try in half an hour.")
    if not content or (request.kind.starts and not start.lstrip(BLANK).startswith(request.kind.starts)):
        raise LayerError(f"E-FET-006 {where}: the answer is not {request.kind.name}"
                         f"{' but empty' if not content else ''}. Try later.")


def _raise_status(response: httpx.Response, request: Request, where: str, late: threading.Event) -> None:
    status, start = response.status_code, bytearray()
    if status in REPEATABLE:
        wait_s = _wait_asked(response.headers.get("retry-after", ""))
        asks = "" if wait_s is None else f"; it asks to wait {wait_s:,.0f} s"
        passing = Passing(f"E-FET-005 {where}: not available now (status {status}{asks}). Try later.")
        passing.wait_s = wait_s
        raise passing
    for chunk in response.iter_raw(4096):
        start += chunk
        if len(start) > ERROR_BYTES or late.is_set():
            break
    if status == 500 and TOO_BIG_FOR_SERVICE in bytes(start).lower():
        raise TooMuch(f"E-FET-007 {where}: the answer is too big for the service.")
    if status in (404, 410):
        raise LayerError(f"E-FET-011 {where}: has no {shown(request.url.partition('?')[0].rpartition('/')[2])} (status "
                         f"{status}). Check the dates or codes asked for.")
    raise LayerError(f"E-FET-012 {where}: refused the request (status {status}). Try later; when it stays, the service "
                     "has changed.")


def _wait_asked(header: str) -> float | None:
    """Return the seconds of a Retry-After header, given as a number or as a date; None when it says neither."""
    text = header.strip()
    if re.fullmatch(r"\d{1,9}", text, re.ASCII):
        return float(text)
    try:
        until = parsedate_to_datetime(text)
    except ValueError:
        return None
    until = until if until.tzinfo else until.replace(tzinfo=UTC)
    return max(0.0, (until - datetime.now(UTC)).total_seconds())


def _too_slow(where: str) -> str:
    return f"E-FET-013 {where}: the answer takes too long. Try later or ask for a smaller area."


def _told(error: httpx.TransportError, url: str, policy: Policy, late: threading.Event) -> LayerError:
    import httpx

    where = host(url)
    if late.is_set() or isinstance(error, httpx.ReadTimeout | httpx.WriteTimeout | httpx.PoolTimeout):
        return Passing(_too_slow(where))
    if isinstance(error, httpx.ConnectError | httpx.ConnectTimeout):
        if "certificate" in str(error).lower():
            return LayerError(f"E-FET-014 {where}: its certificate is not trusted; nothing was asked. A filter between "
                              "you and the service may cause it.")
        return Passing(f"E-FET-002 {where}: no connection within {policy.connect_s:g} s. Is there a network? Files "
                       "fetched before are used with --offline.")
    return Passing(f"E-FET-010 {where}: the transfer was cut ({type(error).__name__}). Try again.")
