"""What the person at the screen has chosen: which screen, which cylinder, what is being asked."""

from __future__ import annotations

from dataclasses import dataclass

from mixmon.dashboard.keys import Page, Prompt
from mixmon.dashboard.scene import ViewOptions
from mixmon.dashboard.view_cells import Place
from mixmon.snapshot import Snapshot

AlarmName = tuple[str, int | None]
"""An alarm by its rule and its node's place in the chain; the list may move around it."""


@dataclass(frozen=True, slots=True)
class State:
    """All choices at one moment.

    before     the screen to which help and esc go back
    frozen     the picture that is held, and since when by the watcher's clock
    pull       its number, from 0; None: the newest
    compared   pulls are shown as differences from the one kept before
    alarm      the chosen one; None: the most pressing
    check      the chosen check, from 0
    first      rows scrolled away
    wanted     what events must contain
    message    the program's answer to a key, until that second of the watcher's clock
    digit      the digit key pressed last, and when: two keys make 10 to 16
    leaving    q was pressed once
    """

    options: ViewOptions
    palette: str = "print"
    page: Page = Page.WATCH
    before: Page = Page.WATCH
    frozen: Snapshot | None = None
    frozen_at: float = 0.0
    cursor: Place | None = None
    spread: bool = False
    pull: int | None = None
    compared: bool = False
    alarm: AlarmName | None = None
    check: int = 0
    first: int = 0
    wanted: str = ""
    prompt: Prompt | None = None
    message: str = ""
    message_until: float = 0.0
    digit: tuple[str, float] = ("", 0.0)
    leaving: bool = False
    paused: bool = False
    speed: float | None = 1.0
