"""Which cylinders share an injector driver, or a sensor, and so can have no trims of their own.

Paired injection: the driver of a cylinder also fires the injector of the cylinder that fires half a
cycle later (360 degrees of a four-stroke). `engine.firing_angles_deg` says which one that is; without
angles the engine is taken to fire evenly, and the two stand half the firing order apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Final, NamedTuple

from mixmon.session.model import Engine, Session

SAME_ANGLE_DEG: Final = 1.0
"""Our choice: angles are written in whole degrees or better, and cylinders fire at least 15 degrees apart."""


def cycle_degrees(strokes: int) -> float:
    """Degrees of the crank in which every cylinder fires once."""
    return 360.0 if strokes == 2 else 720.0


def are_firing_angles(angles: Sequence[float], strokes: int) -> bool:
    """Whether angles can be those of a firing order: each after the one before, within one cycle."""
    return all(a < b for a, b in pairwise(angles)) and angles[-1] < cycle_degrees(strokes)


class FiringGap(NamedTuple):
    """How many degrees of the crank a cylinder fires after the one before it in the firing order."""

    cylinder: int
    predecessor: int
    degrees: float


def firing_gaps(engine: Engine) -> tuple[FiringGap, ...]:
    """The firing predecessor of every cylinder, in firing order; nothing without a firing order.

    >>> twin = Engine(2, firing_order=(1, 2), firing_angles_deg=(0.0, 405.0))  # two at 45 degrees, one pin
    >>> [tuple(gap) for gap in firing_gaps(twin)]
    [(1, 2, 315.0), (2, 1, 405.0)]
    """
    order, cycle = engine.firing_order or (), cycle_degrees(engine.strokes)
    angles = engine.firing_angles_deg or [cycle * k / len(order) for k in range(len(order))]
    return tuple(
        FiringGap(cylinder, order[k - 1], (angles[k] - angles[k - 1]) % cycle or cycle)
        for k, cylinder in enumerate(order)
    )


def partner_of(place: int, count: int, angles: Sequence[float] | None, strokes: int) -> int | None:
    """The place in the firing order that fires half a cycle after `place`; None where no cylinder does.

    angles  when each place fires, degrees from the first; None: evenly

    >>> partner_of(1, 4, None, 4), partner_of(1, 5, None, 4), partner_of(0, 2, (0.0, 405.0), 4)
    (3, None, None)
    """
    cycle = cycle_degrees(strokes)
    angles = [cycle * k / count for k in range(count)] if angles is None else angles
    wanted = (angles[place] + cycle / 2) % cycle
    away = [abs(angle - wanted) for angle in angles]
    nearest = min(range(count), key=lambda k: min(away[k], cycle - away[k]))
    return nearest if min(away[nearest], cycle - away[nearest]) < SAME_ANGLE_DEG else None


def injector_pairs(engine: Engine) -> tuple[tuple[int, int], ...]:
    """The pairs of cylinders that share a driver in paired injection, as they fire first.

    Cylinders without a partner are in none; without a firing order nothing is known of pairs.
    """
    order = engine.firing_order or ()
    found = []
    for place, cylinder in enumerate(order):
        partner = partner_of(place, len(order), engine.firing_angles_deg, engine.strokes)
        if partner is not None and partner > place:
            found.append((cylinder, order[partner]))
    return tuple(found)


def trimmed_together(session: Session) -> tuple[tuple[int, ...], ...]:
    """All cylinders in groups that can only have one trim, in cylinder order.

    Each cylinder alone; in paired injection the pairs; in batch injection all of them.

    >>> from mixmon.session.load import load_session
    >>> trimmed_together(load_session("examples/foreign.toml"))
    ((1,), (2,), (3,), (4,), (5,), (6,))
    """
    engine, timing = session.engine, session.injection.timing
    if timing == "batch":
        return (tuple(range(1, engine.cylinders + 1)),)
    pairs = injector_pairs(engine) if timing == "paired" else ()
    paired = {cylinder for pair in pairs for cylinder in pair}
    alone = [(cylinder,) for cylinder in range(1, engine.cylinders + 1) if cylinder not in paired]
    return tuple(sorted([*alone, *(tuple(sorted(pair)) for pair in pairs)]))


def sets_with_several_sensors(session: Session) -> tuple[tuple[int, ...], ...]:
    """Cylinders of one injector driver and several sensors: no fuel step shows which of them each sees."""
    nodes = [set(node.cylinders) for node in session.chain.nodes]
    return tuple(
        group for group in trimmed_together(session) if sum(bool(set(group) & seen) for seen in nodes) > 1
    )


def moved_together(session: Session) -> tuple[tuple[int, ...], ...]:
    """All cylinders in groups whose trims are changed alike, in cylinder order.

    Those that share an injector driver, those that share a sensor, and whoever is tied by way of others: how
    the cylinders of one sensor differ is never known, so nothing may change it.

    >>> from mixmon.session.model import Chain, Engine, Node
    >>> nodes = (Node(1, (1,)), Node(2, (2, 3)), Node(3, (4,)))
    >>> moved_together(Session(Engine(4), Chain("chain", {}, nodes), ()))
    ((1,), (2, 3), (4,))
    """
    groups = [set(group) for group in trimmed_together(session)]
    for node in session.chain.nodes:
        tied = [group for group in groups if group & set(node.cylinders)]
        groups = [group for group in groups if group not in tied] + [set().union(*tied)] * bool(tied)
    return tuple(sorted(tuple(sorted(group)) for group in groups))
