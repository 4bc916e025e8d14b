"""The server of `riskmap map --serve`: ranges, names, hosts, methods; nothing but its files, to nobody else."""

from __future__ import annotations

import http.client
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from riskmap.outputs.map import serve

CONTENT = bytes(range(256)) * 40


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("served")
    (made / "county.html").write_text("<p>page</p>")
    (made / "county.pmtiles").write_bytes(CONTENT)
    (made / "lots.csv").write_text("secret")
    return made


@pytest.fixture(scope="module")
def port(folder: Path) -> Iterator[int]:
    running = serve.server(serve.served(folder, ["county.html", "county.pmtiles"]))
    threading.Thread(target=running.serve_forever, daemon=True).start()
    yield running.server_address[1]
    running.shutdown()
    running.server_close()


def ask(port: int, path: str, method: str = "GET", **headers: str) -> tuple[http.client.HTTPResponse, bytes]:
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    line.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
    for name, value in {"Host": f"127.0.0.1:{port}", **{k.replace("_", "-"): v for k, v in headers.items()}}.items():
        line.putheader(name, value)
    line.endheaders()
    answer = line.getresponse()
    body = answer.read()
    line.close()
    return answer, body


def test_page_and_whole_file(port: int) -> None:
    for path in ("/", "/county.html"):
        answer, body = ask(port, path)
        assert (answer.status, body) == (200, b"<p>page</p>")
        assert answer.getheader("Content-Type") == "text/html; charset=utf-8"
    answer, body = ask(port, "/county.pmtiles")
    assert (answer.status, body, answer.getheader("Accept-Ranges")) == (200, CONTENT, "bytes")


@pytest.mark.parametrize(("asked", "low", "high"), [
    ("bytes=0-99", 0, 99), ("bytes=100-100", 100, 100), ("bytes=10000-", 10000, 10239), ("bytes=-5", 10235, 10239),
    ("bytes=10000-99999999", 10000, 10239), ("bytes=-99999999", 0, 10239)])
def test_ranges(port: int, asked: str, low: int, high: int) -> None:
    answer, body = ask(port, "/county.pmtiles", Range=asked)
    assert answer.status == 206
    assert answer.getheader("Content-Range") == f"bytes {low}-{high}/10240"
    assert body == CONTENT[low : high + 1]


@pytest.mark.parametrize("asked", ["bytes=10240-", "bytes=99999-100000", "bytes=-0"])
def test_ranges_beyond_the_file(port: int, asked: str) -> None:
    answer, body = ask(port, "/county.pmtiles", Range=asked)
    assert (answer.status, body, answer.getheader("Content-Range")) == (416, b"", "bytes */10240")


@pytest.mark.parametrize("asked", ["bytes=5-2", "bytes=0-1,5-6", "lines=0-5", "bytes=a-b", "bytes=-",
                                   "bytes=0-" + "9" * 40])
def test_headers_that_are_no_single_range_are_passed_over(port: int, asked: str) -> None:
    answer, body = ask(port, "/county.pmtiles", Range=asked)
    assert (answer.status, body) == (200, CONTENT)


@given(st.integers(0, 300), st.integers(0, 300), st.integers(1, 200))
def test_a_range_lies_in_the_file(low: int, high: int, size: int) -> None:
    if low >= size and high >= low:
        with pytest.raises(ValueError, match="no byte"):
            serve.byte_range(f"bytes={low}-{high}", size)
    else:
        got = serve.byte_range(f"bytes={low}-{high}", size)
        assert got == ((low, min(high, size - 1)) if high >= low else None)


@pytest.mark.parametrize("path", [
    "/lots.csv", "/../county.html", "/x//county.html", "/%2e%2e/county.html", "/county.html/", "/.", "/etc/passwd",
    "/county.htmL", "/county.pmtiles%00", "/..\\county.html", "http://127.0.0.1/county.html", "*", "/favicon.ico",
    "/county.html%20"])
def test_only_its_own_files(port: int, path: str) -> None:
    answer, body = ask(port, path)
    assert (answer.status, body) == (404, b"")


@pytest.mark.parametrize("host", ["example.com", "127.0.0.1", "127.0.0.1:1", "localhost", "evil.test:{port}",
                                  "[::1]:{port}", "127.0.0.1:{port}.evil.test", ""])
def test_a_foreign_host_name_is_refused(port: int, host: str) -> None:
    answer, body = ask(port, "/", Host=host.format(port=port))
    assert (answer.status, body) == (421, b"")


def test_the_name_localhost_is_allowed(port: int) -> None:
    assert ask(port, "/", Host=f"localhost:{port}")[0].status == 200


def test_two_host_headers_are_refused(port: int) -> None:
    with socket.create_connection(("127.0.0.1", port), timeout=60) as line:
        line.sendall(f"GET / HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nHost: evil.test\r\n\r\n".encode())
        # refused where the request is read: "A server MUST respond with a 400" (RFC 9112, section 3.2)
        assert line.recv(100).startswith(b"HTTP/1.1 400")
        assert b"page" not in line.recv(1000)


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "OPTIONS", "TRACE", "CONNECT", "PATCH"])
def test_only_reading(port: int, method: str) -> None:
    answer, body = ask(port, "/county.html", method)
    assert (answer.status, body) == (501, b"")


def test_head_has_no_body(port: int) -> None:
    answer, body = ask(port, "/county.pmtiles", "HEAD", Range="bytes=0-9")
    assert (answer.status, body, answer.getheader("Content-Length")) == (206, b"", "10")


def test_every_answer_carries_the_headers(port: int) -> None:
    for path, more in (("/", {}), ("/no", {}), ("/county.pmtiles", {"Range": "bytes=99999-"})):
        answer, _ = ask(port, path, **more)
        assert all(answer.getheader(name) == value for name, value in serve.HEADERS.items())
        assert "Python" not in str(answer.getheader("Server"))
        assert answer.getheader("Access-Control-Allow-Origin") is None


@pytest.mark.parametrize("raw", [b"\r\n\r\n", b"GET\r\n\r\n", b"\x16\x03\x01\x02\x00\r\n\r\n",
                                 b"GET / HTTP/9.9\r\n\r\n",
                                 b"GET /" + b"a" * 70_000 + b" HTTP/1.1\r\n\r\n", b"GET / HTTP/1.0\r\n\r\n"])
def test_broken_requests_do_not_stop_it(port: int, raw: bytes) -> None:
    with socket.create_connection(("127.0.0.1", port), timeout=60) as line:
        line.sendall(raw)
        line.shutdown(socket.SHUT_WR)
        got = line.recv(1000)
    assert b"page" not in got
    assert b"aaaa" not in got
    assert ask(port, "/")[0].status == 200


def test_it_listens_to_this_computer_only(port: int) -> None:
    addresses = {info[4][0] for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)}
    for address in addresses - {"127.0.0.1"}:
        if address.startswith("127."):
            continue
        with pytest.raises((ConnectionRefusedError, TimeoutError)):
            socket.create_connection((address, port), timeout=2)


def test_localhost_is_answered_also_where_it_is_looked_for_at_the_other_address(port: int) -> None:
    try:
        line = socket.create_connection(("::1", port), timeout=60)
    except OSError:
        with pytest.raises(OSError), socket.socket(socket.AF_INET6) as other:  # noqa: PT011
            other.bind(("::1", 0))  # this computer has no such address
        return
    for host, status in ((f"localhost:{port}", b"200"), (f"[::1]:{port}", b"421"), ("evil.test", b"421")):
        with line:
            line.sendall(f"GET / HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n".encode())
            assert line.recv(100).startswith(b"HTTP/1.1 " + status), host
        line = socket.create_connection(("::1", port), timeout=60)
    line.close()


def test_a_link_out_of_the_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "inside").mkdir()
    (tmp_path / "county.html").write_text("outside")
    (tmp_path / "inside" / "county.html").symlink_to(tmp_path / "county.html")
    for name in ("county.html", "../county.html", "none.html", "."):
        with pytest.raises(serve.ServeError, match="E-SRV-002"):
            serve.served(tmp_path / "inside", [name])


def test_a_port_that_is_taken_is_told(port: int) -> None:
    with pytest.raises(serve.ServeError, match="E-SRV-001"), socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        serve.server({}, other.getsockname()[1])


def test_a_file_that_goes_away_is_not_found(tmp_path: Path) -> None:
    (tmp_path / "map.html").write_text("x")
    running = serve.server(serve.served(tmp_path, ["map.html"]))
    threading.Thread(target=running.serve_forever, daemon=True).start()
    try:
        (tmp_path / "map.html").unlink()
        assert ask(running.server_address[1], "/")[0].status == 404
    finally:
        running.shutdown()
        running.server_close()


@pytest.mark.skipif(os.name == "nt", reason="Ctrl-C is sent as a POSIX signal: NOT TESTED on Windows")
def test_ctrl_c_ends_it_with_exit_code_0(folder: Path) -> None:
    started = subprocess.Popen([sys.executable, "-m", "riskmap", "map", str(folder), "--serve"], text=True,
                               stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    try:
        address = started.stdout.readline().strip()
        assert address.startswith("http://127.0.0.1:")
        assert ask(int(address.rstrip("/").rsplit(":", 1)[1]), "/")[1] == b"<p>page</p>"
        started.send_signal(signal.SIGINT)
        out, err = started.communicate(timeout=60)
        assert started.returncode == 0
        assert out == ""
        assert "Traceback" not in err
    finally:
        started.kill()
