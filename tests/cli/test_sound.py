"""The program that makes alarms heard, started for real."""

import sys
from pathlib import Path

import pytest

from mixmon.cli.screen import Sound
from mixmon.errors import UsageError

BOUND_S = 10.0


def test_the_program_gets_pattern_and_words_and_nothing_waits_for_it(tmp_path: Path) -> None:
    heard = tmp_path / "heard"
    script = tmp_path / "speak.py"
    script.write_text(
        "import pathlib, sys\n"
        "print('not on the screen')\n"
        f"pathlib.Path({str(heard)!r}).write_text('|'.join(sys.argv[1:]))\n",
        "utf-8",
    )
    sound = Sound(f"'{sys.executable}' '{script}' --loud")
    sound("urgent", "3 lean under load; $(date)")
    sound.wait(BOUND_S)
    assert heard.read_text() == "--loud|urgent|3 lean under load; $(date)"


def test_a_stream_of_alarms_does_not_start_a_stream_of_programs(tmp_path: Path) -> None:
    """Each of them stays until a file comes; the end of the alarm is always told."""
    go = tmp_path / "go"
    script = tmp_path / "stay.py"
    script.write_text(
        f"import pathlib\nwhile not pathlib.Path({str(go)!r}).exists():\n    pass\n",
        "utf-8",
    )
    sound = Sound(f"'{sys.executable}' '{script}'")
    for _ in range(7):
        sound("notice", "")
    assert sound.running == 4
    sound("clear", "")
    assert sound.running == 5
    go.touch()
    sound.wait(BOUND_S)
    assert sound.running == 0


@pytest.mark.parametrize("command", ["", "no-such-program-anywhere", "'unbalanced"])
def test_a_program_that_is_none_is_said_before_the_screen_opens(command: str) -> None:
    with pytest.raises(UsageError, match="--sound"):
        Sound(command)
