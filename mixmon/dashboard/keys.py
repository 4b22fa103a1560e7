"""The screens and the keys: what each key does, on which screen, and which keys the last line names.

The keys fit one hand in a glove: no key is held with another, and no single press destroys
anything. A key means the same on every screen; a screen's own keys never reuse a common one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum, StrEnum
from functools import lru_cache
from typing import Final

from mixmon.dashboard.text import Row, clean, fit_row, wrap
from mixmon.dashboard.text import width as cells

# ----------------------------------------------------------------------------------------------------
# The last line: a question with its answer as it is typed, or the program's message.
# ----------------------------------------------------------------------------------------------------


class Asked(Enum):
    """What the answer is for."""

    NOTE = "note"
    SHELVE = "shelve"
    SERVICE = "out of service"
    FIND = "find"
    PASSED = "passed"
    FAILED = "failed"
    SKIPPED = "skipped"
    ENTERED = "entered"
    STEPS_ANEW = "steps anew"
    PROOF_ANEW = "proof anew"
    RECORD_OFF = "record off"
    LEAVE = "leave"
    GO_TO = "go to"
    DISTANCE = "viewing distance"
    SCREEN = "screen size"
    SOUND = "sound program"


_CARET_KEYS = frozenset({"left", "right", "home", "end"})

LONGEST_ANSWER = 200
"""Characters. Our choice: two lines of a log; a key that is held down ends here."""


@dataclass(frozen=True, slots=True)
class Prompt:
    """A question; `typed` is the answer so far. Without `words`, y alone means yes.

    behind  characters of the answer behind the caret; what is typed goes in before them
    """

    asked: Asked
    question: str
    words: bool = True
    typed: str = ""
    behind: int = 0

    @property
    def halves(self) -> tuple[str, str]:
        """The answer before and behind the caret."""
        at = len(self.typed) - self.behind
        return self.typed[:at], self.typed[at:]

    def press(self, key: str) -> Prompt:
        """The prompt after one key: a character more, one less, an empty answer, or the caret elsewhere."""
        before, behind = self.halves
        if key in _CARET_KEYS:
            moved = {"left": self.behind + 1, "right": self.behind - 1, "home": len(self.typed), "end": 0}
            return replace(self, behind=min(max(moved[key], 0), len(self.typed)))
        if key == "ctrl+u":
            return replace(self, typed="", behind=0)
        if key == "backspace":
            before = before[:-1]
        elif key == "delete":
            behind = behind[1:]
        elif len(key) == 1 and key.isprintable() and len(self.typed) < LONGEST_ANSWER:
            before += key
        return replace(self, typed=before + behind, behind=len(behind))


def prompt_row(prompt: Prompt, width: int) -> Row:
    """The question and the answer; of a long answer what lies around the caret is visible."""
    asked = clean(prompt.question)
    if not prompt.words:
        return fit_row([(f" {asked}  y yes, any other key no", "prompt")], width, "prompt")
    question, hint = f" {asked}: ", "  enter keeps, esc leaves "
    before, behind = map(clean, prompt.halves)
    room = width - cells(question) - 1
    if cells(before + behind) + cells(hint) > room:
        hint = ""
    while before and cells(before) > room - cells(behind[:1]):
        before = before[1:]
    caret = ("_", "prompt") if not behind else (behind[0], "text")
    return fit_row(
        [(question + before, "prompt"), caret, (behind[1:], "prompt"), (hint, "prompt")], width, "prompt"
    )


_MOST_MESSAGE_ROWS = 3
"""Our choice: a refusal says why and what to do; on 80 columns the longest ones need three."""


def message_rows(words: str, width: int, height: int) -> list[Row]:
    """The program's answer to a key, as many rows as it needs and the screen can spare."""
    most = min(_MOST_MESSAGE_ROWS, max(height // 4, 1))
    lines = wrap(clean(words), max(width - 2, 1))
    last = [" ".join(lines[most - 1 :])] if lines[most - 1 :] else []
    return [fit_row([(f" {line}", "prompt")], width, "prompt") for line in (*lines[: most - 1], *last)]


# ----------------------------------------------------------------------------------------------------
# The screens and their keys.
# ----------------------------------------------------------------------------------------------------


class Page(StrEnum):
    """The screens; the value is the title."""

    WATCH = "WATCH"
    BALANCE = "BALANCE"
    PULLS = "PULLS"
    TRIMS = "TRIM SHEET"
    ALARMS = "ALARMS"
    BUS = "BUS & SENSORS"
    CHECKS = "CHECK LIST"
    STEPS = "IDENTITY STEP"
    EVENTS = "EVENTS"
    NOTES = "NOTES"
    HELP = "KEYS"


class Seat(Enum):
    """Who presses the keys.

    OPERATOR  the person at the machine: everything
    REMOTE    a viewer in a browser who may act: nothing that ends, suspends or starts a program there
    ONLOOKER  a viewer who only looks: nothing that others notice
    """

    OPERATOR = "operator"
    REMOTE = "remote"
    ONLOOKER = "onlooker"


@dataclass(frozen=True, slots=True)
class KeyBinding:
    """One key, or a few that belong together.

    name     as the last line and the help write it
    short    one or two words for the last line
    long     for the help
    pages    where it works; empty: everywhere
    replay   only while a recording is played
    live     only while live buses are watched: a replay records nothing
    acts     it changes something that is not the person's own picture: not for an onlooker
    """

    name: str
    short: str
    long: str
    pages: frozenset[Page] = frozenset()
    replay: bool = False
    live: bool = False
    acts: bool = False


def _on_pages(*pages: Page) -> frozenset[Page]:
    return frozenset(pages)


EXPORTABLE_PAGES: Final = frozenset(set(Page) - {Page.WATCH, Page.HELP})
"""The screens that can be written to a file; the watch screen and the keys cannot."""

PICTURED_PAGES: Final = _on_pages(Page.BALANCE, Page.PULLS, Page.TRIMS, Page.ALARMS, Page.BUS, Page.EVENTS)
"""The screens on which a picture can take the place of the table."""

BINDINGS: Final = (
    KeyBinding("space", "mark", "mark this moment, dated back 2 s", live=True, acts=True),
    KeyBinding("r", "record", "start recording; again: stop it, after a question", live=True, acts=True),
    KeyBinding("a", "ack", "acknowledge the chosen alarm, or the most pressing one", acts=True),
    KeyBinding("A", "ack all", "acknowledge all alarms that are on the screen", acts=True),
    KeyBinding(
        "z", "shelve", "shelve the chosen alarm for 10 min, with a reason; again: unshelve it", acts=True
    ),
    KeyBinding("f", "freeze", "freeze the screen; recording and alarms go on"),
    KeyBinding("0-9", "cylinder", "pick a cylinder, two keys for 10 to 16; esc: the leanest again"),
    KeyBinding("u", "unit", "lambda, phi, AFR, oxygen"),
    KeyBinding("+ -", "scale", "bars reach 24, 12 or 6 % to either side"),
    KeyBinding("w", "watch", "watch: the cylinders now"),
    KeyBinding("b", "balance", "balance by speed and load, dwell clock"),
    KeyBinding("v", "pulls", "pull review, once there is a pull"),
    KeyBinding("t", "trims", "trim sheet"),
    KeyBinding("l", "alarms", "alarm list"),
    KeyBinding("h", "bus", "bus and sensors"),
    KeyBinding("c", "checks", "check list before the first pull"),
    KeyBinding("I", "identity", "identity step: which label is which cylinder, by fuel steps"),
    KeyBinding("/", "find", "events; find in them"),
    KeyBinding("n", "note", "write a note", live=True, acts=True),
    KeyBinding("N", "notes", "all notes and marks"),
    KeyBinding("D", "digits", "decimals of lambda"),
    KeyBinding("C", "colours", "print, sunlight, mono, dark"),
    KeyBinding("q q", "leave", "leave; while recording only when confirmed (ctrl-c twice: at once)"),
    KeyBinding(
        "p P", "peaks", "mark the leanest need so far on the bars; P: reset it", _on_pages(Page.WATCH)
    ),
    KeyBinding(
        "o",
        "order",
        "cylinders in firing order, bank by bank, or what needs the most change first",
        _on_pages(Page.WATCH),
    ),
    KeyBinding("s", "spread", "cells show the spread of all cylinders", _on_pages(Page.BALANCE)),
    KeyBinding(
        "s", "log", "sensor log: what the ledger knows of each; again: the nodes", _on_pages(Page.BUS)
    ),
    KeyBinding("k", "keep", "keep this pull, or reject it", _on_pages(Page.PULLS), acts=True),
    KeyBinding(
        "x",
        "exclude",
        "exclude this cell from needs and trims; again: include it",
        _on_pages(Page.BALANCE),
        acts=True,
    ),
    KeyBinding("d", "compare", "the difference from the pull kept before", _on_pages(Page.PULLS)),
    KeyBinding(
        "arrows",
        "move",
        "choose a cell, a line, a pull",
        _on_pages(Page.BALANCE, Page.PULLS, Page.ALARMS, Page.CHECKS, Page.EVENTS),
    ),
    KeyBinding("tab", "picture", "picture in the place of the table; again: the table", PICTURED_PAGES),
    KeyBinding(
        "enter",
        "passed",
        "the check has passed; type what was found; at the identity: open its steps",
        _on_pages(Page.CHECKS),
        live=True,
        acts=True,
    ),
    KeyBinding(
        "x",
        "failed",
        "the check has failed; type what was found",
        _on_pages(Page.CHECKS),
        live=True,
        acts=True,
    ),
    KeyBinding("k", "skip", "skip the check, with a reason", _on_pages(Page.CHECKS), live=True, acts=True),
    KeyBinding("o", "open", "open the check again", _on_pages(Page.CHECKS), live=True, acts=True),
    KeyBinding(
        "enter", "step", "the fuel step is typed; again: it is taken back", _on_pages(Page.STEPS), acts=True
    ),
    KeyBinding(
        "arrows",
        "plan",
        "coded groups or one cylinder at a time (left, right), size of the steps (up, down)",
        _on_pages(Page.STEPS),
        acts=True,
    ),
    KeyBinding(
        "enter",
        "typed",
        "the sheet is typed into the engine control as it stands; by whom",
        _on_pages(Page.TRIMS),
        live=True,
        acts=True,
    ),
    KeyBinding(
        "p", "again", "begin the fuel steps again, after a question", _on_pages(Page.STEPS), acts=True
    ),
    KeyBinding(
        "k",
        "keep",
        "keep the proof beside the session file, as mixmon identify --keep does",
        _on_pages(Page.STEPS),
        acts=True,
    ),
    KeyBinding(
        "e",
        "export",
        "write this screen, all of it, to a text file beside the runs",
        EXPORTABLE_PAGES,
        acts=True,
    ),
    KeyBinding(
        "R", "reset", "reset a latched alarm that was acknowledged", _on_pages(Page.ALARMS), acts=True
    ),
    KeyBinding(
        "o",
        "service",
        "out of service, with a reason; again: into service",
        _on_pages(Page.ALARMS),
        acts=True,
    ),
    KeyBinding(".", "pause", "pause the replay, resume it", replay=True, acts=True),
    KeyBinding(",", "step", "one tenth of a second forward", replay=True, acts=True),
    KeyBinding("[ ]", "10 s", "ten seconds back, ahead", replay=True, acts=True),
    KeyBinding("{ }", "moment", "to the moment before, after on the time line", replay=True, acts=True),
    KeyBinding("G", "go to", "to a time, MM:SS", replay=True, acts=True),
    KeyBinding(
        "enter",
        "go there",
        "play from the chosen pull, line, alarm; elsewhere left and right choose on the time line",
        frozenset(set(Page) - {Page.CHECKS, Page.STEPS, Page.TRIMS}),
        replay=True,
        acts=True,
    ),
    KeyBinding("< >", "speed", "play slower, faster", replay=True, acts=True),
    KeyBinding("Y", "copy", "copy the chosen line, or the whole table, to the terminal's clipboard"),
    KeyBinding(
        "S", "picture", "save the screen as it stands, as SVG and as text, beside the runs", acts=True
    ),
    KeyBinding(":", "commands", "all commands, found by what is typed"),
    KeyBinding("ctrl-l", "redraw", "draw everything again"),
    KeyBinding("ctrl-z", "suspend", "back to the shell; fg returns; refused while recording", acts=True),
    KeyBinding("esc", "back", "take back a choice; back to watch"),
    KeyBinding("?", "keys", "this list"),
)

_LAST_LINE_ORDER: Final = {
    Page.WATCH: (
        *("a", "space", "f", "b", "v", "l", "h", "t", "n"),
        *("0-9", "p P", "r", "q q", "c", "/", "+ -", "u", "o"),
    ),
    Page.BALANCE: ("arrows", "tab", "0-9", "s", "x", "t", "w", "e", "a", "space", "n", "l", "h"),
    Page.PULLS: ("arrows", "tab", "0-9", "d", "k", "w", "b", "e", "a", "space", "n"),
    Page.TRIMS: ("enter", "I", "b", "w", "tab", "e", "n", "l", "a", "space"),
    Page.ALARMS: ("a", "A", "z", "tab", "R", "o", "arrows", "w", "e", "n"),
    Page.BUS: ("s", "0-9", "w", "tab", "b", "c", "l", "e", "n", "a", "space"),
    Page.CHECKS: ("enter", "x", "k", "o", "arrows", "I", "w", "e", "n", "a", "space"),
    Page.STEPS: ("enter", "k", "p", "arrows", "t", "c", "w", "e", "n", "a", "space"),
    Page.EVENTS: ("/", "arrows", "tab", "w", "l", "e", "n", "a", "space"),
    Page.NOTES: ("n", "w", "/", "e", "a", "space"),
    Page.HELP: ("w", "esc"),
}
"""Keys in the order in which the last line names them; help is always last."""


def bindings(page: Page, *, live: bool, acts: bool = True) -> tuple[KeyBinding, ...]:
    """The keys that work on a screen: those of a replay where `live` is False, else those of live buses.

    acts: False for an onlooker, who has no keys that act
    """
    here = (b for b in BINDINGS if (not b.pages or page in b.pages) and (acts or not b.acts))
    return tuple(b for b in here if not (b.replay if live else b.live))


def is_live_only(page: Page, name: str) -> bool:
    """Whether the key of that name would record something on this screen, which a replay cannot."""
    return any(b.live and b.name == name for b in BINDINGS if not b.pages or page in b.pages)


@lru_cache(64)
def last_line(
    page: Page, *, live: bool, pulls: bool = True, acts: bool = True
) -> tuple[tuple[str, str], ...]:
    """Keys and short words for the last line, most important first, help last.

    pulls: whether there is a pull to be looked at
    acts: as in `bindings`
    """
    here = {b.name: b for b in bindings(page, live=live, acts=acts)}
    replay = () if live else (".", "[ ]", "{ }", "G", "< >")
    names = (*_LAST_LINE_ORDER[page][:2], *replay, *_LAST_LINE_ORDER[page][2:], "?")
    return tuple((here[n].name, here[n].short) for n in names if n in here and (n != "v" or pulls))
