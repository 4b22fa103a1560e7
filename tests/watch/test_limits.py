"""Which limits of mixture are in force, and where they lie."""

import math

import pytest
from dashboard.scenes import LEAN, RULES, session

from mixmon.session.model import AlarmRule, Limits
from mixmon.watch.limits import MixtureRules
from mixmon.watch.snapshot import MixtureLimits

FULL_LOAD = {"rpm": 6720.0, "throttle": 100.0, "load": 100.0, "target": 0.87}
PART_LOAD = {"rpm": 3000.0, "throttle": 18.0, "load": 18.0, "target": 0.98}


def test_limits_are_needs_against_the_target():
    """By hand: 0.040 over 0.87 is +4.6 %, 0.07 under is -8.0 %."""
    found = MixtureRules(session()).limits(FULL_LOAD, (), 0.87)
    assert found.lean == pytest.approx(100 * 0.04 / 0.87)
    assert found.rich == pytest.approx(-100 * 0.07 / 0.87)


def test_without_a_target_rules_are_in_force_but_lie_nowhere():
    found = MixtureRules(session()).limits(FULL_LOAD, (), math.nan)
    assert found == MixtureLimits(in_force=True, rich=None, lean=None)


def test_a_rule_whose_condition_is_false_is_not_in_force():
    found = MixtureRules(session()).limits(PART_LOAD, (), 0.98)
    assert found == MixtureLimits(in_force=False, rich=None, lean=None)


def test_a_rule_whose_condition_is_not_known_is_in_force():
    assert MixtureRules(session()).limits({}, (), 0.87).in_force


def test_a_suppressed_rule_is_not_in_force():
    found = MixtureRules(session()).limits(FULL_LOAD, tuple(rule.name for rule in RULES), 0.87)
    assert found == MixtureLimits(in_force=False, rich=None, lean=None)


def test_the_tightest_limits_count():
    rules = (LEAN, AlarmRule("lean", 1, "lambda_above", 0.88), AlarmRule("rich", 2, "lambda_below", 0.85))
    found = MixtureRules(session(limits=Limits("sheet", rules))).limits(FULL_LOAD, (), 0.87)
    assert found.lean == pytest.approx(100 * (0.88 / 0.87 - 1))
    assert found.rich == pytest.approx(100 * (0.85 / 0.87 - 1))
