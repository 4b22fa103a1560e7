"""The worker on live buses: recording may fail, adapters may vanish, watching goes on."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import can
import pytest
from live_rig import (
    EXAMPLE,
    PATIENCE_S,
    WORKERS,
    Player,
    close_all,
    glimpse,
    keeper_in,
    session_file,
    until,
    virtual_worker,
)
from run_folders import list_runs
from slcan_emulator import SlcanEmulator

from mixmon.frames.adapters.interfaces import BusOptions
from mixmon.frames.logs import open_log
from mixmon.live.source import BusSource
from mixmon.live.worker import Worker
from mixmon.messages.bind import bind, load_databases
from mixmon.record.run_folder import open_run
from mixmon.session.load import load_session
from mixmon.watch.commands import Mark, NoteText, Pause, RecordOff, RecordOn, Seek

NAMES = ("worked-chain", "worked-engine")


@pytest.fixture(autouse=True)
def closed() -> Iterator[None]:
    yield
    close_all()


@pytest.fixture
def chain() -> Iterator[can.BusABC]:
    bus = can.Bus(interface="virtual", channel=NAMES[0], ignore_config=True)
    yield bus
    bus.shutdown()


def remarked(worker: Worker, words: str) -> bool:
    return any(words in text for _, text in worker.snapshot.remarks)


def send(bus: can.BusABC, number: int = 0x2A0) -> None:
    bus.send(can.Message(arbitration_id=number, is_extended_id=False, data=bytes(6)))


class Later(BusSource):
    """Buses on which `ahead` ns have passed since, without a row."""

    ahead = 0

    def now(self) -> int:
        return super().now() + self.ahead


def test_a_sensor_goes_on_ageing_when_no_rows_are_made_any_more(chain: can.BusABC) -> None:
    """Silence of all buses is played as rows for ten seconds; one sensor was heard, the others never."""
    session = load_session(EXAMPLE)
    source = Later([BusOptions("can0", "virtual", NAMES[0], 500_000)])
    worker = Worker(bind(session, load_databases(session)), source)
    WORKERS.append(worker)
    worker.start()
    send(chain)

    def ages() -> list[int]:
        return worker.snapshot.cylinders.age_ns.tolist()

    until(lambda: max(ages(), default=-1) >= 0, "the first sample")
    source.ahead = 600_000_000_000
    until(lambda: max(ages()) > 600_000_000_000, "its age")
    assert sorted(ages())[:-1] == [-1] * 7


def test_nothing_is_watched_before_the_start_and_closing_twice_is_harmless() -> None:
    worker = virtual_worker(EXAMPLE, NAMES)
    assert worker.snapshot.t is None
    worker.close()
    worker.start()
    worker.close()
    worker.close()
    assert worker.ended.is_set()
    assert not worker.snapshot.failure


def test_a_removed_run_ends_recording_loudly_and_never_the_watching(
    tmp_path: Path, chain: can.BusABC
) -> None:
    keeper = keeper_in(tmp_path / "runs", EXAMPLE, sync_s=0.1, clock=lambda: 10 * time.monotonic())
    worker = virtual_worker(EXAMPLE, NAMES, keeper)
    worker.start()
    until(lambda: worker.snapshot.recording.startswith("recording 2"), "the record")
    send(chain)
    until(lambda: worker.snapshot.frames == 1, "a frame")
    (tmp_path / "runs").rename(tmp_path / "gone")
    (tmp_path / "runs").write_text("a file where the folder was")
    until(lambda: worker.snapshot.recording.startswith("recording failed: "), "the failure")
    until(lambda: remarked(worker, "the run's folder was removed or renamed"), "its remark")
    send(chain)
    until(lambda: worker.snapshot.frames == 2, "another frame")
    worker.send(Mark("after"))
    until(lambda: remarked(worker, "mark: after (no run is being recorded)"), "the mark")
    assert not worker.snapshot.failure
    (tmp_path / "runs").unlink()
    until(lambda: worker.snapshot.recording.startswith("recording 2"), "another run")
    worker.close()
    run = open_run(list_runs(tmp_path / "runs")[0])
    assert run.verified
    found = sum(map(len, open_log(run.path)))
    assert found in {1, 2}, "the frame that was not kept, and the one before it where that was not sure"


def test_recording_goes_on_and_off_by_command_and_what_is_said_is_kept(
    tmp_path: Path, chain: can.BusABC
) -> None:
    worker = virtual_worker(EXAMPLE, NAMES, keeper_in(tmp_path / "runs", EXAMPLE, idle=True))
    worker.start()
    assert worker.snapshot.recording == "not recording"
    worker.send(RecordOn())
    worker.send(NoteText("plugs changed"))
    send(chain)
    until(lambda: worker.snapshot.frames == 1, "a frame")
    worker.send(RecordOff())
    until(lambda: remarked(worker, "recording stopped: asked for; 1 frames in"), "the end of the run")
    assert worker.snapshot.recording == "not recording"
    worker.close()
    run = open_run(list_runs(tmp_path / "runs")[0])
    assert [note.data["text"] for note in run.notes if note.kind == "note"] == ["plugs changed"]


def test_buses_refuse_what_only_a_replay_can_do(chain: can.BusABC) -> None:
    worker = virtual_worker(EXAMPLE, NAMES)
    worker.start()
    worker.send(Pause())
    worker.send(Seek(3.0))
    until(lambda: remarked(worker, "seek: a live bus cannot be controlled; expected a replay"), "a refusal")
    assert remarked(worker, "pause: a live bus cannot be controlled")
    worker.close()


def test_armed_a_live_run_begins_when_the_engine_starts(tmp_path: Path) -> None:
    worker = virtual_worker(EXAMPLE, NAMES, keeper_in(tmp_path / "runs", EXAMPLE, arm_rpm=500.0))
    worker.start()
    assert worker.snapshot.recording == "armed, above 500 rpm"
    with Player(glimpse(1.0, 3.0), NAMES) as player:
        until(lambda: worker.snapshot.recording.startswith("recording 2"), "the engine")
        assert worker.snapshot.engine["rpm"] > 500
        until(player.done.is_set, "the end")
        until(lambda: worker.snapshot.frames == player.sent, "the last frame")
        worker.close()
    run = open_run(list_runs(tmp_path / "runs")[0])
    assert run.manifest.why == "above 500 rpm"
    kept = sum(map(len, open_log(run.path)))
    assert player.sent * 0.5 < kept <= player.sent


def test_an_adapter_that_is_unplugged_and_plugged_in_again_leaves_a_gap_on_screen_and_in_the_record(
    tmp_path: Path,
) -> None:
    """Two adapters at once: the other goes on meanwhile."""
    emulators = [SlcanEmulator(tmp_path / name) for name in ("a", "b")]
    for emulator in emulators:
        emulator.plug()
    session = load_session(session_file(tmp_path))
    buses = [
        BusOptions(bus.log_channel, "slcan", str(emulator.link), 500_000, options={"sleep_after_open": 0.1})
        for bus, emulator in zip(session.buses, emulators, strict=True)
    ]
    recording = keeper_in(tmp_path / "runs", tmp_path / "session.toml")
    worker = Worker(bind(session, load_databases(session)), BusSource(buses), recording)
    WORKERS.append(worker)
    worker.start()
    chain, engine = emulators
    chain.send(0x2A0, bytes(6))
    engine.send(0x1B3, bytes(8))
    until(lambda: worker.snapshot.frames == 2, "a frame of each")
    chain.write(b"t2A06001122")
    chain.unplug()
    until(lambda: remarked(worker, "chain: device lost: "), "the loss")
    until(lambda: worker.snapshot.buses[0].state == "device lost", "the state")
    engine.send(0x1B3, bytes(8))
    until(lambda: worker.snapshot.frames == 3, "a frame of the other")
    chain.plug()
    assert chain.opened.wait(PATIENCE_S)
    chain.send(0x2A1, bytes(6))
    until(lambda: worker.snapshot.frames == 4, "a frame after the gap")
    until(lambda: remarked(worker, "chain: no frames for "), "the gap")
    worker.close()
    for emulator in emulators:
        emulator.unplug()
    run = open_run(list_runs(tmp_path / "runs")[0])
    told = [note.kind for note in run.notes if note.data.get("bus") == "can0"]
    assert told.index("source lost") < told.index("source gap")
    assert sum(map(len, open_log(run.path))) == 4, "nothing is made of the line that was cut by the plug"
