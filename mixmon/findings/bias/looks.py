"""Looks: what one sensor read in one cylinder in one session, cell by cell, with the errors of all.

    BalanceStage.cells_used -> SessionLooks     one session: which sensor sat where, and what its nodes read
    SessionLooks... -> gather -> AllLooks       the looks of all sessions in the cells that they share

A session says which cylinder each node has, and its serial which sensor that is. Levels are ln lambda against
the mean of the nodes that were heard together in one cell; what the trims of that session added is taken out,
so that sessions with different trims can be compared.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from mixmon.arrays import Floats, Ints
from mixmon.errors import UsageError
from mixmon.findings.balance.cells import CellFit
from mixmon.findings.balance.needs import GroupTable, tabulate_groups
from mixmon.mixture.steady import Cell
from mixmon.session.charges import reference_weights
from mixmon.session.model import Session

Cylinders = tuple[int, ...]
"""The cylinders that one node speaks for: one, or several that share a sensor."""


@dataclass(frozen=True, slots=True, eq=False)
class SessionLooks:
    """One session of a rotation, n nodes.

    name       what the session is called in the result
    cylinders  of each node
    sensors    the serial of each node's sensor
    charges    float64[n]  how much each node counts in the mean of the cylinders
    trims      float64[n]  ln of what the trims multiplied the fuel by; None where the session does not say
    count      cylinders of the engine
    load       the signal of the load axis
    cells      what each cell says by itself
    offsets    percent of lambda by which each cylinder is meant to be leaner; empty: all alike
    """

    name: str
    cylinders: tuple[Cylinders, ...]
    sensors: tuple[str, ...]
    charges: Floats
    trims: Floats | None
    count: int
    load: str
    cells: Mapping[Cell, CellFit]
    offsets: tuple[float, ...] = ()


def session_looks(session: Session, cells: Mapping[Cell, CellFit], name: str) -> SessionLooks:
    """The looks of one session.

    Raises:
        UsageError: a node without the serial of its sensor, or two nodes with one serial.
    """
    nodes = session.chain.nodes
    sensors = tuple(node.sensor or "" for node in nodes)
    for node in nodes:
        if not node.sensor:
            raise UsageError(
                f'{name}: node {node.position} has no serial; expected sensor = "..." under every '
                "[[chain.node]], as a rotation knows sensors by their serials; add it"
            )
        if sensors.count(node.sensor) > 1:
            raise UsageError(
                f"{name}: sensor {node.sensor} at two nodes; expected each serial once; correct one of them"
            )
    now = session.trims.now_percent
    trims = None if now is None else np.array([_ln_of_trim(now, node.cylinders) for node in nodes])
    return SessionLooks(
        name=name,
        cylinders=tuple(node.cylinders for node in nodes),
        sensors=sensors,
        charges=reference_weights(session),
        trims=trims,
        count=session.engine.cylinders,
        load=session.axes.load_signal if session.axes.load else "",
        cells=cells,
        offsets=session.engine.target_offset_percent or (),
    )


def _ln_of_trim(now: Sequence[float], cylinders: Cylinders) -> float:
    return float(np.log1p(np.mean([now[c - 1] for c in cylinders]) / 100))


class SensorLook(NamedTuple):
    """One sensor in one cylinder in one session: indices into the lists of `AllLooks`, and its node."""

    session: int
    node: int
    cylinder: int
    sensor: int


class Lines(NamedTuple):
    """What one session says in one cell: its groups, with a column for each look that was heard there.

    looks    int64[m]  numbers of the looks
    columns  int64[m]  of their cylinders
    table    the groups; trims are taken out of their levels
    """

    looks: Ints
    columns: Ints
    table: GroupTable


@dataclass(frozen=True, slots=True, eq=False)
class AllLooks:
    """All looks of a rotation in the cells that two sessions or more share.

    cylinders  of the nodes that were heard, each once, in order
    sensors    that were heard, in the order in which the sessions name them
    looks      in order of session and node
    cells      the shared cells, each with one `Lines` a session that was in it
    """

    cylinders: tuple[Cylinders, ...]
    sensors: tuple[str, ...]
    looks: tuple[SensorLook, ...]
    cells: tuple[tuple[Cell, tuple[Lines, ...]], ...]

    @property
    def wears(self) -> Floats:
        """float64[looks, sensors]: 1 where the look is of that sensor."""
        return np.eye(len(self.sensors))[[look.sensor for look in self.looks]].reshape(
            len(self.looks), len(self.sensors)
        )


def check_sessions(sessions: Sequence[SessionLooks]) -> None:
    """Refuses sessions that cannot be of one engine.

    Raises:
        UsageError: other numbers of cylinders, other targets of them, another load axis, another injection
            stage, or trims that only some of them tell.
    """
    first = sessions[0]
    for other in sessions[1:]:
        if other.count != first.count:
            raise UsageError(
                f"{other.name}: {other.count} cylinders, and {first.name} has {first.count}; expected one "
                "engine; name sessions of one engine"
            )
        if other.offsets != first.offsets:
            raise UsageError(
                f"{other.name}: other targets of the cylinders than {first.name}; expected the same [engine] "
                "target_offset_percent in every session, as needs are against them; correct one of them"
            )
        if other.load != first.load:
            raise UsageError(
                f"{other.name}: cells by {other.load or 'no load'}, and {first.name} by "
                f"{first.load or 'no load'}; expected the same [axes] in every session; correct them"
            )
    stages = {cell.injection_stage: one.name for one in sessions for cell in one.cells}
    if len(stages) > 1:
        names = ", ".join(f"{name} in stage {stage or 'unknown'}" for stage, name in stages.items())
        raise UsageError(
            f"sessions of different injection stages ({names}); expected one, as other injectors work beyond "
            "the staging line; hold cells before the line in every session"
        )
    untold = [one.name for one in sessions if one.trims is None]
    moved = any(one.trims is not None and one.trims.any() for one in sessions)
    if untold and moved:
        raise UsageError(
            f"{untold[0]}: no [trims] now_percent, and another session has trims; expected what the ECU held "
            "in every session; add it"
        )


def gather(sessions: Sequence[SessionLooks]) -> AllLooks:
    """The looks of all sessions in the cells that two or more share; of a single one, in all its cells."""
    tables = [
        {cell: table for cell, fit in one.cells.items() if len((table := _table_of(one, fit)).x)}
        for one in sessions
    ]
    order = dict.fromkeys(cell for own in tables for cell in own)
    wanted = min(2, len(sessions))
    shared = [cell for cell in order if sum(cell in own for own in tables) >= wanted]
    shared.sort(key=lambda cell: (cell.rpm or 0.0, cell.load or 0.0))
    heard = [
        np.any([own[cell].present.any(axis=0) for cell in shared if cell in own], axis=0)
        if any(cell in own for cell in shared)
        else np.zeros(len(one.sensors), np.bool_)
        for one, own in zip(sessions, tables, strict=True)
    ]
    places = [(k, node) for k, nodes in enumerate(heard) for node in np.flatnonzero(nodes).tolist()]
    return _gather_places(sessions, places, [(cell, [own.get(cell) for own in tables]) for cell in shared])


def _gather_places(
    sessions: Sequence[SessionLooks],
    places: Sequence[tuple[int, int]],
    cells: Sequence[tuple[Cell, Sequence[GroupTable | None]]],
) -> AllLooks:
    """Looks from (session, node), and the lines of every cell by them."""
    cylinders = sorted({sessions[k].cylinders[node] for k, node in places})
    sensors = list(dict.fromkeys(sessions[k].sensors[node] for k, node in places))
    looks = tuple(
        SensorLook(
            k, node, cylinders.index(sessions[k].cylinders[node]), sensors.index(sessions[k].sensors[node])
        )
        for k, node in places
    )
    number = {(look.session, look.node): i for i, look in enumerate(looks)}
    lines = [
        (
            cell,
            tuple(_lines_of(k, table, looks, number) for k, table in enumerate(own) if table is not None),
        )
        for cell, own in cells
    ]
    return AllLooks(tuple(cylinders), tuple(sensors), looks, tuple(lines))


def _table_of(session: SessionLooks, fit: CellFit) -> GroupTable:
    """The groups of one cell, as they would read with trims of zero."""
    table = tabulate_groups([fit], len(session.sensors))
    if session.trims is None:
        return table
    return table._replace(x=table.x + np.where(table.present, session.trims, 0.0))


def _lines_of(
    session: int, table: GroupTable, looks: Sequence[SensorLook], number: Mapping[tuple[int, int], int]
) -> Lines:
    nodes = np.flatnonzero(table.present.any(axis=0))
    own = [number[session, node] for node in nodes.tolist()]
    part = GroupTable(
        table.x[:, nodes],
        table.variance[:, nodes][:, :, nodes],
        table.present[:, nodes],
        table.effective[:, nodes],
        table.changed[:, nodes],
    )
    return Lines(np.array(own, np.int64), np.array([looks[i].cylinder for i in own], np.int64), part)


def arrangement(assigned: Sequence[Mapping[Cylinders, str]]) -> AllLooks:
    """The looks of sessions that are only planned: all in one cell, heard together, with errors of one.

    assigned: for each session, the sensor of every node by its cylinders.
    """
    cylinders = sorted({cylinder for one in assigned for cylinder in one})
    sensors = list(dict.fromkeys(sensor for one in assigned for sensor in one.values()))
    looks: list[SensorLook] = []
    lines = []
    for k, one in enumerate(assigned):
        begin = len(looks)
        looks += [
            SensorLook(k, node, cylinders.index(cylinder), sensors.index(sensor))
            for node, (cylinder, sensor) in enumerate(one.items())
        ]
        m = len(one)
        ones = np.ones((1, m))
        table = GroupTable(0 * ones, np.eye(m)[None], ones > 0, ones, 0 * ones)
        columns = np.array([look.cylinder for look in looks[begin:]], np.int64)
        lines.append(Lines(np.arange(begin, len(looks)), columns, table))
    cell = (Cell(None, None), tuple(lines))
    return AllLooks(tuple(cylinders), tuple(sensors), tuple(looks), (cell,))
