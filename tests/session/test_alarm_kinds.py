"""Values and limits of alarms as text: the numbers shown never contradict the alarm."""

from hypothesis import assume, given
from hypothesis import strategies as st

from mixmon.session.alarm_kinds import limit_text, measured_text

UNITS = st.sampled_from(["lambda", "%", "s", "V"])


@given(
    limit=st.decimals("0.01", "60", places=4).map(float),
    away=st.floats(-1, 1).map(lambda x: x**5),
    unit=UNITS,
)
def test_a_shown_value_stands_on_its_own_side_of_the_shown_limit(
    limit: float, away: float, unit: str
) -> None:
    assume(abs(away) > 1e-6)
    value = limit + away
    shown, shown_limit = float(measured_text(value, limit, unit)), float(limit_text(limit, unit))
    assert shown_limit == limit
    assert (shown > shown_limit) == (value > limit)
    assert (shown < shown_limit) == (value < limit)


def test_no_more_digits_than_are_needed() -> None:
    assert measured_text(0.0512, 0.04, "lambda") == "0.051"
    assert measured_text(12.96, 13.0, "V") == "12.96"
    assert limit_text(11, "V") == "11.0"
