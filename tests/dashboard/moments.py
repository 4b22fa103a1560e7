"""Random snapshots as bad as they may come: NaN, infinities, silent nodes, alarms, foreign names."""

import math
from dataclasses import replace

import numpy as np
from dashboard.scenes import (
    RULES,
    UNITS,
    alarm,
    balance,
    event,
    happened,
    identity,
    pull_review,
    session,
    snapshot,
    step_test,
    timeline,
    with_limits,
)
from hypothesis import strategies as st

from mixmon.dashboard.keys import Asked, Page, Prompt
from mixmon.dashboard.palettes import PALETTES
from mixmon.dashboard.readouts import ReadoutHold
from mixmon.dashboard.scene import SCALES, Scene, Setting, ViewOptions
from mixmon.dashboard.screens.pages import State
from mixmon.findings.alarms.records import AlarmList
from mixmon.findings.alarms.states import AlarmFlag, AlarmState
from mixmon.findings.events.event import Kind
from mixmon.mixture.block import SampleState
from mixmon.mixture.steady import Cell
from mixmon.session.model import Axes
from mixmon.watch.observer import make_strip
from mixmon.watch.snapshot import BusNow, Holding

numbers = st.one_of(
    st.floats(-30, 30),
    st.sampled_from((math.nan, math.inf, -math.inf, 0.0, -0.0, 1e9, -1e9)),
)
lambdas = st.one_of(st.floats(0.6, 1.7), st.sampled_from((math.nan, math.inf)))
words = st.text(max_size=40)
ages = st.sampled_from((-1, 0, 8_000_000, 999_600_000, 2_400_000_000, 3_600_000_000_000, 2**62))


def columns(draw, kind, count):
    return np.array(draw(st.lists(kind, min_size=count, max_size=count)), np.float64)


@st.composite
def cylinder_columns(draw, shown, count):
    names = ("vs_target", "vs_peers", "low", "high", "worst", "oxygen", "supply", "heater")
    states = draw(st.lists(st.sampled_from(list(SampleState)), min_size=count, max_size=count))
    return replace(
        shown,
        lam=columns(draw, lambdas, count),
        state=np.array(states, np.uint8),
        age_ns=np.array(draw(st.lists(ages, min_size=count, max_size=count)), np.int64),
        **{name: columns(draw, numbers, count) for name in names},
    )


@st.composite
def alarm_lists(draw, count):
    alarms = draw(
        st.lists(
            st.builds(
                alarm,
                st.sampled_from(RULES),
                st.sampled_from((None, *range(1, count + 1))),
                state=st.sampled_from(list(AlarmState)[1:]),
                active=st.booleans(),
                value=numbers,
                flags=st.sampled_from((AlarmFlag.NONE, *AlarmFlag, AlarmFlag.SHELVED | AlarmFlag.SUPPRESSED)),
            ),
            max_size=20,
        )
    )
    return AlarmList(0, 252_000_000_000, tuple(alarms), tuple(draw(st.lists(words, max_size=2))), len(alarms))


@st.composite
def strips(draw):
    size = draw(st.sampled_from((0, 1, 200)))
    t = -np.arange(size, 0, -1) / 10.0
    return make_strip(t, *(np.full(size, draw(lambdas)) for _ in range(3)))


@st.composite
def holdings(draw):
    place = Cell(draw(st.sampled_from((None, 1100.0, 7800.0))), draw(st.sampled_from((None, 3.0, 100.0))))
    left = draw(st.sampled_from((None, 0.0, 3.0, 5000.0)))
    return Holding(
        place,
        draw(st.sampled_from((0.0, 2.0))),
        draw(st.floats(0, 500)),
        0.5,
        left,
        None if left is None else 3,
    )


replays = st.sampled_from(
    (
        {},
        {"replay_position": 0.0, "timeline": timeline(0.0, length_s=None, through_s=0.0, moments=())},
        {"replay_position": 0.999, "timeline": timeline(199.0, goal=3_600_000_000_000)},
    )
)


@st.composite
def step_tests(draw, count):
    made = step_test(count, done=draw(st.integers(0, 3)), held=draw(st.booleans())) if count > 1 else None
    if made is None or not made.steps:
        return made
    found = draw(st.sampled_from((None, identity(count, exchanged=(1, 2)), identity(count, proved_from=2))))
    last = replace(made.steps[-1], answers=columns(draw, numbers, count), moved=draw(st.booleans()))
    return replace(
        made,
        steps=(*made.steps[:-1], last),
        result=found,
        next=draw(st.sampled_from((None, 0))),
        held_s=draw(st.sampled_from((0.0, 3.2, 1e6))),
        closed_loop=draw(st.booleans()),
    )


@st.composite
def snapshots(draw):
    count = draw(st.integers(1, 16))
    made = snapshot(count)
    return replace(
        made,
        t=draw(st.sampled_from((None, 0, 252_000_000_000))),
        elapsed_s=draw(st.sampled_from((0.0, 252.0, 1e5))),
        engine=draw(st.sampled_from(({}, {"rpm": math.nan}, {"rpm": 6720.0}, {"rpm": 123456.0}))),
        target=draw(lambdas),
        all_vs_target=draw(numbers),
        spread=draw(numbers),
        valid=draw(st.integers(0, count)),
        leanest=draw(st.sampled_from((None, 0, count - 1))),
        cylinders=draw(cylinder_columns(made.cylinders, count)),
        strip=draw(strips()),
        holding=draw(st.none() | holdings()),
        alarms=draw(alarm_lists(count)),
        balance=draw(st.sampled_from((None, balance(count)))),
        buses=draw(
            st.sampled_from(((), (BusNow("b\x1b[31m", None, math.nan, 3, "passive", -1, None),), made.buses))
        ),
        alarm_events=tuple(
            draw(st.lists(st.builds(event, st.sampled_from(RULES), value=numbers), max_size=30))
        ),
        remarks=tuple(draw(st.lists(st.tuples(st.integers(0, 252_000_000_000), words), max_size=5))),
        recording=draw(st.sampled_from(("", "armed", "recording", "recording failed: disk full")) | words),
        recording_minutes_left=draw(st.sampled_from((None, 0.5, 500.0))),
        **draw(replays),
        failure=draw(st.just("") | words),
        happened=draw(st.sampled_from(((), tuple(happened(kind, count) for kind in Kind)))),
        pulls=draw(st.sampled_from((None, pull_review(count, 1), pull_review(count, 2)))),
        steps=draw(step_tests(count)),
        counters=draw(st.dictionaries(words, st.integers(0, 10**9), max_size=3)),
    )


@st.composite
def scenes(draw):
    shown = draw(snapshots())
    count = len(shown.cylinders.lam)
    declared = session(count, name=draw(words))
    shown = with_limits(shown, declared)
    if draw(st.booleans()):
        declared = replace(declared, axes=draw(st.sampled_from((Axes(), Axes((3000.0,), ())))))
    options = ViewOptions(
        draw(st.sampled_from(list(UNITS.values()))),
        ascii=draw(st.booleans()),
        decimals=draw(st.sampled_from((None, 2, 4))),
        scale=draw(st.sampled_from(SCALES)),
        order=draw(st.sampled_from(("firing", "bank"))),
        peaks=draw(st.booleans()),
        chosen=draw(st.none() | st.integers(1, count)),
        blink=draw(st.booleans()),
    )
    return Scene(
        setting=Setting(declared),
        snapshot=shown,
        digits=ReadoutHold().feed(shown, 0.0),
        options=options,
        live=shown,
        stalled=draw(st.sampled_from((0.0, 2.0, 4000.0))),
        frozen=draw(st.sampled_from((0.0, 12.0))),
        lit=draw(st.booleans()),
        paused=draw(st.booleans()),
    )


def states(options):
    return st.builds(
        State,
        st.just(options),
        palette=st.sampled_from(PALETTES),
        page=st.sampled_from(list(Page)),
        cursor=st.none(),
        spread=st.booleans(),
        pull=st.sampled_from((None, 0, 5)),
        compared=st.booleans(),
        alarm=st.sampled_from((None, (RULES[0].name, 1), ("gone", None))),
        first=st.integers(0, 50),
        wanted=st.sampled_from(("", "lean", "\x1b")),
        prompt=st.none() | st.builds(Prompt, st.sampled_from(list(Asked)), words, st.booleans(), words),
        message=st.just("") | words,
    )


sizes = st.tuples(st.integers(40, 200), st.integers(10, 60))
any_sizes = st.tuples(st.integers(1, 230), st.integers(1, 70))
