"""A recording played: pace, steps, places, parts, and what is left of a run that was cut off."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from live_rig import EXAMPLE, glimpse, until, virtual_worker
from run_folders import list_runs

from mixmon.errors import SourceError, UsageError
from mixmon.frames.block import FrameBlock, concat
from mixmon.frames.candump_write import write_candump
from mixmon.live.recording import is_readable
from mixmon.live.replay import NO_LIMIT, PlaybackAxis, PlaybackPace, ReplaySource
from mixmon.live.worker import Worker
from mixmon.record.recorder import Recorder
from mixmon.record.run_folder import RunNote, open_run
from mixmon.run import LATENESS_NS
from mixmon.watch.commands import AcknowledgeAll, Mark, Pause, RecordOn, Remark, Resume, Seek, Speed, Step

S = 1_000_000_000


@pytest.fixture(scope="module")
def frames() -> FrameBlock:
    return glimpse(18.0, 20.0)


@pytest.fixture
def log(tmp_path: Path, frames: FrameBlock) -> Path:
    path = tmp_path / "run.log"
    path.write_bytes(write_candump(frames, 9))
    return path


def taken(source: ReplaySource) -> FrameBlock:
    """Everything that is due."""
    blocks: list[FrameBlock] = []
    while new := source.take():
        blocks += new
    return concat(blocks) if blocks else FrameBlock.empty()


def test_frames_fall_due_by_their_stamps_and_the_speed(log: Path, frames: FrameBlock) -> None:
    now = [5 * S]
    source = ReplaySource(str(log), speed=1.0)
    source._pace = PlaybackPace(0.1, clock=lambda: now[0])
    source.open()
    since = frames.t - frames.t[0]
    given = 0
    for passed_s, speed in ((1.0, 0.1), (2.0, 1.0), (3.0, 0.1), (10.0, None)):
        source.apply(Speed(speed))
        begin = source.duration_s
        now[0] += round(passed_s * S)
        given += len(taken(source))
        due = begin + passed_s * speed if speed else 2.0
        assert given == np.count_nonzero(since <= round(due * S)), (passed_s, speed)
    assert source.ended
    assert source.position == 1.0


def test_held_nothing_falls_due_and_steps_are_exact(log: Path, frames: FrameBlock) -> None:
    now = [0]
    source = ReplaySource(str(log))
    source._pace = PlaybackPace(1.0, clock=lambda: now[0])
    source.open()
    source.apply(Pause())
    now[0] += 100 * S
    given = len(taken(source))
    assert given == np.count_nonzero(frames.t == frames.t[0])
    for step_s in (0.1, 0.001, 0.25):
        before = source.duration_s
        assert source.apply(Step(step_s)).text == f"plays {step_s:g} s"
        given += len(taken(source))
        until_ns = frames.t[0] + round((before + step_s) * S)
        assert given == np.count_nonzero(frames.t <= until_ns)
    now[0] += 100 * S
    assert not taken(source)
    source.apply(Resume())
    assert not taken(source)
    now[0] += S // 10
    assert len(taken(source))


def test_a_part_is_played_from_its_beginning_to_its_end(log: Path, frames: FrameBlock) -> None:
    source = ReplaySource(str(log), speed=None, begin_ns=S // 2, end_ns=3 * S // 2)
    source.open()
    since = frames.t - frames.t[0]
    inside = (since >= S // 2) & (since < 3 * S // 2)
    assert taken(source).t.tolist() == frames.t[inside].tolist()


def test_a_part_has_the_clock_of_the_whole_log(log: Path) -> None:
    """Its last moment, an alarm's and a place to go to are what they are without --from."""
    seen = []
    for begin in (0, S // 2):
        worker = watched(ReplaySource(str(log), speed=None, begin_ns=begin))
        worker.start()
        until(worker.ended.is_set, "the end")
        worker.close()
        seen.append(worker.snapshot)
    assert seen[0].t == seen[1].t
    assert seen[0].elapsed_s == seen[1].elapsed_s > 1.9
    source = ReplaySource(str(log), speed=None, begin_ns=S // 2)
    source.open()
    assert source.apply(Seek(1.5)).text == "goes on at 00:01.5"
    assert source.first_ns is None
    source.take()
    assert source.first_ns is not None


def test_winding_back_begins_anew_and_forward_goes_on(log: Path, frames: FrameBlock) -> None:
    now = [0]
    source = ReplaySource(str(log))
    source._pace = PlaybackPace(1.0, clock=lambda: now[0])
    source.open()
    assert not source.apply(Seek(1.2)).restarted
    ahead = taken(source)
    assert int(ahead.t[-1]) <= frames.t[0] + 3 * S // 2 + LATENESS_NS, "rows come so much later"
    assert source.apply(Seek(0.5)).restarted
    again = taken(source)
    assert again.t.tolist() == frames.t[frames.t <= frames.t[0] + S // 2 + LATENESS_NS].tolist()


def test_a_pipe_cannot_be_wound_back(log: Path) -> None:
    saved = os.dup(0)
    try:
        with log.open("rb") as piped:
            os.dup2(piped.fileno(), 0)
        source = ReplaySource("-", speed=None)
        source.open()
        assert len(taken(source))
        with pytest.raises(UsageError, match="cannot be read again; expected a later place; replay a file"):
            source.apply(Seek(0.0))
    finally:
        os.dup2(saved, 0)
        os.close(saved)


@pytest.mark.parametrize("speed", [0.0, -1.0, 1e6, float("nan")])
def test_speeds_that_mean_nothing(log: Path, speed: float) -> None:
    with pytest.raises(UsageError, match=r"^speed .*: expected a number above 0, up to 1000, or max"):
        ReplaySource(str(log), speed=speed)


def test_haste_ends_where_it_was_sent() -> None:
    now = [0]
    pace = PlaybackPace(2.0, clock=lambda: now[0])
    pace.anchor(0)
    assert not pace.hurried
    pace.rush(7 * S)
    assert pace.hurried
    assert pace.due(3 * S) == 7 * S
    now[0] = 50 * S
    assert pace.due(7 * S) == 7 * S
    now[0] += S
    assert pace.due(7 * S) == 9 * S
    pace.speed = None
    assert pace.due(0) == NO_LIMIT


def test_the_time_for_which_the_program_was_stopped_is_not_played() -> None:
    now = [0]
    pace = PlaybackPace(1.0, clock=lambda: now[0])
    pace.anchor(0)
    now[0] = 2 * S
    assert pace.due(0) == 2 * S
    now[0] += 600 * S
    assert pace.due(2 * S) == 2 * S
    now[0] += S
    assert pace.due(2 * S) == 3 * S


@pytest.mark.parametrize("silence", [0, 10])
def test_a_jump_ahead_is_played_as_the_silence_it_may_be_and_one_back_as_none(silence: int) -> None:
    t = np.array([100, 101, 100.5, 102, 500, 501, 300, 299.5, 302], float)
    expected = [0, 1, 1, 2, *(silence + place for place in (2, 3, 3, 3, 5))]
    stamps = (t * S).astype(np.int64)
    for split in range(len(t)):
        axis = PlaybackAxis(silence * S)
        parts = [axis.feed(part)[0] for part in np.split(stamps, [split]) if len(part)]
        assert (np.concatenate(parts) / S).tolist() == expected


def cut_off(folder: Path, frames: FrameBlock, cut: Callable[[bytes], bytes]) -> Path:
    """A run without an end, its log shortened."""
    recorder = Recorder(folder, files={"session.toml": EXAMPLE.read_bytes()})
    recorder.start()
    recorder.write(frames)
    recorder.close()
    (run,) = list_runs(folder)
    (run / "SHA256SUMS").unlink()
    manifest = run / "run.json"
    manifest.write_text(manifest.read_text().replace('"state": "complete"', '"state": "recording"'))
    log = run / "frames.log"
    log.write_bytes(cut(log.read_bytes()))
    return run


def test_a_run_that_was_cut_off_plays_up_to_its_last_whole_line(tmp_path: Path, frames: FrameBlock) -> None:
    run = open_run(cut_off(tmp_path, frames, lambda text: text[:-3]))
    assert run.cut_off
    source = ReplaySource(run, speed=None)
    source.open()
    assert taken(source).t.tolist() == frames.t[:-1].tolist()
    assert source.log.report.frames == len(frames) - 1, "its lines are accounted for as those of any log"


def watched(source: ReplaySource) -> Worker:
    return Worker(virtual_worker(EXAMPLE, ("none", "none")).binding, source)


def test_a_log_that_vanishes_is_a_failure_on_the_screen_and_not_a_silence(log: Path) -> None:
    worker = watched(ReplaySource(str(log), speed=None))
    log.unlink()
    worker.start()
    until(worker.ended.is_set, "the end")
    assert "run.log: no such file or directory; expected a log" in worker.snapshot.failure
    worker.close()


def test_a_replay_refuses_what_only_buses_can_do(log: Path) -> None:
    worker = watched(ReplaySource(str(log), speed=None))
    worker.start()
    worker.send(Mark())
    worker.send(RecordOn())
    until(
        lambda: sum("a replay records nothing" in text for _, text in worker.snapshot.remarks) == 2,
        "refusals",
    )
    worker.send(Seek(0.5))
    until(
        lambda: any("goes on at 00:00.5" in one.text for one in worker.drain() if isinstance(one, Remark)),
        "the other place",
    )
    worker.close()
    worker.close()


def test_an_alarm_is_acknowledged_although_no_more_frames_come(log: Path) -> None:
    worker = watched(ReplaySource(str(log), speed=None))
    worker.start()
    until(worker.ended.is_set, "the end")

    def waiting() -> tuple[tuple[str, int | None], ...]:
        alarms = worker.snapshot.alarms.alarms
        return tuple((a.rule.name, a.position) for a in alarms if a.state.waits)

    assert waiting()
    worker.send(AcknowledgeAll(waiting()))
    until(lambda: not waiting(), "acceptance")
    worker.close()


def test_no_such_log() -> None:
    with pytest.raises(SourceError, match=r"^nowhere\.log: no such file"):
        ReplaySource("nowhere.log")


SHELVED = {"verb": "shelve", "rule": "a", "position": 1, "duration_ns": None, "reason": "x", "stretch": 0}
HOSTILE = [
    {"kind": "action"},
    {"kind": "action"} | SHELVED | {"verb": "nothing"},
    {"kind": "action"} | SHELVED | {"rule": []},
    {"kind": "action"} | SHELVED | {"duration_ns": 0},
    {"kind": "judged", "pull": "x", "keep": True},
    {"kind": "judged"},
    {"kind": "recording", "stretch": "x"},
    {"kind": "mark", "text": "far", "t": 1 << 80},
]


@pytest.mark.parametrize("note", HOSTILE, ids=str)
def test_a_note_that_is_not_what_it_says_is_left_out(note: dict[str, object]) -> None:
    fields = dict(note)
    read = RunNote(int(fields.pop("t", 0)), str(fields.pop("kind")), fields)  # type: ignore[call-overload]
    assert not is_readable(read)
    assert is_readable(RunNote(0, "action", SHELVED))
