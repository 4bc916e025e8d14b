"""An estimate that would not fit into memory is refused before it starts, with numbers."""

from __future__ import annotations

from pathlib import Path

import pytest

from riskmap.common.errors import LayerError
from riskmap.run import memory


def test_the_rule_meets_what_was_measured() -> None:
    """Peaks of `riskmap estimate` over real soil: 0.97 GB at 100,000 lots, 1.40 GB at 200,000; the rule keeps above."""
    for lots, peak in ((100_000, 0.967328e9), (200_000, 1.395192e9)):
        assert peak <= memory.needed_bytes(lots) <= 1.3 * peak


def test_too_many_lots_are_refused_with_numbers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(memory, "available_bytes", lambda: 2_000_000_000)
    memory.check(100_000)
    words = r"E-RUN-020 1,000,000 lots need about 5\.6 GB of memory, 2\.0 GB are free"
    with pytest.raises(LayerError, match=words) as told:
        memory.check(1_000_000)
    most = int(str(told.value).rsplit("at most ", 1)[1].split(" ")[0].replace(",", ""))
    memory.check(most)
    with pytest.raises(LayerError):
        memory.check(most + 1000)


def test_a_system_that_does_not_tell_refuses_nothing(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(memory, "_MEMINFO", tmp_path / "nothing")
    monkeypatch.delattr(memory.os, "sysconf")
    assert memory.available_bytes() is None
    memory.check(10**12)


def test_the_system_is_read(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "meminfo").write_text("MemTotal: 10 kB\nMemAvailable:    4096 kB\n", encoding="ascii")
    monkeypatch.setattr(memory, "_MEMINFO", tmp_path / "meminfo")
    assert memory.available_bytes() == 4096 * 1024
    (tmp_path / "meminfo").write_text("nonsense", encoding="ascii")
    assert memory.available_bytes() is None or memory.available_bytes() > 0


def test_an_estimate_asks_before_it_computes(example: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from riskmap.common import settings
    from riskmap.run import flow

    monkeypatch.setattr(memory, "available_bytes", lambda: 10_000_000)
    with pytest.raises(LayerError, match=r"E-RUN-020 1,531 lots"):
        flow.assess(settings.load(example / "area.toml"))
