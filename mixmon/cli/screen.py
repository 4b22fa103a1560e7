"""The dashboard for a command: its options, when it can be shown, and the exit status of its end.

`show` starts the worker, runs the screens until the person leaves, and closes the worker in every case,
so that the record is whole. `Sound` starts the user's own program for an alarm.
"""

from __future__ import annotations

import argparse
import math
import os
import shlex
import shutil
import subprocess
import threading
import time
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from mixmon.beside.beside import Beside, tables_beside
from mixmon.cli import options
from mixmon.cli.console import talk
from mixmon.cli.live import CAUTION_TEXT, Acceptance, run_lines
from mixmon.cli.main import DONE, LIMIT_NOT_MET
from mixmon.cli.settings import Settings, Value, keep_settings, load_settings
from mixmon.cli.stopping import INTERRUPTED, Stopping
from mixmon.dashboard.palettes import PALETTES
from mixmon.dashboard.scene import ORDERS, SCALES, KnownSensors
from mixmon.dashboard.screens.pages import State
from mixmon.errors import MixmonError, UsageError
from mixmon.ledger.ledger import Ledger
from mixmon.ledger.standing import records
from mixmon.live.worker import Worker
from mixmon.messages.binding import Binding
from mixmon.report.units import UNIT_NAMES, Unit, unit_named
from mixmon.session.model import Session
from mixmon.watch.commands import NoteText

if TYPE_CHECKING:
    from mixmon.dashboard.app import DashboardOptions

GRACE_S = 3.0
"""Our choice: longer than the screens take to leave a terminal that is there."""

LAST_WORDS_S = 0.5
"""Our choice: a program gets so long to end its pattern; nobody waits longer for the command to end."""


def add_screen(parser: argparse.ArgumentParser) -> None:
    """--palette, --ascii, --sound and the other options of the screen."""
    options.add_units(parser)
    parser.set_defaults(units=None)  # the settings say it
    group = parser.add_argument_group("screen")
    group.add_argument(
        "--palette", choices=PALETTES, help="colours (default: print; mono where NO_COLOR is set)"
    )
    group.add_argument("--ascii", action="store_true", help="draw with ASCII characters only")
    group.add_argument(
        "--blink", action=argparse.BooleanOptionalAction, help="what is pressing blinks (default: yes)"
    )
    group.add_argument(
        "--mouse",
        action=argparse.BooleanOptionalAction,
        help="a click chooses (default: yes)",
    )
    group.add_argument(
        "--config",
        metavar="FILE",
        type=Path,
        help="settings of the screens (default: settings.toml in the folder of your settings)",
    )
    group.add_argument(
        "--sound",
        metavar="PROGRAM",
        help="program to start for each alarm, with a pattern (urgent, clear, notice, done) and words",
    )
    group.add_argument(
        "--bell", action=argparse.BooleanOptionalAction, help="ring the terminal bell (default: yes)"
    )


def show(
    worker: Worker,
    arguments: argparse.Namespace,
    acceptance: Acceptance | None = None,
    *,
    speed: float | None = 1.0,
) -> int:
    """Starts the worker, shows the screens until the person leaves, closes the worker; the exit status.

    acceptance: of the caution, where one is needed
    speed: at which a recording is played to begin with; None: as fast as it can be worked

    Raises:
        MixmonError: a source cannot be opened.
        UsageError: the caution was not accepted.
        KeyboardInterrupt: the program was asked to stop, or its terminal closed.
    """
    # Textual is loaded here alone: text at a pipe, and a refused command line, do without it.
    from mixmon.dashboard.app import DashboardOptions, run

    settings = load_settings(arguments.config)
    speaker, faults = _speaker_of(arguments.sound, settings)
    for fault in faults:
        talk(fault)
    asked = acceptance is not None and acceptance.at is None
    left = threading.Event()
    stopping = Stopping(lambda: _end_at_signal(worker, left))
    end = time.monotonic() + (getattr(arguments, "duration", None) or math.inf)
    chosen = DashboardOptions(
        units=_units_set(worker.binding, arguments.units, settings),
        sound=speaker,
        program=speaker.program,
        change_program=speaker.change,
        said="; ".join(faults),
        keep=lambda begin, end: _keep_changes(settings, begin, end),
        speed=speed,
        caution=CAUTION_TEXT if asked else "",
        accepted=lambda: _accept_caution(worker, acceptance),
        over=lambda: stopping.asked or time.monotonic() > end,
        known=_read_ledger(worker.session),
        beside=_tables_of(arguments),
        gone=stopping.ask,
    )
    with stopping:
        worker.start()
        if not asked:
            _send_note(worker, acceptance)
        try:
            end_by = run(worker, _with_look(chosen, arguments, settings))
        finally:
            left.set()
            worker.close()
            for line in run_lines(worker):
                talk(line, quiet=arguments.quiet)
            speaker.close()
    return _conclude(end_by, asked=stopping.asked)


def viewer_options(
    worker: Worker, arguments: argparse.Namespace, *, acts: bool, speed: float | None
) -> DashboardOptions:
    """How the screens of a viewer in a browser begin: by the command line, else by the user's settings.

    They start no program and keep no setting: both are of the person at the machine.

    Raises:
        UsageError: the command line asks for AFR without a stoichiometric ratio.
    """
    from mixmon.dashboard.app import DashboardOptions
    from mixmon.dashboard.keys import Seat

    settings = load_settings(arguments.config)
    for fault in settings.faults:
        talk(fault)
    chosen = DashboardOptions(
        units=_units_set(worker.binding, arguments.units, settings),
        change_program=lambda _: "a browser starts no program on this machine",
        said="" if acts else "this view only looks; it watches and does not protect the engine",
        speed=speed,
        known=_read_ledger(worker.session),
        beside=_tables_of(arguments),
        seat=Seat.REMOTE if acts else Seat.ONLOOKER,
    )
    looking = _with_look(chosen, arguments, settings)
    return replace(looking, palette=looking.palette or PALETTES[0])


def _tables_of(arguments: argparse.Namespace) -> tuple[Beside, ...]:
    """The tables that were merged with the run that is replayed; none of a live bus."""
    log = getattr(arguments, "log", None)
    return tables_beside(log) if log else ()


def _with_look(
    chosen: DashboardOptions, arguments: argparse.Namespace, settings: Settings
) -> DashboardOptions:
    """The options with how the screens look: by the command line, else by the settings."""
    palette = arguments.palette or (None if os.environ.get("NO_COLOR") else settings.get("palette"))
    return replace(
        chosen,
        ascii=arguments.ascii,
        palette=palette,
        order=settings.get("order", ORDERS[0]),
        scale=settings.get("scale", SCALES[1]),
        screen_inch=settings.get("screen_inch", 15.6),
        distance_m=settings.get("distance_m", 2.0),
        mouse=_first_of(arguments.mouse, settings, "mouse"),
        blink=_first_of(arguments.blink, settings, "blink"),
        bell=_first_of(arguments.bell, settings, "bell"),
    )


def _keep_changes(settings: Settings, begin: State, end: State) -> None:
    not_kept = keep_settings(settings, changed_settings(begin, end))
    if not_kept:
        talk(not_kept)


def _first_of(said: bool | None, settings: Settings, key: str) -> bool:
    """What the command line says, else the settings, else yes."""
    return bool(settings.get(key, True)) if said is None else said


def _speaker_of(command: str | None, settings: Settings) -> tuple[Speaker, tuple[str, ...]]:
    """The program of the command line, else that of the settings; with it what in them cannot be used.

    Raises:
        UsageError: there is no such program as the command line names.
    """
    if command is not None:
        return Speaker(command), settings.faults
    try:
        return Speaker(settings.get("sound", ""), "sound"), settings.faults
    except UsageError as error:
        return Speaker(), (*settings.faults, f"{settings.path}: {error}")


def _units_set(binding: Binding, said: str | None, settings: Settings) -> tuple[Unit, ...]:
    """The units in their order; a unit of the settings that the session cannot show gives way.

    Raises:
        UsageError: the command line asks for AFR without a stoichiometric ratio.
    """
    kept = settings.get("unit")
    cannot = kept == "afr" and binding.stoich_afr is None
    return units_of(binding, said or (None if cannot else kept))


def changed_settings(begin: State, end: State) -> dict[str, Value]:
    """What keys and commands have changed, by the keys of the settings."""
    before, after = _kept_choices(begin), _kept_choices(end)
    return {key: value for key, value in after.items() if value != before[key]}


def _kept_choices(state: State) -> dict[str, Value]:
    view = state.options
    return {
        "palette": state.palette,
        "order": view.order,
        "scale": view.scale,
        "unit": view.unit.name,
        "screen_inch": view.screen_inch,
        "distance_m": view.distance_m,
        "blink": view.blink,
        "bell": state.bell,
        "sound": state.sound,
    }


class Speaker:
    """What sounds go to: `program`, started by a `Sound`, or nothing; another program may take its place.

    Raises:
        UsageError: there is no such program.
    """

    def __init__(self, program: str = "", named: str = "--sound") -> None:
        self.program = program
        self._sound = Sound(program, named) if program else None
        self._before: list[Sound] = []

    def __call__(self, pattern: str, words: str) -> None:
        """Sounds a pattern with words, if there is a program."""
        if self._sound is not None:
            self._sound(pattern, words)

    def change(self, program: str) -> str:
        """Another program, or none; gives why it cannot be, empty where it was done."""
        try:
            sound = Sound(program, "sound program") if program else None
        except UsageError as error:
            return str(error)
        self("clear", "")
        self._before += [self._sound] if self._sound is not None else []
        self.program, self._sound = program, sound
        return ""

    def close(self, longest_s: float = LAST_WORDS_S) -> None:
        """Ends what sounds; each program may take so long for it."""
        self("clear", "")
        for sound in (*self._before, *([self._sound] if self._sound is not None else [])):
            sound.wait(longest_s)


def _conclude(end_by: int, *, asked: bool) -> int:
    """The exit status by how the screens ended; `asked`: the program was asked to stop.

    Raises:
        UsageError: the caution was not accepted.
        KeyboardInterrupt: the program was asked to stop, or its terminal closed.
    """
    from mixmon.dashboard.app import BROKEN, REFUSED, STOPPED

    if asked or end_by == STOPPED:
        raise KeyboardInterrupt
    if end_by == BROKEN:
        talk("internal error (see above); dashboard closed, recording kept")
        return LIMIT_NOT_MET
    if end_by == REFUSED:
        raise UsageError(
            "the caution was not accepted; expected it once for each session file; start again and accept it"
        )
    return DONE


def _read_ledger(session: Session) -> KnownSensors:
    """What the ledger knows of the session's sensors; one that cannot be read is told on the screen."""
    serials = {node.sensor for node in session.chain.nodes}
    try:
        with Ledger() as ledger:
            known = records(entry for entry in ledger.entries() if entry.serial in serials)
    except MixmonError as error:
        return KnownSensors(fault=str(error))
    return KnownSensors({record.serial: record for record in known})


def _end_at_signal(worker: Worker, left: threading.Event) -> None:
    """Closes the record at once; ends the program if the screens do not, as Textual without a terminal."""
    worker.close()
    if not left.wait(GRACE_S):
        os._exit(INTERRUPTED)


def units_of(binding: Binding, first: str | None) -> tuple[Unit, ...]:
    """All units that the session can be shown in, the chosen one first.

    Raises:
        UsageError: AFR without a stoichiometric ratio.
    """
    known = [name for name in UNIT_NAMES if name != "afr" or binding.stoich_afr is not None]
    names = dict.fromkeys((first or "lambda", *known))
    return tuple(unit_named(name, binding.fuel, binding.stoich_afr) for name in names)


def _accept_caution(worker: Worker, acceptance: Acceptance | None) -> None:
    if acceptance is not None:
        not_stored = acceptance.accept()
        _send_note(worker, acceptance, not_stored)


def _send_note(worker: Worker, acceptance: Acceptance | None, not_stored: str = "") -> None:
    """Records when the caution was accepted, and shows why that could not be stored."""
    if acceptance is not None:
        worker.send(NoteText(acceptance.words, standing=True))
    if not_stored:
        worker.send(NoteText(not_stored))


# A program of the user's that makes alarms audible: a speaker, a voice, the beacon of the cell.

MOST_AT_ONCE: Final = 4
"""Programs that may run at the same time; our choice: a stream of alarms starts no more."""


class Sound:
    """Starts the program with two more arguments, and does not wait for its end.

    The first one is the pattern: urgent, until clear; notice; done. The second one is a few
    words, such as `cyl 3 lean under load`. `named` is what the place where it was written calls it.

    Raises:
        UsageError: there is no such program.
    """

    def __init__(self, command: str, named: str) -> None:
        try:
            self._command = shlex.split(command)
        except ValueError as error:
            raise UsageError(f"{named} {command!r}: {error}; expected a program and its arguments") from error
        if not self._command or shutil.which(self._command[0]) is None:
            raise UsageError(
                f"{named} {command!r}: no such program; expected one that can be started with a pattern "
                "and words; correct it"
            )
        self._running: list[subprocess.Popen[bytes]] = []

    @property
    def running(self) -> int:
        """How many programs still run."""
        self._running = [one for one in self._running if one.poll() is None]
        return len(self._running)

    def wait(self, longest_s: float) -> None:
        """Waits for each program, `longest_s` at most; one that runs longer is left running."""
        for one in self._running:
            with suppress(subprocess.TimeoutExpired):
                one.wait(longest_s)

    def __call__(self, pattern: str, words: str) -> None:
        """Starts the program with the pattern and the words; its output and its end are ignored."""
        if self.running >= MOST_AT_ONCE and pattern != "clear":
            return
        try:
            begun = subprocess.Popen(  # noqa: S603 - the user's own program, by its name, without a shell
                [*self._command, pattern, words],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
            )
        except OSError:
            return  # the screen shows every alarm; sound is a convenience
        self._running.append(begun)
