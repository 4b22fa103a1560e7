"""What keys do: a key and the moment in, new choices and commands out. No screen is needed for it.

Nothing destructive happens on one press: recording off, leaving while recording and silencing
an alarm ask first.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import Final

from mixmon.dashboard.keys import WRITTEN, Asked, Page, Prompt
from mixmon.dashboard.palettes import NAMES
from mixmon.dashboard.scene import ORDERS, Scene, Unit, is_recording
from mixmon.dashboard.screens import checks
from mixmon.dashboard.screens.balance import Place
from mixmon.dashboard.screens.pages import State, alarm_index
from mixmon.dashboard.verdict import NOT_ACCEPTED
from mixmon.findings.alarms.records import Alarm
from mixmon.findings.alarms.states import AlarmFlag, AlarmState
from mixmon.findings.pulls.quality import KEEP
from mixmon.findings.pulls.review import PullReview
from mixmon.mixture.steady import Cell
from mixmon.watch.commands import (
    Accept,
    AcceptAll,
    Command,
    InService,
    JudgeCell,
    JudgePull,
    Mark,
    NoteText,
    OutOfService,
    Pause,
    RecordOff,
    RecordOn,
    Reset,
    ResetPeaks,
    Resume,
    Seek,
    Shelve,
    Speed,
    Step,
    Unshelve,
)

# ----------------------------------------------------------------------------------------------------
# What a key makes of an alarm: a command, a question that must be answered first, or words.
# ----------------------------------------------------------------------------------------------------

Outcome = Command | Prompt | str

NOTHING_STANDS = "no alarm stands"


def accept(alarm: Alarm) -> Outcome:
    """Accept it, if it waits for that."""
    if alarm.state not in NOT_ACCEPTED:
        return f"{alarm.rule.name}: accepted already"
    return Accept(alarm.rule.name, alarm.position)


def accept_seen(alarms: Sequence[Alarm]) -> Outcome:
    """Accept all that are on the screen and wait for it."""
    seen = tuple((a.rule.name, a.position) for a in alarms if a.state in NOT_ACCEPTED)
    return AcceptAll(seen) if seen else "nothing waits to be accepted"


def reset(alarm: Alarm) -> Outcome:
    """Reset a latched one."""
    if alarm.state is AlarmState.LATCHED_ACKNOWLEDGED:
        return Reset(alarm.rule.name, alarm.position)
    return "nothing to reset: only a latched alarm that was accepted can be"


def shelve(alarm: Alarm) -> Outcome:
    """Put it on the shelf, for a reason; or take it back."""
    if AlarmFlag.SHELVED in alarm.flags:
        return Unshelve(alarm.rule.name, alarm.position)
    return Prompt(Asked.SHELVE, f"shelve {alarm.rule.name} for 10 min, why")


def service(alarm: Alarm) -> Outcome:
    """Take it out of service, for a reason; or put it back."""
    if AlarmFlag.OUT_OF_SERVICE in alarm.flags:
        return InService(alarm.rule.name, alarm.position)
    return Prompt(Asked.SERVICE, f"{alarm.rule.name} out of service, why")


def silence(asked: Asked, name: tuple[str, int | None], reason: str) -> Command:
    """The command for the reason that was given."""
    return (Shelve if asked is Asked.SHELVE else OutOfService)(*name, reason)


# ----------------------------------------------------------------------------------------------------
# What keys make of the cells of the map: another choice, a command, or words.
# ----------------------------------------------------------------------------------------------------


def move(scene: Scene, state: State, across: int, up: int) -> State:
    """The cursor elsewhere; it appears where the engine is held, or in the first cell."""
    axes = scene.setting.session.axes
    speeds, loads = axes.rpm or (None,), axes.load or (None,)
    held = scene.snapshot.holding
    place: Place = (held.cell.rpm, held.cell.load) if held else (speeds[0], loads[0])
    if state.cursor is not None:
        at = speeds.index(state.cursor[0]), loads.index(state.cursor[1])
        x = min(max(at[0] + across, 0), len(speeds) - 1)
        y = min(max(at[1] + up, 0), len(loads) - 1)
        place = (speeds[x], loads[y])
    return replace(state, cursor=place)


def judge_of_cell_keys(scene: Scene, state: State) -> Command | str:
    """The cell under the cursor, else the one that is held: left out, or counted again if it was."""
    held, balance = scene.holding, scene.snapshot.balance
    place = state.cursor or ((held.cell.rpm, held.cell.load) if held else None)
    known = {(cell.rpm, cell.load): cell.used_for_trims for cell in balance.cells} if balance else {}
    aside = Cell(*place) in balance.put_aside if balance and place else False
    if place is None or place not in known:
        return "arrows choose a cell; this one has no data"
    if not known[place] and not aside:
        return "low flow, or a load below the first one: never used for trims"
    return JudgeCell(*place, keep=aside)


# ----------------------------------------------------------------------------------------------------
# What keys make of the pulls: another choice, a command, or words. There is at least one pull.
# ----------------------------------------------------------------------------------------------------


def compare(review: PullReview, state: State) -> State | str:
    """Shown as differences from the one kept before, or as it is."""
    if review.repeats[_at(review, state)] is None:
        return "no pull was kept before this one"
    return replace(state, compared=not state.compared)


def judge_of_pull_keys(review: PullReview, state: State) -> Command:
    """The pull on the screen: rejected if it is kept, else kept."""
    pull = review.pulls[_at(review, state)]
    return JudgePull(pull.begin, keep=pull.verdict.suggestion != KEEP)


def turn(review: PullReview, state: State, step: int) -> State:
    """To the pull before or after; the newest one is followed again at the end."""
    at = max(_at(review, state) + step, 0)
    return replace(state, pull=at if at < len(review.pulls) - 1 else None)


def _at(review: PullReview, state: State) -> int:
    """The pull on the screen; the newest where the chosen one is gone, wound back."""
    last = len(review.pulls) - 1
    return last if state.pull is None else min(state.pull, last)


# ----------------------------------------------------------------------------------------------------
# The speeds at which a recording can be played, from key to key.
# ----------------------------------------------------------------------------------------------------

SPEEDS: Final = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, math.inf)
"""Multiples of the recording's own speed; the last one is as fast as it can be worked."""


def next_speed(now: float | None, step: int) -> float | None:
    """The next faster or slower speed; None is as fast as it can be worked.

    >>> next_speed(3.0, 1), next_speed(None, -1), next_speed(20.0, 1)
    (5.0, 20.0, None)
    """
    here = math.inf if now is None else now
    if step > 0:
        found = min((speed for speed in SPEEDS if speed > here), default=here)
    else:
        found = max((speed for speed in SPEEDS if speed < here), default=here)
    return None if math.isinf(found) else found


def speed_words(speed: float | None) -> str:
    """The speed as it is said.

    >>> speed_words(0.5), speed_words(None)
    ('0.5 times its own speed', 'as fast as it can be worked')
    """
    return "as fast as it can be worked" if speed is None else f"{speed:g} times its own speed"


MESSAGE_S: Final = 3.0
_TWO_DIGITS_S: Final = 1.0
_JUMP_S: Final = 10.0
_DIGITS: Final = frozenset("0123456789")
"""Not `str.isdigit`: a raised two has a key of its own on some keyboards, and is no number."""

_PAGES: Final = {
    "w": Page.WATCH,
    "b": Page.BALANCE,
    "t": Page.TRIMS,
    "l": Page.ALARMS,
    "h": Page.BUS,
    "c": Page.CHECKS,
    "N": Page.NOTES,
}


class Controls:
    """The person's choices, and what keys make of them.

    state    all choices
    leave    the person wants to go
    export   the person wants this screen in a file
    """

    def __init__(self, state: State, units: tuple[Unit, ...], send: Callable[[Command], None]) -> None:
        self.state = state
        self.leave = False
        self.export = False
        self._units = units
        self._send = send
        self._scene: Scene | None = None
        self._now = 0.0

    def press(self, key: str, scene: Scene, now_s: float) -> None:
        """Take one key: a character, or a name such as `escape`; `scene` is what the person sees."""
        self._scene, self._now = scene, now_s
        self._set(message="")
        if key == "ctrl+c":
            self._interrupt()
            return
        if self.state.prompt is not None:
            self._answer(self.state.prompt, key)
            return
        if key != "q":
            self._set(leaving=False)
        if key == "e" and self.state.page in WRITTEN:
            self.export = True
            return
        action = self._own().get(key) or self._common().get(key)
        if action is not None:
            action()
        elif key in _DIGITS:
            self._pick(key)

    def tell(self, words: str, now_s: float) -> None:
        """Show words on the last line for a while."""
        self._set(message=words, message_until=now_s + MESSAGE_S)

    def news(self, words: str, now_s: float) -> None:
        """The same for what was not asked for: it waits behind the answer to a key."""
        if not self.state.message:
            self.tell(words, now_s)

    def expire(self, now_s: float) -> None:
        """Take back what was to be shown for a while."""
        if self.state.message and now_s >= self.state.message_until:
            self._set(message="")

    def _set(self, **changes: object) -> None:
        self.state = replace(self.state, **changes)  # type: ignore[arg-type]

    def _options(self, **changes: object) -> None:
        self._set(options=replace(self.state.options, **changes))  # type: ignore[arg-type]

    @property
    def _seen(self) -> Scene:
        assert self._scene is not None
        return self._scene

    def _common(self) -> dict[str, Callable[[], None]]:
        keys: dict[str, Callable[[], None]] = {
            " ": lambda: self._send(Mark()),
            "r": self._record,
            "a": partial(self._on_alarm, accept),
            "A": self._accept_all,
            "z": partial(self._on_alarm, shelve),
            "f": self._freeze,
            "u": self._unit,
            "+": lambda: self._set(options=self.state.options.zoomed(1)),
            "=": lambda: self._set(options=self.state.options.zoomed(1)),
            "-": lambda: self._set(options=self.state.options.zoomed(-1)),
            "n": lambda: self._ask(Asked.NOTE, "note"),
            "/": self._find,
            "v": self._pulls,
            "?": self._help,
            "D": self._decimals,
            "C": self._palette,
            "q": self._quit,
            "escape": self._back,
            "up": lambda: self._scroll(-1),
            "down": lambda: self._scroll(1),
            "pageup": lambda: self._scroll(-10),
            "pagedown": lambda: self._scroll(10),
        }
        keys.update({key: partial(self._go, page) for key, page in _PAGES.items()})
        if self._seen.live.replay_position is not None:
            keys.update(self._replay())
        return keys

    def _replay(self) -> dict[str, Callable[[], None]]:
        return {
            ".": self._pause,
            ",": lambda: self._send(Step()),
            "[": lambda: self._seek(-_JUMP_S),
            "]": lambda: self._seek(_JUMP_S),
            "<": lambda: self._speed(-1),
            ">": lambda: self._speed(1),
        }

    def _own(self) -> dict[str, Callable[[], None]]:
        """Keys of the screen at hand; they never reuse a common one, except arrows."""
        if self.state.page is Page.WATCH:
            return {
                "p": lambda: self._options(peaks=not self.state.options.peaks),
                "P": lambda: self._send(ResetPeaks()),
                "o": self._order,
            }
        if self.state.page is Page.BALANCE:
            return {
                "s": lambda: self._set(spread=not self.state.spread),
                "x": lambda: self._do(judge_of_cell_keys(self._seen, self.state)),
                "left": lambda: self._do(move(self._seen, self.state, -1, 0)),
                "right": lambda: self._do(move(self._seen, self.state, 1, 0)),
                "up": lambda: self._do(move(self._seen, self.state, 0, 1)),
                "down": lambda: self._do(move(self._seen, self.state, 0, -1)),
            }
        if self.state.page is Page.PULLS:
            return {
                "d": partial(self._on_pulls, compare),
                "k": partial(self._on_pulls, judge_of_pull_keys),
                "left": partial(self._on_pulls, partial(turn, step=-1)),
                "right": partial(self._on_pulls, partial(turn, step=1)),
                "up": lambda: self._step_cylinder(-1),
                "down": lambda: self._step_cylinder(1),
            }
        if self.state.page is Page.CHECKS:
            return {
                "up": lambda: self._choose_check(-1),
                "down": lambda: self._choose_check(1),
                "enter": lambda: self._ask_check(Asked.PASSED, "what was found"),
                "x": lambda: self._ask_check(Asked.FAILED, "what was found"),
                "k": lambda: self._ask_check(Asked.SKIPPED, "why"),
                "o": lambda: self._send(NoteText(checks.note_text(self.state.check, "reopened", "again"))),
            }
        if self.state.page is Page.ALARMS:
            return {
                "up": lambda: self._choose_alarm(-1),
                "down": lambda: self._choose_alarm(1),
                "R": partial(self._on_alarm, reset),
                "o": partial(self._on_alarm, service),
            }
        return {}

    def _go(self, page: Page) -> None:
        self._set(page=page, first=0)

    def _help(self) -> None:
        if self.state.page is Page.HELP:
            self._go(self.state.before)
        else:
            self._set(page=Page.HELP, before=self.state.page, first=0)

    def _back(self) -> None:
        """One step back: out of help, the search, the picked cylinder, the cell, then to watch."""
        state = self.state
        if state.page is Page.HELP:
            self._go(state.before)
        elif state.page is Page.EVENTS and state.wanted:
            self._set(wanted="", first=0)
        elif state.options.chosen is not None:
            self._options(chosen=None)
        elif state.cursor is not None:
            self._set(cursor=None)
        else:
            self._go(Page.WATCH)

    def _scroll(self, step: int) -> None:
        self._set(first=max(self.state.first + step, 0))

    def _pick(self, digit: str) -> None:
        """A cylinder; two digits within a second are one number, where there is such a cylinder."""
        before, at = self.state.digit
        both = before + digit
        cylinders = self._seen.setting.session.engine.cylinders
        close = before and self._now - at <= _TWO_DIGITS_S and 1 <= int(both) <= cylinders
        number = int(both) if close else int(digit) or 10
        self._set(digit=("", 0.0) if close else (digit, self._now))
        if self._seen.setting.node_of(number) is None:
            self.tell(f"no sensor at cylinder {number}", self._now)
        else:
            self._options(chosen=number)

    def _order(self) -> None:
        at = ORDERS.index(self.state.options.order)
        self._options(order=ORDERS[(at + 1) % len(ORDERS)])

    def _unit(self) -> None:
        names = [unit.name for unit in self._units]
        here = self.state.options.unit.name
        at = names.index(here) if here in names else -1
        self._options(unit=self._units[(at + 1) % len(self._units)], decimals=None)
        if len(self._units) == 1:
            self.tell("no other unit: the session names no fuel", self._now)

    def _decimals(self) -> None:
        """One decimal fewer, as usual, one more, in turn."""
        usual = self.state.options.unit.decimals
        at = self.state.options.lambda_decimals - usual
        self._options(decimals=usual + {0: 1, 1: -1, -1: 0}[at])

    def _palette(self) -> None:
        at = NAMES.index(self.state.palette)
        self._set(palette=NAMES[(at + 1) % len(NAMES)])
        self.tell(f"colours: {self.state.palette}", self._now)

    def _pulls(self) -> None:
        if self._seen.snapshot.pulls is None:
            self.tell("no pull yet: full throttle and rising speed make one", self._now)
        else:
            self._go(Page.PULLS)
            self._set(pull=None)

    def _on_pulls(self, make: Callable[[PullReview, State], Outcome | State]) -> None:
        """What a key makes of the pulls, if there are any."""
        if self._seen.snapshot.pulls is not None:
            self._do(make(self._seen.snapshot.pulls, self.state))

    def _step_cylinder(self, step: int) -> None:
        """To the cylinder above or below, in the order on the screen."""
        order, index = self._seen.order(), self._seen.chosen()
        at = order.index(index) + step if index is not None else 0
        node = self._seen.setting.nodes[order[min(max(at, 0), len(order) - 1)]]
        self._options(chosen=node.cylinders[0])

    def _freeze(self) -> None:
        frozen = None if self.state.frozen is not None else self._seen.live
        self._set(frozen=frozen, frozen_at=self._now)

    def _record(self) -> None:
        if is_recording(self._seen.live):
            self._ask(Asked.RECORD_OFF, "stop recording?", words=False)
        else:
            self._send(RecordOn())

    def _quit(self) -> None:
        if not self.state.leaving:
            self._set(leaving=True)
            self.tell("q once more leaves", self._now)
        elif is_recording(self._seen.live):
            self._set(leaving=False)
            self._ask(Asked.LEAVE, "recording is on: stop it and leave?", words=False)
        else:
            self.leave = True

    def _interrupt(self) -> None:
        """Ctrl-C: once it takes a question back, twice it leaves whatever is asked; the record is closed."""
        if self.state.leaving:
            self.leave = True
        else:
            self._set(leaving=True, prompt=None)
            self.tell("ctrl-c once more closes the record and leaves", self._now)

    def _on_alarm(self, make: Callable[[Alarm], Outcome]) -> None:
        """What a key makes of the alarm at hand: on the alarm list the chosen one, else the most pressing."""
        alarms = self._seen.alarms()
        if not alarms:
            self.tell(NOTHING_STANDS, self._now)
            return
        at = alarm_index(self._seen, self.state) if self.state.page is Page.ALARMS else 0
        self._do(make(alarms[at]), alarms[at])

    def _accept_all(self) -> None:
        self._do(accept_seen(self._seen.alarms()))

    def _do(self, outcome: Outcome | State, alarm: Alarm | None = None) -> None:
        """Choose, send, say, or ask; then the alarm is kept, as the list may move while one types."""
        if isinstance(outcome, State):
            self.state = outcome
        elif isinstance(outcome, str):
            self.tell(outcome, self._now)
        elif isinstance(outcome, Prompt):
            assert alarm is not None
            self._set(prompt=outcome, alarm=(alarm.rule.name, alarm.position))
        else:
            self._send(outcome)

    def _choose_alarm(self, step: int) -> None:
        alarms = self._seen.alarms()
        if alarms:
            at = min(max(alarm_index(self._seen, self.state) + step, 0), len(alarms) - 1)
            self._set(alarm=(alarms[at].rule.name, alarms[at].position))

    def _choose_check(self, step: int) -> None:
        self._set(check=min(max(self.state.check + step, 0), len(checks.CHECKS) - 1))

    def _ask_check(self, asked: Asked, question: str) -> None:
        self._ask(asked, f"check {self.state.check + 1} {asked.value}, {question}")

    def _find(self) -> None:
        self._go(Page.EVENTS)
        self._ask(Asked.FIND, "find")

    def _ask(self, asked: Asked, question: str, *, words: bool = True) -> None:
        self._set(prompt=Prompt(asked, question, words))

    def _answer(self, prompt: Prompt, key: str) -> None:
        """A key while a question stands."""
        if not prompt.words:
            self._set(prompt=None)
            if key == "y":
                self._agreed(prompt.asked)
        elif key == "escape":
            self._set(prompt=None)
        elif key == "enter":
            self._set(prompt=None)
            self._typed(prompt.asked, prompt.typed.strip())
        else:
            self._set(prompt=prompt.press(key))

    def _agreed(self, asked: Asked) -> None:
        self._send(RecordOff())
        if asked is Asked.LEAVE:
            self.leave = True

    def _typed(self, asked: Asked, words: str) -> None:
        if asked is Asked.FIND:
            self._set(wanted=words, first=0)
        elif not words:
            self.tell("nothing written, nothing done", self._now)
        elif asked is Asked.NOTE:
            self._send(NoteText(words))
        elif asked in {Asked.PASSED, Asked.FAILED, Asked.SKIPPED}:
            self._send(NoteText(checks.note_text(self.state.check, asked.value, words)))
        elif self.state.alarm is not None:
            self._send(silence(asked, self.state.alarm, words))

    def _pause(self) -> None:
        self._send(Resume() if self.state.paused else Pause())
        self._set(paused=not self.state.paused)

    def _seek(self, step_s: float) -> None:
        self._send(Seek(max(self._seen.live.elapsed_s + step_s, 0.0)))

    def _speed(self, step: int) -> None:
        speed = next_speed(self.state.speed, step)
        self._send(Speed(speed))
        self._set(speed=speed)
        self.tell(speed_words(speed), self._now)
