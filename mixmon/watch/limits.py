"""Which limits of mixture are in force in the engine's present state, and where they lie.

A rule about mixture is in force unless its condition is known to be false, or an engine state
suppresses it. The limits become needs against the target, the scale on which needs are shown.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

import numpy as np

from mixmon.session.alarm_kinds import RangeEnd, kind_of
from mixmon.session.default_limits import limits_in_force
from mixmon.session.model import AlarmRule, Session
from mixmon.session.when import parse, true_and_false
from mixmon.watch.snapshot import MixtureLimits


class MixtureRules:
    """The session's rules about mixture, with their conditions parsed once."""

    def __init__(self, session: Session) -> None:
        self._rules = [rule for rule in limits_in_force(session).alarms if kind_of(rule).mixture]
        self._conditions = {rule.name: parse(rule.when) for rule in self._rules if rule.when}

    def limits(
        self, engine: Mapping[str, float], suppressed: Collection[str], target: float
    ) -> MixtureLimits:
        """The limits in force.

        engine      quantity -> value now; NaN or absent = not known
        suppressed  names of the rules that an engine state suppresses
        target      lambda wanted now; NaN = not known
        """
        unmet = self._find_unmet(engine)
        rules = [rule for rule in self._rules if rule.name not in unmet and rule.name not in suppressed]
        rich, lean = _tightest_needs(rules, target) if target > 0 else (None, None)
        return MixtureLimits(bool(rules), rich, lean)

    def _find_unmet(self, engine: Mapping[str, float]) -> frozenset[str]:
        """Names of the rules whose condition is known to be false."""
        columns = {name: np.array([value]) for name, value in engine.items()} or {"": np.array([np.nan])}
        return frozenset(
            name
            for name, condition in self._conditions.items()
            if true_and_false(condition, columns)[1].all()
        )


def _tightest_needs(rules: list[AlarmRule], target: float) -> tuple[float | None, float | None]:
    """The tightest rich and lean limits, percent of fuel against the target."""
    lean: list[float] = []
    rich: list[float] = []
    for rule in rules:
        kind = kind_of(rule)
        lam = kind.lambda_at(rule.limit, target)
        if lam is not None:
            (lean if kind.bound is RangeEnd.LEAN else rich).append(100.0 * (lam / target - 1.0))
    return max(rich, default=None), min(lean, default=None)
