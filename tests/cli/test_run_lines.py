"""The line that a recording ends with, and a terminal that cannot move its cursor."""

from pathlib import Path
from types import SimpleNamespace

import pytest

from mixmon.cli.live import run_lines
from mixmon.cli.stopping import at_terminal, why_no_screen
from mixmon.record.recorder import RecorderState, RecorderStatus


def test_a_recording_ends_with_its_place_its_length_and_the_next_command():
    run = RecorderStatus(
        RecorderState.IDLE, Path("runs/my engine"), frames=206000, size=8_000_000, seconds=251.6
    )
    buses = (SimpleNamespace(name="chain", lost=0),)
    worker = SimpleNamespace(recording=SimpleNamespace(runs=[run]), snapshot=SimpleNamespace(buses=buses))
    (line,) = run_lines(worker)
    assert line == (
        "runs/my engine: 04:11.6 recorded, 206000 frames, 8000000 bytes, 0 lost; "
        "next: mixmon replay 'runs/my engine'"
    )


def test_a_dumb_terminal_gets_text(monkeypatch: pytest.MonkeyPatch):
    there = SimpleNamespace(isatty=lambda: True)
    monkeypatch.setattr("sys.stdin", there)
    monkeypatch.setattr("sys.stdout", there)
    monkeypatch.setenv("TERM", "xterm")
    assert at_terminal()
    monkeypatch.setenv("TERM", "dumb")
    assert not at_terminal()
    assert why_no_screen().startswith("the terminal is dumb (TERM=dumb)")
