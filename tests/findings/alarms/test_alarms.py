"""The whole alarm stage: rows and operator actions in, records out, whatever the split."""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from gas_steps import t63
from laws import everything
from planted import Engine

from mixmon.findings.alarms.alarms import Alarms
from mixmon.findings.alarms.records import Happening, OperatorAction, Verb
from mixmon.findings.alarms.states import AlarmState
from mixmon.findings.lags import OnlineLags
from mixmon.live.recording import alarm_data
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.report.alarms import alarm_line
from mixmon.session.default_limits import NO_ENGINE, SLOW_SENSOR, placeholder_rules
from mixmon.session.model import Node

MS = 1_000_000
S = 1000 * MS
RULES = placeholder_rules()
NODES = tuple(Node(position, (position,)) for position in (1, 2, 3, 4))


def rows(seed, count=30_000, stretches=3):
    """Five minutes of pulls: cylinder 3 lean by 5 % under load, node 4 silent at times, cuts between."""
    rng = np.random.default_rng(seed)
    t = np.arange(count) * 10 * MS
    phase = (t // S) % 40
    throttle, rpm = np.where(phase < 20, 100.0, 20.0), np.where(phase < 20, 5000.0, 2000.0)
    cut = ((phase >= 20) & (phase < 23)).astype(float)
    lam = np.where(phase[:, None] < 20, 0.87, 0.98) * (1 + 0.004 * rng.standard_normal((count, 4)))
    lam[:, 2] *= 1.06
    age = rng.integers(0, 10 * MS, (count, 4))
    silent = rng.random(count // 200 + 1).repeat(200)[:count] < 0.1
    age[silent, 3] += (t[silent] % (2 * S)) + 20 * MS
    state = np.zeros((count, 4), np.uint8)
    state[age > 250 * MS] = SampleState.SILENT
    state[cut > 0] = SampleState.OVERRUN
    target = np.where(phase < 20, 0.87, 0.98)
    now = {"throttle": throttle, "rpm": rpm, "target": target, "fuel_cut": cut}
    stretch = np.arange(count) * stretches // count
    t -= np.where(stretch == 1, 3600 * S, 0)  # a clock set back, and forward again
    return CylinderBlock(
        t,
        stretch,
        lam,
        np.full_like(lam, np.nan),
        age,
        np.ones_like(state, bool),
        state,
        {name: np.repeat(column[:, None], 4, axis=1) for name, column in now.items()},
        now,
        {"supply": 13.0 - 2.5 * (rng.random((count, 4)) < 0.001)},
    )


def actions(block):
    """An operator who acknowledges, shelves and gives up, at times spread over all stretches."""
    verbs = (
        Verb.ACKNOWLEDGE,
        Verb.SHELVE,
        Verb.ACKNOWLEDGE,
        Verb.UNSHELVE,
        Verb.OUT_OF_SERVICE,
        Verb.IN_SERVICE,
    )
    for i, row in enumerate(range(500, len(block), 1700)):
        verb = verbs[i % len(verbs)]
        yield OperatorAction(
            int(block.t[row]) + 3,
            verb,
            "lean under load" if i % 4 else "node silent",
            (None, 3, 4)[i % 3],
            duration_ns=30 * S if verb is Verb.SHELVE else None,
            reason="known, waiting for parts" if verb in {Verb.SHELVE, Verb.OUT_OF_SERVICE} else "",
            stretch=int(block.stretch[row]),
        )


def played(block, cuts):
    alarms = Alarms(RULES, NODES)
    for action in actions(block):
        assert alarms.act(action) is action
    records = [r for a, b in pairwise(cuts) for r in alarms.feed(block.take(slice(a, b)))]
    return alarms, [*records, *alarms.flush()]


def test_records_lists_and_newest_values_do_not_depend_on_the_split():
    block = rows(1)
    whole, records = played(block, [0, len(block)])
    assert len({r.what for r in records}) >= 8
    assert {r.stretch for r in records} == {0, 1, 2}
    rng = np.random.default_rng(2)
    for pieces in (1, 7, 300):
        cuts = [0, *np.sort(rng.integers(0, len(block), pieces)).tolist(), len(block)]
        parts, same = played(block, cuts)
        assert everything(same) == everything(records)
        assert everything(parts.current()) == everything(whole.current())


def test_a_lean_cylinder_is_the_only_lean_alarm_and_comes_once_a_pull():
    block = rows(3, stretches=1)
    alarms = Alarms(RULES, NODES)
    records = alarms.feed(block)
    lean = [r for r in records if r.rule == "lean under load" and r.announced]
    assert {r.cylinders for r in lean} == {(3,)}
    assert len(lean) == len(block) // 4000 + 1  # pulls of 20 s in every 40 s
    assert not [r for r in records if r.rule in {"rich under load", "supply low"} and r.announced]
    named = {alarm.rule.name: alarm for alarm in alarms.current().alarms}
    assert "builder's limit" in named["lean under load"].rule.response


def test_an_operator_s_key_is_answered_by_the_rows_that_follow():
    block = rows(4, stretches=1)
    alarms = Alarms(RULES, NODES)
    alarms.feed(block.take(slice(0, 1000)))
    kept = alarms.act(OperatorAction(alarms.current().t, Verb.ACKNOWLEDGE, "lean under load", 3))
    assert kept.t == 9990 * MS
    answer = [r for r in alarms.feed(block.take(slice(1000, 1001))) if r.what is Happening.ACKNOWLEDGED]
    assert [(r.t, r.cylinders, r.state) for r in answer] == [(9990 * MS, (3,), AlarmState.ACKNOWLEDGED)]


def test_nothing_in_nothing_out():
    alarms = Alarms((), NODES)
    block = rows(5, count=10, stretches=1)
    assert alarms.feed(block.take(slice(0, 0))) == alarms.feed(block) == alarms.flush() == ()
    assert alarms.current().alarms == ()


def test_without_rows_only_a_value_that_grows_by_itself_is_still_known():
    block = rows(3, stretches=1)
    alarms = Alarms(RULES, NODES)
    alarms.feed(block)
    before = {(a.rule.name, a.position): a for a in alarms.current().alarms}
    after = alarms.current().aged(2 * S).alarms
    assert {a.rule.kind for a in after} >= {"age_s", "over_target"}
    for alarm in after:
        was = before[alarm.rule.name, alarm.position].value_now
        if alarm.rule.kind == "age_s":
            assert alarm.value_now == pytest.approx(was + 2.0, abs=1e-9)
        else:
            assert math.isnan(alarm.value_now)


def driven_without(*, engine=(), chain=(), lean=(), idle=(), seconds=20, broken=()):
    """Rows under load in which, from second to second, engine or chain is lost, or cylinder 3 is lean.

    idle    the engine is not under load
    broken  seconds with which a stretch of time begins
    """
    t = np.arange(seconds * 100) * 10 * MS + 5 * MS

    def within(spans):
        return np.any([(t >= a * S) & (t < b * S) for a, b in spans] or [np.zeros(len(t), bool)], axis=0)

    loaded, lost = ~within(idle), within(engine)
    lam = np.full((len(t), 4), 0.87)
    lam[within(lean), 2] = 0.92
    age = np.where(within(chain), t - np.maximum.accumulate(np.where(within(chain), 0, t)), 5 * MS)
    state = np.where(age > 250 * MS, SampleState.SILENT, SampleState.VALID).astype(np.uint8)
    now = {
        "throttle": np.where(loaded, 100.0, 2.0),
        "rpm": np.where(loaded, 5000.0, 900.0),
        "coolant_c": 80.0 + 0 * t,
    }
    now["target"] = np.full(len(t), 0.87)
    now = {name: np.where(lost & (name != "coolant_c"), np.nan, column) for name, column in now.items()}
    stretch = np.sum([t >= at * S for at in broken] or [0 * t], axis=0).astype(np.int64)
    four = np.ones((1, 4))
    return CylinderBlock(
        t,
        stretch,
        lam,
        np.full_like(lam, np.nan),
        (age[:, None] * four).astype(np.int64),
        np.ones(lam.shape, bool),
        state[:, None] * four.astype(np.uint8),
        {name: column[:, None] * four for name, column in now.items()},
        now,
        {"supply": 13.0 * np.ones(lam.shape)},
    )


def told_of(block, cuts=()):
    alarms = Alarms((*RULES, NO_ENGINE), NODES)
    cuts = [0, *cuts, len(block)]
    records = [r for a, b in pairwise(cuts) for r in alarms.feed(block.take(slice(a, b)))]
    return alarms, [*records, *alarms.flush()]


def announced(block):
    return [(round(r.t / S, 1), r.rule) for r in told_of(block)[1] if r.announced]


ENGINE, CHAIN, LEAN = "no data from the engine", "no data from the chain", "lean under load"

LOSSES = {
    "the engine": ({"engine": [(4, 9)]}, [(5.0, ENGINE)]),
    "for less than a second": ({"engine": [(4, 4.9)]}, []),
    "each tenth of a second but one": ({"engine": [(4 + k / 2, 4.45 + k / 2) for k in range(9)]}, []),
    "never heard": ({"engine": [(0, 20)]}, []),
    "not yet heard": ({"engine": [(0, 9)]}, []),
    "both at once": ({"engine": [(4.2, 9)], "chain": [(4, 9)]}, [(4.3, CHAIN)]),
    "both, the engine slower to return": ({"engine": [(4.2, 9.5)], "chain": [(4, 9)]}, [(4.3, CHAIN)]),
    "both, the engine first": ({"engine": [(4, 9)], "chain": [(4.4, 9)]}, [(4.7, CHAIN)]),
    "both, the chain returns alone": (
        {"engine": [(4.2, 15)], "chain": [(4, 9)]},
        [(4.3, CHAIN), (10.0, ENGINE)],
    ),
    "the chain long after the engine": (
        {"engine": [(4, 15)], "chain": [(8, 10)]},
        [(5.0, ENGINE), (8.3, CHAIN)],
    ),
    "a chain long silent": ({"engine": [(9, 11)], "chain": [(4, 13)]}, [(4.3, CHAIN)]),
    "a jump of the stamps in between": ({"engine": [(4, 5.5)], "broken": [4.7]}, []),
    "an engine gone after a jump": ({"engine": [(4.7, 9)], "broken": [4.7]}, [(5.7, ENGINE)]),
    "a lean cylinder seen before": (
        {"engine": [(4, 9)], "lean": [(2, 20)]},
        [(2.2, LEAN), (5.0, ENGINE), (10.0, LEAN)],
    ),
    "lean before and not after": (
        {"engine": [(4, 9)], "lean": [(2, 6)], "idle": [(8, 20)]},
        [(2.2, LEAN), (5.0, ENGINE)],
    ),
}


@pytest.mark.parametrize("name", LOSSES)
def test_an_engine_that_says_nothing_is_one_alarm_and_none_of_its_own_with_the_chain(name):
    given, expected = LOSSES[name]
    assert announced(driven_without(**given)) == expected


def test_what_cannot_be_judged_without_the_engine_is_suppressed_by_its_name():
    block = driven_without(engine=[(4, 20)], lean=[(2, 20)])
    alarms, records = told_of(block)
    suppressed = ("lean under load", "rich under load", "spread")
    assert [r.rule for r in records if r.what is Happening.SUPPRESSED] == list(suppressed)
    now = alarms.current()
    assert now.suppressed == tuple(f"{rule} (by no data from the engine)" for rule in suppressed)
    assert {(a.name, a.word) for a in now.alarms} == {
        (ENGINE, "unacknowledged"),
        (LEAN, "suppressed by design"),
    }
    (named,) = alarms.explain(alarms.current().t, "bus silent", of_engine=True)
    alarms.act(named)
    alarms.result()
    first = alarms.current().alarms[0]
    assert first.name == "no engine data: bus silent"
    assert "the engine's controller" in first.rule.response
    assert alarms.silences() == (named,)


def test_an_engine_lost_with_the_chain_is_suppressed_by_its_name_beside_the_nodes():
    lost = driven_without(engine=[(4.2, 9.5)], chain=[(4, 9)])
    alarms, _ = told_of(lost.take(slice(800)))
    both = ("node silent", ENGINE)
    assert set(alarms.current().suppressed) == {f"{rule} (by {CHAIN})" for rule in both}
    _, records = told_of(lost)
    of_rules = [(r.rule, round(r.t / S, 1), r.what) for r in records if r.reason == CHAIN]
    assert of_rules == [
        ("node silent", 4.3, Happening.SUPPRESSED),
        (ENGINE, 5.2, Happening.SUPPRESSED),
        (ENGINE, 9.0, Happening.RELEASED),
        ("node silent", 10.0, Happening.RELEASED),
    ]
    for known in ({"chain": [(4, 9)]}, {"chain": [(4, 9)], "engine": [(4.2, 5.1)]}):
        assert told_of(driven_without(**known).take(slice(800)))[0].current().suppressed == (
            f"node silent (by {CHAIN})",
        )


def test_losses_are_told_the_same_whatever_the_split():
    block = driven_without(engine=[(4.2, 15)], chain=[(4, 9), (11, 12)], broken=[17], lean=[(2, 20)])
    _, records = told_of(block)
    assert len(records) > 12
    for cuts in (range(1, 2000, 61), (405, 430, 900, 901, 1500)):
        assert everything(told_of(block, list(cuts))[1]) == everything(records)


SLOW_LAG_S, USUAL_LAG_S, FILTER_S = 0.255, 0.085, 0.020


def with_cuts(slow):
    """Twenty seconds with two fuel cuts, four sensors; the third one slow, or not."""
    lags = [(USUAL_LAG_S, USUAL_LAG_S, FILTER_S)] * 4
    if slow:
        lags[2] = (SLOW_LAG_S, SLOW_LAG_S, FILTER_S)
    one = Engine(np.random.default_rng(7), 18.5, 4, 5000.0, load=60.0, lags=lags)
    for t in (4.0, 12.0):
        one.cut_fuel(t, 2.5, None, told=True)
    return one.block()


@pytest.fixture(scope="module")
def slow_rows():
    return with_cuts(slow=True)


def paced(block, pieces=(slice(None),)):
    """The records of the rule of slow sensors, and what stands at the end."""
    lags = OnlineLags(NODES)
    alarms = Alarms((SLOW_SENSOR,), NODES, paces_at=lags.paces_at)
    records = []
    for piece in pieces:
        lags.feed(block.take(piece))
        records += alarms.feed(block.take(piece))
    return records, alarms.current().alarms


def test_a_slow_sensor_is_told_with_what_two_cuts_measured_of_it(slow_rows):
    """T63 of two lags by scipy's step response."""
    (record,), (standing,) = paced(slow_rows)
    assert (record.rule, record.priority, record.cylinders, record.announced) == (
        "sensor slow",
        3,
        (3,),
        True,
    )
    assert 14.5 * S < record.t < 18.4 * S
    pace = record.pace
    assert pace == standing.pace
    assert pace.cuts == 2
    assert pace.t63_s == pytest.approx(t63(SLOW_LAG_S, FILTER_S), rel=0.06)
    assert pace.peers_s == pytest.approx(t63(USUAL_LAG_S, FILTER_S), rel=0.06)
    assert record.value == pace.times_peers == pytest.approx(pace.t63_s / pace.peers_s, rel=0.03)
    assert "T63 27" in alarm_line(record, 0)
    assert "in the last 2 fuel cuts" in alarm_line(record, 0)
    assert alarm_data(record)["pace"]["cuts"] == 2
    parts = [slice(0, 450), slice(450, 1771), slice(1771, 1773), slice(1773, None)]
    assert everything(paced(slow_rows, parts)) == everything(paced(slow_rows))


def test_a_sensor_is_called_slow_by_nothing_but_its_peers_in_the_same_cuts(slow_rows):
    """Nothing with one peer; slow still where all send with 20 Hz and whole steps of half a percent."""
    state = slow_rows.state.copy()
    state[:, [1, 3]] = SampleState.SILENT
    assert paced(replace(slow_rows, state=state)) == ([], ())
    row = np.arange(len(slow_rows)) // 5 * 5
    oxygen = np.round(slow_rows.oxygen[row] * 2.0) / 2.0
    age = slow_rows.age[row] + ((np.arange(len(row)) - row) * 10 * MS)[:, None]
    fresh = np.broadcast_to((np.arange(len(row)) % 5 == 0)[:, None], age.shape)
    assert len(paced(replace(slow_rows, oxygen=oxygen, age=age, fresh=fresh))[0]) == 1
    assert paced(with_cuts(slow=False)) == ([], ())
