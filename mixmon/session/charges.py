"""How the air divides among the cylinders: as the session says, or equally.

A sensor shows lambda, not air. What the whole engine's lambda is (all air over all fuel) depends on both, so
every mean of cylinders needs the air of each. It is typed in, or assumed to be equal.
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


def node_charges(session: Session) -> Floats:
    """Air that passes each node's sensor, in mean charges of a cylinder; float64[nodes].

    With equal air it is the number of cylinders that the node speaks for.
    """
    charges = relative_charges(session.engine)
    return np.array([charges[[c - 1 for c in node.cylinders]].sum() for node in session.chain.nodes])
