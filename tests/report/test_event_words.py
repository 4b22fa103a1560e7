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
