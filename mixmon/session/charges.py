"""How the air divides among the cylinders, and which lambda each is meant to have.

A sensor shows lambda, not air. What the whole engine's lambda is (all air over all fuel) depends on both, so
every mean of cylinders needs the air of each. It is typed in, or assumed to be equal.

Cylinders that are meant to differ (inner and outer ones of shared ports) have targets of their own: the
engine's times 1 + `target_offset_percent` / 100. A lambda over that factor is one that can be compared. The
fuel of a cylinder is its air over its lambda, so in a mean of such lambdas each counts by its air over its
factor: then a move of all cylinders to the mean leaves the engine's fuel as it is.
"""

from __future__ import annotations

import numpy as np

from mixmon.arrays import Floats
from mixmon.session.model import Engine, Session


def relative_charges(engine: Engine) -> Floats:
    """Air of each cylinder over the mean of all; float64[cylinders], all 1 where none is given.

    >>> relative_charges(Engine(4, charge_share=(26, 24, 26, 24))).tolist()
    [1.04, 0.96, 1.04, 0.96]
    """
    shares = np.ones(engine.cylinders) if engine.charge_share is None else np.array(engine.charge_share)
    charges: Floats = shares / shares.mean()
    return charges


def own_targets(engine: Engine) -> Floats:
    """Target of each cylinder over the engine's; float64[cylinders], all 1 where no offset is given.

    >>> own_targets(Engine(4, target_offset_percent=(0, 2, 2, 0))).tolist()
    [1.0, 1.02, 1.02, 1.0]
    """
    offsets = engine.target_offset_percent
    factors: Floats = np.ones(engine.cylinders) if offsets is None else 1.0 + np.array(offsets) / 100
    return factors


def node_targets(session: Session) -> Floats:
    """Target of the gas at each node over the engine's; float64[nodes].

    A sensor of several cylinders shows all their air over all their fuel.
    """
    air, fuel = _sum_by_node(session, relative_charges(session.engine)), reference_weights(session)
    factors: Floats = air / fuel
    return factors


def reference_weights(session: Session) -> Floats:
    """How much each node counts in the mean of the cylinders, in mean charges of a cylinder; float64[nodes].

    With equal air and one target for all it is the number of cylinders that the node speaks for.
    """
    return _sum_by_node(session, relative_charges(session.engine) / own_targets(session.engine))


def _sum_by_node(session: Session, by_cylinder: Floats) -> Floats:
    return np.array([by_cylinder[[c - 1 for c in node.cylinders]].sum() for node in session.chain.nodes])
