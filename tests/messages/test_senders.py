"""Two senders of one message, noticed frame by frame; simulated with clocks and counters of their own."""

from __future__ import annotations

import numpy as np
import pytest
from laws import same_for_all_splits

from mixmon.findings.alarms.alarms import Alarms
from mixmon.frames.block import concat
from mixmon.messages.bind import bind, load_databases
from mixmon.messages.chain import NodeState, node_messages
from mixmon.messages.encode import Encoder
from mixmon.messages.senders import SenderWatch
from mixmon.mixture.block import SampleState
from mixmon.pipeline import Pipeline
from mixmon.session.model import AlarmRule
from mixmon.simulate.load import load_scenario

CYCLE = 10_000_000
Columns = tuple[np.ndarray, np.ndarray, np.ndarray]


def sender(seconds: float, *, phase: float = 0.0, level: int = 1000, seed: int = 0, **more: int) -> Columns:
    """Stamps, counters and readings of one node; jitter 0.2 ms, reading noise 10 raw steps."""
    rng, cycle = np.random.default_rng(seed), more.get("cycle", CYCLE)
    n = int(seconds * 1e9 / cycle)
    t = (np.arange(n) + phase) * cycle + rng.normal(0, 2e5, n)
    counter = (np.arange(n) + more.get("first", 0)) % 16
    return t.astype(np.int64), counter, (level + rng.normal(0, 10, n)).astype(np.int64)


def together(*senders: Columns) -> Columns:
    t, counter, reading = (np.concatenate(columns) for columns in zip(*senders, strict=True))
    order = np.argsort(t, kind="stable")
    return t[order], counter[order], reading[order]


BOTH = together(sender(4), sender(2, phase=200.4, level=1400, seed=1, first=7))


@pytest.mark.parametrize(("cycle", "modulus"), [(CYCLE, 16), (CYCLE, None), (None, 16), (None, None)])
def test_the_second_sender_is_noticed_within_a_tenth_of_a_second(
    cycle: int | None, modulus: int | None
) -> None:
    """It comes after two seconds; the first has ended when it ends."""
    marked = SenderWatch(cycle, modulus).feed(*BOTH)
    seconds = BOTH[0] / 1e9
    assert not marked[seconds < 2.0].any()
    assert marked[(seconds > 2.12) & (seconds < 3.98)].all()


def test_counters_alone_and_values_alone_are_enough() -> None:
    alike = together(sender(2), sender(2, phase=0.4, seed=1, first=7))
    in_step = together(sender(2), sender(2, phase=0.4, level=1400, seed=1))
    for columns in (alike, in_step):
        assert SenderWatch(CYCLE, 16).feed(*columns)[40:].all()


def test_two_nodes_started_together_with_nearly_one_reading_are_noticed_by_their_crowd() -> None:
    """Counters in step, and readings that differ by no more than noise: rate and turns are left."""
    for apart in (0, 15):
        columns = together(sender(2), sender(2, phase=0.4, level=1000 + apart, seed=1))
        assert SenderWatch(CYCLE, 16).feed(*columns)[40:].all()


T, COUNTER, READING = sender(60)
RAMP = np.arange(len(T)) * 3
INNOCENT = {
    "one node": (T, COUNTER, READING),
    "twice the rate": sender(60, cycle=CYCLE // 2),
    "four times the rate, stamps of 1 ms": sender(60, cycle=CYCLE // 4),
    "bunches of 16 ms": (-(-T // 16_000_000) * 16_000_000, COUNTER, READING),
    "stalls of a second": (-(-T // 10**9) * 10**9, COUNTER, READING),
    "every frame twice": together((T, COUNTER, READING), (T + 300_000, COUNTER, READING)),
    "every second frame lost": (T[::2], COUNTER[::2], READING[::2]),
    "frames lost at random": tuple(c[np.random.default_rng(5).random(len(T)) < 0.6] for c in sender(60)),
    "a ramp at twice the rate": (T // 2, COUNTER, READING + RAMP),
    "a step": (T // 2, COUNTER, READING + 500 * (T > 30 * 10**9)),
}


@pytest.mark.parametrize("columns", INNOCENT.values(), ids=INNOCENT)
@pytest.mark.parametrize(("cycle", "modulus"), [(CYCLE, 16), (CYCLE, None), (None, None)])
def test_one_sender_is_never_taken_for_two(columns: Columns, cycle: int | None, modulus: int | None) -> None:
    assert not SenderWatch(cycle, modulus).feed(*columns).any()


def test_any_split_of_the_frames_gives_the_same() -> None:
    def run(pieces: list[slice]) -> object:
        watch = SenderWatch(CYCLE, 16)
        return [one for piece in pieces for one in watch.feed(*(c[piece] for c in BOTH)).tolist()]

    same_for_all_splits(len(BOTH[0]), run)


@pytest.mark.parametrize("senders", [1, 2])
def test_no_alarm_is_raised_by_the_readings_of_two_nodes(senders: int) -> None:
    """The one whose readings are newest in every row is over the limit: alone it raises an alarm."""
    session = load_scenario("plain", 4).session
    plan = node_messages(1)[0]
    channels = tuple(bus.log_channel for bus in session.buses)
    trains = []
    for first, lam in ((0, 0.90), (37, 1.20))[2 - senders :]:
        t = (
            10**18
            + np.arange(400 - first, dtype=np.int64) * CYCLE
            + first * CYCLE
            + (0 if first else 5_000_000)
        )
        noise = 0.002 * np.random.default_rng(first).standard_normal(len(t))
        values = {"Lambda": lam + noise, "State": np.full(len(t), float(NodeState.READY))}
        trains.append(Encoder(plan).encode(t, values, 0, channels))
    frames = concat(trains)
    frames = frames.take(np.argsort(frames.t, kind="stable"))
    pipeline = Pipeline(bind(session, load_databases(session)))
    rows = [*pipeline.feed(frames), *pipeline.flush()]
    rule = AlarmRule("lean", 1, kind="lambda_above", limit=1.0, on_delay_s=0.2)
    alarms = Alarms((rule,), session.chain.nodes)
    announced = [record for block in rows for record in alarms.feed(block) if record.announced]
    states = np.concatenate([block.state[:, 0] for block in rows])
    assert len(announced) == (senders == 1)
    assert (states[200:-5] == (SampleState.DUPLICATE_NODE if senders == 2 else SampleState.VALID)).all()
