"""Simulations that were run through the whole analysis, once for all tests of a process that look at them."""

from __future__ import annotations

import functools

from mixmon.grade.evidence import Evidence, gather
from mixmon.simulate.load import load_scenario
from mixmon.simulate.simulation import simulate


@functools.cache
def graded(scenario: str, seed: int) -> Evidence:
    """What the analysis made of a scenario."""
    return gather(simulate(load_scenario(scenario), seed=seed))
