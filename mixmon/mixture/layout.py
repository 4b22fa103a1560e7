"""From a bound session to what the rows are made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from mixmon.gas.exhaust import lambda_from_oxygen
from mixmon.gas.transport import DEFAULT_DISTANCE_MM
from mixmon.messages.binding import Binding, BoundSignal
from mixmon.mixture.align import Geometry, Layout, NodeSources, TargetTable
from mixmon.mixture.track import Source
from mixmon.mixture.validity import NodeFacts, Scale
from mixmon.session.charges import node_targets
from mixmon.session.model import Session

_UNITS_PER_LAMBDA = {"afr": 14.7, "percent": 20.0}
"""How far a unit moves for one lambda: the gauge convention of air-fuel ratio, and the oxygen balance of
gasoline, rounded (computed: 19.6 % at lambda 1, 23 % at 0.9)."""


def layout_of(binding: Binding) -> Layout:
    """Sources, geometry and targets of the session."""
    session = binding.session
    engine = {name: source_of(bound, binding.stoich_afr) for name, bound in binding.engine.items()}
    engine |= {name: _source_of_channel(name, binding) for name in binding.channels}
    return Layout(
        nodes=tuple(_sources_of_node(node, binding.stoich_afr) for node in binding.nodes),
        engine=engine,
        geometry=_geometry_of(session),
        fuel=binding.fuel,
        load=session.axes.load_signal,
        stale_ns=round(session.validity.stale_s * 1e9),
        targets=_targets_of(session),
        own_targets=_own_targets_of(session),
    )


def node_facts(binding: Binding, left_out: frozenset[int]) -> NodeFacts:
    """Cycle times and resolutions of the nodes' lambda, and which nodes see a cylinder left out."""
    mixture = [node.get("lambda") or node["oxygen"] for node in binding.nodes]
    ends = np.array([_ends_of(bound, binding) for bound in mixture]).reshape(-1, 2)
    return NodeFacts(
        cycle_ns=np.array([_cycle_ns_of(bound) or 0 for bound in mixture], np.int64),
        digit=np.array([_digit_of(bound) for bound in mixture]),
        sends=tuple(_scale_of(node) for node in binding.nodes),
        fuel=binding.fuel,
        reports_ready=np.array(["ready" in node for node in binding.nodes]),
        left_out=np.array([bool(left_out & set(n.cylinders)) for n in binding.session.chain.nodes]),
        rich_from=ends[:, 0],
        lean_from=ends[:, 1],
    )


_END_SHARE = 0.01
"""Share of an analog input's span next to its ends that belongs to them. Our choice: output and converter
together are off by about half a percent of it, and an output that is driven to its end stays short of it."""


def _ends_of(bound: BoundSignal, binding: Binding) -> tuple[float, float]:
    """Lambda up to which, and from which on, a reading by two points is at an end of its range."""
    if bound.choice.points is None:
        return -np.inf, np.inf
    (_, first), (_, second) = bound.choice.points
    inside = _END_SHARE * (second - first)
    values = np.array([first + inside, second - inside])
    if bound.choice.unit == "percent":
        ends = lambda_from_oxygen(values, binding.fuel)
    else:
        ends = replace(source_of(bound, binding.stoich_afr), scale=1.0, offset=0.0).read(values)
    return float(ends.min()), float(ends.max())


def source_of(bound: BoundSignal, stoich_afr: float | None) -> Source:
    """One signal as the rows read it."""
    choice = bound.choice
    return Source(
        bus=bound.bus,
        message=bound.message.name,
        signal=bound.signal.name,
        scale=choice.scale,
        offset=choice.offset,
        unit=choice.unit,
        stoich_afr=stoich_afr,
        equals=choice.equals,
        selectors=bound.signal.selectors,
        cycle_ns=_cycle_ns_of(bound),
    )


def _source_of_channel(name: str, binding: Binding) -> Source:
    """An own channel as the rows read it; its number is never turned into lambda."""
    channel = binding.session.channels[name]
    return replace(
        source_of(binding.channels[name], None),
        unit=None,
        range=channel.range,
        old_ns=None if channel.age_s is None else round(channel.age_s * 1e9),
    )


def _sources_of_node(bound: Mapping[str, BoundSignal], stoich_afr: float | None) -> NodeSources:
    sources = {name: source_of(one, stoich_afr) for name, one in bound.items()}
    return NodeSources(
        lam=sources.get("lambda"),
        oxygen=sources.get("oxygen"),
        ready=sources.get("ready"),
        supply=sources.get("supply"),
        resets=sources.get("resets"),
        heater=sources.get("heater"),
        over_temperature=sources.get("over_temperature"),
    )


def _geometry_of(session: Session) -> Geometry:
    exhaust, engine = session.exhaust, session.engine
    distances = exhaust.sensor_distance_mm or (DEFAULT_DISTANCE_MM,) * engine.cylinders
    volume = None if engine.displacement_l is None else engine.displacement_l / engine.cylinders
    return Geometry(
        distance_mm=tuple(distances[node.cylinders[0] - 1] for node in session.chain.nodes),
        bore_mm=exhaust.primary_bore_mm,
        cylinder_volume_l=volume,
        strokes=engine.strokes,
    )


def _targets_of(session: Session) -> TargetTable | None:
    if session.targets is None:
        return None
    axes = session.axes
    return TargetTable(np.array(axes.rpm), np.array(axes.load), np.array(session.targets.lam))


def _own_targets_of(session: Session) -> tuple[float, ...] | None:
    return None if session.engine.target_offset_percent is None else tuple(node_targets(session).tolist())


def _cycle_ns_of(bound: BoundSignal) -> int | None:
    """Nominal time between samples; a multiplexed signal comes less often than its message, unknown how."""
    return None if bound.signal.selectors else bound.message.cycle_ns


def _scale_of(bound: Mapping[str, BoundSignal]) -> Scale:
    """The quantity in which a node's readings have equal steps."""
    if "lambda" not in bound:
        return Scale.OXYGEN
    return Scale.PHI if bound["lambda"].choice.unit == "phi" else Scale.LAMBDA


def _digit_of(bound: BoundSignal) -> float:
    """Smallest step of the value, in lambda where its unit gives that; 0 for IEEE floats."""
    if bound.signal.is_float:
        return 0.0
    step = abs(bound.signal.scale * bound.choice.scale)
    return step / _UNITS_PER_LAMBDA.get(bound.choice.unit or "", 1.0)
