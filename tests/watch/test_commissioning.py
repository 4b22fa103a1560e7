"""Evidence for the check list from rows alone: counts of a minute, lowest supply, warm-ups; in any chunks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from laws import everything, splits

from mixmon.messages.bind import bind, load_databases
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.session.load import load_session
from mixmon.watch.commissioning import Commissioning, CommissioningStage

SECONDS = 65
BEGIN = 1_700_000_000_000_000_000


@pytest.fixture(scope="module")
def binding():
    session = load_session("examples/alder8.toml")
    return bind(session, load_databases(session))


@pytest.fixture(scope="module")
def rows() -> CylinderBlock:
    """Eight nodes at 100 Hz; node 2 sends every other row, node 3 pauses for 0.2 s, node 4 dips to 9.4 V."""
    k, n = SECONDS * 100, 8
    fresh = np.ones((k, n), np.bool_)
    fresh[1::2, 1] = False
    fresh[3000:3020, 2] = False
    arrived = fresh.astype(np.float64)
    fresh[2:6000:10, 5] = False  # in two rows the samples of node 6 lie so that one row has both
    arrived[2:6000:10, 5], arrived[3:6000:10, 5] = 0, 2
    age = np.full((k, n), 4_000_000, np.int64)
    age[3000:3020, 2] += 10_000_000 * np.arange(1, 21)
    supply = np.full((k, n), 13.5)
    supply[2000, 3] = 9.4
    state = np.full((k, n), SampleState.VALID, np.uint8)
    state[:950] = SampleState.WARMING
    state[950:1750, 4] = SampleState.WARMING
    unknown = np.full((k, n), np.nan)
    return CylinderBlock(
        t=BEGIN + 10_000_000 * np.arange(1, k + 1),
        stretch=np.zeros(k, np.int64),
        lam=np.full((k, n), 0.9),
        oxygen=unknown,
        age=age,
        fresh=fresh,
        state=state,
        shifted={},
        now={},
        aux={"supply": supply, "heater": np.full((k, n), 50.0), "arrived": arrived},
    )


def found(binding, rows, pieces) -> Commissioning:
    stage = CommissioningStage(binding)
    for piece in pieces:
        stage.feed(rows.take(piece))
    return stage.result()


def test_what_the_rows_show(binding, rows):
    made = found(binding, rows, [slice(0, len(rows))])
    assert made.counted_s == 60
    assert made.expected_hz == pytest.approx(100.0)
    assert made.rate_hz == pytest.approx([100, 50, 100 - 20 / 60, 100, 100, 100, 100, 100])
    assert made.longest_wait_s == pytest.approx([0.004, 0.004, 0.204, 0.004, 0.004, 0.004, 0.004, 0.004])
    assert made.lowest_supply == pytest.approx([13.5, 13.5, 13.5, 9.4, 13.5, 13.5, 13.5, 13.5])
    assert made.lowest_at[3] == rows.t[2000]
    assert made.warm_up_s == pytest.approx([9.5, 9.5, 9.5, 9.5, 17.5, 9.5, 9.5, 9.5])
    assert (made.cuts, made.sensors, made.delay) == (0, (), None)


def test_of_a_multiplexed_signal_no_rate_is_expected():
    """Three sensors take turns in one message: each comes in a third of its frames; nothing declares it."""
    session = load_session("examples/foreign.toml")
    stage = CommissioningStage(bind(session, load_databases(session)))
    assert np.isnan(stage.result().expected_hz).all()


def test_chunks_do_not_matter(binding, rows):
    part = rows.take(slice(0, 450))
    whole = everything(found(binding, part, [slice(0, 450)]))
    for pieces in list(splits(450, 5))[1:]:
        assert everything(found(binding, part, pieces)) == whole


def test_before_the_first_second_nothing_is_counted(binding, rows):
    made = found(binding, rows, [slice(0, 99)])
    assert made.counted_s == 0
    assert np.isnan(made.rate_hz).all()
    assert np.isnan(made.longest_wait_s).all()


def test_a_new_stretch_of_time_begins_its_seconds_anew(binding, rows):
    later = rows.take(slice(0, 120))
    stage = CommissioningStage(binding)
    stage.feed(rows.take(slice(0, 150)))
    stage.feed(replace(later, stretch=later.stretch + 1))
    assert stage.result().counted_s == 2
