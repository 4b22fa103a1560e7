"""mixmon serve: which command it takes, what it refuses, and that a run is not recorded twice."""

import os
import sys

import pytest

from mixmon.cli.main import BAD_INPUT, main
from mixmon.cli.serve import HOST
from mixmon.dashboard.server import is_loopback
from mixmon.record.recorder import Recorder
from mixmon.record.run_folder import GROWS_S, find_growing


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ([], "nothing to show; expected watch, replay, demo"),
        (["balance", "x.log"], "balance has no dashboard; expected watch, replay, demo"),
        (["--hots", "0.0.0.0", "demo"], "no option --hots; did you mean --host or --port?"),
        (["demo", "--sed", "1"], "mixmon demo: no option --sed"),
        (["--", "demo", "--text"], "--text is not for browsers"),
        (["replay", "x.log", "--json"], "--json is not for browsers"),
        (["watch", "-s", "x.toml", "--sound", "true"], "--sound is not for browsers"),
        (["--host", "", "demo"], "found ''; expected an address of this machine"),
        (["--port", "70000", "demo"], "expected a port, 0 to 65535"),
    ],
)
def test_what_cannot_be_served_is_refused_with_what_can(words, says, capsys):
    assert main(["serve", *words]) == BAD_INPUT
    told = capsys.readouterr().err
    assert says in told
    assert told.count("\n") == 1


def test_a_missing_library_is_named(monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "textual_serve", None)
    assert main(["serve", "demo"]) == BAD_INPUT
    assert "pip install 'mixmon[serve]'" in capsys.readouterr().err


def test_only_this_machine_reaches_it_unless_it_is_told_otherwise():
    assert is_loopback(HOST)


def test_a_run_that_grows_is_found_and_one_that_was_cut_off_is_not(tmp_path):
    assert find_growing(tmp_path / "none") is None
    recorder = Recorder(tmp_path, name="test", pre_trigger_s=0.0)
    recorder.start()
    run = recorder.status().folder
    assert find_growing(tmp_path) == run
    written = (run / "frames.log").stat().st_mtime
    assert find_growing(tmp_path, lambda: written + GROWS_S + 1) is None
    os.utime(run / "frames.log")
    recorder.close()
    assert find_growing(tmp_path) is None
