"""An error at every call that writes, one at a time: nothing half-made is announced, what was announced stays whole."""

from __future__ import annotations

import errno
import io
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from invented_results import results

from riskmap.common.errors import RiskmapError
from riskmap.common.results import RowCounts
from riskmap.common.settings import Area
from riskmap.run import folder, manifest
from riskmap.run.products import write_all

AREA = Area.model_validate({"name": "made up", "lots": {"path": "l.csv"}, "soil": {"path": "s.zip"}})
CALLS: tuple[tuple[Any, str], ...] = (
    (os, "fsync"), (os, "rename"), (os, "replace"), (os, "mkdir"), (io.TextIOWrapper, "write"),
)


class _Count:
    """Counts calls and raises at one of them."""

    def __init__(self, fail_at: int) -> None:
        self.calls, self.fail_at, self.failed = 0, fail_at, ""

    def step(self, what: str) -> None:
        self.calls += 1
        if self.calls == self.fail_at:
            self.failed = what
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), "a file")


@contextmanager
def faulty(fail_at: int, monkeypatch: pytest.MonkeyPatch) -> Iterator[_Count]:
    """Let the call number `fail_at` of those that make, fill, flush or move a file raise `disk full`."""
    count = _Count(fail_at)

    def wrapped(real: Callable[..., Any], name: str) -> Callable[..., Any]:
        def call(*given: Any, **named: Any) -> Any:
            count.step(name)
            return real(*given, **named)
        return call

    def opened(real: Callable[..., Any]) -> Callable[..., Any]:
        def call(file: Any, mode: str = "r", *given: Any, **named: Any) -> Any:
            if set(mode) & set("wax+"):
                count.step(f"open {Path(str(file)).name}")
            return real(file, mode, *given, **named)
        return call

    with monkeypatch.context() as patch:
        for owner, name in CALLS[:4]:
            patch.setattr(owner, name, wrapped(getattr(owner, name), name))
        real_open = Path.open
        patch.setattr(Path, "open", lambda self, mode="r", *g, **n: opened(lambda f, m, *a, **k: real_open(
            f, m, *a, **k))(self, mode, *g, **n))
        for name in ("write_text", "write_bytes"):
            patch.setattr(Path, name, wrapped(getattr(Path, name), name))
        yield count


def one_run(outputs: Path) -> Path:
    found = results()
    with folder.new_run(outputs, "made up") as run:
        write_all(found, run.path)
        manifest.write(run.path, found, AREA, [], RowCounts.of(found.lots))
    return run.final


def test_an_error_at_every_write(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    outputs = tmp_path / "outputs"
    first = one_run(outputs)
    with faulty(10**9, monkeypatch) as count:
        one_run(tmp_path / "other")
    total = count.calls
    assert total > 30
    told = []
    for k in range(1, total + 1):
        before = {path.name for path in outputs.iterdir()}
        pointed = (outputs / "latest").read_text(encoding="ascii")
        with faulty(k, monkeypatch) as count:
            try:
                one_run(outputs)
            except RiskmapError as error:
                told.append(str(error))
            except OSError as error:  # raised outside the run folder's own block
                told.append(f"E-RUN-001 {error}")
        assert count.failed, k
        new = {path.name for path in outputs.iterdir()} - before
        for name in new:  # only whole runs: the error came after the run was in place
            assert not name.startswith("."), (k, count.failed, name)
            assert manifest.verify(outputs / name) == [], (k, count.failed)
        now = (outputs / "latest").read_text(encoding="ascii").strip()
        assert manifest.verify(outputs / now) == []
        assert now == pointed.strip() or now in new
    assert manifest.verify(first) == []
    assert all(text.startswith(("E-RUN-001", "E-RUN-004", "E-RUN-006")) for text in told), set(told)
    assert len(told) >= total - 2  # flushing a folder's name is the only thing that may fail without a word
    assert one_run(outputs).is_dir()
