"""Enum members in the evidence of events: JSON gives their words."""

import json
from pathlib import Path

import numpy as np

import mixmon
from mixmon.findings.events.event import DropOutReason, Event, Kind, MisfireShape
from mixmon.report.events import events_json
from mixmon.report.text import to_json

EXAMPLES = Path(__file__).parents[2] / "examples"


def event(kind: Kind, **evidence: DropOutReason | MisfireShape) -> Event:
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
