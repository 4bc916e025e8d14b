"""A local stand-in for the public services: answers as documented, and misbehaves on request."""

from __future__ import annotations

import io
import json
import re
import ssl
import threading
import time
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import parse_qs

import pandas as pd

from riskmap.download import soil_layout
from riskmap.download.client import Client, Policy

Reply = Callable[["Handler", dict[str, str]], None]
GIVE_UP_S = 60.0  # longer than any answer takes


class Handler(BaseHTTPRequestHandler):
    """Hands every request to the server's `reply` and notes it."""

    protocol_version = "HTTP/1.1"

    def _any(self) -> None:
        length = int(self.headers.get("content-length", 0))
        form = {k: v[0] for k, v in parse_qs(self.rfile.read(length).decode()).items()}
        self.server.asked.append((self.command, self.path, form))  # type: ignore[attr-defined]
        with suppress(BrokenPipeError, ConnectionResetError):
            self.server.reply(self, form)  # type: ignore[attr-defined]
        self.close_connection = True

    do_GET = do_POST = _any

    def log_message(self, *args: object) -> None:
        """Keep quiet."""


class StandIn:
    """A running server. `reply` may be changed at any time; `asked` lists (method, path, form)."""

    def __init__(self, server: ThreadingHTTPServer) -> None:
        self._server = server
        self.origin = f"http://127.0.0.1:{server.server_address[1]}"

    @property
    def asked(self) -> list[tuple[str, str, dict[str, str]]]:
        return self._server.asked  # type: ignore[attr-defined]

    def answer_with(self, reply: Reply) -> None:
        self._server.reply = reply  # type: ignore[attr-defined]

    def use_tls(self, context: ssl.SSLContext) -> None:
        """Speak TLS from now on; the origin changes with it."""
        self._server.socket = context.wrap_socket(self._server.socket, server_side=True)
        self.origin = self.origin.replace("http:", "https:")

    def client(self, **changes: object) -> Client:
        """Return a client that may ask this server only, and is quick to ask again.

        It waits long for an answer, which a busy machine may need; a test of a server that hangs says how long.
        """
        quick = {"attempts": 3, "wait_s": 0.01, "longest_wait_s": 0.02, "connect_s": GIVE_UP_S, "read_s": GIVE_UP_S,
                 "whole_s": GIVE_UP_S}
        return Client(Policy(origins=frozenset({self.origin}), private=True, **{**quick, **changes}))  # type: ignore


@contextmanager
def running() -> Iterator[StandIn]:
    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    server.asked = []  # type: ignore[attr-defined]
    server.reply = page(b"", status=404)  # type: ignore[attr-defined]
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    try:
        yield StandIn(server)
    finally:
        server.shutdown()
        server.server_close()


def send(handler: Handler, body: bytes, media: str, status: int = 200, **headers: str) -> None:
    handler.send_response(status)
    sent = {"content-type": media, "content-length": str(len(body))}
    for name, value in (sent | {k.replace("_", "-"): v for k, v in headers.items()}).items():
        if value != "":
            handler.send_header(name, value)
    handler.end_headers()
    handler.wfile.write(body)


def page(body: bytes, media: str = "application/json", status: int = 200, **headers: str) -> Reply:
    """Return a reply that is always the same."""
    return lambda handler, form: send(handler, body, media, status, **headers)


def files(content: dict[str, tuple[bytes, str]]) -> Reply:
    """Return a reply that serves named paths (the query is part of the name) as (body, media type)."""
    def reply(handler: Handler, form: dict[str, str]) -> None:
        body, media = content.get(handler.path, (b"", ""))
        send(handler, body, media, 200 if media else 404)
    return reply


def hang(handler: Handler, form: dict[str, str]) -> None:
    """Say nothing more until the client has hung up: a reply, or the end of one."""
    handler.connection.settimeout(2 * GIVE_UP_S)
    with suppress(OSError):
        handler.connection.recv(1)


def drip(handler: Handler) -> None:
    """Send a byte now and then until the client has hung up."""
    until = time.monotonic() + 2 * GIVE_UP_S
    while time.monotonic() < until:
        handler.wfile.write(b"{")
        time.sleep(0.05)


# ------------------------------------------------------------------------------------- the soil data service
METADATA = ("ColumnOrdinal={},ColumnSize=255,NumericPrecision=255,NumericScale=255,ProviderType=VarChar,IsLong=False,"
            "ProviderSpecificDataType=System.Data.SqlTypes.SqlString,DataTypeName=varchar")
FILES = {"component": "comp", "corestrictions": "crstrcts", "cosoilmoist": "csmoist", "comonth": "cmonth",
         "cointerp": "cinterp", "sacatalog": "sacatlog"}


def envelope(names: list[str], rows: list[list[str | None]]) -> bytes:
    """Return the service's documented envelope: names, metadata, rows of text or null; nothing found is `{}`."""
    table = [names, [METADATA.format(k) for k in range(len(names))], *rows]
    return json.dumps({"Table": table} if rows else {}).encode()


class SoilService:
    """Answers the two kinds of query from a published download, as the service would.

    `too_big` (rows) makes larger answers fail with the service's own message; `cap` cuts answers at this many rows.
    """

    def __init__(self, download: Path, too_big: int = 10**9, cap: int = 100_000) -> None:
        self.too_big, self.cap = too_big, cap
        with zipfile.ZipFile(download) as opened:
            self._tables = {Path(n).stem: opened.read(n) for n in opened.namelist() if "/tabular/" in n}
            shape = next(n for n in opened.namelist() if re.search(r"soilmu_a_[^/]*\.shp$", n))
        import pyogrio
        import shapely

        frame = pyogrio.read_dataframe(f"/vsizip/{download}/{shape}")
        self.bounds = tuple(frame.total_bounds)
        self._shapes = frame.geometry.to_numpy()
        self._polygons = list(zip(frame["MUKEY"].astype(str), frame["MUSYM"].astype(str),
                                  shapely.to_wkt(self._shapes, rounding_precision=-1), strict=True))
        columns = pd.read_csv(io.BytesIO(self._tables["mstabcol"]), sep="|", header=None, dtype=str, usecols=[0, 1, 2])
        self._columns = {t: list(g.assign(k=g[1].astype(int)).sort_values("k")[2].str.lower())
                         for t, g in columns.groupby(0)}
        self._read: dict[str, pd.DataFrame] = {}

    def table(self, name: str) -> pd.DataFrame:
        """Return a table of the download, every value as stripped text, None where empty."""
        if name not in self._read:
            self._read[name] = self._parsed(name)
        return self._read[name]

    def _parsed(self, name: str) -> pd.DataFrame:
        raw = self._tables.get(FILES.get(name, name), b"")
        if not raw.strip():
            columns = self._columns.get(name) or next(t.columns for t in soil_layout.TABLES if t.name == name)
            return pd.DataFrame(columns=list(columns), dtype=object)
        frame = pd.read_csv(io.BytesIO(raw), sep="|", header=None, names=self._columns[name], dtype=str,
                            keep_default_na=False, encoding="cp1252", index_col=False)
        frame = frame.apply(lambda c: c.str.strip())
        return frame.astype(object).where(frame != "", None)

    def __call__(self, handler: Handler, form: dict[str, str]) -> None:
        assert handler.path == "/tabular/post.rest"
        assert form["format"] == "JSON+COLUMNNAME+METADATA"
        names, rows = self.rows(form["query"])
        if len(rows) > self.too_big:
            send(handler, b"Error during serialization: the length exceeds the value set on the maxJsonLength "
                 b"property.", "text/html", 500)
        else:
            send(handler, envelope(names, rows[:self.cap]), "application/json; charset=utf-8")

    def rows(self, query: str) -> tuple[list[str], list[list[str | None]]]:
        if "mupolygon" in query:
            import shapely

            area = shapely.from_wkt(re.search(r"'(POLYGON[^']*)'", query)[1])  # type: ignore[index]
            hit = shapely.intersects(self._shapes, area)
            return ["mukey", "musym", "geom"], [list(self._polygons[k]) for k in hit.nonzero()[0]]
        return self._table_rows(query)

    def _table_rows(self, query: str) -> tuple[list[str], list[list[str | None]]]:
        name = re.search(r"FROM (\w+) AS T", query)[1]  # type: ignore[index]
        names = re.findall(r"T\.(\w+)", query.partition(" FROM ")[0])
        keys = re.search(r"IN \(([\d, ]+)\)", query)[1].split(", ")  # type: ignore[index]
        frame = self.table(name)
        unit, component = self.table("mapunit"), self.table("component")
        unit = unit[unit["mukey"].isin(keys)]
        component = component[component["mukey"].isin(keys)]
        if name == "cosoilmoist":
            month = self.table("comonth")
            frame = frame[frame["comonthkey"].isin(month[month["cokey"].isin(component["cokey"])]["comonthkey"])]
        elif name == "legend":
            frame = frame[frame["lkey"].isin(unit["lkey"])]
        elif name == "sacatalog":
            legend = self.table("legend")
            frame = frame[frame["areasymbol"].isin(legend[legend["lkey"].isin(unit["lkey"])]["areasymbol"])]
        elif "mukey" in frame:
            frame = frame[frame["mukey"].isin(keys)]
        else:
            frame = frame[frame["cokey"].isin(component["cokey"])]
        if name == "cointerp":
            rule, sub_rule = re.findall(r"'([^']+)'", query)
            wanted = (frame["ruledepth"] == "0") | (frame["rulename"] == sub_rule)
            frame = frame[(frame["mrulename"] == rule) & wanted]
        return names, frame[names].drop_duplicates().to_numpy().tolist()
