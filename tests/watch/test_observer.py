"""The stage behind every screen: the law of chunks, what a snapshot says, events heeded and told once."""

from __future__ import annotations

from dataclasses import fields, replace
from itertools import pairwise

import numpy as np
import pytest
from laws import everything, splits

from mixmon.errors import UsageError
from mixmon.findings.alarms.records import OperatorAction, Verb
from mixmon.findings.balance.balance import BalanceStage
from mixmon.findings.events.event import Kind
from mixmon.messages.bind import bind, load_databases
from mixmon.messages.binding import Binding
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.pipeline import Pipeline
from mixmon.simulate.load import load_scenario
from mixmon.simulate.scenario import Misfire, Part
from mixmon.simulate.simulation import Simulation, simulate
from mixmon.watch.observer import Observer, make_strip

Rows = list[CylinderBlock]


def played(simulation: Simulation) -> tuple[Binding, Rows]:
    binding = bind(simulation.session, load_databases(simulation.session))
    pipeline = Pipeline(binding)
    blocks = [rows for frames in simulation for rows in pipeline.feed(frames)]
    return binding, [rows for rows in (*blocks, *pipeline.flush()) if len(rows)]


def one_block(blocks: Rows) -> CylinderBlock:
    def joined(name: str) -> object:
        parts = [getattr(block, name) for block in blocks]
        if isinstance(parts[0], np.ndarray):
            return np.concatenate(parts)
        return {key: np.concatenate([part[key] for part in parts]) for key in parts[0]}

    return CylinderBlock(*(joined(field.name) for field in fields(CylinderBlock)))


@pytest.fixture(scope="module")
def glimpse() -> tuple[Binding, CylinderBlock]:
    """Idle, two cells, and a pull with a burst, a drop-out and its overrun."""
    binding, blocks = played(simulate(load_scenario("alder8-glimpse"), seed=71))
    return binding, one_block(blocks)


def said(snapshot: object) -> str:
    """All of a snapshot as text, so that values that are not known can be compared."""
    return "\n".join(f"{f.name}: {everything(getattr(snapshot, f.name))}" for f in fields(snapshot))


def watched(binding: Binding, rows: CylinderBlock, pieces: list[slice], look_every: int) -> list[str]:
    observer = Observer(binding)
    records, happened = [], []
    for number, piece in enumerate(pieces):
        if piece.start == 2000:  # a key, with the row that is on the screen
            observer.act(OperatorAction(int(rows.t[1999]), Verb.SHELVE, "node silent", None, None, "known"))
        records += observer.feed(rows.take(piece))
        happened += observer.happened()
        if number % look_every == 0:
            observer.snapshot()
    records += observer.flush()
    happened += observer.happened()
    return [
        everything(records),
        everything(happened),
        everything(observer.balance()),
        said(observer.snapshot()),
    ]


def test_what_it_says_depends_on_no_split_nor_on_when_it_was_looked_at(glimpse):
    binding, rows = glimpse
    ways = [[slice(0, 2000), slice(2000, len(rows))]]
    for pieces in list(splits(len(rows), 3, most=150))[1:3]:
        cuts = sorted({0, 2000, len(rows), *(p.start for p in pieces), *(p.stop for p in pieces)})
        ways.append([slice(a, b) for a, b in pairwise(cuts)])
    whole, *others = (watched(binding, rows, way, 1 + len(way) // 7) for way in ways)
    for other in others:
        for part, expected in zip(other, whole, strict=True):
            assert part == expected


def test_a_snapshot_says_what_the_newest_rows_say(glimpse):
    binding, rows = glimpse
    observer = Observer(binding)
    now = observer.snapshot()
    assert (now.t, now.elapsed_s, now.leanest, now.valid) == (None, 0.0, None, 0)
    end = 2300  # at full load, all sensors valid
    observer.feed(rows.take(slice(0, end)))
    now, last = observer.snapshot(), rows.take(slice(end - 25, end))
    assert (last.state == SampleState.VALID).all()
    assert (now.t, now.elapsed_s) == (rows.t[end - 1], 22.99)
    assert now.engine == {name: column[end - 1] for name, column in rows.now.items()}
    cylinders = now.cylinders
    assert cylinders.lam == pytest.approx(last.lam.mean(axis=0), rel=1e-12)
    assert cylinders.oxygen == pytest.approx(last.oxygen.mean(axis=0), rel=1e-12)
    assert cylinders.state.tolist() == rows.state[end - 1].tolist()
    assert cylinders.age_ns.tolist() == rows.age[end - 1].tolist()
    assert cylinders.supply.tolist() == rows.aux["supply"][end - 1].tolist()
    # Needs: percent of fuel, against the target and against 1 / mean(1 / lambda).
    engine = 1 / np.mean(1 / last.lam.mean(axis=0))
    peers = 100 * (last.lam.mean(axis=0) / engine - 1)
    assert cylinders.vs_peers == pytest.approx(peers, abs=1e-9)
    assert now.valid == 8
    assert now.leanest == int(peers.argmax()) == 3  # the weak injector under its exchanged label
    assert now.spread == pytest.approx(np.ptp(peers), abs=1e-9)
    assert now.target == rows.now["target"][end - 1]
    assert now.strip.t_s[-1] > -0.2
    assert -20.1 <= now.strip.t_s[0] < -19.8
    assert now.holding is not None
    assert now.balance is not None
    with pytest.raises(TypeError):
        now.engine["rpm"] = 0.0


def test_every_event_is_told_once(glimpse):
    binding, rows = glimpse
    observer, told = Observer(binding), []
    for first in range(0, len(rows), 170):
        observer.feed(rows.take(slice(first, first + 170)))
        told += observer.happened()
        assert observer.happened() == []
    observer.flush()
    told += observer.happened()
    assert tuple(told) == observer.snapshot().happened
    assert len(set(map(everything, told))) == len(told)
    assert {Kind.MISFIRE, Kind.NODE_SILENT, Kind.FUEL_CUT} <= {event.kind for event in told}
    assert observer.happened() == []


def test_alarm_records_come_once_and_stand_in_the_snapshot(glimpse):
    binding, rows = glimpse
    observer, records = Observer(binding), []
    for first in range(0, len(rows), 333):
        records += observer.feed(rows.take(slice(first, first + 333)))
    records += observer.flush()
    assert observer.flush() == ()
    assert everything(tuple(records)) == everything(observer.snapshot().alarm_events)
    assert any(record.announced for record in records)
    with pytest.raises(UsageError, match="no alarm is named 'nonsense'"):
        observer.act(OperatorAction(0, Verb.ACKNOWLEDGE, "nonsense"))


def test_peaks_are_forgotten_when_asked_to(glimpse):
    binding, rows = glimpse
    observer = Observer(binding)
    observer.feed(rows.take(slice(0, 2300)))
    assert np.isfinite(observer.snapshot().cylinders.worst).all()
    observer.reset_peaks()
    assert np.isnan(observer.snapshot().cylinders.worst).all()


def holding(*faults: Misfire) -> Simulation:
    profile = (
        Part("off", "off", 2.0, 0.0, 0.0),
        Part("start", "start", 22.0, 1000.0, 3.0),
        Part("steady", "hold", 30.0, 4000.0, 100.0),
    )
    return simulate(
        replace(load_scenario("plain", 4), profile=profile, repeat_from=None, faults=faults), seed=72
    )


def test_the_balance_heeds_misfires_that_become_certain_seconds_later():
    """Of the same engine with and without five bursts; the cylinder that had none loses no second."""
    bursts = [Misfire(cylinder=2, during="hold", cycles=5, after_s=float(t)) for t in range(9, 24, 3)]
    binding, rows = played(holding(*bursts))
    _, undisturbed = played(holding())
    clean, watching, deaf = Observer(binding), Observer(binding), BalanceStage(binding.session)
    for block in undisturbed:
        clean.feed(block)
    for block in rows:
        watching.feed(block)
        deaf.feed(block)
    clean.flush()
    watching.flush()
    found = watching.happened()
    assert [(event.kind, event.cylinders) for event in found] == [(Kind.MISFIRE, (2,))] * 5
    truth, balance, unaware = clean.balance(), watching.balance(), deaf.result(gaps=binding.gaps)
    assert abs(balance.cylinders[1].needs_percent - truth.cylinders[1].needs_percent) < 0.3
    left_out = [dict(cylinder.left_out_s).get("misfire or cut", 0.0) for cylinder in balance.cylinders]
    # Each burst takes 5 cycles at 4000 rpm, 0.15 s, and the sensor's way back: 0.5 to 2 s.
    assert 2.5 <= left_out[1] <= 10.0
    assert [left_out[0], *left_out[2:]] == [0.0] * 3
    assert "misfire or cut" not in unaware.cylinders[1].left_out_s
    deaf.exclude(found)
    assert everything(deaf.result(gaps=binding.gaps)) == everything(balance)


def test_the_strip_has_needs_against_the_target_and_against_all_cylinders():
    """By hand: 0.9 for a target of 1.0 needs -10 %, 0.99 needs -1 % and 10 % against 0.9; else not known."""
    engine, leanest = np.array([0.9, np.nan]), np.array([0.99, 0.99])
    made = make_strip(np.array([-0.1, 0.0]), np.array([1.0, 0.0]), engine, leanest)
    np.testing.assert_allclose(made.vs_target.engine, [-10.0, np.nan])
    np.testing.assert_allclose(made.vs_target.leanest, [-1.0, np.nan])
    np.testing.assert_allclose(made.vs_peers.engine, [0.0, np.nan], atol=1e-12)
    np.testing.assert_allclose(made.vs_peers.leanest, [10.0, np.nan])
