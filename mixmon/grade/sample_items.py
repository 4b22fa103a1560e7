"""Items about samples: which may be counted, and when the engine holds still."""

from __future__ import annotations

import numpy as np

from mixmon.grade.evidence import ROW_S, Evidence
from mixmon.grade.item import Item, does_not_apply, judged
from mixmon.mixture.block import SampleState

GAS_S = 0.35
"""Longest time from a valve to a sensor; until then the gas of before is rightly counted."""

SILENCE_S = 0.28
"""A pause this long must be seen as silence (0.25 s by rule, and a row)."""


def warming(evidence: Evidence) -> Item:
    """No sample is counted before its sensor is ready."""
    counted = 0
    for sensor in evidence.truth["sensors"]:
        node = sensor["position"] - 1
        counted += _valid(evidence, 0.0, sensor["ready_s"] - 0.2, [node])
    return _none_counted("samples counted from sensors that are not ready", counted)


def fuel_cuts(evidence: Evidence) -> Item:
    """No sample is counted while air from a fuel cut passes the sensors."""
    cuts = evidence.events("fuel cut")
    name = "samples counted during fuel cuts"
    if not cuts:
        return does_not_apply(name, "no fuel cut")
    return _none_counted(name, sum(_valid(evidence, c["t_s"] + GAS_S, c["to_s"]) for c in cuts))


def spark_cuts(evidence: Evidence) -> Item:
    """No sample is counted while the limiter cuts spark."""
    cuts = evidence.events("spark cut")
    name = "samples counted during spark cuts"
    if not cuts:
        return does_not_apply(name, "no spark cut")
    return _none_counted(name, sum(_valid(evidence, c["t_s"] + GAS_S, c["to_s"]) for c in cuts))


def drop_outs(evidence: Evidence) -> Item:
    """Every loss of supply is seen as silence, and no value is counted until the sensor is ready again."""
    drops = evidence.events("supply drop-out")
    name = "supply drop-outs seen, no held value counted"
    if not drops:
        return does_not_apply(name, "no drop-out")
    seen, counted = 0, 0
    for drop in drops:
        node = drop["position"] - 1
        rows = evidence.during(drop["t_s"], drop["to_s"])
        silent = int((evidence.state[rows, node] == SampleState.SILENT).sum())
        seen += silent > 0 or drop["to_s"] - drop["t_s"] < SILENCE_S
        counted += _valid(evidence, drop["t_s"] + SILENCE_S, drop["ready_again_s"] - 0.2, [node])
    expected = f"{len(drops)}, 0 samples"
    return judged(
        name, expected, f"{seen}, {counted} samples", "exact", right=seen == len(drops) and not counted
    )


def steady_time(evidence: Evidence) -> Item:
    """The settled part of every scripted dwell inside the axes is found."""
    settle = evidence.simulation.session.validity.settle_s
    rows = np.zeros(len(evidence.t_s), np.bool_)
    for part in evidence.parts("steady"):
        if _inside(evidence, part):
            rows |= evidence.during(part["settled_s"] + settle, part["to_s"])
    name = "scripted steady time found"
    if not rows.any():
        return does_not_apply(name, "no dwell longer than the settle time")
    share = float(evidence.steady[rows].mean())
    return judged(name, "all", f"{100 * share:.1f} %", "from 95 %", right=share >= 0.95)


def transient_time(evidence: Evidence) -> Item:
    """Sweeps, cuts and tip-ins are not taken for steady time."""
    rows = np.zeros(len(evidence.t_s), np.bool_)
    for part in evidence.parts("sweep", "overrun", "limiter"):
        rows |= evidence.during(part["from_s"], part["to_s"])
    name = "transient time taken for steady"
    if not rows.any():
        return does_not_apply(name, "no transient")
    share = float(evidence.steady[rows].mean())
    return judged(name, "none", f"{100 * share:.1f} %", "to 2 %", right=share <= 0.02)


def _valid(evidence: Evidence, begin: float, end: float, nodes: list[int] | None = None) -> int:
    rows = evidence.during(begin, end)
    states = evidence.state[rows] if nodes is None else evidence.state[rows][:, nodes]
    return int((states == SampleState.VALID).sum())


def _none_counted(name: str, counted: int) -> Item:
    return judged(name, "0 s", f"{counted * ROW_S:.2f} s", "exact", right=counted == 0)


def _inside(evidence: Evidence, part: dict[str, float]) -> bool:
    """Whether a dwell lies well within the outermost cells."""
    axes = evidence.simulation.session.axes
    spans = ((axes.rpm, part["rpm"]), (axes.load, part["load"]))
    return all(not axis or axis[0] <= value <= axis[-1] for axis, value in spans)
