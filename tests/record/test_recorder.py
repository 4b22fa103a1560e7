"""Runs on disk: what is in them, what begins and ends them, and what happens when the disk fails."""

from __future__ import annotations

import json
import os
import re
import resource
import shutil
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import can
import numpy as np
import pytest
from run_folders import CHANNELS, EPOCH, MS, block, list_runs, recorded

from mixmon.errors import SourceError, UsageError
from mixmon.frames.adapters.interfaces import BusOptions
from mixmon.frames.adapters.receiver import SourceEvent, SourceEventKind
from mixmon.frames.block import FrameBlock, concat
from mixmon.frames.candump_write import write_candump
from mixmon.frames.logs import LogSource, open_log
from mixmon.record.recorder import Recorder, RecorderEventKind, RecorderState
from mixmon.record.run_folder import RunFolder, open_run
from mixmon.record.run_writer import RunWriter
from mixmon.report.balance import log_json
from mixmon.run import LogFacts

DEADLINE_S = 10.0


def numbers(frames: FrameBlock) -> list[int]:
    big_endian: list[int] = frames.data.copy().view(">u8")[:, 0].tolist()
    return big_endian


def read(run: RunFolder) -> FrameBlock:
    return concat(list(open_log(run.path)))


def until(holds: Callable[[], bool]) -> None:
    deadline, pause = time.monotonic() + DEADLINE_S, threading.Event()
    while not holds():
        assert time.monotonic() < deadline
        pause.wait(0.005)


@pytest.fixture
def root(tmp_path: Path) -> Path:
    return tmp_path / "runs"


def test_run_reads_back_as_it_was_written(root: Path) -> None:
    path = recorded(root)
    run = open_run(path)
    frames = read(run)
    assert numbers(frames) == list(range(1000))
    assert frames.t.tolist() == block(0, 1000).t.tolist()
    assert frames.channels == CHANNELS
    assert frames.bus.tolist() == block(0, 1000).bus.tolist()
    assert run.session is not None
    assert run.session.read_bytes() == b"a = 1\r\n"
    assert [(note.t, note.kind, note.data) for note in run.notes] == [
        (EPOCH + 5, "mark", {"text": "λ spike, cylinder 7"})
    ]
    assert (run.verified, run.cut_off, run.faults) == (True, False, ())


def test_manifest_tells_what_the_run_is(root: Path) -> None:
    path = recorded(root)
    facts = json.loads((path / "run.json").read_text())
    assert facts["format"] == 1
    assert facts["state"] == "complete"
    assert facts["name"] == "Alder 8 before"
    assert facts["why"] == "engine speed above 500"
    assert facts["frames"] == 1000
    assert facts["started"].endswith("+00:00")
    assert {"mixmon", "numpy", "python", "python-can"} <= set(facts["versions"])
    assert facts["buses"][1] == {
        "name": "can1",
        "interface": "slcan",
        "channel": "/dev/x",
        "bitrate": None,
        "acknowledge": True,
    }
    assert path.name.endswith("Z-alder-8-before")


def test_frames_log_is_candump_text_that_others_read(root: Path) -> None:
    """Oracle: python-can's reader of candump logs."""
    path = recorded(root)
    with can.CanutilsLogReader(path / "frames.log") as reader:
        messages = list(reader)
    assert [int.from_bytes(m.data, "big") for m in messages] == list(range(1000))
    assert {m.channel for m in messages} == {"can0", "can1"}
    assert sum(len(part) for part in open_log(path / "frames.log")) == 1000


def test_frames_log_has_the_lines_that_can_utils_plays_and_converts(root: Path) -> None:
    """Format: can-utils of Debian 12, `sscanf(line, "(%lu.%lu) %s %s")` of canplayer.c and log2asc.c, which
    take the second number for microseconds and refuse other than six digits; its width in `candump -l`.
    The tools themselves: tools/check_can_utils.py."""
    line = re.compile(r"\(([0-9]{10})\.([0-9]{6})\) (can[01]) ([0-9A-F]{3}#(?:[0-9A-F]{2}){8})\n")
    found = [
        line.fullmatch(text) for text in (recorded(root) / "frames.log").read_text().splitlines(keepends=True)
    ]
    known = block(0, 1000)
    assert [(int(m[1]) * 10**6 + int(m[2])) * 1000 for m in found if m] == known.t.tolist()
    assert len({m[4] for m in found if m}) == len(found) == 1000


def test_a_run_of_nine_decimals_is_read_to_the_nanosecond(root: Path) -> None:
    """Such runs were written before."""
    path, known = recorded(root), block(0, 50)
    known = replace(known, t=known.t + np.arange(50))
    (path / "frames.log").write_bytes(write_candump(known, fraction_digits=9))
    assert read(open_run(path)).t.tolist() == known.t.tolist()


def test_checksums_satisfy_sha256sum(root: Path) -> None:
    """Oracle: coreutils."""
    path = recorded(root)
    result = subprocess.run(
        ["sha256sum", "--check", "--strict", "SHA256SUMS"],
        cwd=path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert result.returncode == 0, result.stderr
    assert result.stdout.count(": OK") == 4


@pytest.mark.parametrize("name", ["frames.log", "notes.jsonl", "run.json", "session.toml"])
def test_changed_file_is_named(root: Path, name: str) -> None:
    path = recorded(root)
    data = bytearray((path / name).read_bytes())
    data[-2] ^= 1
    (path / name).write_bytes(data)
    run = open_run(path)
    assert not run.verified
    assert any(fault.startswith(f"{name}: differs from its checksum") for fault in run.faults)


def test_missing_file_is_named(root: Path) -> None:
    path = recorded(root)
    (path / "notes.jsonl").unlink()
    assert "notes.jsonl: no such file or directory" in open_run(path).faults


def test_damaged_manifest_leaves_the_frames(root: Path) -> None:
    path = recorded(root)
    (path / "run.json").write_bytes(b"")
    run = open_run(path)
    assert not run.verified
    assert "run.json: cannot be read" in run.faults[0]
    assert len(read(run)) == 1000


def test_later_format_is_refused(root: Path) -> None:
    path = recorded(root)
    (path / "run.json").write_text('{"format": 2}')
    with pytest.raises(SourceError, match="format 2; expected 1 or lower"):
        open_run(path)


def test_folder_without_a_run(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match=r"no frames.log"):
        open_run(tmp_path)


def test_runs_of_one_second_get_names_of_their_own_that_sort(root: Path) -> None:
    made = []
    for _ in range(3):
        recorder = Recorder(root)
        recorder.start()
        made.append(recorder.status().folder)
        recorder.close()
    assert list_runs(root) == made


def test_run_begins_with_the_last_seconds(root: Path) -> None:
    recorder = Recorder(root, pre_trigger_s=2.0)
    for part in range(100):
        recorder.write(block(100 * part, 100))
        recorder.note(EPOCH + 100 * part * MS, "mark", part=part)
    recorder.arm()
    assert recorder.status().state is RecorderState.ARMED
    recorder.start()
    recorder.write(block(10_000, 50))
    recorder.close()
    run = open_run(list_runs(root)[0])
    assert numbers(read(run)) == list(range(7999, 10_050))
    assert [note.data["part"] for note in run.notes] == list(range(80, 100))


def test_second_run_does_not_repeat_the_first(root: Path) -> None:
    recorder = Recorder(root, pre_trigger_s=5.0)
    recorder.write(block(0, 10))
    recorder.start()
    recorder.write(block(10, 10))
    recorder.stop()
    recorder.write(block(20, 10))
    recorder.start()
    recorder.write(block(30, 10))
    recorder.close()
    assert [numbers(read(open_run(path))) for path in list_runs(root)] == [
        list(range(20)),
        list(range(20, 40)),
    ]


def test_lost_frames_stand_in_log_and_notes(root: Path) -> None:
    recorder = Recorder(root)
    recorder.start()
    recorder.write(block(0, 10))
    recorder.note_event(SourceEvent(EPOCH, "can0", SourceEventKind.DROPPED, "7 frames lost", 7))
    recorder.note_event(SourceEvent(EPOCH, "can0", SourceEventKind.OVERFLOW, "5 frames lost", 5))
    recorder.close()
    run = open_run(list_runs(root)[0])
    log = open_log(run.log)
    assert sum(map(len, log)) == 10
    assert [(loss.interface, loss.dropped, loss.total) for loss in log.report.losses] == [
        ("can0", 7, 7),
        ("can0", 5, 12),
    ]
    assert [note.kind for note in run.notes] == ["source dropped", "source overflow"]
    assert run.manifest.lost == 12


@pytest.mark.parametrize(
    ("interface", "event", "lost"),
    [
        ("socketcan", None, 0),
        ("socketcan", SourceEvent(EPOCH, "can0", SourceEventKind.LOST, "device lost", None), None),
        ("socketcan", SourceEvent(EPOCH, "can0", SourceEventKind.CONDITION, "bus off", None), None),
        ("slcan", None, None),
        ("slcan", SourceEvent(EPOCH, "can0", SourceEventKind.OVERFLOW, "5 frames lost", 5), 5),
    ],
)
def test_losses_that_nobody_counts_are_not_written_as_none(
    root: Path, interface: str, event: SourceEvent | None, lost: int | None
) -> None:
    recorder = Recorder(root, buses=[BusOptions("can0", interface, "x", 500_000)])
    recorder.start()
    recorder.write(block(0, 10))
    if event is not None:
        recorder.note_event(event)
    recorder.close()
    (path,) = list_runs(root)
    assert open_run(path).manifest.lost == json.loads((path / "run.json").read_text())["lost"] == lost
    log = LogSource(str(path))
    assert sum(map(len, log)) == 10
    facts = LogFacts(losses=log.report.losses, losses_counted=log.losses_counted)
    assert log_json(facts)["frames_lost_by_recorder"] == lost
    assert log.losses_counted == (lost is not None)


def test_run_that_is_written_can_be_read(root: Path) -> None:
    """What `write` was given is there at once: it does not wait in this program."""
    recorder = Recorder(root, sync_s=3600)
    recorder.start()
    for part in range(5):
        recorder.write(block(100 * part, 100))
        run = open_run(list_runs(root)[0])
        assert len(read(run)) == 100 * (part + 1)
        assert run.cut_off
    recorder.close()


def test_last_line_that_was_cut_is_left_out(root: Path) -> None:
    path = recorded(root)
    log = (path / "frames.log").read_bytes()
    (path / "SHA256SUMS").unlink()
    (path / "frames.log").write_bytes(log[:-7])  # still parses, as a frame of five bytes
    assert numbers(read(open_run(path))) == list(range(999))


def test_status_counts_and_knows_the_room(root: Path) -> None:
    recorder = Recorder(root, sync_s=0.01)
    assert recorder.status().minutes_left is None
    recorder.start()
    recorder.write(block(0, 1000))
    status = recorder.status()
    recorder.close()
    assert status.state is RecorderState.RECORDING
    assert status.frames == 1000
    assert status.size == (list_runs(root)[0] / "frames.log").stat().st_size
    assert status.free is not None
    assert status.minutes_left == pytest.approx(status.free / status.size / 60)
    assert recorder.status().state is RecorderState.IDLE


def test_minutes_left_before_the_start_come_from_the_last_seconds(root: Path) -> None:
    recorder = Recorder(root)
    recorder.write(block(0, 5000))
    status = recorder.status()
    line = len(b"(1795000000.000000123) can0 100#0000000000000000\n")
    assert status.free is not None
    # 1000 frames a second; 29-bit identifiers would take 5 bytes more
    assert status.minutes_left == pytest.approx(status.free / (1000 * line) / 60, rel=0.12)


def remove_contents(root: Path) -> None:
    for path in root.iterdir():
        shutil.rmtree(path)


@contextmanager
def little_room(root: Path) -> Iterator[Callable[[], None]]:
    """A megabyte for `root`: a small disk where this user may mount one, else a limit on files.

    Gives what makes room again.
    """
    root.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=1m", "mixmon-test", str(root)]
    if subprocess.run(mount, check=False, capture_output=True).returncode == 0:
        try:
            yield lambda: remove_contents(root)
        finally:
            subprocess.run(["umount", "--lazy", str(root)], check=True)
        return
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (900_000, before[1]))
    try:
        yield lambda: resource.setrlimit(resource.RLIMIT_FSIZE, before)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_full_disk_ends_the_run_loudly_and_raises_nothing(root: Path) -> None:
    recorder = Recorder(root, pre_trigger_s=1.0, sync_s=0.01)
    with little_room(root) as make_room:
        assert recorder.start()
        part = 0
        while recorder.status().state is RecorderState.RECORDING:
            recorder.write(block(100 * part, 100))
            part += 1
            assert part < 1000
        full = recorder.status()
        assert full.state is RecorderState.FAILED
        assert full.error is not None
        assert "recording stopped" in full.error
        assert RecorderEventKind.FAILED in {event.kind for event in recorder.events()}
        run = open_run(list_runs(root)[0])
        assert numbers(read(run)) == list(range(full.frames))
        assert full.frames == 100 * (part - 1)
        assert run.log.read_bytes().endswith(b"\n")
        for _ in range(20):
            recorder.write(block(100 * part, 100))
            part += 1
        recorder.stop()
        until(lambda: "run" not in {thread.name for thread in threading.enumerate()})
        make_room()
        assert recorder.start()
        assert recorder.status().state is RecorderState.RECORDING
        recorder.close()
        run = open_run(list_runs(root)[-1])
        assert run.verified
        assert numbers(read(run))[-1] == 100 * part - 1
        assert len(read(run)) == 1001


def test_removed_folder_ends_the_run_loudly(root: Path) -> None:
    recorder = Recorder(root, sync_s=0.01)
    recorder.start()
    recorder.write(block(0, 100))
    folder = recorder.status().folder
    assert folder is not None
    shutil.rmtree(folder)
    until(lambda: recorder.status().state is RecorderState.FAILED)
    recorder.write(block(100, 100))
    recorder.note(EPOCH, "mark")
    assert "removed or renamed" in (recorder.status().error or "")
    assert [event.kind for event in recorder.events()] == [
        RecorderEventKind.STARTED,
        RecorderEventKind.FAILED,
    ]
    assert recorder.start()
    recorder.close()
    found = numbers(read(open_run(list_runs(root)[0])))
    assert found[0] in {0, 100}, "also what was not yet sure to be on the disk"
    assert found == list(range(found[0], 200))


def test_what_a_run_may_not_have_is_kept_though_its_end_is_noticed_while_a_block_is_written(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The thread that looks after the run and the one that writes may come to it at the same moment."""
    append = RunWriter.append

    def append_when_seen(run: RunWriter, frames: FrameBlock) -> bool:
        run._check_disk()
        return append(run, frames)

    recorder = Recorder(root, sync_s=3600.0)
    recorder.start()
    recorder.write(block(0, 10))
    shutil.rmtree(root)
    with monkeypatch.context() as meanwhile:
        meanwhile.setattr(RunWriter, "append", append_when_seen)
        recorder.write(block(10, 10))
    assert recorder.start()
    recorder.close()
    [run] = list_runs(root)
    assert numbers(read(open_run(run))) == list(range(20))


@pytest.mark.parametrize("name", ["frames.log", "notes.jsonl"])
@pytest.mark.parametrize("size", [0, 150, 1_000_000])
def test_a_file_that_another_program_changes_ends_the_run_loudly(root: Path, name: str, size: int) -> None:
    """Cut short, cut in a line, or made longer; nothing that came since the last look is lost."""
    recorder = Recorder(root, sync_s=0.01)
    recorder.start()
    recorder.note(EPOCH, "mark", text="w" * 200)
    recorder.write(block(0, 100))
    until(lambda: recorder.kept == 100)
    os.truncate(list_runs(root)[0] / name, size)
    recorder.write(block(100, 100))
    until(lambda: recorder.status().state is RecorderState.FAILED)
    assert f"another program changed {name}: " in (recorder.status().error or "")
    assert recorder.start()
    recorder.write(block(200, 100))
    recorder.close()
    broken, after = (open_run(path) for path in list_runs(root))
    assert not broken.verified
    assert after.verified
    assert numbers(read(after)) == list(range(100, 300))


def test_place_that_cannot_hold_runs(tmp_path: Path) -> None:
    (tmp_path / "runs").write_text("a file")
    recorder = Recorder(tmp_path / "runs")
    assert not recorder.start()
    status = recorder.status()
    assert status.state is RecorderState.FAILED
    assert "no run can be begun" in (status.error or "")
    recorder.write(block(0, 10))
    recorder.close()


def test_a_run_that_cannot_be_begun_leaves_nothing_behind(root: Path) -> None:
    """No usual file system takes a name of 300 bytes (NAME_MAX is 255 there)."""
    recorder = Recorder(root, files={"s" * 300: b""})
    assert not recorder.start()
    assert "no run can be begun" in (recorder.status().error or "")
    assert list(root.iterdir()) == []
    recorder.close()


@pytest.mark.parametrize("name", ["frames.log", "../session.toml", "a/b", "SHA256SUMS"])
def test_names_of_kept_files(root: Path, name: str) -> None:
    with pytest.raises(UsageError, match="plain name"):
        Recorder(root, files={name: b""})


def test_no_runs_yet(tmp_path: Path) -> None:
    assert list_runs(tmp_path / "nowhere") == []
