"""Fuel steps as a person types them into an engine control: a small file beside a log.

    [[step]]
    from_s = 13.5       # from the log's first frame
    to_s = 18.5
    fuel_percent = { "1" = -3.0, "2" = 3.0 }    # cylinders as the engine control counts them

A cylinder that a step does not name keeps its fuel. Steps follow one another; each may begin where the one
before ends.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Final

from mixmon.errors import Mistake, SessionError
from mixmon.session.load import parse_toml, placed, read_text
from mixmon.session.schema import Clean, MistakeReport, Number, Table, Tables

_LONGEST_S: Final = 1e6
"""Our choice: eleven days, longer than any log."""

_LARGEST_PERCENT: Final = 30.0
"""Our choice: a larger step is a misplaced point; no engine runs well with it."""

_moment = Number(0, _LONGEST_S, "s from the log's first frame")
_STEP = Table(
    {
        "from_s": _moment,
        "to_s": _moment,
        "fuel_percent": Table(
            others=Number(-_LARGEST_PERCENT, _LARGEST_PERCENT, "%"),
            what='cylinders with their percent of fuel, such as { "1" = -3.0 }',
        ),
    },
    ("from_s", "to_s", "fuel_percent"),
    what="a table [[step]] with from_s, to_s and fuel_percent",
)
_FILE = Table({"step": Tables(_STEP)}, ("step",))


_PACKED: Final = frozenset({".gz", ".bz2", ".xz", ".zst", ".zip"})
"""Endings of packed logs, which do not belong to the name."""


def steps_path(log: Path) -> Path:
    """Where the fuel steps that were typed during a log, or a run, lie.

    >>> [steps_path(Path(log)).as_posix() for log in ("cars/tuesday.log.gz", "runs/2026-05-01")]
    ['cars/tuesday.log.steps.toml', 'runs/2026-05-01.steps.toml']
    """
    name = log.stem if log.suffix in _PACKED else log.name
    return log.parent / f"{name}.steps.toml"


def steps_beside(log: Path, cylinders: int) -> tuple[FuelStep, ...] | None:
    """The steps of the file beside a log; None where there is none.

    Raises:
        SessionError: the file has mistakes.
        SourceError: it cannot be read.
    """
    place = steps_path(log)
    try:
        there = place.is_file()
    except (OSError, ValueError):  # ValueError: no name that a file can have
        there = False
    return load_fuel_steps(place, cylinders) if there else None


@dataclass(frozen=True, slots=True)
class FuelStep:
    """Fuel that is added to cylinders for a time.

    from_s, to_s  seconds from the log's first frame
    percent       percent of fuel by cylinder; cylinders that are not named keep their fuel
    """

    from_s: float
    to_s: float
    percent: tuple[tuple[int, float], ...]


def load_fuel_steps(path: Path | str, cylinders: int) -> tuple[FuelStep, ...]:
    """The steps that a file lists, in order of time.

    Args:
        path: of the file.
        cylinders: number of the engine's cylinders.

    Raises:
        SessionError: the file has mistakes; all of them are in it.
        SourceError: the file cannot be read.
    """
    text = read_text(Path(path), "a file of fuel steps")
    raw = parse_toml(text)
    report = MistakeReport()
    if isinstance(raw, Mistake):
        raise SessionError(str(path), [raw])
    clean = _FILE.read(raw, "", report)
    _check_steps(clean, cylinders, report)
    if report.mistakes:
        raise SessionError(str(path), placed(report.mistakes, text))
    return tuple(
        FuelStep(
            step["from_s"],
            step["to_s"],
            tuple(sorted((int(name), percent) for name, percent in step["fuel_percent"].items())),
        )
        for step in clean["step"]
    )


def _check_steps(clean: Clean, cylinders: int, report: MistakeReport) -> None:
    """Reports cylinders that the engine does not have, and steps that are not one after another."""
    steps = clean.get("step", ())
    for i, step in enumerate(steps, 1):
        for name in step.get("fuel_percent", {}):
            if not name.isdecimal() or not 1 <= int(name) <= cylinders:
                where = f"step[{i}].fuel_percent.{name}"
                report(where, f"cylinder {name}", f"a cylinder of the engine, 1 to {cylinders}")
        begin, end = step.get("from_s"), step.get("to_s")
        if begin is not None and end is not None and end <= begin:
            report(f"step[{i}].to_s", f"{end:g}", f"later than from_s, {begin:g}")
    for i, (before, step) in enumerate(pairwise(steps), 2):
        if step.get("from_s", _LONGEST_S) < before.get("to_s", 0.0):
            expected = f"{before['to_s']:g} or later, where the step before ends"
            report(f"step[{i}].from_s", f"{step['from_s']:g}", expected)
