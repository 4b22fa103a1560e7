"""Response and delay: bent ones are wrong."""

from __future__ import annotations

import dataclasses

import pytest
from gradings import graded

from mixmon.findings.response.notes import ResponseNote
from mixmon.findings.response.response import ResponseReview
from mixmon.grade import response
from mixmon.grade.evidence import Evidence
from mixmon.grade.item import Grading
from mixmon.note import note

RIGHT, WRONG, NOT_YET, ELSEWHERE = Grading


@pytest.fixture
def short() -> Evidence:
    return graded("alder8-short", 31)


def reviewed(evidence: Evidence, **changes: object) -> Evidence:
    """The evidence with a review of the response that says something else."""
    return dataclasses.replace(evidence, response=dataclasses.replace(evidence.response, **changes))


def with_sensor(review: ResponseReview, position: int, **changes: object) -> tuple[object, ...]:
    """The sensors with one of them changed."""
    return tuple(
        dataclasses.replace(one, **changes) if one.position == position else one for one in review.sensors
    )


@pytest.mark.parametrize("factor", [1.2, 0.8, float("nan")], ids=["slow", "quick", "not known"])
def test_a_time_that_is_out_by_a_fifth_or_not_known_is_wrong(short: Evidence, factor: float) -> None:
    assert response.response_times(short).grading is RIGHT
    old = next(one for one in short.response.sensors if one.sensor == "S-088")
    for way in ("lean", "rich"):
        time = getattr(old, way)
        bent = dataclasses.replace(time, t63_s=time.t63_s * factor)
        changed = reviewed(short, sensors=with_sensor(short.response, old.position, **{way: bent}))
        assert response.response_times(changed).grading is WRONG


def test_an_odd_sensor_that_is_not_named_or_a_good_one_that_is_is_wrong(short: Evidence) -> None:
    item = response.odd_sensors(short)
    assert item.grading is RIGHT
    assert item.expected == "S-088 off in air, slow, slow to warm up, uneven"
    missed = reviewed(
        short, sensors=with_sensor(short.response, 5, flags=(note(ResponseNote.SLOW, times_peers=3.0),))
    )
    invented = reviewed(
        short, sensors=with_sensor(short.response, 1, flags=(note(ResponseNote.SLOW, times_peers=3.0),))
    )
    assert response.odd_sensors(missed).grading is WRONG
    assert response.odd_sensors(invented).grading is WRONG


def test_one_delay_for_all_cells_is_wrong(short: Evidence) -> None:
    assert response.delays(short).grading is RIGHT
    assert response.delays_to_63(short).grading is RIGHT
    middle = next(one for one in short.response.cells if (one.rpm, one.load) == (3000.0, 18.0))
    same = tuple(
        dataclasses.replace(
            one,
            dead_s=middle.dead_s,
            dead_half_s=0.015,
            delay_s=middle.delay_s,
            delay_half_s=0.015,
        )
        for one in short.response.cells
    )
    assert response.delays(reviewed(short, cells=same)).grading is WRONG
    assert response.delays_to_63(reviewed(short, cells=same)).grading is WRONG


def test_no_delay_where_there_were_cuts_is_wrong_with_the_reason(short: Evidence) -> None:
    item = response.delays(
        reviewed(
            short,
            model=None,
            cells=(),
            refusal=note(ResponseNote.FUEL_NEVER_MOVED, steady_s=9.0, largest_percent=0.1),
        )
    )
    assert item.grading is WRONG
    assert "never moved" in item.found


def test_a_cut_that_runs_into_a_stop_asks_nothing(short: Evidence) -> None:
    cut = short.events("fuel cut")[-1]  # the engine is switched off after it
    events = [one for one in short.truth["events"] if one["kind"] != "fuel cut"] + [cut]
    only = dataclasses.replace(short, truth={**short.truth, "events": events})
    assert response.response_times(only).grading is ELSEWHERE
    assert response.odd_sensors(only).grading is ELSEWHERE
    assert response.delays(only).grading is ELSEWHERE
