"""What a session file may say of an alarm beside its limit: the state of a tip-in, and re-alarm."""

from pathlib import Path

import pytest

from mixmon.session.load import read_session

FULL = (Path(__file__).parent / "full.toml").read_text(encoding="utf-8")
CUTS = 'suppress_when = "fuel_cut or spark_cut"'
TIP_IN = 'suppress_when = "fuel_cut or tip_in"'


@pytest.fixture
def changed(tmp_path):
    def read(*changes):
        text = FULL
        for old, new in changes:
            assert text.count(old) == 1, old
            text = text.replace(old, new)
        path = tmp_path / "session.toml"
        path.write_text(text, encoding="utf-8")
        return read_session(path)

    return read


def test_a_rule_may_name_the_state_of_a_tip_in_and_ask_for_re_alarm(changed):
    session, mistakes = changed((CUTS, f"{TIP_IN}\nre_alarm_s = 60"))
    assert mistakes == []
    assert session.limits.alarms[0].suppress_when == "fuel_cut or tip_in"
    assert session.limits.alarms[0].re_alarm_s == 60


@pytest.mark.parametrize("seconds", ["0", "0.5", "-1", "86401", '"often"'])
def test_re_alarm_comes_at_most_once_a_second(changed, seconds):
    _, (mistake,) = changed((CUTS, f"{CUTS}\nre_alarm_s = {seconds}"))
    assert mistake.where == "limits.alarm[1].re_alarm_s"
    assert "from 1 to 86400 s" in mistake.expected


def test_a_tip_in_needs_a_signal_that_tells_the_opening(changed):
    signals = [line for line in FULL.splitlines() if line.startswith(("throttle ", "map_kpa "))]
    assert len(signals) == 2
    one, both = ([(f"{line}\n", "") for line in lines] for lines in (signals[:1], signals))
    _, mistakes = changed((CUTS, TIP_IN), *one)
    assert not [m for m in mistakes if "tip_in" in m.found]
    _, mistakes = changed((CUTS, TIP_IN), *both)
    (mistake,) = [m for m in mistakes if "tip_in" in m.found]
    assert mistake.where == "limits.alarm[1].suppress_when"
    assert mistake.expected == "a signal in engine_signals.throttle or engine_signals.map_kpa"


def test_a_misspelt_state_is_told_with_the_nearest(changed):
    _, (mistake,) = changed((CUTS, 'suppress_when = "tipin"'))
    assert '"tipin"' in mistake.found
    assert '"tip_in"' in mistake.expected
