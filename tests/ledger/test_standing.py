"""What is known of one sensor, from entries written out by hand."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import pytest

from mixmon.ledger.entries import Entry, EntryKind, Fact
from mixmon.ledger.ledger import Ledger
from mixmon.ledger.notes import LedgerNote
from mixmon.ledger.standing import ClassLimits, SensorRecord, records

DAY_NS = 86_400 * 1_000_000_000
DATED = 20_000 * DAY_NS


def taught(
    day: float,
    *,
    hot_s: float | None = 3600.0,
    t63: float | None = None,
    half: float = 0.004,
    warm_up: float | None = None,
    air: float | None = None,
    place: tuple[str, int, int] = ("engine", 3, 3),
    hours: float = 1.0,
    leaded: bool | None = False,
    dated: bool = True,
    serial: str = "S-1",
) -> list[Fact]:
    """What the log of a day taught of one sensor."""
    begin = int((DATED if dated else 0) + day * DAY_NS)
    span = (f"log of day {day} at {place}", f"{day}.log", begin, begin + int(hours * DAY_NS / 24))
    session, position, cylinder = place
    run = {
        "session": session,
        "position": position,
        "cylinders": [cylinder],
        "seconds": 3600 * hours,
        "hot_s": hot_s,
        "heater_cycles": 1,
        "leaded": leaded,
        "exposure": None,
    }
    facts: list[tuple[EntryKind, dict[str, Any]]] = [(EntryKind.RUN, run)]
    if t63 is not None:
        way = {"t63_s": t63, "half_s": half, "own_half_s": half, "cuts": 3, "steps": 0}
        facts.append((EntryKind.T63, {"lean": way, "rich": None}))
    if warm_up is not None:
        facts.append((EntryKind.WARM_UP, {"seconds": warm_up, "at_least": False}))
    if air is not None:
        numbers = {"percent": 20.5, "half_percent": 0.1, "to_peers_percent": air, "to_expected_percent": None}
        facts.append((EntryKind.AIR, numbers))
    return [Fact(serial, kind, numbers, *span) for kind, numbers in facts]


def known(logs: Iterable[list[Fact]], limits: ClassLimits | None = None) -> SensorRecord:
    with Ledger(":memory:") as ledger:
        for facts in logs:
            ledger.enter(facts)
        (found,) = records(ledger.entries(), limits)
    return found


def codes(found: SensorRecord) -> list[str]:
    return [flag.code for flag in found.flags]


def test_hours_cycles_and_leaded_fuel_add_up():
    found = known([taught(1), taught(2, hot_s=1800.0, leaded=True), taught(3, leaded=None)])
    assert (found.hot_h, found.leaded_h, found.hot_h_fuel_unknown, found.heater_cycles) == (2.5, 0.5, 1.0, 3)
    assert [run.hours for run in found.runs] == [0.5, 1.25, 2.0]
    assert found.flags == ()


def test_runs_stand_by_data_time_whatever_the_order_of_entering():
    found = known([taught(2), taught(3), taught(1)])
    assert [run.log_name for run in found.runs] == ["1.log", "2.log", "3.log"]
    undated = known([taught(2, dated=False), taught(1)])
    assert [run.log_name for run in undated.runs] == ["2.log", "1.log"]
    assert codes(undated) == [LedgerNote.NO_DATE]


def test_a_run_without_hours_is_counted_apart_and_stops_the_trend():
    hours = [None if day == 2 else 3600.0 for day in range(9)]
    found = known(taught(day, hot_s=hot_s, t63=0.08 + 0.002 * day) for day, hot_s in enumerate(hours))
    assert (found.hot_h, found.runs_without_hours) == (8.0, 1)
    (lean, _, _) = found.forecasts
    assert lean.why_not.code is LedgerNote.HOURS_MISSING


def test_a_drift_is_forecast_in_hours_hot():
    """4 ms an hour from 80 ms at hour 0.5: 150 ms at hour 18, 9.5 hours after the middle of the ninth run."""
    found = known(taught(day, t63=0.080 + 0.004 * day) for day in range(9))
    (lean, rich, warm_up) = found.forecasts
    assert lean.hours_left == pytest.approx(9.5)
    assert lean.interval95_h[0] < 9.5 < lean.interval95_h[1]
    assert {rich.why_not.code, warm_up.why_not.code} == {LedgerNote.TOO_FEW_POINTS}


@pytest.mark.parametrize(
    ("facts", "expected"),
    [
        ({"t63": 0.30, "half": 0.02}, [LedgerNote.SLOWER_THAN_CLASS]),
        ({"t63": 0.16, "half": 0.02}, []),
        ({"warm_up": 45.0}, [LedgerNote.WARMS_UP_SLOWER_THAN_CLASS]),
        ({"warm_up": 12.0}, []),
        ({"air": -5.0}, [LedgerNote.OFF_IN_AIR]),
        ({"air": 3.2}, []),
    ],
)
def test_a_sensor_is_named_only_where_its_whole_interval_is_beyond_its_class(facts, expected):
    assert codes(known([taught(1, **facts)])) == expected


def test_the_limits_of_the_class_can_be_the_makers():
    maker = ClassLimits(t63_s=0.06, warm_up_s=8.0, air_percent=1.0)
    found = known([taught(1, t63=0.08, warm_up=12.0, air=-2.0)], maker)
    assert codes(found) == [
        LedgerNote.SLOWER_THAN_CLASS,
        LedgerNote.WARMS_UP_SLOWER_THAN_CLASS,
        LedgerNote.OFF_IN_AIR,
    ]


def test_a_sensor_that_became_much_quicker_may_be_another():
    assert codes(known([taught(1, t63=0.14), taught(2, t63=0.085)])) == [LedgerNote.MUCH_QUICKER_THAN_BEFORE]
    assert codes(known([taught(1, t63=0.10), taught(2, t63=0.09)])) == []


def test_two_places_at_once_and_elsewhere_before():
    there = ("other engine", 1, 1)
    assert codes(known([taught(1, place=there), taught(2)])) == [LedgerNote.SEEN_ELSEWHERE]
    both = known([taught(1, place=there), taught(1.02)])
    assert set(codes(both)) == {LedgerNote.TWO_PLACES_AT_ONCE, LedgerNote.SEEN_ELSEWHERE}
    apart = known([taught(1, place=there, dated=False), taught(1.02, dated=False)])
    assert set(codes(apart)) == {LedgerNote.NO_DATE, LedgerNote.SEEN_ELSEWHERE}


def test_the_newest_bias_counts_and_a_withdrawn_one_does_not():
    with Ledger(":memory:") as ledger:
        ledger.add_bias("S-1", 0.6, 0.3, reason="first rotation")
        number = ledger.add_bias("S-1", 0.9, 0.2, reason="second rotation", source="rotation")
        (found,) = records(ledger.entries())
        assert (found.bias.percent, len(found.biases)) == (0.9, 2)
        ledger.withdraw(number, reason="a cylinder changed between the runs")
        (found,) = records(ledger.entries())
        assert (found.bias.percent, found.bias.reason) == (0.6, "first rotation")
    assert math.isnan(found.hot_h)


def test_records_take_entries_in_any_number():
    assert records([]) == ()
    entry = Entry(1, 0, Fact("S-9", EntryKind.BIAS, {"percent": 1.0, "half_percent": 0.5}))
    assert [one.serial for one in records([entry])] == ["S-9"]
