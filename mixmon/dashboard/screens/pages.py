"""The person's choices (`State`), and `draw`, which makes the rows of the chosen screen from a moment."""

from __future__ import annotations

from dataclasses import dataclass

from mixmon.dashboard.keys import Page, Prompt, last_line, message_rows, prompt_row
from mixmon.dashboard.scene import Scene, ViewOptions
from mixmon.dashboard.screens.alarms import alarms_page
from mixmon.dashboard.screens.balance import CellView, Place, balance_page
from mixmon.dashboard.screens.beside import (
    picture_of_alarm,
    picture_of_chain,
    picture_of_trims,
    with_picture,
)
from mixmon.dashboard.screens.bus import bus_page
from mixmon.dashboard.screens.checks import checks_page
from mixmon.dashboard.screens.events import events_page, notes_page
from mixmon.dashboard.screens.help import help_page
from mixmon.dashboard.screens.identity import identity_page
from mixmon.dashboard.screens.pulls import pulls_page
from mixmon.dashboard.screens.sensors import sensors_page
from mixmon.dashboard.screens.status import LEAST_ROWS_FOR_KEYS, Sheet, keys_line
from mixmon.dashboard.screens.timeline import timeline_row
from mixmon.dashboard.screens.trims import trims_page
from mixmon.dashboard.screens.watch import watch_page
from mixmon.dashboard.text import Row, clean
from mixmon.dashboard.verdict import verdict
from mixmon.watch.snapshot import Snapshot
from mixmon.watch.timeline import Moment

AlarmName = tuple[str, int | None]
"""An alarm by its rule and its node's place in the chain; the list may move around it."""


@dataclass(frozen=True, slots=True)
class State:
    """All choices at one moment.

    before     the screen to which help and esc go back
    frozen     the picture that is held, and since when by the watcher's clock
    sensor_log  the bus screen shows what the ledger knows of the sensors
    pull       its number, from 0; None: the newest
    compared   pulls are shown as differences from the one kept before
    alarm      the chosen one; None: the most pressing
    check      the chosen check, from 0
    picture    screens that have a picture show it in the place of their table
    first      rows scrolled away
    wanted     what events must contain
    message    the program's answer to a key, until that second of the watcher's clock
    digit      the digit key pressed last, and when: two keys make 10 to 16
    leaving    q was pressed once
    moment     the chosen one of a replay's time line
    bell       the terminal's bell rings
    sound      program that is started for each alarm; empty: none
    """

    options: ViewOptions
    palette: str = "print"
    page: Page = Page.WATCH
    before: Page = Page.WATCH
    frozen: Snapshot | None = None
    frozen_at: float = 0.0
    cursor: Place | None = None
    spread: bool = False
    sensor_log: bool = False
    pull: int | None = None
    compared: bool = False
    alarm: AlarmName | None = None
    check: int = 0
    picture: bool = False
    first: int = 0
    wanted: str = ""
    prompt: Prompt | None = None
    message: str = ""
    message_until: float = 0.0
    digit: tuple[str, float] = ("", 0.0)
    leaving: bool = False
    paused: bool = False
    speed: float | None = 1.0
    moment: Moment | None = None
    bell: bool = True
    sound: str = ""


_SAME_BEGINNING = 24
"""Two lines that begin with so many equal characters say the same. Our choice: time and a few words."""


def draw(scene: Scene, state: State, width: int, height: int) -> list[Row]:
    """The screen: `height` rows of `width` cells. Question or answer covers the last ones."""
    rows = _draw_with_timeline(scene, state, width, height)
    if state.prompt is not None:
        rows[-1:] = [prompt_row(state.prompt, width)]
    elif state.message and not _says_already(state.message, rows):
        told = message_rows(state.message, width, height)
        rows[-len(told) :] = told
    return rows[:height]


def _says_already(message: str, rows: list[Row]) -> bool:
    """Whether the rows above the last one say it already, as far as they have room for it."""
    begin = clean(message)[:_SAME_BEGINNING]
    return any(begin in "".join(text for text, _ in row) for row in rows[:-1])


def _draw_with_timeline(scene: Scene, state: State, width: int, height: int) -> list[Row]:
    """The page, and above its keys the time line of a replay, on a terminal that has keys."""
    line = scene.live.timeline
    if line is None or height <= LEAST_ROWS_FOR_KEYS:
        return _draw_page(scene, state, width, height)
    rows = _draw_page(scene, state, width, height - 1)
    keys = keys_line(_last_line(scene, state), width)
    rows.insert(len(rows) - (rows[-1] == keys), timeline_row(scene, line, state.moment, width))
    return rows


def _last_line(scene: Scene, state: State) -> tuple[tuple[str, str], ...]:
    live, pulls = scene.live.replay_position is None, scene.snapshot.pulls is not None
    return last_line(state.page, live=live, pulls=pulls, acts=scene.setting.acts)


def _draw_page(scene: Scene, state: State, width: int, height: int) -> list[Row]:
    word = verdict(scene)
    page = state.page
    sheet = Sheet(width, height, _last_line(scene, state))
    chosen = {
        Page.WATCH: lambda: watch_page(scene, word, sheet),
        Page.BALANCE: lambda: balance_page(
            scene, word, cell_view(scene, state), sheet, picture=state.picture
        ),
        Page.ALARMS: lambda: with_picture(
            lambda part: alarms_page(scene, word, alarm_index(scene, state), part),
            picture_of_alarm(scene, alarm_index(scene, state)),
            sheet,
            alone=state.picture,
        ),
        Page.BUS: lambda: with_picture(
            lambda part: (
                sensors_page(scene, word, part, first=state.first)
                if state.sensor_log
                else bus_page(scene, word, part, first=state.first)
            ),
            picture_of_chain(scene),
            sheet,
            alone=state.picture,
        ),
        Page.TRIMS: lambda: with_picture(
            lambda part: trims_page(scene, word, part, first=state.first),
            picture_of_trims(scene),
            sheet,
            alone=state.picture,
        ),
        Page.CHECKS: lambda: checks_page(scene, word, state.check, sheet),
        Page.PULLS: lambda: pulls_page(
            scene, word, sheet, number=state.pull, compared=state.compared, picture=state.picture
        ),
        Page.EVENTS: lambda: events_page(
            scene, word, sheet, wanted=state.wanted, first=state.first, picture=state.picture
        ),
    }
    if page in chosen:
        return chosen[page]()
    others = {
        Page.STEPS: identity_page,
        Page.NOTES: notes_page,
    }
    if page is Page.HELP:
        return help_page(scene, word, sheet, first=state.first, asked_from=state.before)
    return others[page](scene, word, sheet, first=state.first)


def cell_view(scene: Scene, state: State) -> CellView:
    """What the cells show: the picked cylinder, or the leanest, or the first."""
    index = scene.chosen()
    node = scene.setting.nodes[index if index is not None else 0]
    cylinder = scene.options.chosen if scene.options.chosen is not None else node.cylinders[0]
    return CellView(cylinder, state.spread, state.cursor)


def alarm_index(scene: Scene, state: State) -> int:
    """Where the chosen alarm stands in the list now; the top where it is gone."""
    names = [(a.rule.name, a.position) for a in scene.alarms()]
    return names.index(state.alarm) if state.alarm in names else 0
