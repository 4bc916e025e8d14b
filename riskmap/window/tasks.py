"""What a worker does: each task calls `riskmap.api` and returns plain values. Nothing here decides anything."""

from __future__ import annotations

import os
import signal
import threading
import traceback
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import asdict
from multiprocessing import parent_process
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

from riskmap.common.errors import RiskmapError, visible

Say = Callable[[str, float], None]
MOST_FINDINGS = 2000  # lines of findings on a page; all of them are in the file that the page offers
TRACE = "RISKMAP_TRACE"


def work(pipe: Connection) -> None:
    """Load the API, then do one task after another until the window ends.

    Parameters
    ----------
    pipe : Connection
        Brings (task, its arguments); takes `("stage", stage, share)`, then `("done", answer)`, `("refused", text)` or
        `("fault", text)`.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the window, which then ends its workers
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    window = parent_process()
    if window is not None:
        threading.Thread(target=_end_with, args=(window,), daemon=True).start()
    _load()
    threading.Thread(target=_compile, daemon=True).start()
    while True:
        try:
            task, given = pipe.recv()
        except (EOFError, OSError):
            return
        try:
            answer = ("done", TASKS[task](lambda stage, share: pipe.send(("stage", stage, share)), **given))
        except RiskmapError as error:
            answer = ("refused", "\n".join([str(error), *getattr(error, "__notes__", ())]))
        except Exception as error:
            if os.environ.get(TRACE):
                traceback.print_exc()
            answer = ("fault", f"Internal fault: {type(error).__name__}: {error}. Set {TRACE}=1 to see where, and "
                               "report it.")
        pipe.send(answer)


def _end_with(window: BaseProcess) -> None:
    """End this process when the window has ended: nobody waits for its answer any more."""
    window.join()
    os._exit(1)


def _load() -> None:
    """Import what the first task needs, while the user still looks at the page."""
    import geopandas  # noqa: F401
    import numba  # noqa: F401

    from riskmap import api  # noqa: F401


def _compile() -> None:
    """Compile while the user looks for files; what goes wrong here is said by the estimate that meets it."""
    from riskmap.api.runs import compile_ahead

    with suppress(Exception):
        compile_ahead()


# ---------------------------------------------------------------- area
def new(say: Say, folder: str, files: str, fetch: bool, offline: bool, columns: dict[str, str],
        lots: str = "", crs: str = "", cells: Sequence[str] = ()) -> dict[str, Any]:
    """Write area.toml from the files of an area; with `fetch`, get what they lack from the public services, or with
    `offline` from their stored answers.
    """
    from riskmap import api

    say("Recognise the files", 0.0)
    made = api.new([files], folder, replace=True, fetch=fetch, offline=offline, columns=columns,
                   lots=lots, crs=crs, cells=cells, progress=say if fetch else None)
    say("Recognise the files", 1.0)
    return {
        "guesses": [{**asdict(guess), "value": visible(guess.value), "reason": visible(guess.reason)}
                    for guess in made.guesses],
        "missing": [{"what": visible(one.what), "remedy": visible(one.remedy), "needed": one.needed,
                     "layer": one.layer} for one in made.missing],
        "left": [{"name": visible(one.name), "reason": visible(one.reason)} for one in made.left],
        "fetched": [] if made.fetched is None else [visible(str(line)) for line in (*made.fetched.said,
                                                                                    *made.fetched.findings)],
        "complete": made.complete, "open_points": [visible(line) for line in made.open_points],
        "check": _report(made.findings), "given": columns,
        "columns": [{"name": one.name, "values": list(one.values)} for one in made.columns],
        "lots_files": [asdict(one) for one in made.lots_files], "given_lots": lots,
        "systems": [asdict(one) for one in made.systems], "given_crs": crs,
        "cells": [asdict(one) for one in made.cells], "given_cells": list(cells),
    }


def newer(say: Say, since: str, into: str, again: dict[str, Any]) -> dict[str, Any]:
    """Get the weekly drought maps after a day into the files of an area; if any came, recognise all files again."""
    from riskmap import api

    came = api.newer_weeks(since, into, progress=say)
    return {"said": [visible(line) for line in (*came.said, *came.findings, *came.notes)],
            "new": new(say, **again) if came.files else None}


def check(say: Say, area: str) -> dict[str, Any]:
    """Say what is wrong with the files of an area."""
    from riskmap import api

    say("Check the files", 0.0)
    return _report(api.check(area))


def _report(report: Any) -> dict[str, Any]:
    from riskmap import api

    problems = [{name: "" if value is None else visible(str(value)) for name, value in problem.as_dict().items()}
                for problem in report.problems]
    return {"refusals": [visible(line) for line in report.refusals], "problems": problems[:MOST_FINDINGS],
            "count": len(problems), "lots": report.lots, "text": report.text(), "json": report.as_json(),
            "newness": api.newness(report), "exit_code": report.exit_code}


def estimate(say: Say, area: str, outputs: str, units: str, calibration: str | None = None) -> str:
    """Estimate an area and return the name of the new run folder."""
    from riskmap import api

    return api.estimate(area, outputs, units=units, calibration=calibration, progress=say).folder.name


# ---------------------------------------------------------------- run
def run_lots(say: Say, run: str, units: str) -> dict[str, Any]:
    """Return the figures of a run and its lots in the columns that people read."""
    from riskmap import api
    from riskmap.common.results import RowCounts, Run

    results = api.read(run)
    columns = api.lot_columns(results, units=units)
    rows = zip(*([None if value != value else value for value in column.values.tolist()] for column in columns),
               strict=True)
    return {"five": api.five_numbers(results, units=units),
            "calibrated": any(one.code.startswith("calibrated_") for one in columns),
            "figures": api.ending(Run(Path(run), results, RowCounts.of(results.lots)), units),
            "columns": [{"label": one.label, "meaning": one.meaning, "decimals": one.decimals} for one in columns],
            "rows": [list(row) for row in rows]}


def brief(say: Say, run: str, lots: Sequence[str], units: str, calibration: str | None = None) -> str:
    """Write the brief of some lots and return the name of its folder."""
    from riskmap import api

    say("Write the brief", 0.0)
    return api.brief(run, lots=list(lots), units=units, calibration=calibration).folder.name


def compare(say: Say, before: str, after: str, outputs: str, units: str,
            calibration: str | None = None) -> dict[str, Any]:
    """Compare two runs."""
    from riskmap import api

    say("Compare the runs", 0.0)
    outcome = api.compare(before, after, outputs=outputs, units=units, calibration=calibration)
    return {"folder": outcome.folder.name, "lines": list(outcome.answer.lines), "note": outcome.note}


def screen(say: Say, run: str, listing: str, columns: dict[str, str], units: str,
           chosen: Sequence[tuple[int, str, str]] = (), choices: str = "", calibration: str | None = None) -> str:
    """Answer every row of a list and return the name of the folder with the answers.

    `chosen` are the lots that the user chose for some rows; they are written to the new file `choices` first.
    """
    from riskmap import api

    say("Answer the list", 0.0)
    file = api.choose_lots(chosen, choices) if chosen else None
    return api.screen(run, listing, columns=columns, choices=file, calibration=calibration, units=units).folder.name


def list_columns(say: Say, run: str, listing: str, columns: dict[str, str]) -> dict[str, Any]:
    """Return the columns of a list, each with its first values and what it is taken for."""
    from riskmap import api

    found = api.list_columns(run, listing, columns=columns)
    return {"rows": found.rows, "columns": [asdict(one) for one in found.columns], "addresses": found.addresses}


def calibrate(say: Say, run: str, surveys: str) -> str:
    """Compare a run with surveys and return the name of the folder with the calibration."""
    from riskmap import api

    say("Compare with the surveys", 0.0)
    return api.calibrate(run, surveys).folder.name


# ---------------------------------------------------------------- house
def explain(say: Say, run: str, lot: str, units: str) -> str:
    """Explain the estimate for one lot."""
    from riskmap import api

    return api.explain(run, lot, units=units)


def survey(say: Say, typed: list[dict[str, Any]], run: str | None, lot: str | None, outputs: str,
           units: str) -> dict[str, Any]:
    """Write the readings of one or two surveys of a house, and turn them into levels."""
    from riskmap import api

    say("Survey of a house", 0.0)
    first, *second = (api.typed_readings(one["rows"], one["file"], units=units, date=one["date"]) for one in typed)
    outcome = api.survey(first, next(iter(second), None), run=run, lot=lot, outputs=outputs, units=units)
    return {"folder": outcome.folder.name, "lines": list(outcome.answer.lines)}


# ---------------------------------------------------------------- evidence
def selftest(say: Say) -> dict[str, Any]:
    """Compare riskmap with published and exact solutions."""
    from riskmap import api

    say("Known answers", 0.0)
    report = api.selftest()
    return {"passed": report.passed, "text": report.text()}


TASKS: dict[str, Callable[..., Any]] = {
    task.__name__: task for task in (brief, calibrate, check, compare, estimate, explain, list_columns, new, newer,
                                     run_lots, screen, selftest, survey)}
