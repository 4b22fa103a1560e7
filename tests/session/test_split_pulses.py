"""Files of times with half pulses: read strictly, with every mistake and its place."""

import pytest

from mixmon.errors import SessionError, SourceError
from mixmon.session.split_pulses import SplitPulse, load_split_pulses

GOOD = """
[[split_pulse]]
from_s = 13.5
to_s = 28
pulse_ms = 5.55
[[split_pulse]]
from_s = 40
to_s = 52
"""


def test_times_in_order(tmp_path):
    path = tmp_path / "splits.toml"
    path.write_text(GOOD)
    assert load_split_pulses(path) == (SplitPulse(13.5, 28.0, 5.55), SplitPulse(40.0, 52.0))


@pytest.mark.parametrize(
    ("before", "after", "where", "said"),
    [
        ("from_s = 13.5\n", "", "split_pulse[1].from_s", "missing"),
        ("to_s = 28\n", "to_s = 13\n", "split_pulse[1].to_s", "13; expected later than from_s, 13.5"),
        ("from_s = 40", "from_s = 20", "split_pulse[2].from_s", "20; expected 28 or later"),
        ("5.55", "5550", "split_pulse[1].pulse_ms", "5550; expected a number from 0.5 to 100 ms"),
        ("[[split_pulse]]\nfrom_s = 40", "[[step]]\nfrom_s = 40", "step", "unknown key"),
        ("from_s = 13.5", "from_s = ", "line 3", "expected TOML"),
    ],
)
def test_mistakes_are_told_with_their_place(tmp_path, before, after, where, said):
    path = tmp_path / "splits.toml"
    path.write_text(GOOD.replace(before, after))
    with pytest.raises(SessionError) as caught:
        load_split_pulses(path)
    assert where in str(caught.value)
    assert said in str(caught.value)


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(SourceError, match="split pulses"):
        load_split_pulses(tmp_path / "none.toml")
