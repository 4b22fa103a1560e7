"""A log whose stamps jump: told once, as a jump of the clock, and no node is called silent for it."""

from __future__ import annotations

import gzip
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from command_line import run_command

import mixmon

EXAMPLES = Path(__file__).parents[2] / "examples"
SESSION = str(EXAMPLES / "alder8.toml")
SILENT, ALL_SILENT = "node silent", "no data from the chain"


@pytest.fixture(scope="module")
def jumping(tmp_path_factory: pytest.TempPathFactory) -> Callable[[float], Path]:
    """Makes eight seconds of the short example, of which the second half is stamped so much later."""
    text = gzip.decompress((EXAMPLES / "alder8_short.log.gz").read_bytes())
    lines = text.splitlines(keepends=True)[:8000]

    def make(seconds: float) -> Path:
        log = tmp_path_factory.mktemp("jump") / "jump.log"
        late = [
            re.sub(rb"[0-9.]+", lambda stamp: b"%.6f" % (float(stamp[0]) + seconds), line, count=1)
            for line in lines[4000:]
        ]
        log.write_bytes(b"".join([*lines[:4000], *late]))
        return log

    return make


@pytest.mark.parametrize(("seconds", "words"), [(3600.0, "ahead by 3600.0 s"), (-100.0, "back by 100.0 s")])
def test_a_replay_tells_a_jump_once_and_plays_everything(
    jumping: Callable[[float], Path], seconds: float, words: str
) -> None:
    log = jumping(seconds)
    answer = run_command("replay", str(log), "-s", SESSION, "--text")
    told = [line for line in answer.err.splitlines() if "jump" in line]
    assert told == [f"mixmon: the time stamps jump {words} at 00:04.0; a new stretch of time begins"]
    assert SILENT not in answer.out
    assert ALL_SILENT not in answer.out
    summed_up = f"the time stamps jump 1 time ({words} at 00:04.0)"
    assert summed_up in " ".join(answer.out.split())
    assert "8 000 frames in 8.0 s" in answer.out
    run = mixmon.read_run(mixmon.load_session(SESSION), log)
    assert SILENT not in {event.rule for event in mixmon.alarms(run)}
    assert run.log.frames == 8000


def test_in_a_run_the_same_silence_was_watched_and_is_alarmed_again(
    jumping: Callable[[float], Path], tmp_path: Path
) -> None:
    (tmp_path / "frames.log").write_bytes(jumping(60.0).read_bytes())
    run = mixmon.read_run(mixmon.load_session(SESSION), tmp_path)
    silent = [event for event in mixmon.alarms(run) if event.rule in {SILENT, ALL_SILENT} and event.announced]
    assert [event.rule for event in silent] == [ALL_SILENT]
