"""The live commands as a person uses them: ended by Ctrl-C, without a terminal, cautioned once."""

from __future__ import annotations

import io
import json
import os
import pty
import select
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import redirect_stdout
from pathlib import Path

import pytest
from live_rig import EXAMPLE, PATIENCE_S, Player, glimpse, until
from run_folders import list_runs
from schema_judge import misfits
from slcan_emulator import SlcanEmulator

from mixmon.cli.main import BAD_INPUT, DONE, INTERRUPTED, main
from mixmon.record.run_folder import open_run

NAMES = ("commanded-chain", "commanded-engine")
LOST = "losses not counted on chain, engine"
"""A virtual bus, as most adapters, does not count what it loses."""
BUSES = ("-s", str(EXAMPLE), "-i", "virtual", "-c", f"chain={NAMES[0]}", "-c", f"engine={NAMES[1]}")


@pytest.fixture(autouse=True)
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Acceptances of the caution are kept here."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path / "state" / "mixmon" / "caution.json"


PROGRAMS: list[subprocess.Popen[bytes]] = []


@pytest.fixture(autouse=True)
def ended() -> Iterator[None]:
    """No program outlives its test, whatever that came to."""
    yield
    while PROGRAMS:
        program = PROGRAMS.pop()
        program.kill()
        program.wait()


@pytest.fixture
def engine() -> Iterator[Player]:
    with Player(glimpse(18.0, 38.0), NAMES) as player:
        yield player


def interrupt_when(true: Callable[[], object]) -> threading.Thread:
    """Ctrl-C as soon as that is so; also where it never is, as the command would not end then."""

    def wait() -> None:
        try:
            until(true, "the moment to interrupt")
        finally:
            os.kill(os.getpid(), signal.SIGINT)

    thread = threading.Thread(target=wait)
    thread.start()
    return thread


def ran(capfd: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    status = main(arguments)
    captured = capfd.readouterr()
    return status, captured.out, captured.err


def recorded(runs: Path, size: int) -> bool:
    """Whether a run has grown to so many bytes."""
    return any((run / "frames.log").stat().st_size > size for run in list_runs(runs))


@pytest.mark.usefixtures("engine")
@pytest.mark.parametrize("command", [["record"], ["watch", "--text"]], ids=["record", "watch"])
def test_control_c_closes_the_record_properly(
    capfd: pytest.CaptureFixture[str], tmp_path: Path, command: list[str]
) -> None:
    """A watch is interrupted once a line of it, which comes once a second, has shown every cylinder."""
    runs = tmp_path / "runs"
    shown = io.BytesIO()
    awaited = b"" if command == ["record"] else b"valid 8/8"
    thread = interrupt_when(lambda: recorded(runs, 30_000) and awaited in shown.getvalue())
    with redirect_stdout(io.TextIOWrapper(shown, "utf-8")) as output:
        status, _, err = ran(capfd, *command, *BUSES, "--folder", str(runs), "--accept-caution")
        thread.join()
        output.flush()
    out = shown.getvalue().decode()
    assert status == INTERRUPTED
    assert err.endswith("mixmon: interrupted; what had been written is whole\n")
    (folder,) = list_runs(runs)
    run = open_run(folder)
    assert (run.verified, run.faults) == (True, ())
    assert run.manifest.state == "complete"
    if command == ["record"]:
        told = f"{run.manifest.frames} frames, {run.manifest.size} bytes, {LOST}"
        assert out.startswith(f"{folder}: 00:")
        assert out.endswith(f" recorded, {told}; next: mixmon replay {folder}\n")
    else:
        assert "valid 8/8" in out
    accepted = [note.data["text"] for note in run.notes if note.kind == "note"]
    assert len(accepted) == 1
    assert accepted[0].startswith("caution accepted 20")
    assert ran(capfd, "verify", str(folder))[0] == DONE


@pytest.mark.usefixtures("engine")
def test_control_c_ends_a_census_with_its_report(capfd: pytest.CaptureFixture[str], engine: Player) -> None:
    thread = interrupt_when(lambda: engine.sent > 1000)
    status, out, _ = ran(capfd, "census", *BUSES, "--for", "60", "--json", "--quiet")
    thread.join()
    assert status == INTERRUPTED
    found = json.loads(out)
    assert len(found["nodes"]) == 8
    assert found["silent"] == []
    assert found["troubles"] == []


def test_control_c_ends_a_replay(capfd: pytest.CaptureFixture[str]) -> None:
    thread = interrupt_when(lambda: "worker" in thread_names())
    status, out, err = ran(
        capfd, "replay", "examples/alder8_short.log.gz", "-s", str(EXAMPLE), "--speed", "1", "--text"
    )
    thread.join()
    assert (status, out) == (INTERRUPTED, "")
    assert "interrupted" in err
    assert "worker" not in thread_names()


def thread_names() -> set[str]:
    return {thread.name for thread in threading.enumerate()}


@pytest.mark.usefixtures("engine")
def test_a_record_as_json(capfd: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    runs = tmp_path / "runs"
    arguments = (
        "record",
        *BUSES,
        "--folder",
        str(runs),
        "--accept-caution",
        "--for",
        "0.5",
        "--json",
        "--quiet",
    )
    status, out, _ = ran(capfd, *arguments)
    found = json.loads(out)
    (folder,) = list_runs(runs)
    (told,) = found["runs"]
    assert status == DONE
    assert told["folder"] == str(folder)
    assert told["frames"] == open_run(folder).manifest.frames == found["frames"]
    assert (told["stopped"], found["failure"], found["troubles"]) == (None, "", [])


def test_a_place_that_cannot_hold_runs_is_bad_input_at_once(
    capfd: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    (tmp_path / "runs").write_text("a file")
    arguments = ("record", *BUSES, "--folder", str(tmp_path / "runs"), "--accept-caution", "--json")
    status, out, err = ran(capfd, *arguments)
    assert status == BAD_INPUT
    assert misfits("record", json.loads(out)) == []
    assert json.loads(out)["failure"] in err
    assert "no run can be begun: File exists; expected a folder with room" in err


@pytest.mark.usefixtures("engine")
def test_watching_goes_on_without_a_record_and_the_exit_status_tells_it(
    capfd: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    (tmp_path / "runs").write_text("a file")
    arguments = (
        "watch",
        "--text",
        *BUSES,
        "--folder",
        str(tmp_path / "runs"),
        "--accept-caution",
        "--for",
        "1.5",
    )
    status, out, err = ran(capfd, *arguments)
    assert status == BAD_INPUT
    assert "no run can be begun: File exists" in err
    assert len(out.splitlines()) >= 2, "a line a second"


@pytest.mark.parametrize("command", [["record"], ["watch", "--text"]], ids=["record", "watch"])
def test_where_nobody_can_answer_the_caution_it_must_be_accepted_by_an_option(
    capfd: pytest.CaptureFixture[str], tmp_path: Path, command: list[str], state: Path
) -> None:
    status, out, err = ran(capfd, *command, *BUSES, "--folder", str(tmp_path / "runs"))
    assert (status, out) == (BAD_INPUT, "")
    assert "Monitoring only. It will not stop, limit or protect the engine." in err
    assert (
        "the caution was not accepted for this session file; expected it once for each session file; add"
        in err
    )
    assert not state.exists()
    assert not (tmp_path / "runs").exists()


def test_an_acceptance_that_cannot_be_kept_is_said_and_costs_nothing_else(
    capfd: pytest.CaptureFixture[str], tmp_path: Path, engine: Player
) -> None:
    (tmp_path / "state").write_text("a file where the folder should be")
    arguments = ("record", *BUSES, "--folder", str(tmp_path / "runs"), "--accept-caution", "--for", "0.5")
    status, _, err = ran(capfd, *arguments)
    assert engine.sent
    assert status == DONE
    assert f"{tmp_path / 'state'}" in err
    assert (
        "expected a place to store that the caution was accepted; it will be asked for again; set XDG" in err
    )
    (run,) = list_runs(tmp_path / "runs")
    assert [n.data["text"][:18] for n in open_run(run).notes if n.kind == "note"] == ["caution accepted 2"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (
            ["watch", *BUSES],
            "expected a terminal to draw on, or --text for a line a second",
        ),
        (["watch", "--text", "--accept-caution", "-s", str(EXAMPLE), "-i", "nosuch"], "no interface nosuch"),
        (
            ["record", "--accept-caution", "-s", str(EXAMPLE), "-i", "slcan", "-c", "/dev/nosuch"],
            "no such port",
        ),
        (["record", "-s", "nowhere.toml"], "nowhere.toml: No such file or directory; expected a session"),
        (
            ["replay", "nowhere.log", "-s", str(EXAMPLE)],
            "nowhere.log: no such file or directory; expected a log",
        ),
        (
            ["replay", "examples/alder8_short.log.gz"],
            "no session; expected --session, or the folder of a run",
        ),
        (["replay", "examples", "-s", str(EXAMPLE)], "examples: no frames.log; expected the folder of a run"),
        (["census", "-s", "examples/foreign.toml"], "no live bus: expected a log, --interface and"),
    ],
    ids=["terminal", "interface", "port", "session", "log", "no session", "folder", "no bus"],
)
def test_what_cannot_be_done_is_said_in_one_line(
    capfd: pytest.CaptureFixture[str], arguments: list[str], words: str
) -> None:
    status, out, err = ran(capfd, *arguments)
    assert (status, out) == (BAD_INPUT, "")
    last = err.splitlines()[-1]
    assert words in last
    assert "Traceback" not in err


@pytest.fixture
def ports(tmp_path: Path) -> Iterator[list[str]]:
    """Options that name two serial adapters, for programs of their own."""
    emulators = [SlcanEmulator(tmp_path / name) for name in ("a", "b")]
    for emulator in emulators:
        emulator.plug()
    links = (f"chain={emulators[0].link}", "-c", f"engine={emulators[1].link}")
    yield ["-s", str(EXAMPLE), "-i", "slcan", "-c", *links, "--folder", str(tmp_path / "runs")]
    for emulator in emulators:
        emulator.unplug()


def test_a_record_that_was_killed_is_replayed_and_reported_on_up_to_its_last_line(
    capfd: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    emulators = [SlcanEmulator(tmp_path / name) for name in ("a", "b")]
    for emulator in emulators:
        emulator.plug()
    runs = tmp_path / "runs"
    links = ("-c", f"chain={emulators[0].link}", "-c", f"engine={emulators[1].link}", "--folder", str(runs))
    command = ["record", "-s", str(EXAMPLE), "-i", "slcan", *links, "--accept-caution", "--quiet"]
    program = subprocess.Popen([sys.executable, "-m", "mixmon", *command], stderr=subprocess.DEVNULL)
    for emulator in emulators:
        assert emulator.opened.wait(PATIENCE_S)
    until(lambda: list_runs(runs), "the run")
    frames = glimpse(18.0, 19.5)
    for bus, number, size, data in zip(frames.bus, frames.can_id, frames.size, frames.data, strict=True):
        emulators[bus].send(int(number), bytes(data[:size]))
    until(lambda: recorded(runs, 40_000), "some frames")
    program.kill()
    assert program.wait(PATIENCE_S) == -signal.SIGKILL
    for emulator in emulators:
        emulator.unplug()
    (folder,) = list_runs(runs)
    whole = (folder / "frames.log").read_bytes().count(b"\n")
    status, out, err = ran(capfd, "replay", str(folder), "--json")
    assert status == DONE
    assert json.loads(out)["log"]["frames"] == whole
    assert "cut off: the program ended before the run did" in err
    status, out, err = ran(capfd, "balance", str(folder), "--json")
    assert (status, json.loads(out)["log"]["frames"]) == (DONE, whole)
    assert "cut off: the program ended before the run did" in err
    status, out, _ = ran(capfd, "verify", str(folder), "--json")
    assert (status, json.loads(out)["cut_off"], json.loads(out)["verified"]) == (BAD_INPUT, True, False)


def test_a_record_that_was_changed_is_found_out(
    capfd: pytest.CaptureFixture[str], tmp_path: Path, engine: Player
) -> None:
    runs = tmp_path / "runs"
    arguments = ("record", *BUSES, "--folder", str(runs), "--accept-caution", "--for", "0.5", "--quiet")
    assert ran(capfd, *arguments)[0] == DONE
    assert engine.sent
    (folder,) = list_runs(runs)
    status, out, err = ran(capfd, "verify", str(folder))
    assert (status, err) == (DONE, "")
    assert out.endswith("; every file agrees with its checksum\n")
    log = folder / "frames.log"
    text = log.read_bytes()
    log.write_bytes(text[:-3] + (b"00" if text[-3:-1] != b"00" else b"11") + b"\n")
    words = "frames.log: differs from its checksum; it was changed after the run ended"
    status, out, err = ran(capfd, "verify", str(folder))
    assert (status, out) == (BAD_INPUT, f"{folder}: {words}\n")
    for command in ("replay", "balance", "events"):
        status, _, err = ran(capfd, command, str(folder), "--json")
        assert status == DONE
        assert words in err


class Terminal:
    """A program of its own on a pseudo-terminal."""

    def __init__(self, *command: str) -> None:
        self._master, slave = pty.openpty()
        self.program = subprocess.Popen(
            [sys.executable, "-m", "mixmon", *command], stdin=slave, stdout=slave, stderr=slave
        )
        os.close(slave)
        PROGRAMS.append(self.program)
        self.written = ""

    def read(self, words: str) -> None:
        """Read until these words come."""
        until(lambda: words in self.written or self._read_more(), words)

    def read_until(self, true: Callable[[], object]) -> None:
        """Read until something else is so."""
        until(lambda: true() or self._read_more(), "what the program does")

    def _read_more(self) -> bool:
        """Take what is there; True at the program's end."""
        if not select.select([self._master], [], [], 0.05)[0]:
            return False
        try:
            piece = os.read(self._master, 1 << 16)
        except OSError:  # Linux ends a pseudo-terminal that nobody holds so
            return True
        self.written += piece.decode(errors="replace")
        return not piece

    def type(self, keys: str) -> None:
        os.write(self._master, keys.encode())

    def close(self) -> None:
        """The window is closed: what is written reaches nobody, and the program is told."""
        os.close(self._master)
        self.program.send_signal(signal.SIGHUP)

    def end(self) -> int:
        """Read to the end; the exit status."""
        until(self._read_more, "the end")
        os.close(self._master)
        return self.program.wait(PATIENCE_S)


@pytest.mark.slow
def test_the_caution_is_asked_for_once_at_a_terminal(ports: list[str], state: Path) -> None:
    command = ["record", *ports, "--for", "0.3"]
    first = Terminal(*command)
    first.read("accepted? y or n")
    first.type("n\n")
    assert first.end() == BAD_INPUT
    assert "the caution was not accepted" in first.written
    assert not state.exists()
    second = Terminal(*command)
    second.read("accepted? y or n")
    second.type("y\n")
    assert second.end() == BAD_INPUT, "no frame came"
    assert len(json.loads(state.read_text())["accepted"]) == 1
    assert "caution accepted 20" in second.written, "and told to the record"
    third = Terminal(*command)
    third.end()
    assert "accepted? y or n" not in third.written
    assert "Monitoring only." in third.written


def notes_in(runs: Path) -> str:
    return "".join((run / "notes.jsonl").read_text() for run in list_runs(runs))


def test_on_the_screen_too_an_acceptance_that_cannot_be_kept_costs_nothing_else(
    ports: list[str], tmp_path: Path
) -> None:
    (tmp_path / "state").write_text("a file where the folder should be")
    terminal = Terminal("watch", *ports)
    terminal.read("Monitoring only.")
    terminal.type("y")
    terminal.read_until(lambda: "it will be asked for again" in notes_in(tmp_path / "runs"))
    terminal.program.send_signal(signal.SIGTERM)
    assert terminal.end() == INTERRUPTED
    assert "Traceback" not in terminal.written


def test_a_terminal_that_is_closed_ends_the_screens_and_the_record_properly(
    ports: list[str], tmp_path: Path
) -> None:
    terminal = Terminal("watch", *ports, "--accept-caution")
    terminal.read("rpm/1000")
    terminal.read_until(lambda: notes_in(tmp_path / "runs"))
    terminal.close()
    assert terminal.program.wait(PATIENCE_S) == INTERRUPTED
    assert open_run(list_runs(tmp_path / "runs")[0]).verified


def test_a_signal_ends_the_screens_and_the_record_properly(ports: list[str], tmp_path: Path) -> None:
    terminal = Terminal("watch", *ports, "--accept-caution")
    terminal.read("rpm/1000")
    terminal.read_until(lambda: notes_in(tmp_path / "runs"))
    terminal.program.send_signal(signal.SIGTERM)
    assert terminal.end() == INTERRUPTED
    assert terminal.written.endswith("interrupted; what had been written is whole\r\n")
    assert open_run(list_runs(tmp_path / "runs")[0]).verified
