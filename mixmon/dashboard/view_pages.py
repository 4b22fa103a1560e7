"""Which screen is drawn: one function from a moment and the person's choices to rows."""

from __future__ import annotations

from mixmon.dashboard.keys import Page, last_line, message_row, prompt_row
from mixmon.dashboard.scene import Scene
from mixmon.dashboard.state import State
from mixmon.dashboard.text import Row, clean
from mixmon.dashboard.verdict import verdict
from mixmon.dashboard.view_alarms import alarms_page
from mixmon.dashboard.view_balance import balance_page
from mixmon.dashboard.view_bus import bus_page
from mixmon.dashboard.view_cells import CellView
from mixmon.dashboard.view_checks import checks_page
from mixmon.dashboard.view_events import events_page
from mixmon.dashboard.view_help import help_page
from mixmon.dashboard.view_notes import notes_page
from mixmon.dashboard.view_pulls import pulls_page
from mixmon.dashboard.view_status import Sheet
from mixmon.dashboard.view_trims import trims_page
from mixmon.dashboard.view_watch import watch_page

_ALIKE = 24
"""What begins with so many characters alike is one and the same line."""


def draw(scene: Scene, state: State, width: int, height: int) -> list[Row]:
    """The screen: `height` rows of `width` cells. Question or answer covers the last row."""
    rows = _page(scene, state, width, height)
    if state.prompt is not None:
        rows[-1:] = [prompt_row(state.prompt, width)]
    elif state.message and not _stands(state.message, rows):
        rows[-1:] = [message_row(state.message, width)]
    return rows[:height]


def _stands(message: str, rows: list[Row]) -> bool:
    """Whether the rows above the last one say it already, as far as they have room for it."""
    begin = clean(message)[:_ALIKE]
    return any(begin in "".join(text for text, _ in row) for row in rows[:-1])


def _page(scene: Scene, state: State, width: int, height: int) -> list[Row]:
    word = verdict(scene)
    page = state.page
    live, pulls = scene.live.replay_position is None, scene.snapshot.pulls is not None
    sheet = Sheet(width, height, last_line(page, live=live, pulls=pulls))
    chosen = {
        Page.WATCH: lambda: watch_page(scene, word, sheet),
        Page.BALANCE: lambda: balance_page(scene, word, cell_view(scene, state), sheet),
        Page.ALARMS: lambda: alarms_page(scene, word, alarm_index(scene, state), sheet),
        Page.CHECKS: lambda: checks_page(scene, word, state.check, sheet),
        Page.PULLS: lambda: pulls_page(scene, word, sheet, number=state.pull, compared=state.compared),
        Page.EVENTS: lambda: events_page(scene, word, sheet, wanted=state.wanted, first=state.first),
    }
    if page in chosen:
        return chosen[page]()
    others = {
        Page.TRIMS: trims_page,
        Page.BUS: bus_page,
        Page.NOTES: notes_page,
        Page.HELP: help_page,
    }
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
