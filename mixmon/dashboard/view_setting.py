"""What lasts as long as the session: orders in which to draw, labels, limits and who watches them."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property

import numpy as np

from mixmon.findings.alarm_measures import lacking
from mixmon.session.default_limits import limits_in_force
from mixmon.session.model import AlarmRule, Node, Session
from mixmon.session.when import parse, true_and_false


class Setting:
    """What lasts as long as the session: orders, labels, rules.

    Positions in `firing` and `bank` and all node indexes count the nodes in session order. Which
    rules an engine state leaves without force is kept for the newest state that was asked about.
    """

    def __init__(self, session: Session) -> None:
        self.session = session
        self.nodes: tuple[Node, ...] = session.chain.nodes
        limits = limits_in_force(session)
        self.rules: tuple[AlarmRule, ...] = limits.alarms
        self._judged: tuple[Mapping[str, float] | None, frozenset[str]] = (None, frozenset())
        self._conditions = {rule.name: parse(rule.when) for rule in self.rules if rule.when}
        self.placeholders = limits.source is None
        self.unwatched: tuple[tuple[AlarmRule, tuple[str, ...]], ...] = tuple(
            (rule, missing) for rule in self.rules if (missing := lacking(rule, session))
        )
        self.index_at: dict[int | None, int] = {node.position: index for index, node in enumerate(self.nodes)}

    def unmet(self, rule: AlarmRule, engine: Mapping[str, float]) -> bool:
        """Whether what the rule waits for is known to be false in that state of the engine."""
        if engine is not self._judged[0]:
            self._judged = engine, self._all_unmet(engine)
        return rule.name in self._judged[1]

    def _all_unmet(self, engine: Mapping[str, float]) -> frozenset[str]:
        """Names of the rules whose condition is known to be false."""
        columns = {name: np.array([value]) for name, value in engine.items()} or {"": np.array([np.nan])}
        return frozenset(
            name
            for name, condition in self._conditions.items()
            if true_and_false(condition, columns)[1].all()
        )

    def __len__(self) -> int:
        return len(self.nodes)

    @cached_property
    def labels(self) -> tuple[str, ...]:
        """The cylinder, or cylinders, that each node's sensor sees."""
        return tuple("+".join(map(str, node.cylinders)) for node in self.nodes)

    @cached_property
    def label_width(self) -> int:
        """Cells of the longest label, two at least so that columns stay when cylinders are many."""
        return max((len(label) for label in self.labels), default=1)

    @cached_property
    def firing(self) -> tuple[int, ...]:
        """Nodes in firing order, in cylinder order where none was given."""
        order = self.session.engine.firing_order or range(1, self.session.engine.cylinders + 1)
        return self._by_cylinders(order)

    @cached_property
    def banks(self) -> tuple[tuple[str, tuple[int, ...]], ...]:
        """Each bank's nodes; one nameless bank where none was declared."""
        banks = self.session.engine.banks
        if not banks:
            return (("", self._by_cylinders(range(1, self.session.engine.cylinders + 1))),)
        found = [(name, self._of(cylinders)) for name, cylinders in banks.items()]
        placed = {index for _, nodes in found for index in nodes}
        rest = tuple(i for i in range(len(self.nodes)) if i not in placed)
        return (*found, ("", rest)) if rest else tuple(found)

    @cached_property
    def by_bank(self) -> tuple[int, ...]:
        """Nodes bank after bank."""
        return tuple(dict.fromkeys(index for _, nodes in self.banks for index in nodes))

    @cached_property
    def sensorless(self) -> tuple[int, ...]:
        """Cylinders that no sensor sees."""
        seen = {c for node in self.nodes for c in node.cylinders}
        return tuple(c for c in range(1, self.session.engine.cylinders + 1) if c not in seen)

    def node_of(self, cylinder: int) -> int | None:
        """The node whose sensor sees the cylinder."""
        return next((i for i, node in enumerate(self.nodes) if cylinder in node.cylinders), None)

    def _of(self, cylinders: tuple[int, ...]) -> tuple[int, ...]:
        found = (self.node_of(c) for c in cylinders)
        return tuple(dict.fromkeys(i for i in found if i is not None))

    def _by_cylinders(self, order: tuple[int, ...] | range) -> tuple[int, ...]:
        return tuple(dict.fromkeys((*self._of(tuple(order)), *range(len(self.nodes)))))
