"""The page of `riskmap open` as a browser without a screen asks for it, and without scripts."""

from __future__ import annotations

import re
import subprocess
import sys
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

WAIT_S = 300
ENDED_S = 60  # until a process that was stopped has ended, on a busy machine


@dataclass
class Client:
    """A browser without a screen."""

    base: str
    opener: urllib.request.OpenerDirector
    token: str

    def get(self, path: str) -> str:
        with self.opener.open(self.base + path, timeout=WAIT_S) as answer:
            return str(answer.read().decode())

    def post(self, path: str, body: bytes, **headers: str) -> tuple[int, str]:
        request = urllib.request.Request(self.base + path, body, {
            "Origin": self.base, "X-Riskmap-Token": self.token, "Accept": "application/json",
            **{name.replace("_", "-"): value for name, value in headers.items()}})
        try:
            with self.opener.open(request, timeout=WAIT_S) as answer:
                return answer.status, answer.read().decode()
        except urllib.error.HTTPError as error:
            return error.code, error.read().decode()

    def give(self, path: str, *files: Path, **fields: str) -> tuple[int, str]:
        """Send a form with files."""
        body = b"".join(b'--e\r\nContent-Disposition: form-data; name="%s"\r\n\r\n%s\r\n'
                        % (name.encode(), value.encode()) for name, value in fields.items())
        body += b"".join(b'--e\r\nContent-Disposition: form-data; name="files"; filename="%s"\r\n\r\n%s\r\n'
                        % (file.name.encode(), file.read_bytes()) for file in files)
        return self.post(path, body + b"--e--\r\n", Content_Type="multipart/form-data; boundary=e")

    def send(self, path: str, **fields: str | list[str]) -> tuple[int, str]:
        """Send a form without files."""
        return self.post(path, urllib.parse.urlencode(fields, doseq=True).encode(),
                         Content_Type="application/x-www-form-urlencoded")

    def job(self, answer: str) -> str:
        """Return the path of the job that an answer leads to."""
        found = re.search(r'"go":\s*"(/jobs/[^"]+)"', answer)
        assert found, answer
        return found[1]

    def ended(self, job: str) -> str:
        """Return the page of a job when it has ended."""
        began = time.monotonic()
        while "Working." in (text := self.get(job)):
            assert time.monotonic() - began < WAIT_S
            time.sleep(0.2)
        return text


@contextmanager
def window(root: Path, *options: str) -> Iterator[tuple[Client, subprocess.Popen[str]]]:
    running = subprocess.Popen([sys.executable, "-m", "riskmap", "open", str(root), "--no-browser", *options],
                               stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    try:
        assert running.stdout is not None
        address = running.stdout.readline().strip()
        opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
        text = opener.open(address, timeout=WAIT_S).read().decode()
        token = re.search(r'name="riskmap-token" content="([^"]+)"', text)
        assert token
        yield Client(address.split("/?")[0], opener, token[1]), running
    finally:
        running.terminate()
        running.wait(ENDED_S)
