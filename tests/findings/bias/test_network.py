"""Which moves can be solved: pretty ones that cannot, and why."""

from __future__ import annotations

import numpy as np
import pytest
from rotations import known_error, shifted

from mixmon.findings.bias.looks import gather
from mixmon.findings.bias.network import why_not_solvable
from mixmon.findings.bias.notes import BiasNote
from mixmon.findings.bias.rotation import fit_rotation

ROW = list(range(8))


def rank_of_dummies(sensors: list[list[int]]) -> tuple[int, int]:
    """Rank of the plain design matrix of cylinders, sensors and sessions, and what it must be.

    With every parameter found up to a constant in cylinders and sensors, it is cylinders + sensors + sessions
    - 2 (the rank condition of additive layouts; from memory: Bose 1949; Weeks & Williams 1964).
    """
    looks = [(k, c, s) for k, own in enumerate(sensors) for c, s in enumerate(own) if s >= 0]
    columns = [sorted({look[axis] for look in looks}) for axis in range(3)]
    rows = [[float(look[axis] == name) for axis in range(3) for name in columns[axis]] for look in looks]
    return int(np.linalg.matrix_rank(np.array(rows))), sum(map(len, columns)) - 2


PLANS = {
    "no sensor moved": ([ROW, ROW], BiasNote.NO_SENSOR_MOVED),
    "one session": ([ROW], BiasNote.ONE_SESSION),
    "one pair": ([ROW, [1, 0, *ROW[2:]]], BiasNote.ONE_PAIR_EXCHANGED),
    "two pairs": ([ROW, [1, 0, 3, 2, *ROW[4:]]], BiasNote.SEPARATE_LOOPS),
    "reversed": ([ROW, ROW[::-1]], BiasNote.SEPARATE_LOOPS),
    "halves": (shifted(8, (0, 4)), BiasNote.SEPARATE_LOOPS),
    "by two": (shifted(8, (0, 2)), BiasNote.SEPARATE_LOOPS),
    "by one": (shifted(8, (0, 1)), None),
    "by three": (shifted(8, (0, 3)), None),
    "reversed, then by one": ([ROW, ROW[::-1], [7, *ROW[:7]]], None),
    "by one, and one silent": ([ROW, [7, 0, -1, 2, 3, 4, 5, 6]], BiasNote.TOO_FEW_LOOKS),
    "three sessions, and one silent": ([*shifted(8, (0, 1)), [-1, 6, 7, 0, 1, 2, 3, 4]], None),
    "a spare sensor": ([ROW, [8, *ROW[:7]]], BiasNote.TOO_FEW_LOOKS),
    "a spare sensor, three sessions": ([ROW, [8, *ROW[:7]], [7, 8, *ROW[:6]]], None),
}


@pytest.mark.parametrize("name", PLANS)
def test_what_moves_can_be_solved(name):
    sensors, code = PLANS[name]
    why = why_not_solvable(gather(known_error(sensors, 0.25)), len(sensors))
    assert (None if why is None else why.code) == code
    rank, wanted = rank_of_dummies(sensors)
    assert (rank == wanted) == (code is None)


def test_reversing_the_row_falls_into_four_loops():
    found = fit_rotation(known_error([ROW, ROW[::-1]], 0.25))
    assert not found.solvable
    assert [cylinders for cylinders, _ in found.loops] == [(1, 8), (2, 7), (3, 6), (4, 5)]
    assert found.cylinders == found.sensors == ()


@pytest.mark.parametrize("name", [name for name, (_, code) in PLANS.items() if code is not None])
def test_the_next_session_solves_it(name):
    sensors = PLANS[name][0]
    found = fit_rotation(known_error(sensors, 0.25))
    moved = dict(found.design)
    names = {f"S-{i + 1}": i for i in range(9)}
    more = [names[moved[c]] if c in moved else -1 for c in range(1, 9)]
    assert sorted(moved) == sorted(c + 1 for c, s in enumerate(sensors[-1]) if s >= 0)
    assert why_not_solvable(gather(known_error([*sensors, more], 0.25)), len(sensors) + 1) is None
