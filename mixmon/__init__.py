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
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from mixmon.errors import (
        DefinitionError,
        MixmonError,
        OutputError,
        RangeError,
        SessionError,
        SourceError,
        UsageError,
    )
    from mixmon.findings.alarms.records import AlarmEvent
    from mixmon.findings.balance.balance import Balance
    from mixmon.findings.bias.design import RotationDesign, design_rotation
    from mixmon.findings.bias.rotation import Rotation
    from mixmon.findings.causes.causes import Causes
    from mixmon.findings.events.event import Event
    from mixmon.findings.identity.identity import Identity
    from mixmon.findings.proof.compare import BeforeAfter
    from mixmon.findings.trims.sheet import TrimSheet
    from mixmon.ledger.ledger import Ledger
    from mixmon.run import (
        Run,
        alarms,
        balance,
        causes,
        compare,
        events,
        identify,
        lags,
        read_run,
        rotation,
        trims,
    )
    from mixmon.session.fuel_steps import FuelStep
    from mixmon.session.load import load_session
    from mixmon.session.model import Session
    from mixmon.session.split_pulses import SplitPulse

__all__ = [
    "AlarmEvent",
    "Balance",
    "BeforeAfter",
    "Causes",
    "DefinitionError",
    "Event",
    "FuelStep",
    "Identity",
    "Ledger",
    "MixmonError",
    "OutputError",
    "RangeError",
    "Rotation",
    "RotationDesign",
    "Run",
    "Session",
    "SessionError",
    "SourceError",
    "SplitPulse",
    "TrimSheet",
    "UsageError",
    "alarms",
    "balance",
    "causes",
    "compare",
    "design_rotation",
    "events",
    "identify",
    "lags",
    "load_session",
    "read_run",
    "rotation",
    "trims",
]

_HOME = {
    "AlarmEvent": "mixmon.findings.alarms.records",
    "Balance": "mixmon.findings.balance.balance",
    "BeforeAfter": "mixmon.findings.proof.compare",
    "Causes": "mixmon.findings.causes.causes",
    "Event": "mixmon.findings.events.event",
    "FuelStep": "mixmon.session.fuel_steps",
    "Identity": "mixmon.findings.identity.identity",
    "Ledger": "mixmon.ledger.ledger",
    "Rotation": "mixmon.findings.bias.rotation",
    "RotationDesign": "mixmon.findings.bias.design",
    "Run": "mixmon.run",
    "Session": "mixmon.session.model",
    "SplitPulse": "mixmon.session.split_pulses",
    "TrimSheet": "mixmon.findings.trims.sheet",
    "alarms": "mixmon.run",
    "balance": "mixmon.run",
    "causes": "mixmon.run",
    "compare": "mixmon.run",
    "design_rotation": "mixmon.findings.bias.design",
    "events": "mixmon.run",
    "identify": "mixmon.run",
    "lags": "mixmon.run",
    "load_session": "mixmon.session.load",
    "read_run": "mixmon.run",
    "rotation": "mixmon.run",
    "trims": "mixmon.run",
}


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module 'mixmon' has no attribute {name!r}")
    value = getattr(importlib.import_module(_HOME.get(name, "mixmon.errors")), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
