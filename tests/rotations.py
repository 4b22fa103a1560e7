"""Sessions of a rotation made without the package's simulator: noise in batches, and the cells that follow.

A reading is what the engine does in a cell, the cylinder's need there, the sensor's bias, what putting the
sensor in did in that session, and noise of each batch. The errors of a cell are those of plain statistics.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from outside_cases import PLACES as OUTSIDE_PLACES
from outside_engine import Layout, Play, Stay, usual_sensing, write_session

from mixmon.findings.balance.cells import CellFit, CellGroup
from mixmon.findings.bias.looks import SessionLooks
from mixmon.findings.stats import NO_ESTIMATE
from mixmon.mixture.steady import Cell

PLACES = ((2000.0, 20.0), (3500.0, 50.0), (5500.0, 100.0))


def shifted(count: int, shifts: Sequence[int]) -> list[list[int]]:
    """The sensor in each cylinder, from 0, in each session: all moved by so many cylinders."""
    return [[(cylinder - shift) % count for cylinder in range(count)] for shift in shifts]


@dataclass
class Engine:
    """An engine and sensors whose truth is known; all in percent of ln lambda.

    needs      [cells, n] or [n]
    biases     [n], of the sensors
    noise      of one batch, of each node in each session, between these ends
    seat       of what putting a sensor in does, in one session
    by_cell    of what one cell does to one reading
    """

    needs: np.ndarray
    biases: np.ndarray
    rng: np.random.Generator
    places: Sequence[tuple[float, float]] = PLACES
    batches: int = 40
    noise: tuple[float, float] = (0.3, 0.9)
    seat: float = 0.0
    by_cell: float = 0.0
    trims: Sequence[np.ndarray | None] = ()
    silent: Mapping[tuple[int, int], Sequence[int]] = field(default_factory=dict)
    """Nodes without a reading, from 0, by (session, cell)."""
    extra: Mapping[tuple[int, int], float] = field(default_factory=dict)
    """What else one look reads, by (session, node)."""

    def sessions(self, sensors: Sequence[Sequence[int]]) -> list[SessionLooks]:
        """One session for each list of sensors, by cylinder."""
        return [self._session(k, own) for k, own in enumerate(sensors)]

    def _session(self, k: int, sensors: Sequence[int]) -> SessionLooks:
        n = len(sensors)
        seat = self.seat * self.rng.standard_normal(n)
        seat += [self.extra.get((k, i), 0.0) for i in range(n)]
        trims = self.trims[k] if self.trims else None
        added = np.zeros(n) if trims is None else 100 * np.log1p(trims / 100)
        noise = self.rng.uniform(*self.noise, n)
        cells = {}
        for q, place in enumerate(self.places):
            level = np.broadcast_to(self.needs, (len(self.places), n))[q] + self.biases[list(sensors)] - added
            level = level + seat + self.by_cell * self.rng.standard_normal(n)
            y = level + noise * self.rng.standard_normal((self.batches, n))
            heard = [i for i in range(n) if i not in self.silent.get((k, q), ())]
            if heard:
                cells[Cell(*place)] = cell_of(q, y / 100, heard, np.log(0.9))
        return SessionLooks(
            name=f"session {k + 1}",
            cylinders=tuple((i + 1,) for i in range(n)),
            sensors=tuple(f"S-{s + 1}" for s in sensors),
            charges=np.ones(n),
            trims=None if trims is None else np.log1p(trims / 100),
            count=n,
            load="throttle",
            cells=cells,
        )


def cell_of(number: int, y: np.ndarray, heard: Sequence[int], level: float) -> CellFit:
    """One cell from independent batches y [m, n] of ln lambda, of the nodes that were heard."""
    m, n = y.shape
    own = y[:, heard] - y[:, heard].mean(axis=1, keepdims=True)
    group = CellGroup(
        nodes=np.array(heard),
        levels=own.mean(axis=0),
        covariance=np.atleast_2d(np.cov(own.T)) / m,
        effective=np.full(len(heard), float(m)),
        sure=np.ones(len(heard), np.bool_),
        level=level,
        batches=m,
        off_target=NO_ESTIMATE,
        slow=None,
    )
    zeros = np.zeros(n)
    return CellFit(
        cell=number,
        groups=(group,),
        target=(NO_ESTIMATE,) * n,
        usable_s=np.where(np.isin(np.arange(n), heard), m / 4, 0.0),
        scatter=zeros,
        at_rich=zeros,
        at_lean=zeros,
        stuck=np.zeros(n, np.bool_),
        outliers=np.zeros(n, np.int64),
        masked_s=zeros,
        ends=zeros,
    )


def known_error(
    sensors: Sequence[Sequence[int]], sigma: float, y: np.ndarray | None = None
) -> list[SessionLooks]:
    """Sessions of one cell whose readings all have one known error, percent; sensor -1 is not heard.

    y  [sessions, n], what was read, percent; zero without it
    """
    sessions = []
    for k, own in enumerate(sensors):
        n, heard = len(own), [i for i, s in enumerate(own) if s >= 0]
        fit = cell_of(0, np.zeros((2, n)) if y is None else np.tile(y[k] / 100, (2, 1)), heard, np.log(0.9))
        m = len(heard)
        errors = (sigma / 100) ** 2 * (np.eye(m) - 1 / m)
        group = replace(fit.groups[0], covariance=errors, effective=np.full(m, 1e9))
        sessions.append(
            SessionLooks(
                name=f"session {k + 1}",
                cylinders=tuple((i + 1,) for i in range(n)),
                sensors=tuple(f"S-{s + 1}" if s >= 0 else f"dead-{i + 1}" for i, s in enumerate(own)),
                charges=np.ones(n),
                trims=None,
                count=n,
                load="throttle",
                cells={Cell(*PLACES[0]): replace(fit, groups=(group,))},
            )
        )
    return sessions


# The same as logs of the engine that is made without the package.

SIX = 6


@functools.cache
def outside_truth(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Needs of the cylinders and biases of the sensors, percent."""
    rng = np.random.default_rng(seed)
    return rng.uniform(-5, 5, SIX), rng.normal(0, 1.5, SIX)


def write_sessions(
    folder: Path,
    seed: int,
    sensors: Sequence[Sequence[int]],
    trims: Sequence[np.ndarray | float] | None = None,
) -> list[str]:
    """A log and a session file for each list of sensors, by cylinder; gives the words that name them."""
    needs, biases = outside_truth(seed)
    logs, files = [], []
    for k, own in enumerate(sensors):
        rng = np.random.default_rng(100 * seed + k)
        stays = [Stay(12.0, *place) for place in OUTSIDE_PLACES]
        held = 0.0 if trims is None else trims[k]
        play = Play(stays, needs, usual_sensing(SIX, rng), rng, trims=held)
        play.shown *= 1 + biases[list(own)] / 100
        here = folder / str(k)
        here.mkdir()
        layout = Layout()
        toml = write_session(play, layout, here)
        text = toml.read_text()
        for c in range(SIX):
            text = text.replace(f'sensor = "P-{c + 1}"', f'sensor = "N{own[c] + 1}"')
        toml.write_text(text)
        logs.append(str(play.frames(layout).write(here / "drive.log")))
        files += ["-s", str(toml)]
    return [*logs, *files]
