"""A simulation: scenario and seed in, frames out, in time order and as long as they are asked for.

Time is played in pieces. Every sender keeps its own place, so the frames do not depend on how
long the pieces are, and memory does not grow with the duration.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from mixmon.arrays import SECOND_NS
from mixmon.errors import UsageError
from mixmon.frames.block import FrameBlock, concat
from mixmon.frames.candump_write import write_candump
from mixmon.messages.bind import bind, load_databases
from mixmon.messages.binding import Binding
from mixmon.session.keys import SESSION_FORMAT
from mixmon.session.model import AlarmRule, Bus, Chain, Node, Session, SignalChoice
from mixmon.simulate.layers import BoundLayer, Layer, OwnLayer, Wire, merged, shifted
from mixmon.simulate.load import BITRATE, load_scenario
from mixmon.simulate.scenario import Scenario
from mixmon.simulate.world import World

EPOCH_NS = 1_700_000_000 * SECOND_NS
"""Stamp of the scenario's zero: our choice, fixed, so that the same seed gives the same bytes."""

PIECE_S = 20.0
"""Seconds that are played at once: our choice; the frames do not depend on it, memory does (some 2 MB for
sixteen cylinders). With pieces of 5 s a simulation takes 2.5 times as long (measured)."""


class Simulation:
    """Frames of one scenario played with one seed; iterating plays it, each time from the start.

    Blocks of frames have rising stamps, ns; `session` is what the user of the engine declares.
    """

    def __init__(self, world: World, binding: Binding | None = None, piece_s: float = PIECE_S) -> None:
        self.world = world
        self._binding, self._piece_s = binding, piece_s

    @property
    def session(self) -> Session:
        """What the user of the simulated engine declares."""
        if self._binding is not None:
            return self._binding.session
        return scenario_session(self.world.scenario, self.world.trims)

    @property
    def duration_s(self) -> float:
        """Length in seconds of data time."""
        return self.world.timeline.duration_s

    def __iter__(self) -> Iterator[FrameBlock]:
        """Blocks of frames, stamps rising from EPOCH_NS on."""
        layer = self._make_layer()
        wires = [Wire(bus.bitrate or BITRATE) for bus in self.session.buses]
        for from_ns, to_ns in self._cut_pieces():
            asked = concat(layer.run(from_ns, to_ns))
            sent = [wire.send(asked.take(asked.bus == i), to_ns) for i, wire in enumerate(wires)]
            yield shifted(merged(sent), EPOCH_NS)

    def candump(self) -> Iterator[bytes]:
        """The frames as candump text, piece by piece, as a log holds them."""
        return (write_candump(block) for block in self)

    def again(self, passes: int) -> Simulation:
        """The same simulation after so many passes, as if the key had been turned off and on between them."""
        return Simulation(self.world.again(passes), self._binding, self._piece_s)

    def _make_layer(self) -> Layer:
        return OwnLayer(self.world) if self._binding is None else BoundLayer(self.world, self._binding)

    def _cut_pieces(self) -> Iterator[tuple[int, int]]:
        end = round(self.duration_s * SECOND_NS)
        edges = [*range(0, end, round(self._piece_s * SECOND_NS)), end]
        yield from pairwise(edges)


def simulate(
    scenario: Scenario | str | Path,
    *,
    seed: int = 1,
    duration: float | None = None,
    trims: tuple[float, ...] | None = None,
    binding: Binding | Session | None = None,
) -> Simulation:
    """A simulation of the scenario: blocks of frames, the session that reads them, and the truth.

    >>> import mixmon
    >>> simulation = mixmon.simulate("plain", seed=1, duration=2.0)
    >>> sum(len(block) for block in simulation) > 1000, simulation.session.engine.cylinders
    (True, 8)

    Args:
        scenario: what to play: the name of a shipped one, or a scenario file (TOML).
        seed: of all that is random; the same seed gives the same frames.
        duration: seconds; shorter cuts the profile, longer repeats it where the scenario allows.
        trims: what the fuel control holds, percent, one a cylinder; None: as in the scenario.
        binding: a session whose message definitions are spoken instead of mixmon's own layer.

    Raises:
        ScenarioError: the scenario file has mistakes.
        UsageError: trims of another number than the cylinders, a negative seed, no time to play, or
            a session for an engine of another size.
    """
    scenario = scenario if isinstance(scenario, Scenario) else load_scenario(scenario)
    if isinstance(binding, Session):
        binding = bind(binding, load_databases(binding))
    n = scenario.size
    if trims is not None and (len(trims) != n or not np.isfinite(trims).all()):
        raise UsageError(f"trims: {len(trims)} values; expected {n} numbers; give one a cylinder, in order")
    if seed < 0 or (duration is not None and not duration > 0):
        raise UsageError(
            f"simulate: seed {seed}, duration {duration}; expected a seed from 0 on and some time; change one"
        )
    if binding is not None and binding.session.engine.cylinders != n:
        raise UsageError(
            f"simulate: a session for {binding.session.engine.cylinders} cylinders and a scenario for {n}; "
            "expected the same number; choose another scenario"
        )
    return Simulation(World(scenario, seed, duration, trims), binding)


# --- A session as the text of a session file, so that a simulated log can be read like any other. ---

TomlTable = Mapping[str, Any]


def scenario_session(scenario: Scenario, trims: tuple[float, ...] | None = None) -> Session:
    """What the user of the simulated engine declares; `trims` are those that the fuel control holds."""
    if trims is None:
        return scenario.session
    return replace(scenario.session, trims=replace(scenario.session.trims, now_percent=trims))


def session_toml(session: Session) -> str:
    """The session as TOML, from which `session.load` reads the same session again."""
    return "\n".join(_session_lines(session)) + "\n"


def _session_lines(session: Session) -> Iterator[str]:
    yield f"format = {SESSION_FORMAT}"
    if session.name:
        yield f"name = {_format_value(session.name)}"
    for name in ("engine", "injection", "exhaust", "fuel", "sensors"):
        yield from _table_lines(f"[{name}]", _record_fields(getattr(session, name)))
    for bus in session.buses:
        yield from _table_lines("[[bus]]", _bus_table(bus))
    yield from _chain_lines(session.chain)
    yield from _table_lines("[engine_signals]", _signal_table(session.engine_signals))
    yield from _table_lines("[axes]", _record_fields(session.axes))
    if session.targets is not None:
        yield from _table_lines("[targets]", {"lambda": session.targets.lam})
    yield from _table_lines("[validity]", _record_fields(session.validity))
    yield from _table_lines("[trims]", _record_fields(session.trims))
    yield from _table_lines("[limits]", {"source": session.limits.source})
    for alarm in session.limits.alarms:
        yield from _table_lines("[[limits.alarm]]", _alarm_table(alarm))
    yield from _table_lines("[recording]", _record_fields(session.recording))


def _table_lines(header: str, table: TomlTable) -> Iterator[str]:
    """A table with what is set in it; nothing of an empty one."""
    lines = [f"{_quote_key(key)} = {_format_value(value)}" for key, value in table.items() if _is_set(value)]
    if lines:
        yield from ("", header, *lines)


def _alarm_table(rule: AlarmRule) -> TomlTable:
    """The rule as the file has it: the limit has the name of its kind."""
    named = asdict(rule).items()
    return {rule.kind if name == "limit" else name: value for name, value in named if name != "kind"}


def _record_fields(record: Any) -> TomlTable:
    return {} if record is None else asdict(record)


def _is_set(value: Any) -> bool:
    return value is not None and value not in ("", (), {})


def _bus_table(bus: Bus) -> TomlTable:
    fields = {key: value for key, value in asdict(bus).items() if not key.endswith("databases")}
    return {**fields, "database": list(bus.databases) if bus.further_databases else bus.database}


def _chain_lines(chain: Chain) -> Iterator[str]:
    yield from _table_lines("[chain]", {"bus": chain.bus})
    yield from _table_lines("[chain.signals]", _signal_table(chain.signals, chain=True))
    for node in chain.nodes:
        yield from _table_lines("[[chain.node]]", _node_table(node))


def _node_table(node: Node) -> TomlTable:
    cylinders = node.cylinders
    return {
        "position": node.position,
        "cylinder": cylinders[0] if len(cylinders) == 1 else cylinders,
        "sensor": node.sensor,
        "signals": _signal_table(node.signals, chain=True),
    }


def _signal_table(choices: Mapping[str, SignalChoice], *, chain: bool = False) -> TomlTable:
    """The choices by quantity; those of the chain do not name their bus."""
    return {name: _choice_value(choice, chain=chain) for name, choice in choices.items()}


def _choice_value(choice: SignalChoice, *, chain: bool) -> TomlTable | str:
    name = f"{choice.message}.{choice.signal}"
    name = name if chain else f"{choice.bus}/{name}"
    table: dict[str, Any] = {"signal": name}
    table |= {} if choice.scale == 1.0 else {"scale": choice.scale}
    table |= {} if choice.offset == 0.0 else {"offset": choice.offset}
    table |= {} if choice.unit is None else {"unit": choice.unit}
    table |= {} if choice.equals is None else {"equals": choice.equals}
    return name if len(table) == 1 else table


def _quote_key(key: str) -> str:
    return key if key.replace("_", "").isalnum() and key.isascii() else json.dumps(key, ensure_ascii=False)


def _format_value(value: Any) -> str:
    """A value as TOML writes it. JSON's strings are TOML's, as long as no character is left out."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        inner = ", ".join(
            f"{_quote_key(key)} = {_format_value(item)}" for key, item in value.items() if _is_set(item)
        )
        return f"{{ {inner} }}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(_format_value(item) for item in value)}]"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else repr(value)
