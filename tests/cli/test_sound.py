"""The program that makes alarms heard, started for real."""

import sys
from dataclasses import replace
from pathlib import Path

import pytest

from mixmon.cli.screen import Sound, Speaker, changed_settings
from mixmon.cli.settings import KEYS
from mixmon.dashboard.app import DashboardOptions
from mixmon.errors import UsageError
from mixmon.gas.fuel import fuel_named
from mixmon.report.units import unit_named

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
    sound = Sound(f"'{sys.executable}' '{script}' --loud", "--sound")
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
    sound = Sound(f"'{sys.executable}' '{script}'", "--sound")
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
        Sound(command, "--sound")


def test_another_program_takes_the_place_of_the_first_or_of_none(tmp_path: Path) -> None:
    script = tmp_path / "speak.py"
    script.write_text(
        f"import pathlib, sys\npathlib.Path({str(tmp_path)!r}, sys.argv[1]).write_text(sys.argv[2])\n",
        "utf-8",
    )
    speaker = Speaker()
    speaker("urgent", "nobody hears it")
    refused = speaker.change("no-such-program-anywhere")
    assert refused.startswith("sound program 'no-such-program-anywhere': no such program")
    assert speaker.program == ""
    program = f"'{sys.executable}' '{script}'"
    assert speaker.change(program) == ""
    speaker("urgent", "3 lean under load")
    speaker.close(BOUND_S)
    assert (tmp_path / "urgent").read_text() == "3 lean under load"
    assert (speaker.change(""), speaker.program) == ("", "")
    speaker.close(BOUND_S)
    assert (tmp_path / "clear").exists()


def test_what_commands_have_changed_is_kept_and_nothing_else() -> None:
    begin = DashboardOptions((unit_named("lambda", fuel_named("gasoline"), None),), program="say").state()
    assert changed_settings(begin, begin) == {}
    far = replace(begin.options, distance_m=0.6, screen_inch=24.0, blink=False)
    changed = changed_settings(begin, replace(begin, options=far, bell=False, sound=""))
    assert changed == {"distance_m": 0.6, "screen_inch": 24.0, "blink": False, "bell": False, "sound": ""}
    assert all(KEYS[key].accepts(value) for key, value in changed.items())
