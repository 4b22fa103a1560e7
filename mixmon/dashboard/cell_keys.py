"""What keys make of the cells of the map: another choice, a command, or words."""

from __future__ import annotations

from dataclasses import replace

from mixmon.dashboard.state import State
from mixmon.dashboard.view_cells import Place
from mixmon.dashboard.view_scene import Scene
from mixmon.mixture.steady import Cell
from mixmon.watching import Command, JudgeCell


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


def judge(scene: Scene, state: State) -> Command | str:
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
