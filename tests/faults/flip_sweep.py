"""python tests/faults/flip_sweep.py RUN 400: flip this many single bits of each file of a run, one at a time.

After each flip every command that reads a run must say the same as before or refuse. A command is called for the flips
of the files that it opens, and once for each other file; the slower ones, which open the same files as `read`, for the
first flips only. The run itself stays as it is: the flips are made in a copy.
"""

from __future__ import annotations

import hashlib
import random
import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import riskmap
from riskmap import api
from riskmap.common.errors import RiskmapError
from riskmap.common.results import Results

Command = Callable[[Path, Path], str]
QUICK, FIRST = ("read", "explain", "verify"), 20
REFUSED, SAME, OTHER, CRASHED = "refused", "same", "another value", "crashed"
_heard: list[str] | None = None


def _hear(event: str, arguments: tuple[object, ...]) -> None:
    if event == "open" and _heard is not None and isinstance(arguments[0], str | bytes):
        name = arguments[0]
        _heard.append(name if isinstance(name, str) else name.decode(errors="replace"))


sys.addaudithook(_hear)


@contextmanager
def _hearing() -> Iterator[list[str]]:
    """Yield the list of files that are opened meanwhile."""
    global _heard
    _heard = []
    try:
        yield _heard
    finally:
        _heard = None


def said_of(found: Results) -> str:
    """Return everything that was read of a run as text."""
    parts: list[object] = [found.area_name, found.today, found.soil_scale, found.credits, found.facts, found.settings,
                           found.note, [problem.as_dict() for problem in found.problems],
                           found.lots.drop(columns="geometry").to_csv(), found.lots.geometry.to_wkt().tolist(),
                           found.climate.to_csv(), found.drought_weeks.to_csv()]
    parts += [None if shapes is None else shapes.to_csv() for shapes in (found.soil_lines, found.drought_shapes)]
    if found.history is not None:
        parts += [found.history.months, found.history.deflection_mm.tobytes(), found.history.series.tobytes()]
    if found.inputs is not None:
        weather = found.inputs.history
        parts += [getattr(found.inputs, name).to_csv()
                  for name in ("archetype", "archetype_profile", "profile", "layer")]
        parts += [found.inputs.lot_archetype.tobytes(), weather.cells, weather.first_month, weather.flags,
                  *(getattr(weather, name).tobytes() for name in ("precipitation_mm", "pet_mm", "z", "source",
                                                                  "coldest_normal_c"))]
    return repr(parts)


def _of_files(folder: Path, *names: str) -> str:
    return repr([(folder / name).read_bytes() for name in names])


def commands(run: Path, lot: str) -> dict[str, Command]:
    """Return the commands, each from the run and an empty folder to what it says; `run` is the run as it was."""
    def listed(place: Path) -> Path:
        place.mkdir(parents=True, exist_ok=True)
        (place.parent / "list.csv").write_text(f"lot_id\n{lot}\n", encoding="utf-8")
        return place.parent / "list.csv"

    def probed(place: Path) -> Path:
        listed(place).with_name("probe.csv").write_text("date,depth_m,value_m3_m3\n2020-01,0.1,0.2\n2020-02,0.1,0.3\n",
                                                        encoding="utf-8")
        return place.parent / "probe.csv"

    return {
        "read": lambda one, _: said_of(riskmap.read(one)),
        "explain": lambda one, _: riskmap.explain(one, lot),
        "export": lambda one, into: _of_files(riskmap.export(one, ["csv", "geojson"], into=into).folder, "lots.csv",
                                              "lots.geojson"),
        "screen": lambda one, into: _of_files(riskmap.screen(one, listed(into), into=into).folder, "screened.csv"),
        "map": lambda one, into: _of_files(riskmap.map(one, into=into).folder, "map.html"),
        "brief": lambda one, into: repr(riskmap.brief(one, lots=[lot], into=into).answer.pages),
        "compare": lambda one, into: api.compare(one, run, outputs=into.parent / "changes").answer.lots.to_csv(),
        "measured": lambda one, into: _of_files(
            riskmap.measured(probed(into), one, lot=lot, into=into).folder, "comparisons.csv", "months.csv"),
        "verify": lambda one, _: "\n".join(riskmap.verify(one)),
    }


@dataclass
class Sweep:
    """What the flips of each file did: counts of calls by outcome, and the first calls that went wrong."""

    flips: Counter[str] = field(default_factory=Counter)
    calls: dict[str, Counter[str]] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)
    readers: dict[str, list[str]] = field(default_factory=dict)


def sweep(run: Path, flips: int, names: list[str] | None = None, progress: Callable[[str], object] = str) -> Sweep:
    """Flip bits of each file of a run (or of `names`) and call what reads it.

    Parameters
    ----------
    run : Path
    flips : int
        Of each file.
    names : list of str, optional
        Of commands; default: all.
    progress : callable, optional
        Is given the name of each file.
    """
    found = Sweep()
    lots = riskmap.read(run).lots
    lot = str(lots.loc[lots["state"] == "", "lot_id"].iloc[0])
    with tempfile.TemporaryDirectory() as scratch:
        copy = Path(scratch) / run.name
        shutil.copytree(run, copy)
        files = sorted(path.relative_to(copy).as_posix() for path in copy.rglob("*") if path.is_file())
        asked = {name: made for name, made in commands(run, lot).items() if names is None or name in names}
        before, opened = {}, {}
        for name, command in asked.items():
            with _hearing() as heard:
                before[name] = _answer(command, copy, Path(scratch))
            assert before[name][0] == SAME, f"{name} of the run as it is: {before[name]}"
            opened[name] = {file for file in files if str(copy / file) in heard}
        found.readers = {file: [name for name in asked if file in opened[name]] for file in files}
        for file in files:
            progress(file)
            counts = found.calls.setdefault(file, Counter())
            content = (copy / file).read_bytes()
            draw = random.Random(file)
            for number in range(flips):
                bit = draw.randrange(8 * len(content))
                changed = bytearray(content)
                changed[bit // 8] ^= 1 << bit % 8
                (copy / file).write_bytes(changed)
                found.flips[file] += 1
                for name, command in asked.items():
                    if number == 0 or (file in opened[name] and (name in QUICK or number < FIRST)):
                        outcome = _compared(name, before[name], _answer(command, copy, Path(scratch)))
                        counts[outcome] += 1
                        if outcome in (OTHER, CRASHED):
                            found.wrong.append(f"{file} bit {bit}: {name}: {outcome}")
            (copy / file).write_bytes(content)
    return found


def _answer(command: Command, run: Path, scratch: Path) -> tuple[str, str]:
    """Return how a call ended, and the digest of what it said or its words of refusal."""
    into = scratch / "made" / "into"
    shutil.rmtree(into.parent, ignore_errors=True)
    try:
        said = command(run, into)
    except RiskmapError as error:
        return REFUSED, str(error)
    except Exception as error:  # what this looks for
        return CRASHED, f"{type(error).__name__}: {error}"
    # the first characters stay, because findings of `verify` begin with their code
    digest = hashlib.sha256(said.encode("utf-8", "backslashreplace")).hexdigest()
    return SAME, said if len(said) <= 200 else said[:20] + digest


def _compared(name: str, before: tuple[str, str], after: tuple[str, str]) -> str:
    if after[0] != SAME or after == before:
        return after[0]
    return REFUSED if name == "verify" and after[1].startswith("E-") else OTHER


def table(found: Sweep) -> str:
    """Return the counts as lines: file, flips, calls by outcome, who opens the file."""
    lines = [f"{'file':34} {'flips':>6} {REFUSED:>8} {SAME:>6} {OTHER:>14} {CRASHED:>8}  opened by"]
    for file, counts in found.calls.items():
        lines.append(f"{file:34} {found.flips[file]:>6} {counts[REFUSED]:>8} {counts[SAME]:>6} {counts[OTHER]:>14} "
                     f"{counts[CRASHED]:>8}  {', '.join(found.readers[file])}")
    total = sum(found.calls.values(), Counter())
    lines.append(f"{'together':34} {found.flips.total():>6} {total[REFUSED]:>8} {total[SAME]:>6} {total[OTHER]:>14} "
                 f"{total[CRASHED]:>8}")
    return "\n".join([*lines, *found.wrong[:50]])


if __name__ == "__main__":
    made = sweep(Path(sys.argv[1]), int(sys.argv[2]), progress=lambda file: print(file, file=sys.stderr))
    print(table(made))
    sys.exit(int(bool(made.wrong)))
