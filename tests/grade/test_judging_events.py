"""Events: missed, invented or misplaced ones are wrong."""

from __future__ import annotations

import dataclasses

import pytest
from gradings import graded

from mixmon.findings.events.event import Event, Kind
from mixmon.grade import events
from mixmon.grade.evidence import Evidence, gather
from mixmon.grade.item import Grading
from mixmon.simulate.load import load_scenario
from mixmon.simulate.scenario import Misfire
from mixmon.simulate.simulation import simulate

RIGHT, WRONG, NOT_YET, ELSEWHERE = Grading


@pytest.fixture
def short() -> Evidence:
    return graded("alder8-short", 31)


def with_events(evidence: Evidence, *events: Event) -> Evidence:
    """The evidence with other events found."""
    return dataclasses.replace(evidence, found_events=events)


def of_kind(evidence: Evidence, kind: Kind) -> list[Event]:
    return [event for event in evidence.found_events if event.kind is kind]


def but(given: Evidence, event: Event, **changes: object) -> Evidence:
    """The evidence with one event changed; taken out if nothing is changed in it."""
    others = [one for one in given.found_events if one is not event]
    return with_events(given, *others, *([dataclasses.replace(event, **changes)] if changes else []))


def test_a_burst_must_be_found_at_its_moment_with_its_length_as_misfire(short: Evidence) -> None:
    burst = next(e for e in of_kind(short, Kind.MISFIRE) if e.evidence["missed_cycles"] >= 3)
    assert events.bursts(short).grading is RIGHT
    for changes in (
        {},
        {"t": burst.t + 60_000_000},
        {"nodes": (0,)},
        {"kind": Kind.LEAN_EXCURSION},
        {"evidence": {**burst.evidence, "beyond_0.05_lambda_s": 0.4}},
        {"evidence": {**burst.evidence, "missed_cycles": 8}},
    ):
        assert events.bursts(but(short, burst, **changes)).grading is WRONG, changes


def test_a_single_misfire_may_be_missed_if_another_is_found(short: Evidence) -> None:
    assert events.singles(short).grading is RIGHT
    single = next(e for e in of_kind(short, Kind.MISFIRE) if e.evidence["missed_cycles"] < 3)
    assert events.singles(but(short, single)).grading is WRONG  # the only one of this scenario
    twice = [*short.truth["events"], {**short.events("misfire")[1], "seen_s": 12.0}]
    assert events.singles(dataclasses.replace(short, truth={**short.truth, "events": twice})).grading is RIGHT


def test_a_misfire_called_in_a_cut_or_anywhere_else_is_wrong(short: Evidence) -> None:
    burst = of_kind(short, Kind.MISFIRE)[0]
    assert events.false_misfires(short).grading is RIGHT
    in_cut = dataclasses.replace(burst, t=of_kind(short, Kind.FUEL_CUT)[0].t)
    item = events.false_misfires(with_events(short, *short.found_events, in_cut))
    assert item.grading is WRONG
    assert "1 of them in cuts" in item.found
    elsewhere = dataclasses.replace(burst, nodes=(2,))
    assert events.false_misfires(with_events(short, *short.found_events, elsewhere)).grading is WRONG


def test_cuts_must_be_found_where_they_are_and_nowhere_else(short: Evidence) -> None:
    assert events.cuts_found(short).grading is RIGHT
    cut = of_kind(short, Kind.SPARK_CUT)[0]
    for changes in ({}, {"kind": Kind.FUEL_CUT}, {"t": cut.t - 300_000_000}, {"duration_ns": 10**9}):
        assert events.cuts_found(but(short, cut, **changes)).grading is WRONG, changes
    assert events.cuts_found(with_events(short, *short.found_events, cut)).grading is WRONG


def test_an_excursion_that_nothing_explains_is_wrong(short: Evidence) -> None:
    assert events.excursions(short).grading is RIGHT
    burst = of_kind(short, Kind.MISFIRE)[0]
    calm = next(part for part in short.parts("steady") if part["name"] == "cell 6")
    begins = burst.t + round((calm["settled_s"] + 1.0 - short.events("misfire")[0]["seen_s"]) * 1e9)
    invented = dataclasses.replace(burst, kind=Kind.LEAN_EXCURSION, t=begins)
    assert events.excursions(with_events(short, *short.found_events, invented)).grading is WRONG


def test_a_drop_out_must_be_told_of_its_node_with_its_new_start(short: Evidence) -> None:
    assert events.silences(short).grading is RIGHT
    silence, start = of_kind(short, Kind.NODE_SILENT)[0], of_kind(short, Kind.NODE_RESET)[0]
    for event, changes in (
        (silence, {}),
        (silence, {"nodes": (0,)}),
        (silence, {"t": silence.t - 100_000_000}),
        (start, {}),
        (start, {"t": start.t + 100_000_000}),
    ):
        assert events.silences(but(short, event, **changes)).grading is WRONG, changes
    assert events.silences(with_events(short, *short.found_events, silence)).grading is WRONG


def test_misfires_outside_steady_time_move_no_need(short: Evidence) -> None:
    item = events.kept_out(short)
    assert item.grading is RIGHT
    assert item.found.startswith("0 samples")


def test_misfires_in_steady_time_are_judged_by_the_same_day_without_them() -> None:
    six = load_scenario("six")
    burst = Misfire(cylinder=2, during="full load 1", cycles=10, after_s=6.0)
    evidence = gather(simulate(dataclasses.replace(six, faults=(burst,)), seed=33))
    item = events.kept_out(evidence)
    assert item.grading is RIGHT
    assert not item.found.startswith("0 samples")
    second = evidence.balance.cylinders[1]
    for need in (second.needs_percent + 0.5, float("nan")):
        moved = [*evidence.balance.cylinders]
        moved[1] = dataclasses.replace(second, needs_percent=need)
        balance = dataclasses.replace(evidence.balance, cylinders=tuple(moved))
        assert events.kept_out(dataclasses.replace(evidence, balance=balance)).grading is WRONG
