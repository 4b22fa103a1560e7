"""The shipped placeholders: complete, readable, and never a promise."""

import re

import pytest

from mixmon.findings.response.sensors import SLOW_RATIO
from mixmon.session.alarm_kinds import ALARM_KINDS
from mixmon.session.default_limits import (
    NO_ENGINE,
    SLOW_SENSOR,
    TWO_CONTROLLERS,
    limits_in_force,
    placeholder_rules,
)
from mixmon.session.model import AlarmRule, Axes, Chain, Engine, Limits, Session, SignalChoice
from mixmon.session.when import names, parse

ALWAYS = (TWO_CONTROLLERS, SLOW_SENSOR)
SIGNALS = {"rpm", "throttle", "map_kpa", "fuel_cut", "spark_cut", "tip_in"}


@pytest.mark.parametrize("load_signal", ["throttle", "map_kpa"])
def test_every_placeholder_is_whole(load_signal):
    rules = placeholder_rules(load_signal)
    assert len({rule.name for rule in rules}) == len(rules)
    for rule in rules:
        assert rule.kind in ALARM_KINDS
        assert rule.priority in {1, 2, 3}
        assert rule.cause
        assert rule.consequence
        assert "builder's" in rule.response
        for text in (rule.when, rule.suppress_when):
            assert text is None or set(names(parse(text))) <= SIGNALS
    other = "map_kpa" if load_signal == "throttle" else "throttle"
    assert not any(other in (rule.when or "") for rule in rules)


def test_no_placeholder_promises_anything():
    text = " ".join(f"{rule.cause} {rule.consequence} {rule.response}" for rule in placeholder_rules())
    assert not re.search(r"\b(safe|safely|ok|okay|protect\w*)\b", text, re.IGNORECASE)


def test_the_session_s_own_alarms_come_first():
    def session(**more):
        return Session(Engine(1), Chain("chain", {}, ()), (), **more)

    own = Limits("builder's sheet 14", (AlarmRule("node silent", 2, "age_s", 0.5),))
    assert limits_in_force(session(limits=own)) == Limits(own.source, (*own.alarms, *ALWAYS))
    assert limits_in_force(session()) == Limits(None, (*placeholder_rules("throttle"), *ALWAYS))
    by_pressure = limits_in_force(session(axes=Axes(load_signal="map_kpa")))
    assert by_pressure.alarms == (*placeholder_rules("map_kpa"), *ALWAYS)
    twice = Limits("builder's sheet 14", (AlarmRule("duplicate", 1, "controllers_above", 1.0),))
    assert limits_in_force(session(limits=twice)).alarms == (*twice.alarms, SLOW_SENSOR)
    assert by_pressure.source is None
    told = {"rpm": SignalChoice("engine", "Engine", "Speed")}
    assert limits_in_force(session(engine_signals=told)).alarms[-3:] == (*ALWAYS, NO_ENGINE)
    warm_only = {"coolant_c": SignalChoice("engine", "Engine", "Coolant")}
    assert NO_ENGINE not in limits_in_force(session(engine_signals=warm_only)).alarms
    slow = Limits("builder's sheet 14", (AlarmRule("engine gone", 2, "engine_age_s", 5.0),))
    own_engine = limits_in_force(session(limits=slow, engine_signals=told))
    assert own_engine.alarms == (*slow.alarms, *ALWAYS)
    assert SLOW_SENSOR.limit == SLOW_RATIO
