"""What the worker makes of a run for its page: plain values, in the order of the lot file."""

from __future__ import annotations

import json
import multiprocessing
import threading
from dataclasses import replace
from pathlib import Path

import pytest
from finished_runs import finished
from invented_results import results

from riskmap.common import tables
from riskmap.window import tasks


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    found = results()
    found = replace(found, facts={**found.facts, "newest_data": {"weekly map": "2025-10-28"}})
    return finished(tmp_path_factory.mktemp("tasks"), found)


@pytest.mark.parametrize(("units", "unit"), [("us", "in"), ("si", "mm")])
def test_the_lots_of_a_run_are_plain_values_in_the_order_of_the_file(units: str, unit: str, run: Path) -> None:
    told = tasks.run_lots(lambda stage, share: None, str(run), units)
    lots = results().lots
    assert json.loads(json.dumps(told, allow_nan=False)) == json.loads(json.dumps(told))
    assert [row[0] for row in told["rows"]] == lots["lot_id"].fillna("").tolist()
    size = next(k for k, column in enumerate(told["columns"]) if column["decimals"] is not None)
    assert told["columns"][size]["label"].endswith(f", {unit}")
    assert [row[size] is None for row in told["rows"]] == (lots["state"] != "").tolist()  # no estimate: no number
    assert told["calibrated"] is False
    five = dict(told["five"])
    assert (five["lots"], five["with an estimate"]) == (f"{len(lots):,}", f"{int((lots['state'] == '').sum()):,}")
    assert five["one lot in ten has more than"].endswith(f" {unit}")
    assert len(five) == 5


def test_an_area_without_an_estimate_has_only_its_counts(tmp_path: Path) -> None:
    found = results()
    lots = found.lots.copy()
    lots["state"] = "not_enough_data"
    from riskmap import api

    assert api.five_numbers(replace(found, lots=lots)) == [("lots", f"{len(lots):,}"), ("with an estimate", "0")]
    assert "not_enough_data" in tables.STATES


@pytest.mark.parametrize("fault", [None, ValueError("no room")])
def test_a_worker_compiles_while_it_waits_for_its_first_task(fault: Exception | None,
                                                             monkeypatch: pytest.MonkeyPatch) -> None:
    begun = threading.Event()

    def compile_ahead() -> None:
        begun.set()
        if fault is not None:
            raise fault

    monkeypatch.setattr("riskmap.api.runs.compile_ahead", compile_ahead)
    monkeypatch.setattr(tasks, "_load", lambda: None)
    monkeypatch.setattr(tasks.signal, "signal", lambda *_: None)
    ours, theirs = multiprocessing.Pipe()
    worker = threading.Thread(target=tasks.work, args=(theirs,))
    worker.start()
    assert begun.wait(60)
    ours.send(("no such task", {}))
    assert ours.recv()[0] == "fault"  # it answers all the same
    ours.close()
    worker.join(60)
    assert not worker.is_alive()
