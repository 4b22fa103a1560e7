"""Enum members in the evidence of events: JSON gives their words."""

import json
from pathlib import Path

import numpy as np

import mixmon
from mixmon.findings.events.event import DoubtReason, DropOutReason, Event, Kind, MisfireShape, Value
from mixmon.findings.lags import sensor_lags
from mixmon.report.events import events_json, events_text
from mixmon.report.text import to_json
from mixmon.report.units import unit_named

EXAMPLES = Path(__file__).parents[2] / "examples"


def event(kind: Kind, **evidence: Value) -> Event:
    return Event(0, kind, (0,), (1,), False, np.nan, 10, np.nan, np.nan, evidence)


def test_kinds_shapes_and_reasons_are_their_words_in_json() -> None:
    run = mixmon.read_run(mixmon.load_session(EXAMPLES / "foreign.toml"), EXAMPLES / "foreign.log.gz")
    found = [
        event(Kind.MISFIRE, shape=MisfireShape.ON_AND_OFF),
        event(Kind.SENSOR_DROP_OUT, why=DropOutReason.STANDS_STILL),
    ]
    misfire, drop_out = json.loads(to_json(events_json(found, (), run)))["events"]
    assert (misfire["kind"], misfire["evidence"]) == ("misfire", {"shape": "on and off"})
    assert (drop_out["kind"], drop_out["evidence"]) == ("sensor drop-out", {"why": "the value stands still"})


def test_what_is_not_classified_says_what_speaks_for_each_and_which_looks_to_do() -> None:
    run = mixmon.read_run(mixmon.load_session(EXAMPLES / "foreign.toml"), EXAMPLES / "foreign.log.gz")
    doubt = event(
        Kind.NOT_CLASSIFIED,
        why=DoubtReason.LAG_NOT_MEASURED,
        cost_if_lean=153.2,
        cost_if_misfire=150.4,
        missed_cycles_if_misfire=1,
        lambda_before=0.881,
    )
    (said,) = json.loads(to_json(events_json([doubt], (), run)))["events"]
    assert (said["kind"], said["evidence"]["why"]) == ("not classified", "lag not measured")
    words = " ".join(
        events_text(
            [doubt], sensor_lags(run.session.chain.nodes), run, unit_named("lambda", run.binding.fuel, None)
        ).split()
    )
    assert "1 event not classified" in words
    assert "do both looks, for the spark first and then at the fuelling" in words
    assert "Find the spark before adding fuel" not in words


def test_a_tip_names_the_worst_that_can_be_judged_and_who_may_have_misfired() -> None:
    run = mixmon.read_run(mixmon.load_session(EXAMPLES / "foreign.toml"), EXAMPLES / "foreign.log.gz")
    moved: dict[str, Value] = {"from_opening_percent": 20.0, "to_opening_percent": 90.0}
    judged = event(Kind.TIP_IN, **moved, worst_cylinder=4, worst_lambda_off=0.052, may_have_misfired=(3, 5))
    none_judged = event(Kind.TIP_IN, **moved, may_have_misfired=(3,))
    unit = unit_named("lambda", run.binding.fuel, None)
    words = " ".join(
        events_text([judged, none_judged], sensor_lags(run.session.chain.nodes), run, unit).split()
    )
    assert "cylinder 4 off +0.052 lambda" in words
    assert words.count("not judged because they may have misfired") == 2
    assert "cylinder 3, 5" in words
