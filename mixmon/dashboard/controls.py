"""The effects of the keys: a key and the moment become new choices and commands. It needs no terminal.

No single press destroys anything: stopping the recording, leaving while recording and silencing an
alarm ask first. The functions say what one key makes of an alarm, a cell, a pull or a speed;
`Controls` keeps the choices and finds the function for a key.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from enum import Enum
from functools import partial
from typing import Final

from mixmon.dashboard.keys import EXPORTABLE_PAGES, PICTURED_PAGES, Asked, Page, Prompt, Seat, is_live_only
from mixmon.dashboard.palettes import PALETTES
from mixmon.dashboard.pointing import choice_at, key_at
from mixmon.dashboard.scene import DISTANCES_M, ORDER_WORDS, ORDERS, SCREENS_INCH, Scene
from mixmon.dashboard.screens import checks, identity, trims
from mixmon.dashboard.screens.balance import Place
from mixmon.dashboard.screens.events import line_at
from mixmon.dashboard.screens.pages import State, alarm_index, draw
from mixmon.dashboard.screens.timeline import moment_text, seek_moment, seek_stamp
from mixmon.dashboard.text import Row
from mixmon.findings.alarms.records import Alarm
from mixmon.findings.alarms.states import AlarmFlag, AlarmState
from mixmon.findings.pulls.quality import Suggestion
from mixmon.findings.pulls.review import PullReview
from mixmon.frames.clock import clock_seconds
from mixmon.mixture.steady import Cell
from mixmon.report.units import Unit
from mixmon.watch.commands import (
    Acknowledge,
    AcknowledgeAll,
    BeginStep,
    Command,
    EndStep,
    InService,
    JudgeCell,
    JudgePull,
    KeepIdentity,
    Mark,
    NoteText,
    OutOfService,
    Pause,
    PlanSteps,
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
# Keys on alarms.
# ----------------------------------------------------------------------------------------------------

Outcome = Command | Prompt | str
"""A command, a question that must be answered first, or an answer in words."""

NO_ALARM = "no active alarm"


def acknowledge(alarm: Alarm) -> Outcome:
    """Acknowledges the alarm; words where that was done before."""
    if not alarm.state.waits:
        return f"{alarm.rule.name}: acknowledged already"
    return Acknowledge(alarm.rule.name, alarm.position)


def acknowledge_all(alarms: Sequence[Alarm]) -> Outcome:
    """Acknowledges all alarms on the screen that wait for it; words where there is none."""
    seen = tuple((a.rule.name, a.position) for a in alarms if a.state.waits)
    return AcknowledgeAll(seen) if seen else "nothing waits to be acknowledged"


def reset(alarm: Alarm) -> Outcome:
    """Resets a latched alarm that was acknowledged; words for any other."""
    if alarm.state is AlarmState.LATCHED_ACKNOWLEDGED:
        return Reset(alarm.rule.name, alarm.position)
    return "nothing to reset: only a latched alarm that was acknowledged can be reset"


def toggle_shelf(alarm: Alarm) -> Outcome:
    """Asks for the reason to shelve the alarm; unshelves a shelved one."""
    if AlarmFlag.SHELVED in alarm.flags:
        return Unshelve(alarm.rule.name, alarm.position)
    return Prompt(Asked.SHELVE, f"shelve {alarm.rule.name} for 10 min, why")


def toggle_service(alarm: Alarm) -> Outcome:
    """Asks for the reason to take the alarm out of service; puts it back into service."""
    if AlarmFlag.OUT_OF_SERVICE in alarm.flags:
        return InService(alarm.rule.name, alarm.position)
    return Prompt(Asked.SERVICE, f"{alarm.rule.name} out of service, why")


def silence_command(asked: Asked, name: tuple[str, int | None], reason: str) -> Command:
    """The command that silences the alarm `name` for the reason that was typed."""
    return (Shelve if asked is Asked.SHELVE else OutOfService)(*name, reason)


# ----------------------------------------------------------------------------------------------------
# Keys on the cells of the balance screen.
# ----------------------------------------------------------------------------------------------------


def move_cursor(scene: Scene, state: State, across: int, up: int) -> State:
    """The state with the cursor moved; its first place is the cell that is held, or the first cell."""
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


def toggle_cell(scene: Scene, state: State) -> Command | str:
    """Excludes the cell under the cursor, else the one that is held; includes it if it was excluded."""
    held, balance = scene.holding, scene.snapshot.balance
    place = state.cursor or ((held.cell.rpm, held.cell.load) if held else None)
    known = {(cell.rpm, cell.load): cell.used_for_trims for cell in balance.cells} if balance else {}
    aside = Cell(*place) in balance.excluded_cells if balance and place else False
    if place is None or place not in known:
        return "arrows choose a cell; this one has no data"
    if not known[place] and not aside:
        return "low flow, or a load below the first one: never used for trims"
    return JudgeCell(*place, keep=aside)


# ----------------------------------------------------------------------------------------------------
# Keys on pulls, of which there is at least one.
# ----------------------------------------------------------------------------------------------------


def toggle_comparison(review: PullReview, state: State) -> State | str:
    """The state with pulls shown as differences from the one kept before, or as they are."""
    if review.repeats[_pull_on_screen(review, state)] is None:
        return "no pull was kept before this one"
    return replace(state, compared=not state.compared)


def toggle_pull(review: PullReview, state: State) -> Command:
    """Rejects the pull on the screen if it is kept, else keeps it."""
    pull = review.pulls[_pull_on_screen(review, state)]
    return JudgePull(pull.begin, keep=pull.verdict.suggestion is not Suggestion.KEEP)


def step_pull(review: PullReview, state: State, step: int) -> State:
    """The state with the pull before or after; at the last one, the newest is followed again."""
    at = max(_pull_on_screen(review, state) + step, 0)
    return replace(state, pull=at if at < len(review.pulls) - 1 else None)


def _pull_on_screen(review: PullReview, state: State) -> int:
    """Index of the pull on the screen; the newest where a replay was wound back before the chosen one."""
    last = len(review.pulls) - 1
    return last if state.pull is None else min(state.pull, last)


# ----------------------------------------------------------------------------------------------------
# Keys on the speed of a replay.
# ----------------------------------------------------------------------------------------------------

SPEEDS: Final = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, math.inf)
"""Multiples of real time; the last one is as fast as possible. Our choice: steps of about two."""


def next_speed(now: float | None, step: int) -> float | None:
    """The next faster or slower speed; None is as fast as possible.

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
    """The speed in words.

    >>> speed_words(0.5), speed_words(None)
    ('0.5 times real time', 'as fast as possible')
    """
    return "as fast as possible" if speed is None else f"{speed:g} times real time"


# ----------------------------------------------------------------------------------------------------
# The person's choices, changed by keys.
# ----------------------------------------------------------------------------------------------------

MESSAGE_S: Final = 3.0
"""How long a message stays on the last line. Our choice: long enough to read ten words."""

_TWO_DIGITS_S: Final = 1.0
"""Two digit keys within so long are one number. Our choice: time for a gloved hand."""

_JUMP_S: Final = 10.0
"""Length of a jump in a replay. Our choice: about one pull."""

_PAGE_ROWS: Final = 10
"""Rows that page up and page down scroll. Our choice: less than any screen with a body has."""

_DIGIT_KEYS: Final = frozenset("0123456789")
"""Not `str.isdigit`, which holds for a superscript two, a key of some keyboards."""

_PAGES: Final = {
    "w": Page.WATCH,
    "b": Page.BALANCE,
    "t": Page.TRIMS,
    "l": Page.ALARMS,
    "h": Page.BUS,
    "c": Page.CHECKS,
    "I": Page.STEPS,
    "N": Page.NOTES,
}


_LENGTHS: Final = {
    Asked.DISTANCE: ("distance_m", DISTANCES_M, "m"),
    Asked.SCREEN: ("screen_inch", SCREENS_INCH, "inch"),
}
"""Settings that are a length: the option, from what to what, and its unit."""


class Errand(Enum):
    """What a key asks for that is done outside the screens' rows."""

    EXPORT = "export"
    COPY = "copy"
    PICTURE = "picture"
    COMMANDS = "commands"


ONLY_LOOKS: Final = "this view only looks: it changes nothing for others"
"""What an onlooker is told for a key that acts."""

_LOOKING: Final = frozenset({Asked.FIND, Asked.DISTANCE, Asked.SCREEN})
"""Questions whose answers change the person's own picture alone."""

_HARMLESS: Final = frozenset({Errand.COPY, Errand.COMMANDS})
"""Errands that write no file."""


class Controls:
    """The person's choices, changed by keys; commands go to `send`.

    Of an onlooker a key that acts is undone whole: nothing is sent, asked or changed; `ONLY_LOOKS` is told.

    state    all choices
    leave    the person has asked to leave; `interrupted`: by Ctrl-C
    errand   what the person has asked for that needs the terminal or a file; None: nothing
    size     columns and rows of the terminal
    """

    def __init__(
        self,
        state: State,
        units: tuple[Unit, ...],
        send: Callable[[Command], None],
        seat: Seat = Seat.OPERATOR,
    ) -> None:
        self.state = state
        self.seat = seat
        self._acted = False
        self.leave = False
        self.interrupted = False
        self.errand: Errand | None = None
        self.size = (80, 24)
        self._units = units
        self._send = send if seat is not Seat.ONLOOKER else self._send_nothing
        self._scene: Scene | None = None
        self._now = 0.0

    def press(self, key: str, scene: Scene, now_s: float) -> None:
        """Carries out one key: a character, or a name such as `escape`; `scene` is what the person sees."""
        self._scene, self._now = scene, now_s
        self._change_state(message="")
        before, self._acted = self.state, False
        self._press_key(key)
        if self.seat is Seat.ONLOOKER and self._has_acted():
            self.state, self.errand = before, None
            self.tell(ONLY_LOOKS, now_s)

    def _has_acted(self) -> bool:
        """Whether the key has sent a command, asks what only somebody who acts is asked, or writes a file."""
        prompt = self.state.prompt
        asked = prompt is not None and prompt.asked not in _LOOKING
        return self._acted or asked or (self.errand is not None and self.errand not in _HARMLESS)

    def _send_nothing(self, _: Command) -> None:
        self._acted = True

    def _press_key(self, key: str) -> None:
        if key == "ctrl+c":
            self._handle_interrupt()
            return
        if self.state.prompt is not None:
            self._take_answer_key(self.state.prompt, key)
            return
        if key != "q":
            self._change_state(leaving=False)
        if key == "e" and self.state.page in EXPORTABLE_PAGES:
            self.errand = Errand.EXPORT
            return
        action = self._page_actions().get(key) or self._common_actions().get(key)
        if self._seen_scene.live.replay_position is not None and self._would_record(key):
            self.tell("a replay records nothing: no notes, marks or checks", self._now)
        elif action is not None:
            action()
        elif key in _DIGIT_KEYS:
            self._pick_cylinder(key)

    def _would_record(self, key: str) -> bool:
        """Whether the key records something; at the identity of the check list enter opens its steps."""
        opens = self.state.page is Page.CHECKS and self.state.check == checks.IDENTITY_CHECK
        name = "space" if key == " " else key
        return is_live_only(self.state.page, name) and not (opens and key == "enter")

    def point(self, size: tuple[int, int], x: int, y: int, scene: Scene, now_s: float) -> None:
        """Chooses what lies at column `x` of row `y`, or presses the key that the last line names there."""
        if self.state.prompt is not None:
            return
        key = key_at(draw(scene, self.state, *size)[y], x)
        if key is not None:
            self.press(key, scene, now_s)
            return
        chosen = choice_at(scene, self.state, size, x, y)
        if chosen is not None:
            self.state = replace(chosen, leaving=False)

    def set_order(self, order: str, now_s: float) -> None:
        """The order of the cylinders, one of ORDERS."""
        self._change_view(order=order)
        self.tell(ORDER_WORDS[order], now_s)

    def ask_setting(self, asked: Asked, now_s: float) -> None:
        """Asks for a setting that has no key; what holds now is the answer to begin with."""
        options = self.state.options
        held = {
            Asked.DISTANCE: ("viewing distance, m", f"{options.distance_m:g}"),
            Asked.SCREEN: ("screen size, inch", f"{options.screen_inch:g}"),
            Asked.SOUND: ("sound program, empty for none", self.state.sound),
        }
        question, typed = held[asked]
        self._now = now_s
        self._change_state(prompt=Prompt(asked, question, typed=typed), message="")

    def toggle_bell(self, now_s: float) -> None:
        """The terminal's bell rings, or not."""
        self._change_state(bell=not self.state.bell)
        self.tell(f"bell: {'on' if self.state.bell else 'off'}", now_s)

    def toggle_blink(self, now_s: float) -> None:
        """What is pressing blinks, or not."""
        self._change_view(blink=not self.state.options.blink)
        self.tell(f"blinking: {'on' if self.state.options.blink else 'off'}", now_s)

    def tell(self, words: str, now_s: float) -> None:
        """Shows words on the last line for MESSAGE_S."""
        self._change_state(message=words, message_until=now_s + MESSAGE_S)

    def news(self, words: str, now_s: float) -> None:
        """Shows news likewise, unless the answer to a key is on the line."""
        if not self.state.message:
            self.tell(words, now_s)

    def expire(self, now_s: float) -> None:
        """Removes the message when its time is over."""
        if self.state.message and now_s >= self.state.message_until:
            self._change_state(message="")

    def _change_state(self, **changes: object) -> None:
        self.state = replace(self.state, **changes)  # type: ignore[arg-type]

    def _change_view(self, **changes: object) -> None:
        self._change_state(options=replace(self.state.options, **changes))  # type: ignore[arg-type]

    @property
    def _seen_scene(self) -> Scene:
        assert self._scene is not None
        return self._scene

    def _common_actions(self) -> dict[str, Callable[[], None]]:
        keys: dict[str, Callable[[], None]] = {
            " ": lambda: self._send(Mark()),
            "r": self._toggle_recording,
            "a": partial(self._on_alarm, acknowledge),
            "A": self._acknowledge_all,
            "z": partial(self._on_alarm, toggle_shelf),
            "f": self._toggle_freeze,
            "u": self._change_unit,
            "+": lambda: self._change_state(options=self.state.options.zoomed(1)),
            "=": lambda: self._change_state(options=self.state.options.zoomed(1)),
            "-": lambda: self._change_state(options=self.state.options.zoomed(-1)),
            "n": lambda: self._ask_question(Asked.NOTE, "note"),
            "/": self._start_search,
            "v": self._open_pulls,
            "?": self._toggle_help,
            "tab": self._toggle_picture,
            "D": self._change_decimals,
            "C": self._change_palette,
            "Y": partial(self._ask_errand, Errand.COPY),
            "S": partial(self._ask_errand, Errand.PICTURE),
            ":": partial(self._ask_errand, Errand.COMMANDS),
            "q": self._ask_to_leave,
            "escape": self._go_back,
            "up": lambda: self._scroll_rows(-1),
            "down": lambda: self._scroll_rows(1),
            "pageup": lambda: self._scroll_rows(-_PAGE_ROWS),
            "pagedown": lambda: self._scroll_rows(_PAGE_ROWS),
        }
        keys.update({key: partial(self._open_page, page) for key, page in _PAGES.items()})
        if self._seen_scene.live.replay_position is not None:
            keys.update(self._replay_actions())
        return keys

    def _replay_actions(self) -> dict[str, Callable[[], None]]:
        return {
            ".": self._toggle_pause,
            ",": lambda: self._send(Step()),
            "[": lambda: self._seek_by(-_JUMP_S),
            "]": lambda: self._seek_by(_JUMP_S),
            "{": lambda: self._go_beside(-1),
            "}": lambda: self._go_beside(1),
            "left": lambda: self._choose_moment(-1),
            "right": lambda: self._choose_moment(1),
            "enter": self._go_to_chosen,
            "G": lambda: self._ask_question(Asked.GO_TO, "go to MM:SS, or seconds"),
            "<": lambda: self._change_speed(-1),
            ">": lambda: self._change_speed(1),
        }

    def _page_actions(self) -> dict[str, Callable[[], None]]:
        """The keys of the screen that is shown; they never reuse a common one, except arrows."""
        makers = {
            Page.WATCH: self._watch_actions,
            Page.BALANCE: self._balance_actions,
            Page.PULLS: self._pulls_actions,
            Page.CHECKS: self._checks_actions,
            Page.STEPS: self._steps_actions,
            Page.BUS: self._bus_actions,
            Page.TRIMS: lambda: {"enter": self._ask_who_typed},
            Page.ALARMS: self._alarms_actions,
        }
        make = makers.get(self.state.page)
        return {} if make is None else make()

    def _watch_actions(self) -> dict[str, Callable[[], None]]:
        return {
            "p": lambda: self._change_view(peaks=not self.state.options.peaks),
            "P": lambda: self._send(ResetPeaks()),
            "o": self._change_order,
        }

    def _balance_actions(self) -> dict[str, Callable[[], None]]:
        return {
            "s": lambda: self._change_state(spread=not self.state.spread),
            "x": lambda: self._carry_out(toggle_cell(self._seen_scene, self.state)),
            "left": lambda: self._carry_out(move_cursor(self._seen_scene, self.state, -1, 0)),
            "right": lambda: self._carry_out(move_cursor(self._seen_scene, self.state, 1, 0)),
            "up": lambda: self._carry_out(move_cursor(self._seen_scene, self.state, 0, 1)),
            "down": lambda: self._carry_out(move_cursor(self._seen_scene, self.state, 0, -1)),
        }

    def _pulls_actions(self) -> dict[str, Callable[[], None]]:
        return {
            "d": partial(self._on_pulls, toggle_comparison),
            "k": partial(self._on_pulls, toggle_pull),
            "left": partial(self._on_pulls, partial(step_pull, step=-1)),
            "right": partial(self._on_pulls, partial(step_pull, step=1)),
            "up": lambda: self._step_cylinder(-1),
            "down": lambda: self._step_cylinder(1),
        }

    def _checks_actions(self) -> dict[str, Callable[[], None]]:
        return {
            "up": lambda: self._choose_check(-1),
            "down": lambda: self._choose_check(1),
            "enter": self._open_check,
            "x": lambda: self._ask_check(Asked.FAILED, "what was found"),
            "k": lambda: self._ask_check(Asked.SKIPPED, "why"),
            "o": lambda: self._send(NoteText(checks.note_text(self.state.check, "reopened", "again"))),
        }

    def _bus_actions(self) -> dict[str, Callable[[], None]]:
        return {"s": lambda: self._change_state(sensor_log=not self.state.sensor_log, first=0)}

    def _steps_actions(self) -> dict[str, Callable[[], None]]:
        return {
            "enter": self._mark_step,
            "k": self._keep_identity,
            "p": lambda: self._ask_question(Asked.STEPS_ANEW, "begin all steps again?", words=False),
            "left": lambda: self._change_plan(other=True, step=0),
            "right": lambda: self._change_plan(other=True, step=0),
            "up": lambda: self._change_plan(other=False, step=1),
            "down": lambda: self._change_plan(other=False, step=-1),
        }

    def _alarms_actions(self) -> dict[str, Callable[[], None]]:
        return {
            "up": lambda: self._choose_alarm(-1),
            "down": lambda: self._choose_alarm(1),
            "R": partial(self._on_alarm, reset),
            "o": partial(self._on_alarm, toggle_service),
        }

    def _open_page(self, page: Page) -> None:
        self._change_state(page=page, first=0)

    def _toggle_help(self) -> None:
        if self.state.page is Page.HELP:
            self._open_page(self.state.before)
        else:
            self._change_state(page=Page.HELP, before=self.state.page, first=0)

    def _go_back(self) -> None:
        """One step back: out of help, the search, the picked cylinder, the cell, then to watch."""
        state = self.state
        if state.page is Page.HELP:
            self._open_page(state.before)
        elif state.page is Page.EVENTS and state.wanted:
            self._change_state(wanted="", first=0)
        elif state.moment is not None:
            self._change_state(moment=None)
        elif state.options.chosen is not None:
            self._change_view(chosen=None)
        elif state.cursor is not None:
            self._change_state(cursor=None)
        else:
            self._open_page(Page.WATCH)

    def _scroll_rows(self, step: int) -> None:
        """Scrolls as far as the drawing changes, so that the way back begins where the last row stands."""
        first = max(self.state.first + step, 0)
        while first > self.state.first and self._drawn_from(first) == self._drawn_from(first - 1):
            first -= 1
        self._change_state(first=first)

    def _drawn_from(self, first: int) -> list[Row]:
        return draw(self._seen_scene, replace(self.state, first=first), *self.size)

    def _pick_cylinder(self, digit: str) -> None:
        """A cylinder; two digits within a second are one number, where there is such a cylinder."""
        before, at = self.state.digit
        both = before + digit
        cylinders = self._seen_scene.setting.session.engine.cylinders
        close = before and self._now - at <= _TWO_DIGITS_S and 1 <= int(both) <= cylinders
        number = int(both) if close else int(digit) or 10
        self._change_state(digit=("", 0.0) if close else (digit, self._now))
        if self._seen_scene.setting.node_of(number) is None:
            self.tell(f"no sensor at cylinder {number}", self._now)
        else:
            self._change_view(chosen=number)

    def _change_order(self) -> None:
        at = ORDERS.index(self.state.options.order)
        self.set_order(ORDERS[(at + 1) % len(ORDERS)], self._now)

    def _change_unit(self) -> None:
        names = [unit.name for unit in self._units]
        here = self.state.options.unit.name
        at = names.index(here) if here in names else -1
        self._change_view(unit=self._units[(at + 1) % len(self._units)], decimals=None)
        if len(self._units) == 1:
            self.tell("no other unit: the session names no fuel", self._now)

    def _change_decimals(self) -> None:
        """One decimal fewer, as usual, one more, in turn."""
        usual = self.state.options.unit.decimals
        at = self.state.options.lambda_decimals - usual
        self._change_view(decimals=usual + {0: 1, 1: -1, -1: 0}[at])

    def _toggle_picture(self) -> None:
        if self.state.page in PICTURED_PAGES:
            self._change_state(picture=not self.state.picture)
        else:
            self.tell("no picture here", self._now)

    def _change_palette(self) -> None:
        at = PALETTES.index(self.state.palette)
        self._change_state(palette=PALETTES[(at + 1) % len(PALETTES)])
        self.tell(f"colours: {self.state.palette}", self._now)

    def _open_pulls(self) -> None:
        if self._seen_scene.snapshot.pulls is None:
            self.tell("no pull yet: full throttle and rising speed make one", self._now)
        else:
            self._open_page(Page.PULLS)
            self._change_state(pull=None)

    def _on_pulls(self, make: Callable[[PullReview, State], Outcome | State]) -> None:
        """Carries out what `make` gives for the pulls, if there are any."""
        if self._seen_scene.snapshot.pulls is not None:
            self._carry_out(make(self._seen_scene.snapshot.pulls, self.state))

    def _step_cylinder(self, step: int) -> None:
        """Chooses the cylinder above or below, in the order on the screen."""
        order, index = self._seen_scene.order(), self._seen_scene.chosen()
        at = order.index(index) + step if index is not None else 0
        node = self._seen_scene.setting.nodes[order[min(max(at, 0), len(order) - 1)]]
        self._change_view(chosen=node.cylinders[0])

    def _ask_errand(self, errand: Errand) -> None:
        self.errand = errand

    def _toggle_freeze(self) -> None:
        frozen = None if self.state.frozen is not None else self._seen_scene.live
        self._change_state(frozen=frozen, frozen_at=self._now)

    def _toggle_recording(self) -> None:
        if self._seen_scene.live.is_recording:
            self._ask_question(Asked.RECORD_OFF, "stop recording?", words=False)
        else:
            self._send(RecordOn())

    def _ask_to_leave(self) -> None:
        if not self.state.leaving:
            self._change_state(leaving=True)
            self.tell("q once more leaves", self._now)
        elif self._seen_scene.live.is_recording and self.seat is Seat.OPERATOR:
            self._change_state(leaving=False)
            self._ask_question(Asked.LEAVE, "recording is on: stop it and leave?", words=False)
        else:
            self.leave = True

    def _handle_interrupt(self) -> None:
        """Ctrl-C: the first one withdraws a question, the second one leaves; the record is closed."""
        if self.state.leaving:
            self.leave = self.interrupted = True
        else:
            self._change_state(leaving=True, prompt=None)
            ends = "closes the record and " if self.seat is Seat.OPERATOR else ""
            self.tell(f"ctrl-c once more {ends}leaves", self._now)

    def _on_alarm(self, make: Callable[[Alarm], Outcome]) -> None:
        """Carries out what `make` gives for the chosen alarm of the list, else the most pressing."""
        alarms = self._seen_scene.alarms()
        if not alarms:
            self.tell(NO_ALARM, self._now)
            return
        at = alarm_index(self._seen_scene, self.state) if self.state.page is Page.ALARMS else 0
        self._carry_out(make(alarms[at]), alarms[at])

    def _acknowledge_all(self) -> None:
        self._carry_out(acknowledge_all(self._seen_scene.alarms()))

    def _carry_out(self, outcome: Outcome | State, alarm: Alarm | None = None) -> None:
        """Applies a state, shows words, asks a question about the alarm, or sends a command.

        A question keeps the alarm by name, as the list may move while the person types.
        """
        if isinstance(outcome, State):
            self.state = outcome
        elif isinstance(outcome, str):
            self.tell(outcome, self._now)
        elif isinstance(outcome, Prompt):
            assert alarm is not None
            self._change_state(prompt=outcome, alarm=(alarm.rule.name, alarm.position))
        else:
            self._send(outcome)

    def _choose_alarm(self, step: int) -> None:
        alarms = self._seen_scene.alarms()
        if alarms:
            at = min(max(alarm_index(self._seen_scene, self.state) + step, 0), len(alarms) - 1)
            self._change_state(alarm=(alarms[at].rule.name, alarms[at].position))

    def _choose_check(self, step: int) -> None:
        self._change_state(check=min(max(self.state.check + step, 0), len(checks.CHECK_LIST) - 1))

    def _ask_who_typed(self) -> None:
        """Asks who has typed the sheet; where nothing is offered, says so."""
        sheet = self._seen_scene.snapshot.sheet
        if sheet is None or sheet.withheld:
            self.tell("no trims are offered: there is nothing to type", self._now)
        else:
            self._ask_question(Asked.ENTERED, "typed as offered, by")

    def _open_check(self) -> None:
        """At the identity its steps; else asks what was found."""
        if self.state.check == checks.IDENTITY_CHECK:
            self._open_page(Page.STEPS)
        else:
            self._ask_check(Asked.PASSED, "what was found")

    def _mark_step(self) -> None:
        """The next fuel step begins, or the one that is held ends; whatever picture is frozen."""
        test = self._seen_scene.live.steps
        if test is not None:
            self._send(EndStep() if test.open else BeginStep())

    def _change_plan(self, *, other: bool, step: int) -> None:
        """Another plan of steps, as long as none was made."""
        test = self._seen_scene.live.steps
        if test is None:
            return
        if test.steps:
            self.tell("steps were made: p begins them again, then the plan can change", self._now)
            return
        sizes = identity.SIZES_PERCENT
        at = sizes.index(test.percent) if test.percent in sizes else 0
        percent = sizes[min(max(at + step, 0), len(sizes) - 1)]
        self._send(PlanSteps(test.single != other, percent))

    def _keep_identity(self) -> None:
        if identity.evidence_in_force(self._seen_scene) is None:
            self._send(KeepIdentity())
        else:
            self._ask_question(Asked.PROOF_ANEW, "a proof is kept already: write over it?", words=False)

    def _ask_check(self, asked: Asked, question: str) -> None:
        self._ask_question(asked, f"check {self.state.check + 1} {asked.value}, {question}")

    def _start_search(self) -> None:
        self._open_page(Page.EVENTS)
        self._ask_question(Asked.FIND, "find")

    def _ask_question(self, asked: Asked, question: str, *, words: bool = True) -> None:
        self._change_state(prompt=Prompt(asked, question, words))

    def _take_answer_key(self, prompt: Prompt, key: str) -> None:
        """Applies a key to the question that is asked."""
        if not prompt.words:
            self._change_state(prompt=None)
            if key == "y":
                self._carry_out_agreed(prompt.asked)
        elif key == "escape":
            self._change_state(prompt=None)
        elif key == "enter":
            self._change_state(prompt=None)
            self._carry_out_typed(prompt.asked, prompt.typed.strip())
        else:
            self._change_state(prompt=prompt.press(key))

    def _carry_out_agreed(self, asked: Asked) -> None:
        test = self._seen_scene.live.steps
        if asked is Asked.PROOF_ANEW:
            self._send(KeepIdentity(over=True))
            return
        if asked is Asked.STEPS_ANEW:
            if test is not None:
                self._send(PlanSteps(test.single, test.percent))
            return
        self._send(RecordOff())
        if asked is Asked.LEAVE:
            self.leave = True

    def _carry_out_typed(self, asked: Asked, words: str) -> None:
        if asked is Asked.GO_TO:
            self._go_to_time(words)
        elif asked is Asked.FIND:
            self._change_state(wanted=words, first=0)
        elif asked is Asked.SOUND or asked in _LENGTHS:
            self._take_setting(asked, words)
        elif not words:
            self.tell("no text was given: nothing changed", self._now)
        elif asked is Asked.NOTE:
            self._send(NoteText(words))
        elif asked is Asked.ENTERED:
            sheet = self._seen_scene.snapshot.sheet
            if sheet is not None and not sheet.withheld:
                self._send(NoteText(trims.entered_text(sheet, words), standing=True))
        elif asked in {Asked.PASSED, Asked.FAILED, Asked.SKIPPED}:
            self._send(NoteText(checks.note_text(self.state.check, asked.value, words)))
        elif self.state.alarm is not None:
            self._send(silence_command(asked, self.state.alarm, words))

    def _take_setting(self, asked: Asked, words: str) -> None:
        """The sound program, the viewing distance or the size of the screen, as typed."""
        if asked is Asked.SOUND:
            self._change_state(sound=words)
            return
        option, (least, most), unit = _LENGTHS[asked]
        try:
            value = float(words.removesuffix(unit).strip().replace(",", "."))
        except ValueError:
            value = math.nan
        if least <= value <= most:
            self._change_view(**{option: value})
            self.tell(f"{asked.value}: {value:g} {unit}; ? says what can be read", self._now)
        else:
            self.tell(f"{words}: not set; expected {least:g} to {most:g} {unit}", self._now)

    def _toggle_pause(self) -> None:
        self._send(Resume() if self.state.paused else Pause())
        self._change_state(paused=not self.state.paused)

    def _seek_by(self, step_s: float) -> None:
        line = self._seen_scene.live.timeline
        if line is not None:
            self._send(Seek(max(line.playing.place / 1e9 + step_s, 0.0)))

    def _choose_moment(self, step: int) -> None:
        """Chooses the moment before or after on the time line."""
        line = self._seen_scene.live.timeline
        found = None if line is None else line.beside(self.state.moment, step)
        self._change_state(moment=found)
        if found is None:
            self.tell("nothing is known of this recording yet", self._now)

    def _go_beside(self, step: int) -> None:
        """Goes to the moment before or after."""
        self._choose_moment(step)
        if self.state.moment is not None:
            self._send(seek_moment(self.state.moment))

    def _go_to_chosen(self) -> None:
        """Goes to the pull, line or alarm chosen on its screen; elsewhere to that of the time line."""
        scene, state = self._seen_scene, self.state
        if state.page is Page.PULLS and scene.snapshot.pulls is not None:
            pulls = scene.snapshot.pulls
            self._send(seek_stamp(scene, pulls.pulls[_pull_on_screen(pulls, state)].begin))
        elif state.page is Page.EVENTS and (line := line_at(scene, state.wanted, state.first)) is not None:
            self._send(seek_stamp(scene, line.t))
        elif state.page is Page.ALARMS and scene.alarms():
            alarm = scene.alarms()[alarm_index(scene, state)]
            self._send(seek_stamp(scene, alarm.changed if alarm.since is None else alarm.since))
        elif state.moment is not None:
            self._send(seek_moment(state.moment))
            self.tell(f"goes to {moment_text(scene, state.moment)}", self._now)
        else:
            self.tell("no moment is chosen: { and } go from one to the next", self._now)

    def _go_to_time(self, words: str) -> None:
        seconds = clock_seconds(words)
        if seconds is None:
            self.tell(f"{words}: no time; expected MM:SS or seconds, such as 01:30 or 90", self._now)
        else:
            self._send(Seek(seconds, by_clock=True))

    def _change_speed(self, step: int) -> None:
        speed = next_speed(self.state.speed, step)
        self._send(Speed(speed))
        self._change_state(speed=speed)
        self.tell(speed_words(speed), self._now)
