"""The dashboard: one timer reads the newest snapshot, keys become commands, one widget draws.

The worker only replaces its newest snapshot; the dashboard looks eighty times a second whether it
is a new one, and draws it soon after. A worker that has stopped, or does not answer, is a state
on the screen. Whatever is drawn comes as rows from `screens.pages.draw`.

Order of the file: styles, the widget, the keyboard, the caution, a screen as a text file, the app.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import lru_cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TextIO

from rich.segment import Segment
from rich.style import Style
from textual.app import App, ComposeResult
from textual.driver import Driver
from textual.drivers.linux_driver import LinuxDriver
from textual.events import Click, Key, MouseScrollDown, MouseScrollUp, Resize
from textual.geometry import Region
from textual.screen import ModalScreen
from textual.strip import Strip
from textual.widget import Widget

from mixmon.beside.beside import Beside
from mixmon.dashboard.commands import ScreenCommand, command_palette, key_commands
from mixmon.dashboard.controls import Controls, Errand
from mixmon.dashboard.keys import Asked, Seat
from mixmon.dashboard.palettes import Look, palette
from mixmon.dashboard.readouts import ReadoutHold, SoundCues, SoundPattern
from mixmon.dashboard.scene import ORDER_WORDS, ORDERS, SCALES, KnownSensors, Scene, Setting, ViewOptions
from mixmon.dashboard.screens.pages import State, draw
from mixmon.dashboard.text import Row, blank, clean, fit_row, padded, row_width, wrap
from mixmon.dashboard.verdict import verdict
from mixmon.errors import reason_of
from mixmon.record.run_writer import PRIVATE_FILE, PRIVATE_FOLDER
from mixmon.report.units import Unit
from mixmon.watch.commands import Remark, Watching

if TYPE_CHECKING:
    from textual.driver import Driver


# ----------------------------------------------------------------------------------------------------
# Style names become the terminal's styles.
# ----------------------------------------------------------------------------------------------------


@lru_cache(8)
def styles(name: str) -> Mapping[str, Style]:
    """The styles of a palette by style name."""
    return {style: _make_style(look) for style, look in palette(name).items()}


def _make_style(look: Look) -> Style:
    return Style(
        color=look.ink or "default",
        bgcolor=look.ground or "default",
        bold=look.bold,
        reverse=look.inverse,
        underline=look.underline,
    )


def strip_of(row: Row, looks: Mapping[str, Style]) -> Strip:
    """A row as Textual draws it."""
    new = tuple.__new__  # what a named tuple does, without its checks: a third of the time
    return Strip([new(Segment, (text, looks[style], None)) for text, style in row], row_width(row))


# ----------------------------------------------------------------------------------------------------
# The one widget: rows become lines.
# ----------------------------------------------------------------------------------------------------


class PageView(Widget):
    """A screen of rows, drawn line by line; only lines that have changed are drawn again.

    `redraw` is called when the size has changed, `point` with column and row of a click, `wheel` with the
    arrow key that a turn of the wheel stands for.

    Invariant: what is on the terminal is `_rows` in `_palette`; `show` compares with it.
    """

    DEFAULT_CSS = "PageView { width: 100%; height: 100%; }"

    def __init__(
        self,
        redraw: Callable[[], None],
        palette: str,
        point: Callable[[int, int], None] = lambda _x, _y: None,
        wheel: Callable[[str], None] = lambda _key: None,
    ) -> None:
        super().__init__()
        self._redraw = redraw
        self._point, self._wheel = point, wheel
        self._rows: Sequence[Row] = ()
        self._palette = palette

    @property
    def rows(self) -> Sequence[Row]:
        """What is on the terminal."""
        return self._rows

    def show(self, rows: Sequence[Row], palette: str) -> None:
        """Take new rows; only those that differ are drawn."""
        before = self._rows
        whole = palette != self._palette or len(rows) != len(before)
        self._rows, self._palette = rows, palette
        if whole:
            self.refresh()
            return
        changed = [y for y, (new, old) in enumerate(zip(rows, before, strict=True)) if new != old]
        if changed:
            self.refresh(*(Region(0, y, self.size.width, 1) for y in changed))

    def on_resize(self, _: Resize) -> None:
        """Ask for rows of the new size."""
        self._redraw()

    def on_click(self, event: Click) -> None:
        """A click, wherever it is."""
        self._point(event.x, event.y)

    def on_mouse_scroll_up(self, _: MouseScrollUp) -> None:
        """The wheel."""
        self._wheel("up")

    def on_mouse_scroll_down(self, _: MouseScrollDown) -> None:
        """The wheel, the other way."""
        self._wheel("down")

    def render_line(self, y: int) -> Strip:
        """Line `y` of the terminal."""
        looks = styles(self._palette)
        if y >= len(self._rows):
            return Strip.blank(self.size.width, looks["text"])
        return strip_of(self._rows[y], looks)


# ----------------------------------------------------------------------------------------------------
# Keys from a POSIX terminal.
# ----------------------------------------------------------------------------------------------------


class Canvas:
    """A terminal to draw on; where it is gone, nothing is drawn, and `Keyboard` ends the screens."""

    def __init__(self, out: TextIO) -> None:
        self._out = out

    def write(self, text: str) -> None:
        """Draws."""
        with suppress(OSError):
            self._out.write(text)

    def flush(self) -> None:
        """Draws what still waits."""
        with suppress(OSError):
            self._out.flush()

    def fileno(self) -> int:
        """The number of its file."""
        return self._out.fileno()


LOOK_S: Final = 0.1
"""Time between two looks whether the terminal is there; our choice: a call of the system, ten a second."""


class Keyboard(LinuxDriver):
    """Textual's own driver, which goes on after bytes that are not text.

    A terminal that is set to another encoding sends such bytes for every letter with an accent. The
    base class ends the screens on them; this one drops them, with what was typed at the same moment,
    and reads on. It draws on standard output, where results go; the base class draws on standard error,
    which may be a file.
    """

    def __init__(
        self, app: App[Any], *, debug: bool = False, mouse: bool = True, size: tuple[int, int] | None = None
    ) -> None:
        super().__init__(app, debug=debug, mouse=mouse, size=size)
        out = sys.__stdout__
        assert out is not None, "there is a terminal"
        self._file = Canvas(out)  # type: ignore[assignment]  # of a file it uses these calls alone
        self._ends = (self.fileno, out.fileno())
        self._gone: Callable[[], None] = getattr(app, "terminal_gone", lambda: None)

    def run_input_thread(self) -> None:
        """Wait for keys until the screens, or their terminal, end."""
        threading.Thread(target=self._watch_terminal, name="terminal", daemon=True).start()
        while not self.exit_event.is_set():
            try:
                super().run_input_thread()
            except OSError:  # no terminal any more
                raise
            except Exception:  # noqa: BLE001, S112 - no key may cost the picture
                continue

    def _watch_terminal(self) -> None:
        """Ends the waiting where the terminal is gone: a read gives nothing then, at once and without end."""
        while not self.exit_event.wait(LOOK_S):
            if not all(map(os.isatty, self._ends)):
                self.exit_event.set()
                self._gone()


def driver_over(found: type[Driver]) -> type[Driver]:
    """The driver to use where Textual would use `found`."""
    return Keyboard if found is LinuxDriver else found


# ----------------------------------------------------------------------------------------------------
# The caution that must be accepted before anything is shown.
# ----------------------------------------------------------------------------------------------------

_CAUTION_COLUMNS = 72
"""Our choice: a line of text of the usual length for reading."""


def caution_page(text: str, width: int, height: int, *, first: int = 0) -> list[Row]:
    """The caller's text, paragraph by paragraph, and the two keys. Long text scrolls; the keys stay."""
    columns = max(min(_CAUTION_COLUMNS, width - 4), 1)
    indent = " " * max((width - columns) // 2, 0)
    body: list[Row] = [fit_row([(f"{indent}CAUTION", "badge")], width), blank(width)]
    for paragraph in text.splitlines():
        body += [fit_row([(indent + line, "strong")], width) for line in wrap(paragraph, columns)]
    room = max(height - 2, 0)
    first = min(first, max(len(body) - room, 0))
    more = "  (more: arrow down)" if first + room < len(body) else ""
    question = fit_row(
        [(f"{indent}y", "key"), (" understood    ", "keys"), ("n", "key"), (f" leave{more}", "keys")],
        width,
        "keys",
    )
    return [*padded([blank(width), *body[first:]], width, height - 1), question]


class CautionScreen(ModalScreen[bool]):
    """Shows the caller's text; y dismisses it with True (accepted), n, q or escape with False."""

    def __init__(self, text: str, palette: str) -> None:
        super().__init__()
        self._text = text
        self._palette = palette
        self._first = 0

    def compose(self) -> ComposeResult:
        """One page."""
        yield PageView(self._draw_page, self._palette)

    def on_key(self, event: Key) -> None:
        """Accept, leave or scroll."""
        event.stop()
        if event.character in {"y", "Y"}:
            self.dismiss(True)
        elif event.character in {"n", "N", "q"} or event.key in {"escape", "ctrl+c"}:
            self.dismiss(False)
        elif event.key in {"up", "down"}:
            self._first = max(self._first + (1 if event.key == "down" else -1), 0)
            self._draw_page()

    def _draw_page(self) -> None:
        page = self.query_one(PageView)
        page.show(caution_page(self._text, *page.size, first=self._first), self._palette)


# ----------------------------------------------------------------------------------------------------
# A screen as a text file: all rows, without keys.
# ----------------------------------------------------------------------------------------------------

FILE_COLUMNS: Final = 110
"""Our choice: a printed page in a small font; tables keep all their columns."""

_FILE_ROWS: Final = 500
"""Our choice: more than any screen has; blank rows at the end are dropped."""


def page_text(scene: Scene, state: State, at: datetime) -> str:
    """All rows of the screen below a heading with the session's name and the time."""
    plain = replace(state, first=0, picture=False, prompt=None, message="")
    still = replace(scene, live=replace(scene.live, timeline=None))
    rows = draw(still, plain, FILE_COLUMNS, _FILE_ROWS)[:-1]
    lines = ["".join(text for text, _ in row).rstrip() for row in rows]
    while lines and not lines[-1]:
        lines.pop()
    name = scene.setting.session.name
    return "\n".join([f"{name}  written {at:%Y-%m-%d %H:%M:%S} UTC".strip(), *lines, ""])


def write_files(scene: Scene, state: State, at: datetime, kind: str, texts: Mapping[str, str]) -> str:
    """Writes texts by file ending beside the runs; gives where, or why not, in words for the last line."""
    page = state.page.value.lower().replace(" & ", " ").replace(" ", "-")
    stem = f"{at:%Y-%m-%dT%H-%M-%SZ}-{kind}{page}"
    folder = Path(scene.setting.session.recording.folder)
    for ending, text in texts.items():
        path = folder / f"{stem}.{ending}"
        try:
            folder.mkdir(PRIVATE_FOLDER, parents=True, exist_ok=True)
            path.touch(PRIVATE_FILE, exist_ok=False)  # as private as the runs beside it
            path.write_text(text, "utf-8")
        except OSError as error:
            return f"{path}: not written: {reason_of(error)}"
    return f"written: {folder / stem}.{', .'.join(texts)}"


def chosen_line(rows: Sequence[Row], mark: str) -> str:
    """The first row that begins with the mark of what is chosen, without it; empty where there is none."""
    lines = ("".join(text for text, _ in row).strip() for row in rows)
    return next((line.removeprefix(mark).strip() for line in lines if line.startswith(mark)), "")


# ----------------------------------------------------------------------------------------------------
# The app.
# ----------------------------------------------------------------------------------------------------

POLL_S: Final = 0.0125
"""Time between two looks at the worker's snapshot. Our choice: it adds little to a value's way to the eye."""

SOONEST_S: Final = 0.04
"""Least time between two pictures. Our choice: 25 a second look continuous."""

PICTURE_S: Final = 0.1
"""Longest time between two pictures. Our choice: ages, clocks and what blinks move without new data."""

STALLED_S: Final = 1.0
"""A live worker that publishes nothing for so long does not answer. Our choice: many times its period."""

LEFT, REFUSED, BROKEN, STOPPED = 0, 1, 2, 3
"""The results of `run`: the person left; the caution was not accepted; an internal error; Ctrl-C twice."""


@dataclass(frozen=True, slots=True)
class DashboardOptions:
    """What the caller decides.

    units       the units in the order of the key `u`, at least one; the first is shown first
    ascii       only ASCII characters are drawn
    palette     print, sunlight, mono or dark; None: print, or mono where NO_COLOR is set and not empty
    decimals    of lambda; None: the unit's own
    blink       the unacknowledged priority-1 word blinks
    speed       multiple of real time at which a recording is first played; None: as fast as possible
    screen_inch, distance_m  screen and distance for which the help says what can be read
    bell        ring once for new priority-1 alarms, and when a dwell is done or a pull was kept
    sound       called with each pattern of `SoundPattern` and a few words
    program     what `sound` starts, to begin with; empty: nothing
    change_program  makes `sound` start another program, or none; gives why it cannot, empty where it was done
    caution     to be accepted first; empty: nothing is asked
    accepted    called once when it was
    over        called at every tick: True ends the screens
    known       what the ledger knows of the session's sensors; None: nothing
    gone        called once, by a thread of its own, when the terminal is gone
    order, scale  of the cylinders and of the bars, to begin with
    mouse       the terminal tells of clicks and of the wheel
    said        shown first on the last line
    keep        called at the end with the choices of the beginning and those of the end
    seat        who presses the keys
    """

    units: tuple[Unit, ...]
    ascii: bool = False
    palette: str | None = None
    decimals: int | None = None
    blink: bool = True
    bell: bool = True
    sound: Callable[[str, str], None] = lambda _pattern, _words: None
    program: str = ""
    change_program: Callable[[str], str] = lambda _program: ""
    speed: float | None = 1.0
    screen_inch: float = 15.6
    distance_m: float = 2.0
    caution: str = ""
    accepted: Callable[[], None] = lambda: None
    over: Callable[[], bool] = lambda: False
    known: KnownSensors | None = None
    beside: tuple[Beside, ...] = ()
    gone: Callable[[], None] = lambda: None
    order: str = ORDERS[0]
    scale: float = SCALES[1]
    mouse: bool = True
    said: str = ""
    keep: Callable[[State, State], None] = lambda _begin, _end: None
    seat: Seat = Seat.OPERATOR

    def state(self, *, colour: bool = True) -> State:
        """The choices to begin with; `colour` is False where the terminal's user wants none."""
        view = ViewOptions(
            self.units[0],
            ascii=self.ascii,
            decimals=self.decimals,
            blink=self.blink,
            screen_inch=self.screen_inch,
            distance_m=self.distance_m,
            order=self.order,
            scale=self.scale,
        )
        return State(
            view,
            palette=self.palette or ("print" if colour else "mono"),
            speed=self.speed,
            bell=self.bell,
            sound=self.program,
        )


class Dashboard(App[int], inherit_bindings=False):
    """The screens over one Watching; it does not start or close it.

    shown    the newest snapshot that was drawn, or frozen while it was
    """

    ENABLE_COMMAND_PALETTE = False
    CSS = "Screen { padding: 0; } SearchIcon { display: none; }"

    def __init__(
        self, watching: Watching, options: DashboardOptions, clock: Callable[[], float] = time.monotonic
    ) -> None:
        # Removed before Textual reads it: its filter would drop backgrounds that carry meaning. The
        # palette mono has only bold, inverse and underline; eight colours would change the contrasts.
        colour = not os.environ.pop("NO_COLOR", "") and not is_plain_terminal()
        super().__init__(ansi_color=True)
        state = options.state(colour=colour)
        self.controls = Controls(state, options.units, watching.send, options.seat)
        self._watching = watching
        self._options = options
        self._clock = clock
        acts = options.seat is not Seat.ONLOOKER
        self._setting = Setting(watching.session, options.known, acts=acts, beside=options.beside)
        self._hold = ReadoutHold()
        self._page = PageView(self.tick, self.controls.state.palette, self.point, self.press)
        self.shown = watching.snapshot
        self._shown_at = clock()
        self._drawn_at = clock()
        self._heard = SoundCues()
        self._program = options.program
        self.terminal_gone = options.gone
        self._titled = ""
        self._title_kept = False

    def get_driver_class(self) -> type[Driver]:
        """Textual's choice for the system; on POSIX, one that goes on after bytes that are not text."""
        found = super().get_driver_class()
        if sys.platform == "win32":
            return found

        return driver_over(found)

    def compose(self) -> ComposeResult:
        """One page."""
        yield self._page

    def on_mount(self) -> None:
        """Begin with the caution, if there is one."""
        self.set_interval(POLL_S, self.look)
        self.app_resume_signal.subscribe(self, lambda _: self.draw_anew())
        if self._options.said:
            self.controls.tell(self._options.said, self._clock())
        if self._options.caution:
            self.push_screen(
                CautionScreen(self._options.caution, self.controls.state.palette), self._take_answer
            )

    def _take_answer(self, accepted: bool | None) -> None:
        if accepted:
            self._options.accepted()
        else:
            self.exit(REFUSED)

    def on_key(self, event: Key) -> None:
        """Hand the key to the controls and draw at once, so that the person sees its effect."""
        if len(self.screen_stack) > 1:
            return  # the palette of commands takes it
        event.prevent_default()
        self.press(event.character if event.is_printable and event.character else event.key)

    def press(self, key: str) -> None:
        """Carry out one key."""
        if key == "ctrl+l":
            self.draw_anew()
            return
        if key == "ctrl+z":
            self._suspend()
            return
        self.controls.press(key, self.scene(), self._clock())
        self._carry_out()

    def point(self, x: int, y: int) -> None:
        """Carry out a click at a column and a row."""
        size = self._page.size
        if x < size.width and y < size.height:
            self.controls.point((size.width, size.height), x, y, self.scene(), self._clock())
            self._carry_out()

    def _carry_out(self) -> None:
        """What the controls ask for, and a picture of what has changed."""
        if self.controls.leave:
            self.exit(STOPPED if self.controls.interrupted else LEFT)
        self._follow_program()
        errand, self.controls.errand = self.controls.errand, None
        if errand is not None:
            self._run_errand(errand)
        self.tick()

    def _follow_program(self) -> None:
        """Another program for sounds where one was typed; one that cannot be started changes nothing."""
        wanted = self.controls.state.sound
        if wanted == self._program:
            return
        why_not = self._options.change_program(wanted)
        if why_not:
            self.controls.state = replace(self.controls.state, sound=self._program)
        else:
            self._program = wanted
        self.controls.tell(why_not or f"sound program: {wanted or 'none'}", self._clock())

    def _run_errand(self, errand: Errand) -> None:
        scene, state, at = self.scene(), self.controls.state, datetime.now(UTC)
        if errand is Errand.COMMANDS:
            self.push_screen(command_palette())
        elif errand is Errand.COPY:
            self._copy(chosen_line(self._page.rows, scene.marks.chosen) or page_text(scene, state, at))
        elif errand is Errand.PICTURE:
            self.tick()
            rows = ["".join(text for text, _ in row).rstrip() for row in self._page.rows]
            files = {"svg": self.export_screenshot(title=scene.setting.session.name or "mixmon")}
            files["txt"] = "\n".join([*rows, ""])
            self.controls.tell(write_files(scene, state, at, "screen-", files), self._clock())
        else:
            files = {"txt": page_text(scene, state, at)}
            self.controls.tell(write_files(scene, state, at, "", files), self._clock())

    def _copy(self, text: str) -> None:
        """To the clipboard of the terminal, by OSC 52; whether the terminal takes it cannot be known."""
        self.copy_to_clipboard(text)
        lines = text.count("\n") + (not text.endswith("\n"))
        self.controls.tell(f"copied: {lines} {'line' if lines == 1 else 'lines'}", self._clock())

    def commands(self) -> list[ScreenCommand]:
        """All commands of the palette: the keys of this screen, and what has no key of its own."""
        scene = self.scene()
        live = scene.live.replay_position is None
        orders = [
            ScreenCommand(f"order: {order}", words, partial(self._set_order, order))
            for order, words in ORDER_WORDS.items()
        ]
        table = ScreenCommand(
            "copy the whole screen",
            "all rows as text, to the terminal's clipboard",
            lambda: self._copy(page_text(self.scene(), self.controls.state, datetime.now(UTC))),
        )
        acts = scene.setting.acts
        keys = key_commands(self.controls.state.page, live=live, press=self.press, acts=acts)
        return [*keys, *orders, *self._setting_commands(), table]

    def _setting_commands(self) -> list[ScreenCommand]:
        """What has no key, is changed here, and kept with the other settings."""
        state, options = self.controls.state, self.controls.state.options
        asked = (
            (Asked.DISTANCE, f"{options.distance_m:g} m", "from where it is read: ? says what can be"),
            (Asked.SCREEN, f"{options.screen_inch:g} inch", "across its corners: ? says what can be read"),
            (Asked.SOUND, state.sound or "none", "started with a pattern and words for each alarm"),
        )
        switched = (
            ("bell", state.bell, "ring the terminal's bell for what is new", self.controls.toggle_bell),
            ("blinking", options.blink, "what is pressing blinks", self.controls.toggle_blink),
        )
        return [
            *(
                ScreenCommand(f"{one.value}: {now}", say, partial(self._ask, one))
                for one, now, say in asked
                if one is not Asked.SOUND or self._options.seat is Seat.OPERATOR
            ),
            *(
                ScreenCommand(f"{name}: turn {'off' if on else 'on'}", words, partial(self._do_now, toggle))
                for name, on, words, toggle in switched
            ),
        ]

    def _ask(self, asked: Asked) -> None:
        self._do_now(partial(self.controls.ask_setting, asked))

    def _do_now(self, change: Callable[[float], None]) -> None:
        change(self._clock())
        self.tick()

    def _set_order(self, order: str) -> None:
        self.controls.set_order(order, self._clock())
        self.tick()

    def draw_anew(self) -> None:
        """Draw the whole terminal again, whatever another program has written on it."""
        if self._driver is not None:
            self._driver.write(_ERASE)
        self._titled = ""
        self.screen.refresh(layout=True)
        self._page.refresh()
        self.tick()

    def _suspend(self) -> None:
        """Give the terminal back to the shell until the program is called to the front again.

        A program that is stopped takes no frames: while it records it goes on.
        """
        if self._options.seat is not Seat.OPERATOR:
            self.controls.tell("a browser has no shell to go back to", self._clock())
            self.tick()
        elif self._watching.snapshot.is_recording:
            self.controls.tell("recording is on: a program that is stopped records nothing", self._clock())
            self.tick()
        else:
            self._write_title(_TITLE_BACK)
            self._title_kept = False
            self.action_suspend_process()

    def _title_terminal(self, scene: Scene) -> None:
        """The limit word and the session's name as the terminal's title, where it has one."""
        words = f"{verdict(scene).word.value}  {scene.setting.session.name} - mixmon".strip()
        if words != self._titled:
            kept = "" if self._title_kept else _TITLE_KEPT
            self._titled, self._title_kept = words, True
            self._write_title(f"{kept}\x1b]2;{clean(words)}\x07")

    def _write_title(self, sequence: str) -> None:
        if self._driver is not None and not self.is_headless and not is_plain_terminal():
            self._driver.write(sequence)

    def look(self) -> None:
        """Draw if there is something new to draw, or it is time."""
        waited = self._clock() - self._drawn_at
        if waited >= PICTURE_S or (waited >= SOONEST_S and self._watching.snapshot is not self.shown):
            self.tick()

    def tick(self) -> None:
        """Draw what has changed with the newest snapshot, or with time."""
        if self._options.over():
            self.exit(LEFT)
        now = self._drawn_at = self._clock()
        self._announce_news()
        self.controls.expire(now)
        size = self._page.size
        if size.width and size.height:
            self.controls.size = size.width, size.height
            state, scene = self.controls.state, self.scene()
            self._title_terminal(scene)
            self._page.show(draw(scene, state, size.width, size.height), state.palette)

    def scene(self) -> Scene:
        """What is to be seen now."""
        now, live, state = self._clock(), self._watching.snapshot, self.controls.state
        if live is not self.shown:
            self.shown, self._shown_at = live, now
        waited = now - self._shown_at
        shown = state.frozen or live
        return Scene(
            setting=self._setting,
            snapshot=shown,
            digits=self._hold.feed(shown, now),
            options=state.options,
            live=live,
            stalled=waited if self._watching.live and waited > STALLED_S else 0.0,
            frozen=max(now - state.frozen_at, 1.0) if state.frozen else 0.0,
            lit=int(2 * now) % 2 == 0,
            paused=state.paused,
            speed=state.speed,
        )

    def _announce_news(self) -> None:
        """Show what has happened, and sound it."""
        items = self._watching.drain()
        for item in items:
            if isinstance(item, Remark):
                self.controls.news(item.text, self._clock())
        live = self._watching.snapshot
        signs = self._heard.feed(items, live)
        if live.timeline is not None and live.timeline.playing.goal is not None:
            return  # what is passed over on the way to another place is no news
        for pattern, words in signs:
            self._options.sound(pattern, words)
        if self.controls.state.bell and any(
            pattern in {SoundPattern.URGENT, SoundPattern.DONE} for pattern, _ in signs
        ):
            self.bell()


_PLAIN_TERMINALS: Final = frozenset({"linux", "dumb", "vt100", "vt220"})
"""Values of TERM: the console of Linux has a font of 512 characters (console_codes(4)), the others none of
boxes and braille."""


_ERASE: Final = "\x1b[2J\x1b[H"
"""Erase the display and go home (ECMA-48, ED and CUP)."""

_TITLE_KEPT, _TITLE_BACK = "\x1b[22;2t", "\x1b[23;2t"
"""The terminal keeps its title, and takes it back (xterm's control sequences, XTWINOPS; from memory)."""


def is_plain_terminal() -> bool:
    """Whether TERM names a terminal without title, braille and more than eight colours."""
    return os.environ.get("TERM", "") in _PLAIN_TERMINALS


def draws_ascii_only(encoding: str) -> bool:
    """Whether a terminal of that encoding, and of the TERM of the environment, can show ASCII alone."""
    return not encoding.lower().startswith("utf") or is_plain_terminal()


def run(watching: Watching, options: DashboardOptions) -> int:
    """Show the screens until the person leaves; gives LEFT, REFUSED, BROKEN or STOPPED.

    `watching` is started and closed by the caller. A terminal whose encoding is not Unicode, or whose font
    has no braille, gets ASCII.
    """
    encoding = getattr(sys.__stdout__, "encoding", None) or ""
    app = Dashboard(watching, replace(options, ascii=options.ascii or draws_ascii_only(encoding)))
    begin = app.controls.state
    found = app.run(mouse=options.mouse)
    if not is_plain_terminal() and sys.__stdout__ is not None and sys.__stdout__.isatty():
        with suppress(OSError):
            sys.__stdout__.write(_TITLE_BACK)
            sys.__stdout__.flush()
    options.keep(begin, app.controls.state)
    return BROKEN if app.return_code or found is None else found
