"""Times in which an engine control gave two half pulses a cycle: a small file beside a log.

[[split_pulse]]
from_s = 13.5       # from the log's first frame
to_s = 28.5
pulse_ms = 5.55     # before the split, as the engine control shows it; omit it where the log has it
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Final

from mixmon.errors import Mistake, SessionError
from mixmon.session.load import parse_toml, placed, read_text
from mixmon.session.schema import MistakeReport, Number, Table, Tables

_LATEST_S: Final = 1e6
"""Our choice: eleven days, longer than any log."""

_moment = Number(0, _LATEST_S, "s from the log's first frame")
_SPLIT = Table(
    {"from_s": _moment, "to_s": _moment, "pulse_ms": Number(0.5, 100, "ms")},
    ("from_s", "to_s"),
    what="a table [[split_pulse]] with from_s and to_s",
)
_SPLITS_FILE: Final = Table({"split_pulse": Tables(_SPLIT)}, ("split_pulse",))


@dataclass(frozen=True, slots=True)
class SplitPulse:
    """A time with two half pulses a cycle.

    from_s, to_s  seconds from the log's first frame
    pulse_ms      whole pulse before it, dead time included; None: as the log says
    """

    from_s: float
    to_s: float
    pulse_ms: float | None = None


def load_split_pulses(path: Path | str) -> tuple[SplitPulse, ...]:
    """The times that a file lists, in order.

    Raises:
        SessionError: the file has mistakes; all of them are in it.
        SourceError: the file cannot be read.
    """
    text = read_text(Path(path), "a file of split pulses")
    raw = parse_toml(text)
    if isinstance(raw, Mistake):
        raise SessionError(str(path), [raw])
    report = MistakeReport()
    tables = _SPLITS_FILE.read(raw, "", report).get("split_pulse", ())
    for i, one in enumerate(tables, 1):
        begin, end = one.get("from_s"), one.get("to_s")
        if begin is not None and end is not None and end <= begin:
            report(f"split_pulse[{i}].to_s", f"{end:g}", f"later than from_s, {begin:g}")
    for i, (before, one) in enumerate(pairwise(tables), 2):
        if one.get("from_s", before.get("to_s", 0.0)) < before.get("to_s", 0.0):
            expected = f"{before['to_s']:g} or later, where the one before ends"
            report(f"split_pulse[{i}].from_s", f"{one['from_s']:g}", expected)
    if report.mistakes:
        raise SessionError(str(path), placed(report.mistakes, text))
    return tuple(SplitPulse(one["from_s"], one["to_s"], one.get("pulse_ms")) for one in tables)
