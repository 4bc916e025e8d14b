"""Which requests the window answers: every attack that its page lists is tried on the whole application."""

from __future__ import annotations

import re
import socket
import subprocess
import sys
import threading
import urllib.error
import urllib.request
from pathlib import Path

import pytest
from each_case import check_each
from starlette.routing import Route
from starlette.testclient import TestClient

from riskmap.window import about, app, area_pages, list_pages, run_pages, uploads
from riskmap.window.areas import AREA_FILE, FILES, OUTPUTS, Areas
from riskmap.window.guard import HEADERS, POLICY
from riskmap.window.jobs import Job
from riskmap.window.server import Server

PORT = 4321
HERE = f"http://127.0.0.1:{PORT}"
FROM_HERE = {"Origin": HERE}


def client_of(window: app.Window, base: str = HERE, client: tuple[str, int] = ("127.0.0.1", 5)) -> TestClient:
    return TestClient(app.made(window, PORT), base_url=base, follow_redirects=False, client=client,
                      raise_server_exceptions=False)


@pytest.fixture
def window(tmp_path: Path) -> app.Window:
    made = app.Window(Areas(tmp_path / "areas"), bounds=uploads.Bounds(bytes=200_000, files=5, spare=0))
    for name in ("town", "other"):
        (made.areas.root / name / FILES).mkdir(parents=True)
        (made.areas.root / name / OUTPUTS / "run-1").mkdir(parents=True)
        (made.areas.root / name / AREA_FILE).write_text("[area]\n", encoding="utf-8")
    (made.areas.root / "town" / OUTPUTS / "run-1" / "lots.csv").write_text("lot_id\n1\n", encoding="utf-8")
    (tmp_path / "secret.txt").write_text("a secret", encoding="utf-8")
    (made.areas.root / "secret.txt").write_text("a secret", encoding="utf-8")
    return made


@pytest.fixture
def inside(window: app.Window) -> TestClient:
    """A browser that has opened the first address."""
    client = client_of(window)
    assert client.get(f"/?key={window.secret.key}").status_code == 303
    return client


def routes() -> list[Route]:
    found = app.made(app.Window(Areas(Path.cwd() / "tests")), PORT)._app.routes  # type: ignore[attr-defined]
    return [route for route in found if isinstance(route, Route)]


def addresses(method: str) -> list[str]:
    """Return an address of every route that takes this method, with an area, a run and a file that exist."""
    places = {"area": "town", "run": "run-1", "name": "lots.csv", "job": "none", "listing": "buyers.csv"}
    return [re.sub(r"\{(\w+)\}", lambda hit: places[hit[1]], route.path) for route in routes()
            if method in (route.methods or set())]


def test_every_page_is_among_the_addresses() -> None:
    assert len(addresses("GET")) >= 12
    assert len(addresses("POST")) >= 9
    listed = {route.path for route in routes()}
    ours = (*area_pages.ROUTES, *run_pages.ROUTES, *list_pages.ROUTES, *about.ROUTES)
    assert {route.path for route in ours} <= listed


# ---------------------------------------------------------------- the key and the cookie
def test_without_the_key_nothing_is_answered(window: app.Window) -> None:
    client = client_of(window)
    for address in addresses("GET"):
        found = client.get(address)
        assert (found.status_code, "lot_id" in found.text) == (403, False), address
    for address in addresses("POST"):
        assert client.post(address, headers=FROM_HERE, data={"token": window.secret.token}).status_code == 403, address


def test_a_wrong_key_or_cookie_is_no_key(window: app.Window) -> None:
    for key in ("", "x", window.secret.key[:-1], window.secret.key + "x", window.secret.token, window.secret.session,
                "é", "%00"):
        assert client_of(window).get("/", params={"key": key}).status_code == 403, key
    for value in ("", "x", window.secret.key, window.secret.token):
        client = client_of(window)
        client.cookies.set(f"riskmap_{PORT}", value)
        assert client.get("/").status_code == 403, value
    other = client_of(window)
    other.cookies.set("riskmap_1", window.secret.session)  # of a window at another port
    assert other.get("/").status_code == 403


def test_the_key_opens_the_first_page_only_and_only_for_reading(window: app.Window) -> None:
    client = client_of(window)
    assert client.get(f"/about?key={window.secret.key}").status_code == 403
    assert client.post(f"/?key={window.secret.key}", headers=FROM_HERE).status_code == 403


def test_the_cookie_is_kept_from_scripts_and_from_other_pages(window: app.Window) -> None:
    answer = client_of(window).get(f"/?key={window.secret.key}")
    assert answer.headers["location"] == "/"
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert "domain" not in cookie
    assert "max-age" not in cookie  # it ends with the browser
    assert window.secret.key not in answer.headers["set-cookie"]


def test_secrets_are_long_and_new_for_each_window() -> None:
    made = [app.Secrets() for _ in range(3)]
    texts = {text for one in made for text in (one.key, one.session, one.token)}
    assert len(texts) == 9
    assert min(map(len, texts)) >= 43  # 256 bits


# ---------------------------------------------------------------- Host, Origin, token
def test_another_host_is_refused(window: app.Window, inside: TestClient) -> None:
    for host in ("example.org", f"example.org:{PORT}", "127.0.0.1", "127.0.0.1:80", f"127.0.0.1.example.org:{PORT}",
                 f"0.0.0.0:{PORT}", f"127.0.0.2:{PORT}", "", f"127.0.0.1:{PORT}@example.org"):
        assert inside.get("/", headers={"Host": host}).status_code == 421, host
    two = inside.get("/", headers=[("Host", f"127.0.0.1:{PORT}"), ("Host", "example.org")])
    assert two.status_code == 421
    assert inside.get("/", headers={"Host": f"LOCALHOST:{PORT}"}).status_code == 200


def test_another_computer_is_refused(window: app.Window) -> None:
    client = client_of(window, client=("192.0.2.7", 5))
    assert client.get(f"/?key={window.secret.key}").status_code == 403


def test_another_origin_can_change_nothing(window: app.Window, inside: TestClient) -> None:
    body = {"token": window.secret.token}
    for address in addresses("POST"):
        for headers in ({}, {"Origin": "null"}, {"Origin": "http://example.org"},
                        {"Origin": HERE.replace("http", "https")}, {"Origin": "http://127.0.0.1:80"},
                        {"Origin": f"http://localhost:{PORT}"},
                        {**FROM_HERE, "Sec-Fetch-Site": "cross-site"}, {**FROM_HERE, "Sec-Fetch-Site": "same-site"}):
            assert inside.post(address, headers=headers, data=body).status_code == 403, (address, headers)


def test_another_page_gets_nothing_even_with_the_cookie(inside: TestClient) -> None:
    assert inside.get("/", headers={"Sec-Fetch-Site": "cross-site"}).status_code == 403
    assert inside.get("/", headers={"Sec-Fetch-Site": "none"}).status_code == 200  # typed by the user


def test_no_change_without_the_token(window: app.Window, inside: TestClient) -> None:
    def refused(case: tuple[str, str]) -> None:
        address, token = case
        for sent in ({"data": {"token": token, "text": "x"}},
                     {"files": [("token", (None, token)), ("files", ("a.csv", b"lot_id\n1\n"))]}):
            answer = inside.post(address, headers=FROM_HERE, **sent)  # type: ignore[arg-type]
            assert answer.status_code in (400, 403), answer.text
            assert ("E-WIN-012" in answer.text) or ("E-WIN-009" in answer.text)
            if answer.status_code == 400:  # a form for files without files: it is refused before the token
                assert "data" in sent

    before = sorted(path for path in window.areas.root.rglob("*") if path.name != ".lock")
    check_each([(address, token) for address in addresses("POST") for token in ("", "x", window.secret.key)], refused)
    assert sorted(path for path in window.areas.root.rglob("*") if path.name != ".lock") == before
    assert window.desk.jobs == {}


def test_other_methods_do_nothing(inside: TestClient) -> None:
    for method in ("PUT", "DELETE", "PATCH", "OPTIONS"):
        assert inside.request(method, "/areas/town", headers=FROM_HERE).status_code in (403, 405), method


# ---------------------------------------------------------------- answers
def test_every_answer_has_the_policy(inside: TestClient, window: app.Window) -> None:
    for address in [*addresses("GET"), "/nothing"]:
        if address.endswith("lots.json"):
            continue  # it needs a run
        answer = inside.get(address)
        for name, value in HEADERS.items():
            if name != "Cache-Control" or not address.startswith("/assets"):
                assert answer.headers[name] == value, (address, name)
    refused = client_of(window).get("/")
    assert refused.headers["Content-Security-Policy"] == POLICY
    assert "unsafe" not in POLICY


def test_no_script_or_style_is_written_in_a_page() -> None:
    for path in sorted((app.HOME / "pages").glob("*.html")):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"<style|\sstyle=|\son\w+=|javascript:|\|\s*safe|autoescape", text), path.name
        assert not re.findall(r"<script(?! type=\"module\" src=\"/assets/main.js\"></script>)", text), path.name
        assert "//" not in re.sub(r"\{#.*?#\}|thousands\([^)]*\)\S*|// 1000+", "", text), path.name  # no other host
    for path in sorted((app.HOME / "assets").glob("*.js")):
        text = path.read_text(encoding="utf-8")
        found = re.findall(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|eval\(|Function\(|https?:", text)
        assert found == [], path.name


def test_texts_of_others_are_escaped(window: app.Window, inside: TestClient) -> None:
    hostile = "<script>alert(1)</script>\"'>{{ 7 * 7 }}"
    (window.areas.root / "town" / AREA_FILE).write_text(hostile, encoding="utf-8")
    text = inside.get("/areas/town").text
    assert "&lt;script&gt;alert(1)&lt;/script&gt;&#34;&#39;&gt;{{ 7 * 7 }}" in text
    assert "<script>alert" not in text


def test_a_made_page_is_shown_in_a_sandbox_under_its_own_policy(window: app.Window, inside: TestClient) -> None:
    run = window.areas.root / "town" / OUTPUTS / "run-1"
    policy = "default-src 'none'; script-src 'sha256-abc='"
    (run / "map.html").write_text(f'<meta http-equiv="Content-Security-Policy" content="{policy}"><p>map',
                                  encoding="utf-8")
    answer = inside.get("/areas/town/runs/run-1/show/map.html")
    assert answer.status_code == 200
    assert answer.headers["Content-Security-Policy"] == f"{policy}; {run_pages.SANDBOX}; frame-ancestors 'self'"
    assert "allow-same-origin" not in answer.headers["Content-Security-Policy"]
    (run / "map.html").write_text("<script>1</script>", encoding="utf-8")
    assert inside.get("/areas/town/runs/run-1/show/map.html").status_code == 422
    assert inside.get("/areas/town/runs/run-1/show/lots.csv").status_code == 404


def test_files_are_downloads(inside: TestClient) -> None:
    answer = inside.get("/areas/town/runs/run-1/files/lots.csv")
    assert answer.headers["content-type"] == "application/octet-stream"
    assert answer.headers["content-disposition"].startswith("attachment")


# ---------------------------------------------------------------- a real server
def test_it_listens_to_this_computer_only(tmp_path: Path) -> None:
    server = Server(tmp_path / "areas")
    try:
        assert {one.getsockname()[0] for one in server._server.sockets} <= {"127.0.0.1", "::1"}
        assert {one.getsockname()[1] for one in server._server.sockets} == {server.port}
        assert server.address == f"http://127.0.0.1:{server.port}/?key={server.window.secret.key}"
        with pytest.raises(Exception, match="E-WIN-017"):
            Server(tmp_path / "areas", server.port)
    finally:
        server.close()


def test_localhost_reaches_the_window_at_either_address(tmp_path: Path) -> None:
    server = Server(tmp_path / "areas")
    serving = threading.Thread(target=server.serve, daemon=True)
    serving.start()
    try:
        for one in server._server.sockets:
            address = one.getsockname()[0]
            with socket.create_connection((address, server.port), timeout=60) as line:
                line.sendall(f"GET /?key={server.window.secret.key} HTTP/1.1\r\nHost: localhost:{server.port}\r\n"
                             "Connection: close\r\n\r\n".encode())
                assert line.recv(100).startswith(b"HTTP/1.1 303"), address
            with socket.create_connection((address, server.port), timeout=60) as line:
                line.sendall(f"GET / HTTP/1.1\r\nHost: localhost:{server.port}\r\n\r\n".encode())  # without the key
                assert line.recv(100).startswith(b"HTTP/1.1 403"), address
    finally:
        server.stop()
        serving.join(20)
    assert not serving.is_alive()


def test_close_ends_the_process_and_its_workers(tmp_path: Path) -> None:
    running = subprocess.Popen([sys.executable, "-m", "riskmap", "open", str(tmp_path / "areas"), "--no-browser"],
                               stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert running.stdout is not None
    address = running.stdout.readline().strip()
    base = address.split("/?")[0]
    browser = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
    with browser.open(address, timeout=60) as answer:
        text = answer.read().decode()
    with pytest.raises(urllib.error.HTTPError, match="403"):
        urllib.request.urlopen(base, timeout=60)
    found = re.search(r'name="riskmap-token" content="([^"]+)"', text)
    assert found
    browser.open(urllib.request.Request(f"{base}/close", f"token={found[1]}".encode(), {"Origin": base}), timeout=60)
    assert running.wait(30) == 0
    with socket.socket() as gone:
        assert gone.connect_ex(("127.0.0.1", int(base.rsplit(":", 1)[1]))) != 0


def test_page_of_a_job_is_of_one_moment(window: app.Window, inside: TestClient) -> None:
    """The work may end while the page is made: the page says either that it goes on or what is wrong."""
    class Ending(Job):
        def shown(self) -> dict[str, object]:
            before = super().shown()
            self.message, self.state = "E-LOT-001 no lots", "unfinished"
            return before

    window.desk.jobs["k"] = Ending("k", "town", "New area", "/areas/town")
    assert "Working." in inside.get("/jobs/k").text
    after = inside.get("/jobs/k").text
    assert "Working." not in after
    assert "E-LOT-001 no lots" in after
