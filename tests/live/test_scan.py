"""The second reading of a recording finds what its playing finds, and knows where that is."""

from __future__ import annotations

import gzip
import re
from pathlib import Path

import numpy as np
import pytest
from live_rig import EXAMPLE, glimpse, until

from mixmon.findings.alarms.records import AlarmEvent
from mixmon.findings.events.event import Event
from mixmon.frames.block import concat
from mixmon.frames.candump_write import write_candump
from mixmon.live.replay import PlaybackAxis, ReplaySource
from mixmon.live.scan import LogScan
from mixmon.live.worker import Worker
from mixmon.messages.bind import bind, load_databases
from mixmon.messages.binding import Binding
from mixmon.session.load import load_session
from mixmon.watch.commands import Seek
from mixmon.watch.timeline import EVERY_LIFT, KnownMoments, Moment, MomentKind

S = 1_000_000_000
LOG = str(EXAMPLE.with_name("alder8_short.log.gz"))


@pytest.fixture(scope="module")
def binding() -> Binding:
    session = load_session(EXAMPLE)
    return bind(session, load_databases(session))


def read_ahead(binding: Binding, log: str) -> KnownMoments:
    scan = LogScan(binding, ReplaySource(log, speed=None))
    scan.start()
    until(lambda: scan.known.length is not None or scan.known.failure, "the end of the log")
    scan.close()
    return scan.known


def of(known: KnownMoments, kind: MomentKind) -> list[Moment]:
    return [moment for moment in known.moments if moment.kind is kind]


@pytest.fixture(scope="module")
def known(binding: Binding) -> KnownMoments:
    return read_ahead(binding, LOG)


def test_it_finds_what_the_playing_finds(binding: Binding, known: KnownMoments) -> None:
    worker = Worker(binding, ReplaySource(LOG, speed=None))
    worker.start()
    until(worker.ended.is_set, "the end")
    worker.close()
    items = worker.drain()
    alarms = sorted((one.t, one.rule) for one in items if isinstance(one, AlarmEvent) and one.announced)
    events = sorted(
        (one.t, one.kind.value) for one in items if isinstance(one, Event) and one.kind not in EVERY_LIFT
    )
    assert len(alarms) > 3
    assert len(events) > 2
    assert sorted((one.t, one.name) for one in of(known, MomentKind.ALARM)) == alarms
    assert sorted((one.t, one.name) for one in of(known, MomentKind.EVENT)) == events
    review = worker.snapshot.pulls
    assert review is not None
    assert [(one.t, one.t + one.end - one.place) for one in of(known, MomentKind.PULL)] == [
        (pull.begin, pull.end) for pull in review.pulls
    ]


def test_places_are_seconds_of_the_log_and_in_order(known: KnownMoments) -> None:
    first = int(float(gzip.decompress(Path(LOG).read_bytes())[1:18]) * 1e6) * 1000
    assert [one.t - first for one in known.moments] == [one.place for one in known.moments]
    assert list(known.moments) == sorted(known.moments, key=lambda one: one.place)
    assert known.length == known.through == pytest.approx(38 * S, rel=0.01)


@pytest.fixture(scope="module")
def lines() -> list[bytes]:
    return gzip.decompress(Path(LOG).read_bytes()).splitlines(keepends=True)[:6000]


@pytest.mark.parametrize(("seconds", "words"), [(3600.0, "ahead by 3600.0 s"), (-100.0, "back by 100.0 s")])
def test_a_jump_of_the_stamps_is_a_moment_and_no_alarm(
    binding: Binding, lines: list[bytes], tmp_path: Path, seconds: float, words: str
) -> None:
    late = [
        re.sub(rb"[0-9.]+", lambda stamp: b"%.6f" % (float(stamp[0]) + seconds), line, count=1)
        for line in lines[4000:]
    ]
    log = tmp_path / "jump.log"
    log.write_bytes(b"".join([*lines[:4000], *late]))
    found = read_ahead(binding, str(log))
    assert [(one.name, round(one.place / S, 1)) for one in of(found, MomentKind.JUMP)] == [(words, 4.0)]
    assert "node silent" not in {one.name for one in found.moments}
    assert found.length == pytest.approx(6 * S, rel=0.02)


def test_a_log_that_ends_early_is_known_as_far_as_it_goes(binding: Binding, tmp_path: Path) -> None:
    log = tmp_path / "gone.log"
    log.write_bytes(b"(1.0) can0 2A0#00\n")
    scan = LogScan(binding, ReplaySource(str(log), speed=None))
    log.unlink()
    scan.start()
    until(lambda: scan.known.failure, "the failure")
    scan.close()
    assert "no such file" in scan.known.failure
    assert scan.known.length is None


@pytest.mark.parametrize("ahead_s", [3600, -100])
def test_a_time_of_the_clock_is_found_behind_a_jump(tmp_path: Path, ahead_s: int) -> None:
    frames = glimpse(18.0, 20.0)
    half = frames.t >= frames.t[0] + S
    second = frames.take(half)
    second.t[:] += ahead_s * S
    log = tmp_path / "jump.log"
    log.write_bytes(write_candump(concat([frames.take(~half), second]), 9))
    source = ReplaySource(str(log), speed=1.0)
    source.open()
    source.apply(Seek(max(ahead_s + 1.2, 0.3), by_clock=True))
    while source.playing.goal is not None or not source.now():
        source.take()
    through = source.through()
    assert through is not None
    clock = (through - int(frames.t[0])) / S
    if ahead_s > 0:
        assert clock == pytest.approx(ahead_s + 1.7, abs=0.01), "rows stand half a second behind"
    else:
        assert clock == pytest.approx(0.8, abs=0.01)


def test_a_stamp_has_the_place_at_which_it_was_played() -> None:
    stamps = (np.array([100, 101, 102, 500, 501, 300, 302], float) * S).astype(np.int64)
    axis = PlaybackAxis(0)
    places, _ = axis.feed(stamps)
    assert [axis.place_of(int(t)) for t in stamps] == places.tolist()
    assert axis.jumped
