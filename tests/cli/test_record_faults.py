"""`record` as a process of its own on emulated adapters, while disks and folders fail."""

from __future__ import annotations

import json
import os
import shutil
import stat
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from live_rig import until
from record_rig import RATE, Rig, Scenarios, ended, lines, whole, whole_after_failure
from run_folders import list_runs
from schema_judge import misfits

from mixmon.cli.main import BAD_INPUT, DONE
from mixmon.cli.stopping import INTERRUPTED
from mixmon.record.run_folder import open_run

scenario = Scenarios()
begun = scenario.fixture()


@scenario
def test_a_run_is_the_users_alone(rig: Rig) -> None:
    runs = rig.place / "runs"
    program = rig.record()
    until(lambda: lines(runs), "frames")
    assert ended(program) == INTERRUPTED
    (run,) = list_runs(runs)
    assert stat.S_IMODE(runs.stat().st_mode) == stat.S_IMODE(run.stat().st_mode) == 0o700
    assert {stat.S_IMODE(path.stat().st_mode) for path in run.iterdir()} == {0o600}
    assert len(list(run.iterdir())) == 5


@scenario
def test_a_run_is_shared_where_that_is_asked_for(rig: Rig) -> None:
    mask = os.umask(0)
    os.umask(mask)
    program = rig.record("--share")
    until(lambda: list_runs(rig.place / "runs"), "the run")
    assert ended(program) == INTERRUPTED
    (run,) = list_runs(rig.place / "runs")
    assert stat.S_IMODE(run.stat().st_mode) == 0o777 & ~mask
    assert {stat.S_IMODE(path.stat().st_mode) for path in run.iterdir()} == {0o666 & ~mask}


@scenario
def test_a_size_limit_begins_a_new_run_and_loses_no_frame(rig: Rig) -> None:
    """RLIMIT_FSIZE, as a FAT file system's four gibibytes: EFBIG."""
    runs, count = rig.place / "runs", 1000
    program = rig.start("record", "--quiet", largest=20_000)
    rig.send(count, as_fast_as_taken=True)
    until(lambda: sum(lines(runs, n) for n in range(len(list_runs(runs)))) == count, "all frames to be kept")
    assert ended(program) == INTERRUPTED
    found = [run for run in list_runs(runs) if (run / "frames.log").stat().st_size]
    assert whole(*found) == list(range(count))
    assert len(found) >= 3, "more than 40 bytes a frame"
    assert "recording stopped: File too large" in program.err
    assert "recording started: what had stopped it is over" in program.err
    assert "Traceback" not in program.err
    for run in list_runs(runs):
        assert open_run(run).verified


@scenario
def test_runs_that_each_end_soon_but_lose_no_frame_are_no_failure(rig: Rig) -> None:
    runs = rig.place / "runs"
    program = rig.record("--give-up", "1.5", largest=20_000)
    until(lambda: len(list_runs(runs)) >= 4 or program.ended(), "four runs, in three seconds")
    assert ended(program) == INTERRUPTED
    assert whole(*list_runs(runs))[0] == 0


@scenario
def test_a_folder_that_is_removed_is_made_again_and_the_last_seconds_are_kept(rig: Rig) -> None:
    runs = rig.place / "runs"
    program = rig.record()
    until(lambda: lines(runs) > RATE, "a second")
    shutil.rmtree(runs)
    before = rig.sent_by_now()
    until(lambda: lines(runs) > RATE // 10, "a new run")
    assert ended(program) == INTERRUPTED
    found = whole(*list_runs(runs))
    assert found[0] <= before
    assert "the run's folder was removed or renamed" in program.err
    assert open_run(list_runs(runs)[0]).verified


@scenario
def test_a_log_that_another_program_cuts_short_is_told_and_the_next_run_begun(rig: Rig) -> None:
    runs = rig.place / "runs"
    program = rig.record()
    until(lambda: lines(runs) > RATE, "a second")
    os.truncate(list_runs(runs)[0] / "frames.log", 1000)
    before = rig.sent_by_now()
    until(lambda: len(list_runs(runs)) > 1 and lines(runs) > RATE // 10, "a new run")
    assert ended(program) == INTERRUPTED
    first, second = list_runs(runs)
    assert whole(second)[0] <= before
    assert "recording stopped: another program changed frames.log: " in program.err
    assert not open_run(first).verified
    assert open_run(second).verified


@scenario
def test_where_nothing_more_can_be_kept_it_ends_and_says_so(rig: Rig) -> None:
    runs = rig.place / "runs"
    program = rig.record("--give-up", "0.5", "--json")
    until(lambda: lines(runs), "frames")
    shutil.rmtree(runs)
    runs.write_text("a file where the folder was")
    assert program.wait() == BAD_INPUT
    assert "the run's folder was removed or renamed" in program.err
    last = program.err.splitlines()[-1]
    assert last.startswith(f"mixmon: {runs}: no run can be begun: ")
    assert "expected a folder with room that can be written to; choose another" in last
    assert misfits("record", json.loads(program.out)) == []
    assert json.loads(program.out)["failure"] in program.err
    assert runs.read_text() == "a file where the folder was"


class Stick:
    """A small disk that is nearly full, or a limit on files that has the same effect.

    limits  to be given to the program
    """

    def __init__(self, place: Path) -> None:
        self.place, self.runs = place, place / "runs"
        self._ballast = place / "ballast"
        place.mkdir()
        mount = ["mount", "-t", "tmpfs", "-o", "size=4m", "mixmon-test", str(place)]
        self.mounted = subprocess.run(mount, check=False, capture_output=True).returncode == 0
        self.limits = {} if self.mounted else {"largest": 60_000}
        if self.mounted:
            self._ballast.write_bytes(bytes(3_950_000))

    def make_room(self) -> None:
        """A limit needs none: it is for each file."""
        self._ballast.unlink(missing_ok=True)

    def close(self) -> None:
        if self.mounted:
            subprocess.run(["umount", "--lazy", str(self.place)], check=True)


@contextmanager
def stick_in(rig: Rig) -> Iterator[Stick]:
    one = Stick(rig.place / "stick")
    try:
        yield one
    finally:
        one.close()


@scenario
def test_a_full_disk_ends_in_the_spare_folder_without_a_gap(rig: Rig) -> None:
    with stick_in(rig) as stick:
        spare = rig.place / "spare"
        program = rig.record("--spare", str(spare), runs=stick.runs, **stick.limits)
        until(lambda: lines(spare), "a run in the spare folder")
        assert ended(program) == INTERRUPTED
        first, second = list_runs(stick.runs)[0], list_runs(spare)[0]
        assert whole_after_failure(first, second)[0] == 0
        assert open_run(second).verified
        assert "recording stopped: " in program.err
        assert str(second) in program.err


@scenario
def test_a_disk_on_which_room_is_made_takes_the_next_run_without_a_gap(rig: Rig) -> None:
    with stick_in(rig) as stick:
        program = rig.record(runs=stick.runs, **stick.limits)
        until(lambda: "recording stopped: " in program.err, "a full disk")
        first = list_runs(stick.runs)[0]
        until(
            lambda: (first / "SHA256SUMS").exists() or "no run can be begun" in program.err,
            "the first run's end",
        )
        shutil.copytree(first, rig.place / "copy")
        stick.make_room()
        until(lambda: len(list_runs(stick.runs)) > 1 and lines(stick.runs, 1), "the next run")
        assert ended(program) == INTERRUPTED
        assert whole_after_failure(rig.place / "copy", list_runs(stick.runs)[1])[0] == 0
        if stick.mounted:
            assert len(list_runs(stick.runs)) == 2, "nothing was begun before there was room"


@scenario
def test_two_recorders_share_a_folder(rig: Rig) -> None:
    other = rig.place / "other"
    other.mkdir()
    second = Rig(rig.starter, other)
    try:
        programs = [one.record("--for", "0.5", runs=rig.place / "runs") for one in (rig, second)]
        assert [program.wait() for program in programs] == [DONE, DONE]
    finally:
        second.close()
    runs = list_runs(rig.place / "runs")
    assert len(runs) == 2
    for run in runs:
        assert open_run(run).verified
        whole(run)
