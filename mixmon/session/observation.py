"""What the sensors of a session can tell of its cylinders, and what they never can.

A sensor shows all the air over all the fuel of the cylinders whose gas it meets: one number, a mean of their
1/lambda, each weighted by its air. So there is a matrix, sensors by cylinders. What lies in its null space is
not known from lambda, however long the log is: the difference between cylinders that share a sensor, and
cylinders without one. Steps of one fuel for all cylinders of a sensor move its reading and leave that
difference where it was; steps of each by itself show how much each weighs in the reading, and not how far
apart they are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mixmon.arrays import Floats
from mixmon.session.charges import relative_charges
from mixmon.session.model import Session


@dataclass(frozen=True, slots=True, eq=False)
class Observation:
    """What n sensors see of c cylinders.

    matrix    float64[n, c], part that the cylinder's 1/lambda has in the sensor's; rows add up to 1
    rank      combinations of cylinders that are measured; the other c - rank never are
    together  cylinders of each sensor that sees several, in order
    unseen    cylinders without a sensor
    """

    matrix: Floats
    rank: int
    together: tuple[tuple[int, ...], ...]
    unseen: tuple[int, ...]

    @property
    def sensors(self) -> int:
        """Number of sensors."""
        return len(self.matrix)

    @property
    def cylinders(self) -> int:
        """Number of cylinders."""
        return int(self.matrix.shape[1])

    @property
    def complete(self) -> bool:
        """Whether every cylinder is measured by itself."""
        return self.rank == self.cylinders


def observation_of(session: Session) -> Observation:
    """What the chain of a session sees, by its labels.

    >>> from mixmon.session.model import Chain, Engine, Node
    >>> nodes = (Node(1, (1,)), Node(2, (2, 3)))
    >>> seen = observation_of(Session(Engine(4), Chain("chain", {}, nodes), ()))
    >>> seen.matrix.tolist(), seen.rank, seen.together, seen.unseen
    ([[1.0, 0.0, 0.0, 0.0], [0.0, 0.5, 0.5, 0.0]], 2, ((2, 3),), (4,))
    """
    nodes, count = session.chain.nodes, session.engine.cylinders
    air = relative_charges(session.engine)
    matrix = np.zeros((len(nodes), count))
    for row, node in zip(matrix, nodes, strict=True):
        members = [c - 1 for c in node.cylinders]
        row[members] = air[members] / air[members].sum()
    return Observation(
        matrix,
        int(np.linalg.matrix_rank(matrix).item()),
        tuple(sorted(tuple(sorted(node.cylinders)) for node in nodes if len(node.cylinders) > 1)),
        tuple(int(i) + 1 for i in np.flatnonzero(~matrix.any(axis=0))),
    )
