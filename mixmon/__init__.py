"""Cylinder-by-cylinder mixture from a chain of wideband oxygen sensors.

    >>> import mixmon
    >>> session = mixmon.load_session("examples/foreign.toml")
    >>> run = mixmon.read_run(session, "examples/foreign.log.gz")
    >>> balance = mixmon.balance(run)
    >>> balance.spread.value > 3.0
    True

Names are imported when they are first used, so that `import mixmon` itself is quick.
"""

from __future__ import annotations

import importlib
import sys
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from mixmon.errors import (
        DefinitionError,
        Mistake,
        MixmonError,
        OutputError,
        RangeError,
        ScenarioError,
        SessionError,
        SourceError,
        UsageError,
    )
    from mixmon.findings.alarms.records import AlarmEvent, AlarmEvents
    from mixmon.findings.balance.balance import Balance
    from mixmon.findings.bias.design import RotationDesign, design_rotation
    from mixmon.findings.bias.rotation import Rotation
    from mixmon.findings.causes.causes import Causes
    from mixmon.findings.census.records import CensusReport
    from mixmon.findings.events.event import Event, Events
    from mixmon.findings.events.tips import TipReview
    from mixmon.findings.identity.identity import Identity
    from mixmon.findings.lags import NodeLag, NodeLags
    from mixmon.findings.proof.compare import BeforeAfter
    from mixmon.findings.pulls.review import PullReview
    from mixmon.findings.response.response import ResponseReview
    from mixmon.findings.trims.sheet import TrimSheet
    from mixmon.frames.adapters.interfaces import BusOptions
    from mixmon.frames.block import FrameBlock
    from mixmon.gas.analyser import lambda_from_afr, lambda_to_afr
    from mixmon.gas.exhaust import lambda_from_oxygen, oxygen_balance
    from mixmon.gas.fuel import Fuel, blend, fuel_named
    from mixmon.ledger.ledger import Ledger
    from mixmon.live.watch import Turn, Watch, watch
    from mixmon.log import Decoded, FrameLog, SignalValues, census, decode, read_frames
    from mixmon.messages.plan import Quality
    from mixmon.mixture.block import CylinderBlock, SampleState
    from mixmon.note import Note
    from mixmon.run import (
        Run,
        alarms,
        balance,
        causes,
        compare,
        events,
        identify,
        lags,
        pulls,
        read_run,
        response,
        rotation,
        tips,
        trims,
        with_fuel,
    )
    from mixmon.session.fuel_steps import FuelStep
    from mixmon.session.load import load_session
    from mixmon.session.model import Session
    from mixmon.session.own_alarm import AlarmRows, RuleOptions, with_alarm
    from mixmon.session.split_pulses import SplitPulse
    from mixmon.setup.verify import SessionCheck, verify
    from mixmon.simulate.simulation import Simulation, simulate
    from mixmon.watch.snapshot import Snapshot

__all__ = [
    "AlarmEvent",
    "AlarmEvents",
    "AlarmRows",
    "Balance",
    "BeforeAfter",
    "BusOptions",
    "Causes",
    "CensusReport",
    "CylinderBlock",
    "Decoded",
    "DefinitionError",
    "Event",
    "Events",
    "FrameBlock",
    "FrameLog",
    "Fuel",
    "FuelStep",
    "Identity",
    "Ledger",
    "Mistake",
    "MixmonError",
    "NodeLag",
    "NodeLags",
    "Note",
    "OutputError",
    "PullReview",
    "Quality",
    "RangeError",
    "ResponseReview",
    "Rotation",
    "RotationDesign",
    "RuleOptions",
    "Run",
    "SampleState",
    "ScenarioError",
    "Session",
    "SessionCheck",
    "SessionError",
    "SignalValues",
    "Simulation",
    "Snapshot",
    "SourceError",
    "SplitPulse",
    "TipReview",
    "TrimSheet",
    "Turn",
    "UsageError",
    "Watch",
    "__version__",
    "alarms",
    "balance",
    "blend",
    "causes",
    "census",
    "compare",
    "decode",
    "design_rotation",
    "events",
    "fuel_named",
    "identify",
    "lags",
    "lambda_from_afr",
    "lambda_from_oxygen",
    "lambda_to_afr",
    "load_session",
    "oxygen_balance",
    "pulls",
    "read_frames",
    "read_run",
    "response",
    "rotation",
    "simulate",
    "tips",
    "trims",
    "verify",
    "watch",
    "with_alarm",
    "with_fuel",
]

_HOMES = {
    "mixmon.watch.snapshot": "Snapshot",
    "mixmon.simulate.simulation": "Simulation simulate",
    "mixmon.session.own_alarm": "AlarmRows RuleOptions with_alarm",
    "mixmon.live.watch": "Turn Watch watch",
    "mixmon.frames.adapters.interfaces": "BusOptions",
    "mixmon.errors": (
        "DefinitionError Mistake MixmonError OutputError RangeError ScenarioError SessionError "
        "SourceError UsageError"
    ),
    "mixmon.findings.alarms.records": "AlarmEvent AlarmEvents",
    "mixmon.findings.balance.balance": "Balance",
    "mixmon.findings.bias.design": "RotationDesign design_rotation",
    "mixmon.findings.bias.rotation": "Rotation",
    "mixmon.findings.causes.causes": "Causes",
    "mixmon.findings.census.records": "CensusReport",
    "mixmon.findings.events.event": "Event Events",
    "mixmon.findings.events.tips": "TipReview",
    "mixmon.findings.identity.identity": "Identity",
    "mixmon.findings.lags": "NodeLag NodeLags",
    "mixmon.findings.proof.compare": "BeforeAfter",
    "mixmon.findings.pulls.review": "PullReview",
    "mixmon.findings.response.response": "ResponseReview",
    "mixmon.findings.trims.sheet": "TrimSheet",
    "mixmon.frames.block": "FrameBlock",
    "mixmon.gas.analyser": "lambda_from_afr lambda_to_afr",
    "mixmon.gas.exhaust": "lambda_from_oxygen oxygen_balance",
    "mixmon.gas.fuel": "Fuel blend fuel_named",
    "mixmon.ledger.ledger": "Ledger",
    "mixmon.log": "Decoded FrameLog SignalValues census decode read_frames",
    "mixmon.messages.plan": "Quality",
    "mixmon.setup.verify": "SessionCheck verify",
    "mixmon.mixture.block": "CylinderBlock SampleState",
    "mixmon.note": "Note",
    "mixmon.run": (
        "Run alarms balance causes compare events identify lags pulls read_run response rotation tips "
        "trims with_fuel"
    ),
    "mixmon.session.fuel_steps": "FuelStep",
    "mixmon.session.load": "load_session",
    "mixmon.session.model": "Session",
    "mixmon.session.split_pulses": "SplitPulse",
}
"""The names of each module."""

_HOME = {name: module for module, names in _HOMES.items() for name in names.split()}


class _Package(ModuleType):
    """The package: `watch` and `simulate` are functions, also once rooms of these names have been loaded.

    Loading a room makes it an attribute of its package, which would hide the function.
    """

    def __setattr__(self, name: str, value: Any) -> None:
        if not (isinstance(value, ModuleType) and name in _HOME):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package


def __getattr__(name: str) -> Any:
    if name == "__version__":
        from importlib.metadata import version

        value: Any = version("mixmon")
    elif name in _HOME:
        value = getattr(importlib.import_module(_HOME[name]), name)
    else:
        raise AttributeError(f"module 'mixmon' has no attribute {name!r}")
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
