"""What the commands on live buses share.

In the order in which a command uses them: the caution and its acceptance; the options and the worker with
its session, recorder and buses; the buses that the options name; a window of listening without a worker;
a worker followed without a screen.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import shlex
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from mixmon.cli import options
from mixmon.cli.console import talk
from mixmon.cli.output import evidence_keeper
from mixmon.cli.stopping import Stopping
from mixmon.errors import UsageError, reason_of
from mixmon.findings.alarms.records import AlarmEvent
from mixmon.findings.census.nodes import Expected
from mixmon.findings.events.event import Event, Kind
from mixmon.frames.adapters.adapters import Adapters
from mixmon.frames.adapters.interfaces import BusOptions
from mixmon.frames.adapters.receiver import SourceStatus
from mixmon.frames.block import FrameBlock
from mixmon.frames.clock import clock_text
from mixmon.ledger.biases import with_known_biases
from mixmon.live.bus_board import UNHEARD, BusFacts, Meter, trouble
from mixmon.live.kept_files import own_runs_folder, read_kept, run_files
from mixmon.live.recording import RunRecording, event_words, joined_silences
from mixmon.live.source import BusSource
from mixmon.live.worker import Worker
from mixmon.messages.bind import bind, load_databases
from mixmon.messages.binding import NO_BUS
from mixmon.record.recorder import Recorder
from mixmon.report.text import printable
from mixmon.session.load import load_session
from mixmon.session.model import Session
from mixmon.watch.commands import Item, Remark
from mixmon.watch.snapshot import BusNow

# The caution that is accepted once for every session file.

CAUTION_TEXT: Final = (
    "Monitoring only. It will not stop, limit or protect the engine. "
    "Use the ECU's, dyno's and cell's own trips, set from the builder's limits."
)

_ACCEPTANCE_FORMAT = 1  # goes up when a field of the file of acceptances changes its meaning


class Acceptance:
    """Whether the caution was accepted for a session file of just these contents.

    state  file in which that is stored; by default in the user's state folder
    """

    def __init__(self, session: bytes, name: str, state: Path | None = None) -> None:
        self._digest = hashlib.sha256(session).hexdigest()
        self._name = name
        self._state = state or state_file(os.environ)
        self._now: str | None = None

    @property
    def at(self) -> str | None:
        """When it was accepted, in UTC; None if it was not."""
        if self._now is not None:
            return self._now
        entry = self._accepted_entries().get(self._digest)
        return entry.get("at") if isinstance(entry, dict) else None

    @property
    def words(self) -> str:
        """The text of the run note."""
        return f"caution accepted {self.at}"

    def accept(self) -> str:
        """Accepts it now; the reason why that could not be stored, empty if it was stored."""
        self._now = datetime.now(UTC).isoformat(timespec="seconds")
        entries = {**self._accepted_entries(), self._digest: {"at": self._now, "session": self._name}}
        text = (
            json.dumps({"format": _ACCEPTANCE_FORMAT, "accepted": entries}, indent=1, ensure_ascii=False)
            + "\n"
        )
        fresh = self._state.with_name(f"{self._state.name}.{os.getpid()}")
        try:
            self._state.parent.mkdir(parents=True, exist_ok=True)
            fresh.write_text(text, "utf-8")
            fresh.replace(self._state)
        except OSError as error:
            return (
                f"{self._state}: {reason_of(error)}; expected a place to store that the caution was "
                "accepted; it will be asked for again; set XDG_STATE_HOME to a folder that can be written to"
            )
        return ""

    def _accepted_entries(self) -> dict[str, object]:
        """Every acceptance by digest; empty where the file is missing or damaged."""
        try:
            kept = json.loads(self._state.read_text("utf-8"))["accepted"]
        except (OSError, ValueError, KeyError, TypeError):
            return {}
        return kept if isinstance(kept, dict) else {}


def state_file(environment: Mapping[str, str]) -> Path:
    """The file of acceptances: in $XDG_STATE_HOME/mixmon, or in the system's usual place for such files."""
    if folder := environment.get("XDG_STATE_HOME"):
        return Path(folder, "mixmon", "caution.json")
    if folder := environment.get("LOCALAPPDATA"):
        return Path(folder, "mixmon", "caution.json")
    return Path.home() / ".local" / "state" / "mixmon" / "caution.json"


def require_acceptance(acceptance: Acceptance, *, accepted: bool) -> None:
    """Writes the caution on standard error and requires its acceptance; asks where a person can answer.

    accepted: by an option of the command

    Raises:
        UsageError: it was not accepted.
    """
    talk(CAUTION_TEXT)
    if acceptance.at is not None:
        return
    if not accepted and not _ask_person():
        raise UsageError(
            "the caution was not accepted for this session file; expected it once for each session file; "
            "add --accept-caution, or answer y at a terminal"
        )
    if not_stored := acceptance.accept():
        talk(not_stored)


def _ask_person() -> bool:
    """Whether a person at a terminal says yes."""
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        return False
    sys.stderr.write("mixmon: accepted? y or n: ")
    sys.stderr.flush()
    return sys.stdin.readline().strip().lower() in {"y", "yes"}


# Options of the commands that watch live buses, and their worker.


def add_live(parser: argparse.ArgumentParser) -> None:
    """The session, its buses, and where runs are kept."""
    options.add_session(parser, required=True)
    options.add_bus(parser)
    parser.add_argument(
        "--folder", metavar="DIR", type=Path, help="where runs are kept, instead of the session's folder"
    )
    parser.add_argument(
        "--spare", metavar="DIR", type=Path, help="where runs are kept once that folder takes no more"
    )
    parser.add_argument(
        "--share", action="store_true", help="others on this machine may read the runs; default: only you"
    )
    parser.add_argument(
        "--arm",
        metavar="RPM",
        type=_arm_speed,
        help="record while the engine turns faster than this, from some seconds before until 10 s after",
    )
    parser.add_argument(
        "--for", dest="duration", metavar="S", type=options.seconds, help="stop after so many seconds"
    )
    parser.add_argument(
        "--accept-caution",
        action="store_true",
        help="accept, once for each session file, that mixmon only monitors and does not protect the engine",
    )


def acceptance_of(arguments: argparse.Namespace) -> Acceptance:
    """Whether the caution was accepted for the session file.

    Raises:
        SourceError: the file cannot be read.
    """
    return Acceptance(read_kept(arguments.session), str(arguments.session))


def live_worker(arguments: argparse.Namespace, *, record: bool = True) -> Worker:
    """The worker for the session's buses; nothing is opened yet.

    Raises:
        SessionError, SourceError, UsageError: the session, its buses or the options cannot be used.
    """
    session = with_known_biases(load_session(arguments.session))
    binding = bind(session, load_databases(session))
    buses = live_buses(arguments, session)
    recording = _make_recording(arguments, session, buses, record=record)
    return Worker(binding, BusSource(buses), recording, keep=evidence_keeper(binding.session))


def _make_recording(
    arguments: argparse.Namespace, session: Session, buses: Sequence[BusOptions], *, record: bool
) -> RunRecording:

    recorder = Recorder(
        runs_folder(arguments, session),
        name=session.name,
        buses=buses,
        files=run_files(session),
        pre_trigger_s=session.recording.pre_trigger_s,
        spare=arguments.spare,
        shared=arguments.share,
    )
    return RunRecording(recorder, arm_rpm=arguments.arm, idle=not record)


def runs_folder(arguments: argparse.Namespace, session: Session) -> Path:
    """Where runs are kept: by the command line, else as the session says."""
    return arguments.folder or own_runs_folder(session)


def _arm_speed(text: str) -> float:
    """A speed that is finite and above zero, for argparse."""
    value = options.number(text, "a speed in rpm, such as 500")
    if value <= 0:
        raise argparse.ArgumentTypeError(f"found {text!r}; expected a speed above 0")
    return value


def run_lines(worker: Worker) -> list[str]:
    """A line for each run that was recorded: where, how long, how much, and what to type next."""
    runs = () if worker.recording is None else worker.recording.runs
    lost = lost_words(worker.snapshot.buses)
    return [
        f"{run.folder}: {clock_text(run.seconds)} recorded, {run.frames} frames, {run.size} bytes, {lost}"
        f"{'' if run.error is None else '; it could not be continued'}; "
        f"next: mixmon replay {shlex.quote(str(run.folder))}"
        for run in runs
    ]


def lost_words(buses: Sequence[BusNow]) -> str:
    """How many frames were lost before they could be recorded, as far as that is known."""
    known = sum(bus.lost or 0 for bus in buses)
    if all(bus.lost is not None for bus in buses):
        return f"{known} lost"
    unknown = ", ".join(bus.name for bus in buses if bus.lost is None)
    return f"at least {known} lost ({unknown}: not counted)" if known else f"losses not counted on {unknown}"


def why_unrecorded(worker: Worker) -> str:
    """Why something is not recorded, now or for good; empty if everything is or need not be."""
    status = None if worker.recording is None else worker.recording.status
    if status is None:
        return ""
    if status.error is not None:
        return status.error
    if status.unkept:
        return (
            f"{status.folder}: {status.unkept} frames before it were not recorded, as no folder took them; "
            "expected all; make room for the next run"
        )
    return ""


# The buses that the options name.


def live_buses(arguments: argparse.Namespace, session: Session | None) -> list[BusOptions]:
    """The buses to open, named as the session's log channels, so that their frames are recognised.

    Options change the buses whose channels are given, or all where none is. A channel without a
    bus's name is the chain's.

    Raises:
        UsageError: none is named anywhere, or a channel is for a bus that the session does not have.
    """
    channels = arguments.channel or []
    if session is None:
        alone = [None] if arguments.interface is not None else []
        buses = [_named_bus(arguments, channel) for channel in channels or alone]
    else:
        given = _channels_by_bus(channels, session)
        buses = [_session_bus(arguments, session, i, given) for i in range(len(session.buses))]
        buses = [bus for bus in buses if bus.interface is not None or bus.channel in given.values()]
    if not buses:
        log = "no LOG and " if hasattr(arguments, "log") else ""
        raise UsageError(
            f"{log}no live bus: expected {'a log, ' if log else ''}--interface and --channel, "
            "or a session whose [[bus]] tables have an interface; name one"
        )
    return buses


def _channels_by_bus(channels: list[str], session: Session) -> dict[str, str]:
    """The channels given, by the session's bus."""
    names = [bus.name for bus in session.buses]
    given = {}
    for text in channels:
        name, equals, channel = text.partition("=")
        if not equals:
            name, channel = session.chain.bus, text
        if name not in names:
            raise UsageError(
                f"--channel {text}: the session has no bus {name}; expected {' or '.join(names)}; correct it"
            )
        given[name] = channel
    return given


def _session_bus(
    arguments: argparse.Namespace, session: Session, index: int, given: Mapping[str, str]
) -> BusOptions:
    bus = session.buses[index]
    options = BusOptions.from_session(bus)
    if given and bus.name not in given:
        return options
    return replace(
        options,
        interface=arguments.interface or options.interface,
        channel=given.get(bus.name, options.channel),
        bitrate=arguments.bitrate or options.bitrate,
        acknowledge=options.acknowledge or (arguments.acknowledge and bus.name == session.chain.bus),
        options=_further_options(arguments),
    )


def _named_bus(arguments: argparse.Namespace, channel: str | None) -> BusOptions:
    return BusOptions(
        name=_one_word(channel or arguments.interface),
        interface=arguments.interface,
        channel=channel,
        bitrate=arguments.bitrate,
        acknowledge=arguments.acknowledge,
        options=_further_options(arguments),
    )


def _further_options(arguments: argparse.Namespace) -> dict[str, bool | int | float | str]:
    """Further arguments of python-can's interface."""
    further = dict(arguments.bus_kwargs)
    if arguments.fd:
        further["fd"] = True
    if arguments.data_bitrate is not None:
        further["data_bitrate"] = arguments.data_bitrate
    return further


def _one_word(channel: str) -> str:
    """The channel's name as one word, for logs: the path of a serial port without its folders."""
    return channel.replace("\\", "/").rstrip("/").rpartition("/")[2] or channel


# Live buses listened to for a while.

_TAKE_S = 0.05
"""Longest wait for frames; our choice: Ctrl-C is noticed at once."""


class ListenWindow:
    """Blocks of the frames that come on live buses within a time, or until a signal asks to stop.

    Events of the buses go to standard error.

    interrupted  a signal asked to stop
    """

    def __init__(self, buses: Sequence[BusOptions], duration_s: float, *, quiet: bool) -> None:
        self._buses = buses
        self._duration_s = duration_s
        self._quiet = quiet
        self._meter = Meter()
        self._statuses: tuple[SourceStatus, ...] = ()
        self._heard_s = 0.0
        self.interrupted = False

    def __iter__(self) -> Iterator[FrameBlock]:
        """The blocks.

        Raises:
            SourceError: a bus cannot be opened.
        """
        with Stopping() as stopping, Adapters(self._buses) as adapters:
            began = adapters.now()
            while not stopping.asked and self._heard_s < self._duration_s:
                yield from self._take_frames(adapters, _TAKE_S)
                self._heard_s = (adapters.now() - began) / 1e9
            adapters.close()
            yield from self._take_frames(adapters, 0.0)
            self._statuses = adapters.status()
            self.interrupted = stopping.asked

    def troubles(self, expected: Expected) -> tuple[str, ...]:
        """What is wrong, for each bus on which nothing came that was expected.

        Without a session any frame counts as expected.
        """
        seen = self._meter.now(0)
        found = []
        for bus, status in zip(self._buses, self._statuses, strict=True):
            heard, index = seen.get(bus.name, UNHEARD), int(expected.bus_of_channels([bus.name])[0])
            known = [] if index == NO_BUS else [plan.can_id for plan in expected.buses[index].messages]
            identifiers = self._meter.identifiers.get(bus.name, set())
            if not (identifiers.intersection(known) or (heard.frames and not expected.declared)):
                facts = BusFacts(
                    bus.name,
                    bus.bitrate,
                    status.listen_only is False,
                    known,
                    identifiers,
                    self._heard_s,
                    status.condition,
                    {
                        other.name: [plan.can_id for plan in other.messages]
                        for number, other in enumerate(expected.buses)
                        if number != index
                    },
                )
                found.append(trouble(facts, heard))
        return tuple(one.text for one in found if one is not None)

    def _take_frames(self, adapters: Adapters, timeout_s: float) -> Iterator[FrameBlock]:
        for block in adapters.take(timeout_s):
            self._meter.feed(block)
            yield block
        for event in adapters.events():
            talk(f"{event.bus}: {event.text}", quiet=self._quiet)


# A worker followed without a screen.

FOLLOW_S = 0.1
"""Our choice: a tenth of a second is at once for a reader of lines."""

_STATUS_COLUMNS = 110  # our choice: a longer line would wrap on many terminals


class StatusLine:
    """One line at the bottom of a terminal, drawn over itself, if standard error is one."""

    def __init__(self, *, quiet: bool) -> None:
        self._shown = not quiet and sys.stderr is not None and sys.stderr.isatty()
        self._drawn = False

    def show(self, text: str) -> None:
        """Draws the line."""
        if self._shown:
            sys.stderr.write(f"\r{printable(text)[:_STATUS_COLUMNS]}\x1b[K")
            sys.stderr.flush()
            self._drawn = True

    def wipe(self) -> None:
        """Erases the line, before anything else is written."""
        if self._drawn:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()
            self._drawn = False


class Follower:
    """Writes remarks on standard error and passes alarm records on.

    on_alarm   called with every alarm record
    on_second  called about once a second
    over       asked every tenth of a second: True ends the following
    drain      what has happened since the last call; None: the worker's own
    """

    def __init__(
        self,
        worker: Worker,
        *,
        quiet: bool,
        on_alarm: Callable[[AlarmEvent], None],
        on_second: Callable[[], None],
        status: StatusLine | None = None,
        over: Callable[[], bool] = lambda: False,
        drain: Callable[[], list[Item]] | None = None,
    ) -> None:
        self._worker = worker
        self._drain = drain or worker.drain
        self._over = over
        self._quiet = quiet
        self._on_alarm, self._on_second = on_alarm, on_second
        self._silences: list[Event] = []
        self._status = status or StatusLine(quiet=True)

    def follow(self, stopping: Stopping, duration_s: float | None) -> bool:
        """Shows news until the worker ends, a signal, or the end of the time; True if `over` ended it."""
        began = time.monotonic()
        done = 0
        while not stopping.asked and not self._worker.ended.wait(FOLLOW_S):
            self.show_news()
            passed = time.monotonic() - began
            if passed >= done + 1:
                done = int(passed)
                self._on_second()
            if self._over():
                return True
            if duration_s is not None and passed >= duration_s:
                break
        return False

    def show_news(self, *, last: bool = False) -> None:
        """Writes what has happened since the last call, and passes alarm records on.

        Silences of nodes wait for a call that brings none, as those of a whole bus do not end in one moment.

        last  nothing will follow
        """
        items = self._drain()
        if items:
            self._status.wipe()
        silent = False
        for item in items:
            if isinstance(item, AlarmEvent):
                self._on_alarm(item)
            elif isinstance(item, Remark):
                talk(item.text, quiet=self._quiet and not item.loud)
            elif item.kind is Kind.NODE_SILENT:
                self._silences.append(item)
                silent = True
            else:
                talk(event_words(item), quiet=self._quiet)
        if self._silences and (last or not silent):
            for event in joined_silences(self._silences, len(self._worker.session.chain.nodes)):
                talk(event_words(event), quiet=self._quiet)
            self._silences.clear()
