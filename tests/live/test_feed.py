"""The demo's source: frames are stamped when they are due, however late they are asked for."""

from collections.abc import Iterable

import numpy as np
import pytest

from mixmon.errors import UsageError
from mixmon.findings.alarms.records import AlarmEvent
from mixmon.findings.events.event import Event, Kind
from mixmon.frames.block import FrameBlock, concat
from mixmon.live.feed import MOST_NS, Feed
from mixmon.messages.bind import bind, load_databases
from mixmon.pipeline import Pipeline
from mixmon.simulate.load import load_scenario
from mixmon.simulate.simulation import Simulation, simulate
from mixmon.watch.commands import Pause
from mixmon.watch.observer import Observer

S = 1_000_000_000
BEGAN = 1_800_000_000 * S


class Moments:
    """A clock that stands at each of the given moments in turn, seconds from the opening of the source."""

    def __init__(self, seconds: Iterable[float]) -> None:
        self._at = iter([0.0, *seconds])

    def now(self) -> int:
        return BEGAN + round(next(self._at) * S)


@pytest.fixture(scope="module")
def idle() -> Simulation:
    """Four seconds from key-on: sensors that are warming at the end, and cold when it begins again."""
    return Simulation(simulate(load_scenario("plain"), seed=1, duration=4.0).world, piece_s=1.0)


def taken(simulation: Simulation, seconds: Iterable[float]) -> list[FrameBlock]:
    moments = list(seconds)
    feed = Feed(simulation, Moments(moments))  # type: ignore[arg-type]
    feed.open()
    return [block for _ in moments for block in feed.take()]


def test_frames_are_those_of_the_simulation_stamped_when_they_are_due(idle: Simulation) -> None:
    frames = concat(taken(idle, np.arange(0.05, 3.9, 0.05)))
    wanted = concat(list(idle))
    assert frames.t.tolist() == (wanted.t[: len(frames)] - wanted.t[0] + BEGAN).tolist()
    assert frames.can_id.tolist() == wanted.can_id[: len(frames)].tolist()
    assert len(frames) > 0.9 * len(wanted)


@pytest.mark.parametrize("seed", range(3))
def test_a_worker_that_comes_late_gets_the_same_frames_with_the_same_stamps(
    idle: Simulation, seed: int
) -> None:
    late = np.cumsum(np.random.default_rng(seed).exponential(0.4, 8))
    late = [*late[late < 3.8], 3.8]
    assert concat(taken(idle, late)).t.tolist() == concat(taken(idle, np.linspace(0.1, 3.8, 38))).t.tolist()


def test_after_a_pause_of_the_computer_frames_come_in_steps_and_time_waits_for_them(idle: Simulation) -> None:
    feed = Feed(idle, Moments([3600.0] * 3))  # type: ignore[arg-type]
    feed.open()
    assert feed.through() is None
    for step in (1, 2, 3):
        (block,) = feed.take()
        assert feed.through() == feed.now() == BEGAN + step * MOST_NS
        assert block.t[-1] <= BEGAN + step * MOST_NS


def watched(simulation: Simulation, seconds: Iterable[float]) -> tuple[list[AlarmEvent], list[Event]]:
    """What is announced to a worker that comes at these moments, and what it finds to have happened."""
    moments = list(seconds)
    feed = Feed(simulation, Moments(moments))  # type: ignore[arg-type]
    feed.open()
    binding = bind(simulation.session, load_databases(simulation.session))
    pipeline = Pipeline(binding, lateness_ns=feed.lateness_ns, silence_ns=feed.silence_ns)
    observer = Observer(binding)
    found: list[AlarmEvent] = []
    for _ in moments:
        for block in feed.take():
            for rows in pipeline.feed(block):
                found += observer.feed(rows)
        through = feed.through()
        assert through is not None
        for rows in pipeline.advance(through):
            found += observer.feed(rows)
    found += observer.flush()
    return [event for event in found if event.announced], observer.happened()


@pytest.fixture(scope="module")
def measuring(tmp_path_factory: pytest.TempPathFactory) -> Simulation:
    """Four seconds from key-on, with sensors that measure after less than two."""
    path = tmp_path_factory.mktemp("quick") / "quick.toml"
    path.write_text(
        'format = 1\nbased_on = "four"\nname = "quick"\n[sensors]\nready_s = [1.5, 1.5, 1.5, 1.5]\n'
    )
    return Simulation(simulate(load_scenario(path), seed=1, duration=4.0).world, piece_s=1.0)


def test_sensors_that_measured_when_it_begins_again_have_been_started_and_have_not_dropped_out(
    measuring: Simulation,
) -> None:
    announced, happened = watched(measuring, np.arange(0.7, 12.0, 0.7))
    assert announced == []
    restarts = [event for event in happened if event.kind is not Kind.FUEL_CUT]
    assert {event.kind for event in restarts} == {Kind.NODE_RESET}
    assert sorted(event.cylinders for event in restarts) == [(c,) for c in (1, 2, 3, 4) for _ in range(2)]
    assert all(event.evidence["started_again"] for event in restarts)


def test_a_loop_that_is_held_up_rings_no_alarm_and_neither_does_the_second_pass(idle: Simulation) -> None:
    assert watched(idle, np.arange(0.7, 13.0, 0.7))[0] == []


def test_a_demo_cannot_be_paused_and_gives_nothing_once_stopped(idle: Simulation) -> None:
    feed = Feed(idle, Moments([1.0, 2.0]))  # type: ignore[arg-type]
    feed.open()
    assert feed.take()
    feed.stop()
    assert feed.take() == []
    with pytest.raises(UsageError, match="expected a replay"):
        feed.apply(Pause())
