"""When the record begins and ends, and what is kept of runs that could not go on."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import numpy as np
from live_rig import keeper_in, session_file, until
from run_folders import list_runs

from mixmon.findings.alarms.records import OperatorAction, Verb
from mixmon.frames.block import FrameBlock
from mixmon.frames.logs import open_log
from mixmon.live.recording import AFTER_NS, RunRecording, action_data, action_of
from mixmon.record.run_folder import RunNote, open_run
from mixmon.session.load import load_session
from mixmon.simulate.simulation import EPOCH_NS

S = 1_000_000_000


def frames(begin_s: float, count: int) -> FrameBlock:
    """Ten a second."""
    t = EPOCH_NS + round(begin_s * S) + np.arange(count, dtype=np.int64) * (S // 10)
    none = np.zeros(count, np.uint8)
    sizes = np.full(count, 2, np.uint8)
    data = np.zeros((count, 8), np.uint8)
    return FrameBlock(t, np.full(count, 0x123, np.uint32), none, sizes, sizes, none, data, ("can0",))


def kept(tmp_path: Path, **options: Any) -> RunRecording:
    return keeper_in(tmp_path / "runs", session_file(tmp_path), **options)


def test_armed_a_run_begins_with_the_engine_and_the_seconds_before_and_ends_some_time_after(
    tmp_path: Path,
) -> None:
    recording = kept(tmp_path, arm_rpm=500.0)
    recording.open(EPOCH_NS)
    assert recording.words == "armed, above 500 rpm"
    recording.write(frames(0, 100))
    recording.follow(EPOCH_NS + 10 * S, 0, float("nan"))
    recording.follow(EPOCH_NS + 10 * S, 0, 499.0)
    assert not recording.running
    recording.follow(EPOCH_NS + 10 * S, 0, 501.0)
    assert recording.running
    assert recording.words.startswith("recording 2")
    recording.write(frames(10, 100))
    recording.follow(EPOCH_NS + 12 * S, 0, 800.0)
    recording.follow(EPOCH_NS + 12 * S + AFTER_NS, 0, 0.0)
    assert recording.running
    recording.follow(EPOCH_NS + 12 * S + AFTER_NS + 1, 0, 0.0)
    assert not recording.running
    assert recording.words == "armed, above 500 rpm"
    recording.follow(EPOCH_NS + 40 * S, 0, 900.0)
    recording.write(frames(40, 10))
    recording.close(EPOCH_NS + 41 * S)
    runs = [open_run(folder) for folder in list_runs(tmp_path / "runs")]
    assert [run.verified for run in runs] == [True, True]
    first = np.concatenate([block.t for block in open_log(runs[0].path)])
    assert len(first) == 121, "from two seconds before the newest frame at the start on"
    assert first[0] == EPOCH_NS + 79 * S // 10
    assert runs[0].manifest.why == "above 500 rpm"
    assert [run.frames for run in recording.runs] == [121, 10]


def test_a_run_whose_folder_is_removed_is_told_with_what_it_held_and_another_can_begin(
    tmp_path: Path,
) -> None:
    recording = kept(tmp_path)
    recording.open(EPOCH_NS)
    recording.write(frames(0, 50))
    folder = recording.status.folder
    assert folder is not None
    shutil.rmtree(folder)
    told: list[str] = []
    until(lambda: told.extend(event.text for event in recording.events()) or len(told) > 1, "the failure")
    assert "removed or renamed" in told[-1]
    assert recording.words.startswith("recording failed: ")
    assert [(run.folder, run.frames) for run in recording.runs] == [(folder, 50)]
    assert "removed or renamed" in (recording.runs[0].error or "")
    recording.write(frames(5, 50))
    recording.start(EPOCH_NS + 10 * S, 0)
    recording.close(EPOCH_NS + 10 * S)
    assert [run.error is None for run in recording.runs] == [False, True]
    assert open_run(list_runs(tmp_path / "runs")[0]).verified


def test_no_place_for_runs_is_a_state_and_an_event(tmp_path: Path) -> None:
    (tmp_path / "runs").write_text("a file")
    recording = kept(tmp_path)
    recording.open(EPOCH_NS)
    (event,) = recording.events()
    assert event.text.endswith(
        "no run can be begun: File exists; expected a folder with room that can be written to; choose another"
    )
    assert recording.words == "recording failed: File exists"
    recording.write(frames(0, 10))
    recording.close(EPOCH_NS)
    assert recording.runs == []


def test_a_run_that_keeps_nothing_is_failing_until_one_keeps_frames(tmp_path: Path) -> None:
    at = [100.0]
    recording = kept(tmp_path, sync_s=0.05, clock=lambda: at[0])
    recording.open(EPOCH_NS)
    shutil.rmtree(tmp_path / "runs")
    (tmp_path / "runs").write_text("a file")
    until(lambda: not recording.running, "the failure")
    for at[0] in (100.5, 101.0, 106.0):
        recording.write(frames(at[0], 10))
        recording.mend(EPOCH_NS, 0)
    assert recording.failing_s == 5.5
    (tmp_path / "runs").unlink()
    at[0] = 109.0
    recording.mend(EPOCH_NS, 0)
    assert recording.running
    assert recording.failing_s == 8.5
    until(lambda: recording.mend(EPOCH_NS, 0) or not recording.failing_s, "kept frames")
    recording.close(EPOCH_NS)


def test_a_run_holds_the_session_as_it_was_used(tmp_path: Path) -> None:
    recording = kept(tmp_path)
    recording.open(EPOCH_NS)
    recording.close(EPOCH_NS)
    run = open_run(list_runs(tmp_path / "runs")[0])
    assert run.session is not None
    assert load_session(run.session).name == load_session(tmp_path / "session.toml").name
    assert [note.kind for note in run.notes] == ["recording", "watched until"]


def test_a_standing_note_is_in_the_run_under_way_and_in_every_later_one(tmp_path: Path) -> None:
    recording = kept(tmp_path)
    recording.open(EPOCH_NS)
    recording.write(frames(0, 50))
    recording.keep_note(EPOCH_NS + 5 * S, "accepted")
    recording.stop(EPOCH_NS + 5 * S)
    recording.write(frames(5, 500))
    recording.start(EPOCH_NS + 55 * S, 0)
    recording.close(EPOCH_NS + 55 * S)
    notes = [open_run(run).notes for run in list_runs(tmp_path / "runs")]
    said = [[note.data["text"] for note in each if note.kind == "note"] for each in notes]
    assert said == [["accepted"], ["accepted"]]


def test_an_action_in_an_older_run_is_read_by_the_word_that_it_was_written_with() -> None:
    action = OperatorAction(5 * S, Verb.ACKNOWLEDGE, "lean under load", 3)
    for word in ("accept", "acknowledge"):
        assert action_of(RunNote(5 * S, "action", {**action_data(action), "verb": word}), 0) == action
