"""Cylinders that are meant to differ, in everything that compares them: as if they were meant to be alike.

An engine whose cylinders read 0 to 4 % leaner and are meant to is told like the same one without both. So
that each counts alike in the mean, each has as much more air.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from drives import path, rows
from drives import session as driven
from dwells import dwell
from dwells import session as dwelling

from mixmon.findings.alarms.measures import MeasuredRows, RuleRows
from mixmon.findings.balance.balance import BalanceStage
from mixmon.findings.pulls.bands import bands_over, pull_table
from mixmon.findings.pulls.pulls import PullStage
from mixmon.findings.stage import run_through
from mixmon.mixture.block import CylinderBlock
from mixmon.session.charges import reference_weights
from mixmon.session.model import Engine
from mixmon.watch.observer import RecentRows, StripStage

N = 4
MEANT = (0.0, 4.0, 4.0, 0.0)
OWN = 1 + np.array(MEANT) / 100
APART = np.array([0.0, 0.01, -0.02, 0.005])
ENGINE = Engine(N, charge_share=tuple(OWN), target_offset_percent=MEANT)


def meant_to_differ(block: CylinderBlock) -> CylinderBlock:
    """The rows with every reading and target as much leaner as each cylinder is meant to be."""
    shifted = {**block.shifted, "target": block.shifted["target"] * OWN}
    aux = {"own_target": np.broadcast_to(OWN, block.lam.shape)}
    return dataclasses.replace(block, lam=block.lam * OWN, shifted=shifted, aux=aux)


@pytest.fixture(scope="module")
def still() -> CylinderBlock:
    return dwell(APART, np.random.default_rng(1))


@pytest.mark.parametrize("against", ["peers", "target"])
def test_the_balance(still: CylinderBlock, against: str) -> None:
    alike, differ = BalanceStage(dwelling(N)), BalanceStage(dwelling(N, engine=ENGINE))
    alike.feed(still)
    differ.feed(meant_to_differ(still))
    one, other = alike.result(against), differ.result(against)
    needs = [[c.needs_percent for c in found.cylinders] for found in (one, other)]
    assert needs[1] == pytest.approx(needs[0])
    assert other.spread.value == pytest.approx(one.spread.value)
    assert [c.trim_new_percent for c in other.cylinders] == [c.trim_new_percent for c in one.cylinders]
    assert other.fuel_percent == pytest.approx(one.fuel_percent)
    assert other.whole_engine[0].needs_percent == pytest.approx(one.whole_engine[0].needs_percent)


def test_a_pull() -> None:
    speed = path((0.0, 2500.0), (2.0, 2500.0), (8.0, 7700.0), (3.0, 3000.0))
    opening = path((0.0, 10.0), (2.0, 10.0), (0.15, 100.0), (7.85, 100.0), (0.1, 0.0), (2.9, 0.0))
    block = rows(speed, opening, 0.88 * np.exp(APART) * np.ones((len(speed), 1)), coolant_c=85.0)
    tables = []
    differing = dataclasses.replace(driven(N), engine=ENGINE)
    for made, read in ((driven(N), block), (differing, meant_to_differ(block))):
        (pull,) = run_through(PullStage(made, 0.1), [read])
        tables.append(pull_table(made, pull, bands_over(3000, 7700)))
    for name in ("peers", "target", "spread", "engine", "lam", "peers_half"):
        assert getattr(tables[1], name) == pytest.approx(getattr(tables[0], name), nan_ok=True), name


def test_what_is_watched_and_the_alarm_of_the_spread(still: CylinderBlock) -> None:
    seen = []
    for made, read in ((dwelling(N), still), (dwelling(N, engine=ENGINE), meant_to_differ(still))):
        recent, strip = RecentRows(reference_weights(made)), StripStage(reference_weights(made))
        recent.feed(read)
        strip.feed(read)
        now = recent.now()
        always = np.ones((len(read), 1), np.bool_)
        told = RuleRows(
            read,
            read.t[:1],
            np.zeros(read.lam.shape, np.int64),
            {},
            {},
            always,
            np.zeros(len(read)),
            np.zeros(len(read)),
            read.lam,
            always[:, 0],
        )
        spread = MeasuredRows(told, always).spread
        seen.append(
            [
                now.cylinders.vs_peers,
                now.cylinders.vs_target,
                now.cylinders.high,
                now.all_vs_target,
                now.spread,
                strip.strip().vs_peers.leanest,
                strip.strip().vs_target.engine,
                spread,
            ]
        )
    for one, other in zip(*seen, strict=True):
        assert other == pytest.approx(one)
