"""Checks a session file with its message definitions, and with a log: every mistake, caution and doubt."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

import numpy as np

from mixmon.arrays import SECOND_NS
from mixmon.errors import Mistake, check_path
from mixmon.findings.plausible.judge import Declared, Mapped, find_unjudged, judge, judge_absent
from mixmon.findings.plausible.notes import Implausible, Level
from mixmon.findings.plausible.samples import SignalSamples
from mixmon.log import Definitions, FrameLog, frames_of
from mixmon.messages.bind import bind, definition_cautions, find_mistakes, load_databases
from mixmon.messages.binding import Binding, BoundSignal
from mixmon.messages.cautions import cautions, key_cautions
from mixmon.mixture.layout import source_of
from mixmon.note import Note
from mixmon.result import Result
from mixmon.run import LogFacts
from mixmon.session.load import read_session
from mixmon.session.model import OwnChannel
from mixmon.setup.samples import gather_samples


@dataclass(frozen=True, slots=True, repr=False)
class SessionCheck(Result):
    """What is wrong with a session file, and what is odd in it.

    path         the file
    mistakes     in the order of the file, each with its key, what was found and what was expected; with
                 one the file cannot be loaded
    cautions     notes on what can be loaded and is unlikely to be meant
    channels     the own channels, by their names
    implausible  what the signals did in the log that they cannot, or are unlikely to do, each with its
                 `level` (mistake or doubt), the key and a note; empty without a log, and with mistakes in
                 the file
    not_judged   keys of signals that came with too few values to judge them, as in a short log, or in one in
                 which the engine did not run
    log          what became of the lines of the log; None without one, and with mistakes in the file
    """

    path: Path
    mistakes: tuple[Mistake, ...]
    cautions: tuple[Note, ...]
    channels: Mapping[str, OwnChannel]
    implausible: tuple[Implausible, ...] = ()
    not_judged: tuple[str, ...] = ()
    log: LogFacts | None = None

    @property
    def usable(self) -> bool:
        """Whether `load_session` takes the file."""
        return not self.mistakes

    @property
    def plausible(self) -> bool:
        """Whether nothing in the log speaks against the session; True without a log."""
        return not self.implausible


def verify(path: str | Path, *, log: FrameLog | str | Path | None = None) -> SessionCheck:
    """Every mistake in a session file and its message definitions, and every caution; see `SessionCheck`.

    With a log, what every mapped signal did there is compared with what its quantity can do: units, scales,
    signals that never came or never move, two nodes that are one signal, rates.

    >>> import mixmon
    >>> check = mixmon.verify("examples/foreign.toml", log="examples/foreign.log.gz")
    >>> check.usable, [str(mistake) for mistake in check.mistakes], check.plausible
    (True, [], True)

    Args:
        path: the session file.
        log: from `read_frames`, or its name; it is read to its end.

    Raises:
        SourceError: the file or the log cannot be read, or nothing lies in the chosen part.
        UsageError: one of them is no name of a file.
    """
    check_path(path, "verify", "a session file")
    mistakes = find_mistakes(path)
    session, _ = read_session(path)
    notes: tuple[Note, ...] = ()
    if session is not None:
        notes = (*cautions(session), *key_cautions(path), *definition_cautions(session))
    channels = MappingProxyType({} if session is None else dict(session.channels))
    if log is None or mistakes or session is None:
        return SessionCheck(Path(path), tuple(mistakes), notes, channels)
    frames = frames_of(log, "verify")
    implausible, not_judged = _check_log(bind(session, load_databases(session)), frames)
    return SessionCheck(Path(path), (), notes, channels, implausible, not_judged, frames.log)


def _check_log(binding: Binding, frames: FrameLog) -> tuple[tuple[Implausible, ...], tuple[str, ...]]:
    """What is not plausible about the mapped signals in a log, mistakes first; keys that are not judged."""
    bound = tuple(_bound_signals(binding))
    names = sorted({f"{one.message.name}.{one.signal.name}" for _, _, _, one in bound})

    def bus_of(channel: str) -> int:
        return int(binding.bus_of_channels([channel])[0])

    came = gather_samples(frames, Definitions.of_session(binding), names, bus_of)
    mapped = [
        Mapped(
            key,
            quantity,
            position,
            source_of(one, binding.stoich_afr),
            came.samples.get(one.key) or SignalSamples(),
            _told_cycle_s(one),
        )
        for key, quantity, position, one in bound
    ]
    found = judge_absent(
        mapped, binding.buses, tuple(came.channels), {bus_of(name) for name in came.channels}
    )
    declared = _declared(binding)
    found += judge(mapped, declared)
    told = {one.key for one in found}
    not_judged = tuple(key for key in find_unjudged(mapped, declared) if key not in told)
    return tuple(sorted(found, key=lambda one: one.level is not Level.MISTAKE)), not_judged


def _declared(binding: Binding) -> Declared:
    """What the session says beside its signals."""
    session = binding.session
    return Declared(
        fuel=binding.curve or binding.fuel,
        strokes=session.engine.strokes,
        natural=session.engine.aspiration == "natural",
        dead_time_ms=session.injection.dead_time_ms,
        stale_s=session.validity.stale_s,
    )


def _told_cycle_s(bound: BoundSignal) -> float:
    """Time between samples by the definitions; a multiplexed signal comes less often than its message."""
    cycle = None if bound.signal.selectors else bound.message.cycle_ns
    return np.nan if not cycle else cycle / SECOND_NS


def _bound_signals(binding: Binding) -> Iterator[tuple[str, str, int | None, BoundSignal]]:
    """Key in the session file, quantity, position of the node, and signal of everything that is mapped."""
    for i, (node, found) in enumerate(zip(binding.session.chain.nodes, binding.nodes, strict=True), 1):
        for quantity, bound in found.items():
            own = quantity in node.signals
            key = f"chain.node[{i}].signals.{quantity}" if own else f"chain.signals.{quantity}"
            yield key, quantity, node.position, bound
    for name, bound in binding.engine.items():
        quantity = "trim" if re.fullmatch(r"trim\d\d", name) else name
        yield f"engine_signals.{quantity}", quantity, None, bound
    for name, bound in binding.channels.items():
        yield f"channels.{name}", "channel", None, bound
