"""The dashboard: one timer reads the newest snapshot, keys become commands, one widget draws.

Nothing pushes at the screen: the worker swaps a reference, and eighty times a second it is looked
at; a picture is drawn soon after it has changed, for a value must not wait to be seen. A worker
that has stopped, or does not answer, is a state on the screen.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Final

from textual.app import App, ComposeResult
from textual.driver import Driver
from textual.events import Key

from mixmon.dashboard.caution import Caution
from mixmon.dashboard.controls import Controls
from mixmon.dashboard.export import write_page
from mixmon.dashboard.heard import DONE, URGENT, Heard
from mixmon.dashboard.held import DigitHold
from mixmon.dashboard.page import PageView
from mixmon.dashboard.state import State
from mixmon.dashboard.view_pages import draw
from mixmon.dashboard.view_scene import Scene, Unit, ViewOptions
from mixmon.dashboard.view_setting import Setting
from mixmon.watching import Remark, Watching

LOOK_S: Final = 0.0125
"""How often the worker's snapshot is looked at."""

SOONEST_S: Final = 0.04
PICTURE_S: Final = 0.1
"""A picture of a new snapshot comes no sooner after the one before, any picture no later."""

STALLED_S: Final = 1.0
"""A live worker that has published nothing for so long does not answer."""

LEFT, REFUSED, BROKEN = 0, 1, 2
"""What `run` gives back: the person left; the caution was not accepted; a mistake of this program."""


@dataclass(frozen=True, slots=True)
class DashboardOptions:
    """What the caller decides.

    units       what `u` goes through, the first one to begin with; at least one
    ascii       nothing but ASCII is drawn
    palette     print, sunlight, mono or dark; None: print, or mono where NO_COLOR is set and not empty
    decimals    of lambda; None: as the unit has them
    blink       the unaccepted priority-1 word blinks
    speed       at which a recording is played to begin with; None: as fast as it can be worked
    screen_inch, distance_m  what the help's verdict on legibility is reckoned for
    bell        ring once for new priority-1 alarms, and when a dwell is done or a pull was kept
    sound       is given every pattern that shall be heard, and a few words; see `heard`
    caution     to be accepted first; empty: nothing is asked
    accepted    called once when it was
    over        asked at every tick: True ends the screens
    """

    units: tuple[Unit, ...]
    ascii: bool = False
    palette: str | None = None
    decimals: int | None = None
    blink: bool = True
    bell: bool = True
    sound: Callable[[str, str], None] = lambda _pattern, _words: None
    speed: float | None = 1.0
    screen_inch: float = 15.6
    distance_m: float = 2.0
    caution: str = ""
    accepted: Callable[[], None] = lambda: None
    over: Callable[[], bool] = lambda: False

    def state(self, *, colour: bool = True) -> State:
        """The choices to begin with; `colour` is False where the terminal's user wants none."""
        view = ViewOptions(
            self.units[0],
            ascii=self.ascii,
            decimals=self.decimals,
            blink=self.blink,
            screen_inch=self.screen_inch,
            distance_m=self.distance_m,
        )
        return State(view, palette=self.palette or ("print" if colour else "mono"), speed=self.speed)


class Dashboard(App[int], inherit_bindings=False):
    """The screens over one Watching; it does not start or close it.

    shown    the newest snapshot that was drawn, or frozen while it was
    """

    ENABLE_COMMAND_PALETTE = False
    CSS = "Screen { padding: 0; }"

    def __init__(
        self, watching: Watching, options: DashboardOptions, clock: Callable[[], float] = time.monotonic
    ) -> None:
        # Taken out before Textual sees it: its filter would strip grounds that carry meaning. What
        # is left for mono is bold, inverse and underline.
        colour = not os.environ.pop("NO_COLOR", "")
        super().__init__(ansi_color=True)
        self.controls = Controls(options.state(colour=colour), options.units, watching.send)
        self._watching = watching
        self._options = options
        self._clock = clock
        self._setting = Setting(watching.session)
        self._hold = DigitHold()
        self._page = PageView(self.tick)
        self.shown = watching.snapshot
        self._shown_at = clock()
        self._drawn_at = clock()
        self._heard = Heard()

    def get_driver_class(self) -> type[Driver]:
        """Textual's choice for the system, made to outlive what is no text."""
        found = super().get_driver_class()
        if sys.platform == "win32":
            return found
        from mixmon.dashboard.keyboard import driver_over

        return driver_over(found)

    def compose(self) -> ComposeResult:
        """One page."""
        yield self._page

    def on_mount(self) -> None:
        """Begin with the caution, if there is one."""
        self.set_interval(LOOK_S, self.look)
        if self._options.caution:
            self.push_screen(Caution(self._options.caution, self.controls.state.palette), self._answered)

    def _answered(self, accepted: bool | None) -> None:
        if accepted:
            self._options.accepted()
        else:
            self.exit(REFUSED)

    def on_key(self, event: Key) -> None:
        """Hand the key on; draw at once, so that it is felt."""
        event.prevent_default()
        key = event.character if event.is_printable and event.character else event.key
        self.controls.press(key, self.scene(), self._clock())
        if self.controls.leave:
            self.exit(LEFT)
        if self.controls.export:
            self.controls.export = False
            written = write_page(self.scene(), self.controls.state, datetime.now(UTC))
            self.controls.tell(written, self._clock())
        self.tick()

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
        self._heed()
        self.controls.expire(now)
        size = self._page.size
        if size.width and size.height:
            state = self.controls.state
            self._page.show(draw(self.scene(), state, size.width, size.height), state.palette)

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

    def _heed(self) -> None:
        """Say what has happened, and let it be heard."""
        items = self._watching.drain()
        for item in items:
            if isinstance(item, Remark):
                self.controls.news(item.text, self._clock())
        signs = self._heard.feed(items, self._watching.snapshot)
        for pattern, words in signs:
            self._options.sound(pattern, words)
        if self._options.bell and any(pattern in {URGENT, DONE} for pattern, _ in signs):
            self.bell()


def run(watching: Watching, options: DashboardOptions) -> int:
    """Show the screens until the person leaves; gives LEFT, REFUSED or BROKEN.

    `watching` is started and closed by the caller. A terminal whose encoding is not Unicode gets ASCII.
    """
    encoding = getattr(sys.__stdout__, "encoding", None) or ""
    plain = options.ascii or not encoding.lower().startswith("utf")
    app = Dashboard(watching, replace(options, ascii=plain))
    found = app.run()
    return BROKEN if app.return_code or found is None else found
