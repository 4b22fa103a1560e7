"""Files of fuel steps: read strictly, with every mistake and its place."""

import pytest

from mixmon.errors import SessionError, SourceError
from mixmon.session.fuel_steps import FuelStep, load_fuel_steps

GOOD = """
[[step]]
from_s = 13.5
to_s = 18
fuel_percent = { "2" = 3, "1" = -3.0 }
[[step]]
from_s = 18
to_s = 20
fuel_percent = {}
"""


def test_steps_in_order_of_time(tmp_path):
    path = tmp_path / "steps.toml"
    path.write_text(GOOD)
    assert load_fuel_steps(path, 2) == (
        FuelStep(13.5, 18.0, ((1, -3.0), (2, 3.0))),
        FuelStep(18.0, 20.0, ()),
    )


@pytest.mark.parametrize(
    ("before", "after", "where", "said"),
    [
        ("[[step]]\nfrom_s = 13.5", "[[step]]", "step[1].from_s", "missing"),
        ("to_s = 18\n", "to_s = 13\n", "step[1].to_s", "13; expected later than from_s, 13.5"),
        ("from_s = 18\n", "from_s = 17\n", "step[2].from_s", "17; expected 18 or later"),
        ('"2" = 3', '"3" = 3', "step[1].fuel_percent.3", "a cylinder of the engine, 1 to 2"),
        ('"2" = 3', '"all" = 3', "step[1].fuel_percent.all", "a cylinder of the engine, 1 to 2"),
        ('"2" = 3', '"2" = 300', "step[1].fuel_percent.2", "300; expected a number from -30 to 30 %"),
        ("[[step]]\nfrom_s = 18", "[[stop]]\nfrom_s = 18", "stop", "unknown key"),
        ("from_s = 13.5", "from_s = ", "line 3", "expected TOML"),
    ],
)
def test_mistakes_are_told_with_their_place(tmp_path, before, after, where, said):
    path = tmp_path / "steps.toml"
    path.write_text(GOOD.replace(before, after))
    with pytest.raises(SessionError) as caught:
        load_fuel_steps(path, 2)
    told = str(caught.value)
    assert where in told
    assert said in told


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(SourceError, match="expected a file of fuel steps"):
        load_fuel_steps(tmp_path / "none.toml", 2)
