"""Alarms for a session that brings none: placeholders until the builder's limits are entered.

Every number is a starting point of common practice without a published source, or a choice of this
project; none is the limit of any engine. `Limits.source` stays None, by which screens and reports mark
them as placeholders.

Dead band and off-delay: mixture at a sensor has noise that is correlated over 0.1 to 0.2 s. With a wide dead
band the condition of one noisy sample that crosses the limit stays true until the on-delay is over, and a
short off-delay then clears it again: measured on the simulated engine, 0.6 and 0.9 % noise, ten minutes,
means from 2 % below the limit to 2 % above, lean at a full load of 5000 rpm: dead band 0.015 and
2 s raise up to 63 times, 11 in one minute; 0.005 and 8 s at most twice, once in one minute.

Lean and tip-in: when a throttle opens fast, the wall film takes fuel and a sensor's lag hides the step of
the target; a lean reading is announced only if it is still there when the state is over.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from mixmon.session.keys import OPERATING_POINT
from mixmon.session.model import AlarmRule, Limits, Session

PLACEHOLDER: Final = "placeholder limits: common practice, not from this engine's builder"
"""The words with which screens and reports mark limits without a source."""

_UNDER_LOAD: Final = {"throttle": "throttle > 60 and rpm > 2500", "map_kpa": "map_kpa > 80 and rpm > 2500"}
"""Full load and speed by either load signal (common practice, no source)."""

_WHILE_CUT: Final = "fuel_cut or spark_cut"
_WHILE_CUT_OR_TIP_IN: Final = "fuel_cut or spark_cut or tip_in"


_RULES: Final = (
    AlarmRule(
        name="lean under load",
        priority=1,
        when=_UNDER_LOAD["throttle"],
        kind="over_target",
        limit=0.04,  # +0.04 to +0.05 over target (common practice, no source)
        on_delay_s=0.2,
        off_delay_s=8.0,
        dead_band=0.005,
        suppress_when=_WHILE_CUT_OR_TIP_IN,
        cause="weak injector or wiring, failing fuel supply, air leak; or a misfire, which reads lean",
        consequence="hotter combustion and knock: damage to piston, valves or plug within seconds",
        response=(
            "end the pull by the builder's limit, not by this screen; "
            "then look for a misfire, check injector and rail feed, before any fuel is added"
        ),
    ),
    AlarmRule(
        name="rich under load",
        priority=2,
        when=_UNDER_LOAD["throttle"],
        kind="under_target",
        limit=0.07,  # -0.06 to -0.08 against target (common practice, no source)
        on_delay_s=0.5,
        off_delay_s=3.0,
        dead_band=0.005,
        suppress_when=_WHILE_CUT,
        cause="leaking or oversized injector, fuel pressure too high, blocked air path of one cylinder",
        consequence="fuel washes the bore and dilutes the oil, plug and sensor foul",
        response="go on or end the pull as the builder's limits say; compare injector and air with peers",
    ),
    AlarmRule(
        name="node silent",
        priority=2,
        kind="age_s",
        limit=0.25,  # a silent node is to be seen within 0.25 s (choice of this project)
        off_delay_s=1.0,
        cause="supply or connector of this node, broken chain behind it, two nodes with one identity",
        consequence="nothing is known of this cylinder; its last value is not shown",
        response=(
            "count the cylinder as not known and go by the builder's rule for a lost reading; "
            "check connector and supply of the node"
        ),
    ),
    AlarmRule(
        name="supply low",
        priority=3,
        kind="supply_below",
        limit=11.0,  # replace by the controller's own minimum (choice of this project)
        on_delay_s=0.5,
        off_delay_s=2.0,
        dead_band=0.3,
        suppress_when="rpm < 500",  # the battery alone, cold heaters, and cranking
        cause="flat battery, thin or long supply wires, a contact that drops volts while heaters draw",
        consequence="the controller resets, the sensor cools, its readings are not counted for a while",
        response="compare volts along the chain; no run to the builder's limits until the feed is mended",
    ),
    AlarmRule(
        name="spread",
        priority=3,
        when=_UNDER_LOAD["throttle"],
        kind="spread_above",
        limit=7.0,  # above 6 to 7 %: look for hardware first (common practice, no source)
        on_delay_s=2.0,
        off_delay_s=3.0,
        dead_band=1.0,
        suppress_when=_WHILE_CUT,
        cause="one cylinder stands out: injector, air leak, exhaust leak, misfire or sensor",
        consequence="the leanest cylinder is nearest to knock whatever the mean says",
        response="look for hardware before trimming; how far to go on is for the builder's limits to say",
    ),
)


def placeholder_rules(load_signal: str = "throttle") -> tuple[AlarmRule, ...]:
    """The placeholders: lean and rich under load, silent node, low supply, wide spread.

    load_signal: throttle or map_kpa, as in [axes], by which the engine is known to be under load.
    """
    loaded = _UNDER_LOAD[load_signal]
    return tuple(replace(rule, when=loaded) if rule.when else rule for rule in _RULES)


TWO_CONTROLLERS: Final = AlarmRule(
    name="two controllers as one node",
    priority=2,
    kind="controllers_above",
    limit=1.0,
    off_delay_s=1.0,
    cause="two controllers with one identifier: a copied or a default setting, a node in the wrong place",
    consequence="readings of two cylinders come as one, and count for none",
    response=(
        "count the cylinder as not known and go by the builder's rule for a lost reading; "
        "unplug one of the two, and give it the identifier of its own place"
    ),
)
"""In force in every session that has no rule of its own for it: it is no limit of the engine."""


SLOW_SENSOR: Final = AlarmRule(
    name="sensor slow",
    priority=3,
    kind="times_peers_above",
    limit=2.0,  # times the peers' T63 (common practice, no source)
    dead_band=0.2,
    cause=(
        "an aged, sooted or wetted element, a blocked shield, a longer filter in this controller; "
        "or the gas itself changes slowly: an injector that leaks, fuel on the wall of this port"
    ),
    consequence="a short event, as a misfire or a lean moment, looks smaller and later than it is",
    response=(
        "count no short event of this cylinder by its height; compare both ways (mixmon response) and the "
        "controller's filter, then exchange the sensor with a neighbour's"
    ),
)
"""In force in every session that has no rule of its own for it: it is no limit of the engine."""

NO_ENGINE: Final = AlarmRule(
    name="no data from the engine",
    priority=1,
    kind="engine_age_s",
    limit=1.0,  # four times what a silent node has: an engine bus may be slow (choice of this project)
    off_delay_s=1.0,
    cause="supply or cable of the engine's controller or its bus, its adapter; or this computer was busy",
    consequence="speed, load and target are not known; limits that need them are not judged",
    response=(
        "end the pull by the builder's rule for lost readings: lambda is read on, and nobody compares it; "
        "check the engine bus and its adapter, then the engine's controller"
    ),
)
"""In force where there are engine signals and no rule of the session's own for it: no limit of the engine."""


def limits_in_force(session: Session) -> Limits:
    """The limits of the session; the placeholders, without a source, where it has no alarms."""
    engine = not session.engine_signals.keys().isdisjoint(OPERATING_POINT)
    always = (TWO_CONTROLLERS, SLOW_SENSOR, *((NO_ENGINE,) if engine else ()))
    if session.limits.alarms:
        own = {rule.kind for rule in session.limits.alarms} | {rule.name for rule in session.limits.alarms}
        more = (rule for rule in always if not own & {rule.kind, rule.name})
        return replace(session.limits, alarms=(*session.limits.alarms, *more))
    return Limits(source=None, alarms=(*placeholder_rules(session.axes.load_signal), *always))
