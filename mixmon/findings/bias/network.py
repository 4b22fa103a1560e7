"""Whether a rotation can be solved: cylinders and sensors as one network, tied by the looks.

A look ties its sensor to its cylinder. Differences between two sensors, or two cylinders, are known only
along such ties: the biases can be found if and only if all cylinders and sensors hang together (from memory:
Bose 1949; Weeks & Williams, Technometrics 6, 1964; Eccleston & Hedayat, Ann. Stat. 2, 1974). Reversing a row
of eight ties 1 to 8, 2 to 7, ... and falls into four loops, between which nothing is compared. Besides, each
session has a mean of its own to be found, so there must be as many looks as there are numbers: that is the
rank of the whole system, for which all readings are taken to be equally good.
"""

from __future__ import annotations

import numpy as np

from mixmon.arrays import Bools
from mixmon.findings.bias.fit import assemble, plain_weights, rank
from mixmon.findings.bias.looks import AllLooks, arrangement
from mixmon.findings.bias.notes import BiasNote
from mixmon.findings.stats import linked
from mixmon.note import Note, note


def why_not_solvable(gathered: AllLooks, sessions: int) -> Note | None:
    """Why the looks of so many sessions do not give all biases and needs; None where they do."""
    if sessions < 2:
        return note(BiasNote.ONE_SESSION)
    if not gathered.cells:
        return note(BiasNote.NO_CELL_IN_COMMON)
    parts = loops(gathered)
    if len(parts) > 1:
        return _describe_parts(gathered, parts)
    evidence = assemble(gathered, plain_weights(gathered))
    wears = gathered.wears
    known = rank(wears.T @ evidence.information @ wears) == len(gathered.sensors) - 1
    if known and rank(np.sum([cell.own for cell in evidence.cells], axis=0)) == len(gathered.cylinders) - 1:
        return None
    return note(BiasNote.TOO_FEW_LOOKS, looks=len(gathered.looks), sessions=sessions)


def loops(gathered: AllLooks) -> list[tuple[tuple[int, ...], tuple[str, ...]]]:
    """Sets of cylinders and sensors that the looks tie together, each as its cylinders and its sensors."""
    tied = _ties(gathered)
    found = []
    for sensors in linked(tied) if gathered.looks else []:
        places = np.flatnonzero(tied[:, sensors].any(axis=1)).tolist()
        cylinders = tuple(sorted(c for place in places for c in gathered.cylinders[place]))
        found.append((cylinders, tuple(gathered.sensors[i] for i in sensors.tolist())))
    return found


def _ties(gathered: AllLooks) -> Bools:
    """Which sensor was seen in which cylinder, bool[cylinders, sensors]."""
    tied = np.zeros((len(gathered.cylinders), len(gathered.sensors)), np.bool_)
    for look in gathered.looks:
        tied[look.cylinder, look.sensor] = True
    return tied


def _describe_parts(gathered: AllLooks, parts: list[tuple[tuple[int, ...], tuple[str, ...]]]) -> Note:
    """The reason why looks that fall into parts say too little."""
    moved = [part for part in parts if len(part[1]) > 1]
    if not moved:
        return note(BiasNote.NO_SENSOR_MOVED)
    if len(moved) == 1 and len(moved[0][1]) == 2 and (_ties(gathered).sum(axis=1) < 3).all():
        cylinders, sensors = moved[0]
        return note(BiasNote.ONE_PAIR_EXCHANGED, cylinders=cylinders, sensors=sensors)
    return note(
        BiasNote.SEPARATE_LOOPS,
        loops=tuple(cylinders for cylinders, _ in parts),
        sensors=tuple(", ".join(sensors) for _, sensors in parts),
    )


def next_session(gathered: AllLooks) -> tuple[tuple[int, str], ...]:
    """Where to put the sensors in one more session: (lowest cylinder of the node, sensor), in order.

    Sensors of the last session are all moved by the same number of cylinders: by that which makes the needs
    of all known best, taking every look to be equally good; the least such number. Empty with fewer than two.
    """
    before = _assigned(gathered)
    if not before or len(before[-1]) < 2:
        return ()
    places, sensors = list(before[-1]), list(before[-1].values())
    best, chosen = (-1, np.inf), sensors
    for shift in range(1, len(places)):
        moved = sensors[-shift:] + sensors[:-shift]
        planned = arrangement([*before, dict(zip(places, moved, strict=True))])
        evidence = assemble(planned, plain_weights(planned))
        wears = planned.wears
        found = np.linalg.eigvalsh(wears.T @ evidence.information @ wears)
        known = found[found > 1e-9 * max(found[-1], 1.0)]
        quality = (len(known), float((1 / known).sum()))
        if quality[0] > best[0] or (quality[0] == best[0] and quality[1] < best[1] - 1e-9):
            best, chosen = quality, moved
    return tuple((place[0], sensor) for place, sensor in zip(places, chosen, strict=True))


def _assigned(gathered: AllLooks) -> list[dict[tuple[int, ...], str]]:
    """For each session, the sensor of each node that was heard, by its cylinders."""
    count = 1 + max((look.session for look in gathered.looks), default=-1)
    out: list[dict[tuple[int, ...], str]] = [{} for _ in range(count)]
    for look in gathered.looks:
        out[look.session][gathered.cylinders[look.cylinder]] = gathered.sensors[look.sensor]
    return [dict(sorted(one.items())) for one in out]
