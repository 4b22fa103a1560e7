"""A pull on the screen: there soon after the lift, and rid of its misfires once these are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from mixmon.findings.pulls.pulls import PullStage
from mixmon.findings.pulls.review import PullReview, review, review_run
from mixmon.findings.stage import run_through
from mixmon.messages.bind import bind, load_databases
from mixmon.mixture.block import CylinderBlock
from mixmon.pipeline import Pipeline
from mixmon.simulate.load import load_scenario
from mixmon.simulate.scenario import Misfire
from mixmon.simulate.simulation import EPOCH_NS, Simulation, simulate
from mixmon.watch.observer import Observer

S = 1_000_000_000
SLOW = 4


def drive() -> Simulation:
    """The short demo, whose slow sensor, known by then, sees a burst of five in the second pull."""
    short = load_scenario("alder8-short")
    (one, *_) = [fault for fault in short.faults if isinstance(fault, Misfire)]
    burst = replace(one, cylinder=SLOW + 1, during="pull 2", rpm=5000.0, cycles=5)
    calm = tuple(fault for fault in short.faults if not isinstance(fault, Misfire))
    return simulate(replace(short, faults=(*calm, burst)), seed=52)


def test_a_pull_is_shown_within_two_seconds_of_its_lift_and_revised_when_a_misfire_is_known() -> None:
    simulation = drive()
    session = simulation.session
    binding = bind(session, load_databases(session))
    pipeline, observer = Pipeline(binding), Observer(binding)
    rows: list[CylinderBlock] = []
    lifts = [window.to_s for window in simulation.world.timeline.windows if window.kind == "sweep"]
    seen: dict[int, int] = {}
    before: PullReview | None = None
    for frames in simulation:
        for block in pipeline.feed(frames):
            for begin in range(0, len(block), 50):
                part = block.take(slice(begin, begin + 50))
                observer.feed(part)
                rows.append(part)
                if not any(0 <= (part.t[-1] - EPOCH_NS) / S - lift < 3 for lift in lifts):
                    continue  # nobody looks
                shown = observer.snapshot().pulls
                count = 0 if shown is None else len(shown.pulls)
                if shown is not None and count not in seen:
                    seen[count], before = int(part.t[-1]), shown
    observer.flush()
    after = observer.snapshot().pulls
    assert after is not None
    assert before is not None
    assert len(after.pulls) == len(before.pulls) == 2
    for number, pull in enumerate(after.pulls, 1):
        assert seen[number] - pull.end <= 2 * S
    told = review_run(session, binding.fuel, rows)
    blind = review(session, list(run_through(PullStage(session), rows)))
    for shown, expected in ((after, told), (before, blind)):
        for table, other in zip(shown.tables, expected.tables, strict=True):
            assert np.array_equal(table.peers, other.peers, equal_nan=True)
    assert np.nanmax(before.tables[1].peers[:, SLOW] - after.tables[1].peers[:, SLOW]) > 0.2
