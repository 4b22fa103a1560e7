"""`record` and `watch` while adapters, their lines, the machine or the program fail; real processes."""

from __future__ import annotations

import random
import signal
import time
from pathlib import Path

from live_rig import until
from record_rig import RATE, Rig, Scenarios, ended, lines, numbers, whole
from run_folders import list_runs

from mixmon.cli.main import BAD_INPUT
from mixmon.cli.stopping import INTERRUPTED
from mixmon.record.run_folder import open_run

scenario = Scenarios()
begun = scenario.fixture()


def only_run(rig: Rig) -> Path:
    (run,) = list_runs(rig.place / "runs")
    assert open_run(run).verified
    return run


@scenario
def test_an_adapter_that_is_unplugged_and_comes_back(rig: Rig) -> None:
    program = rig.start("record")
    rig.send(300)
    until(lambda: lines(rig.place / "runs") == 300, "the frames")
    rig.chain.unplug()
    until(lambda: "device lost" in program.err, "the loss to be told")
    rig.chain.plug()
    assert rig.chain.opened.wait(30)
    rig.send(200)
    until(lambda: lines(rig.place / "runs") == 500, "the frames after it")
    assert ended(program) == INTERRUPTED
    assert numbers(only_run(rig)) == [*range(300), *range(200)]
    assert "open again after" in program.err
    assert "bytes, losses not counted on chain, engine; next: mixmon replay " in program.out
    assert "Traceback" not in program.err


@scenario
def test_garbage_on_the_line_costs_only_itself(rig: Rig) -> None:
    program = rig.start("record")
    rig.send(300)
    rig.wait_sent()
    rig.chain.write(b"\r" + random.Random(1).randbytes(3000).replace(b"\a", b"?") + b"\r")
    rig.send(200)
    until(lambda: lines(rig.place / "runs") >= 500, "the frames after it")
    until(lambda: "not frames: " in program.err, "the garbage to be told")
    assert ended(program) == INTERRUPTED
    assert numbers(only_run(rig)) == [*range(300), *range(200)]
    assert "Traceback" not in program.err


@scenario
def test_a_silence_is_told_with_its_end(rig: Rig) -> None:
    program = rig.start("record")
    rig.send(300)
    until(
        lambda: "can0: no frames for" in program.err or "chain: no frames for" in program.err, "the silence"
    )
    rig.send(200)
    until(lambda: lines(rig.place / "runs") == 500, "the frames after it")
    until(lambda: program.err.count("chain: no frames for") == 2, "its end")
    assert ended(program) == INTERRUPTED
    assert numbers(only_run(rig)) == [*range(300), *range(200)]


@scenario
def test_a_program_that_stood_still_says_so_and_loses_nothing_that_waits_in_the_adapter(rig: Rig) -> None:
    program = rig.start("record")
    rig.send()
    until(lambda: lines(rig.place / "runs") > RATE // 4, "frames")
    program.signal(signal.SIGSTOP)
    began = time.monotonic()
    until(lambda: time.monotonic() > began + 1.5, "a second and a half")
    program.signal(signal.SIGCONT)
    until(lambda: "this computer was asleep or busy for" in program.err, "its remark")
    assert ended(program) == INTERRUPTED
    assert whole(only_run(rig))[0] == 0
    assert len(whole(only_run(rig))) > RATE


@scenario
def test_an_adapter_that_ran_out_of_room_is_told_and_losses_are_unknown(rig: Rig) -> None:
    """Status bit 3 of the serial adapter's line grammar: data overrun."""
    program = rig.start("record")
    rig.send(100)
    rig.chain.status = 0x08
    until(lambda: "adapter buffer overflow; number of lost frames unknown" in program.err, "the overrun")
    assert ended(program) == INTERRUPTED
    assert "0 lost" not in program.out


def check_kill(rig: Rig, *command: str) -> None:
    program = rig.start(*command)
    rig.send()
    until(lambda: lines(rig.place / "runs") > RATE // 4, "frames")
    program.signal(signal.SIGKILL)
    assert program.wait() == -signal.SIGKILL
    (run,) = list_runs(rig.place / "runs")
    assert open_run(run).cut_off
    assert whole(run)[0] == 0


@scenario
def test_a_killed_record_leaves_whole_frames(rig: Rig) -> None:
    check_kill(rig, "record")


@scenario
def test_a_killed_watch_leaves_whole_frames(rig: Rig) -> None:
    check_kill(rig, "watch", "--text")


@scenario
def test_a_folder_that_takes_nothing_is_said_at_once(rig: Rig) -> None:
    """Nobody makes folders in sysfs, not even who may do everything else."""
    program = rig.start("record", "--quiet", runs=Path("/sys/runs"))
    assert program.wait() == BAD_INPUT
    assert "/sys/runs: no run can be begun: " in program.err
    assert program.out == ""
