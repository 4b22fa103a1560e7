"""A new session file as commented TOML, and what there is to say of it: found, guessed, left open."""

from __future__ import annotations

import json
import math
import os
import shlex
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from mixmon.findings.plausible.ranges import DISPLAY_AFR, quantity_named
from mixmon.messages.chain import CHAIN_FILE, shipped_database
from mixmon.report.page import stress
from mixmon.report.sessions.check import check_json, write_implausible, write_unjudged
from mixmon.report.text import counted, listed, to_json
from mixmon.session.keys import CHAIN_QUANTITIES, ENGINE_QUANTITIES
from mixmon.setup.propose import Candidate, Proposal, ProposedNode, SignalFound
from mixmon.setup.verify import SessionCheck


@dataclass(frozen=True, slots=True)
class ToldEngine:
    """What a person said of the engine; None: not told."""

    name: str | None = None
    cylinders: int | None = None
    firing_order: tuple[int, ...] | None = None
    strokes: int | None = None
    displacement_l: float | None = None
    aspiration: str | None = None
    throttles: str | None = None
    timing: str | None = None
    fuel: str | None = None
    bitrate: int | None = None


@dataclass(frozen=True, slots=True)
class NewSession:
    """The text of the file, and what it still lacks, in sentences."""

    text: str
    open_points: tuple[str, ...]


def new_session(told: ToldEngine, found: Proposal, place: Path) -> NewSession:
    """The session file of an engine.

    Args:
        told: by a person.
        found: in a log; empty without one.
        place: where the file is to lie, from which paths of databases count.
    """
    cylinders = told.cylinders or found.cylinders
    writer = _Writer(told, found, cylinders, place)
    return NewSession(writer.text(), tuple(writer.open_points()))


class _Writer:
    """Writes the tables in the order of the guide."""

    def __init__(self, told: ToldEngine, found: Proposal, cylinders: int, place: Path) -> None:
        self._answers, self._found, self._cylinders, self._place = told, found, cylinders, place
        self._nodes = found.nodes[:cylinders]
        places = [node.position for node in self._nodes]
        self._by_place = found.numbered and max(places, default=0) <= cylinders
        self._sees = places if self._by_place else list(range(1, len(places) + 1))

    def text(self) -> str:
        """The whole file."""
        parts = (
            self._head(),
            self._engine(),
            self._fuel(),
            self._buses(),
            self._chain(),
            self._engine_signals(),
            self._axes(),
            self._rest(),
        )
        return "\n".join("\n".join(part) + "\n" for part in parts if part)

    def open_points(self) -> Iterator[str]:
        """What is not known yet, the most important first."""
        yield from self._chain_points()
        for quantity in ("rpm", self._load_signal(), "target"):
            if self._found.log and quantity not in self._found.engine:
                yield f"no signal found for {quantity}; add engine_signals.{quantity} by hand if one is sent"
        if self._answers.firing_order is None:
            yield "engine.firing_order is not known"
        if self._answers.fuel is None:
            guessed = f"; {DISPLAY_AFR} is a guess" if self._needs_ratio() else ""
            yield f"the fuel is not known{guessed}: [fuel]"
        for path in self._found.unfit:
            yield f"{path}: none of its messages is in the log; it is not in the file"
        for channel, frames in self._found.unused:
            yield f"channel {channel}: {counted(frames, 'frame')} that no definition fits; give its DBC file"
        yield "limits are not known: take them from the engine's builder, with their source"

    def _chain_points(self) -> Iterator[str]:
        """What is not known of the nodes."""
        if not self._nodes and self._found.log:
            yield (
                "no mixture reading found in the log: [chain] stands for mixmon's own message layer; map "
                "your own "
                "signals there (mixmon guide own-dbc)"
            )
        elif not self._nodes:
            yield "no log was read: buses and signals are those of mixmon's own message layer"
        if self._nodes:
            which = (
                "node N is taken to see cylinder N" if self._by_place else "nodes are taken in their order"
            )
            yield f"{which}; prove it: mixmon identify"
        if left := self._without_sensor():
            named = ", ".join(map(str, left))
            yield f"no node found for cylinder {named}: [chain] without_sensor; switch it on, or leave it so"

    def _head(self) -> list[str]:
        source = f" by mixmon new from {Path(self._found.log).name}" if self._found.log else " by mixmon new"
        return [
            f"# A session file, made{source}. A line that begins with # is a comment.",
            "# A line that says (guess) was concluded, from what stands beside it: check it.",
            "# mixmon verify checks the file, mixmon guide keys tells of every key.",
            "",
            "format = 1",
            f"name = {_quote(self._answers.name or 'New session')}",
        ]

    def _engine(self) -> list[str]:
        told = self._answers
        lines = ["[engine]"]
        seen = "  # (guess) as many as nodes were found" if told.cylinders is None else ""
        lines.append(f"cylinders = {self._cylinders}{seen}")
        order = "[" + ", ".join(map(str, range(1, self._cylinders + 1))) + "]"
        lines += [
            _told_line("displacement_l", told.displacement_l, "4.0", "litres, all cylinders together"),
            _told_line("strokes", told.strokes, "4", "4 if not told"),
            _told_line(
                "firing_order", told.firing_order, order, "fill in; decides screens and paired injection"
            ),
            _told_line("aspiration", told.aspiration, '"natural"', "natural, turbine or blower"),
            _told_line("throttles", told.throttles, '"single"', "single, one per cylinder, or other"),
            "",
            "[injection]",
            _told_line("timing", told.timing, '"sequential"', "sequential, paired or batch"),
            "# dead_time_ms = 0.95  # of the injectors; tells unequal flow from unequal dead time",
            "",
            "[exhaust]  # with both, readings are laid to the right moment",
            "# primary_bore_mm = 44  # fill in",
            "# sensor_distance_mm = 320  # from the valve seat; one number, or one a cylinder",
        ]
        return lines

    def _needs_ratio(self) -> bool:
        """Whether a signal is an air-fuel ratio, which means nothing without its fuel."""
        chosen = [c for node in self._nodes for c in node.signals.values()]
        chosen += [choice.chosen for choice in self._found.engine.values()]
        return any(one.rescaling.unit == "afr" for one in chosen)

    def _fuel(self) -> list[str]:
        if self._answers.fuel is not None:
            return ["[fuel]", f"name = {_quote(self._answers.fuel)}"]
        if self._needs_ratio():
            why = "(guess) what the air-fuel ratios in the log are taken to mean; most displays do"
            return ["[fuel]", f"stoich_afr = {DISPLAY_AFR}  # {why}"]
        return ["# [fuel]", '# name = "E10"  # fill in: mixmon guide keys fuel']

    def _buses(self) -> list[str]:
        if not self._nodes:
            buses = [bus for bus in self._found.buses if bus.name != "chain"]
            rate = self._bit_rate()
            first = [
                "[[bus]]  # mixmon's own message layer",
                'name = "chain"',
                'log_channel = "*"  # any channel that no other bus names',
                rate,
                f"database = {_quote(CHAIN_FILE)}",
            ]
        else:
            buses, first = list(self._found.buses), []
        lines = first
        for bus in buses:
            paths = [self._path_text(path) for path in bus.databases]
            written = paths[0] if len(paths) == 1 else f"[{', '.join(paths)}]"
            lines += [
                *([""] if lines else []),
                "[[bus]]",
                f"name = {_quote(bus.name)}",
                f"log_channel = {_quote(bus.channel)}  # {counted(bus.frames, 'frame')} of its messages",
                self._bit_rate(),
                f"database = {written}",
            ]
        return lines

    def _bit_rate(self) -> str:
        if self._answers.bitrate is not None:
            return f"bitrate = {self._answers.bitrate:_}"
        return "# bitrate = 500_000  # no log tells it; fill in for live watching and bus load"

    def _path_text(self, path: Path) -> str:
        """A database as the file names it: a shipped one by name, others from the file on."""
        shipped = shipped_database(path.name)
        if shipped is not None and shipped == path:
            return _quote(path.name)
        try:
            return _quote(Path(os.path.relpath(path, self._place.parent)).as_posix())
        except ValueError:  # on another drive
            return _quote(path.resolve().as_posix())

    # --- The chain. ---

    def _chain(self) -> list[str]:
        if not self._nodes:
            return ["[chain]", 'bus = "chain"']
        channel = next(iter(self._nodes[0].signals.values())).channel
        lines = ["[chain]", f"bus = {_quote(self._found.bus_of(channel))}"]
        left = self._without_sensor()
        if left:
            lines.append(f"without_sensor = {left}  # (guess) fewer nodes than cylinders were found")
        lines += [f"# {line}" for line in self._chain_remarks()]
        patterns = {name: _pattern_of(name, self._nodes) for name in CHAIN_QUANTITIES}
        if any(patterns.values()):
            lines += ["[chain.signals]"]
            for name, pattern in patterns.items():
                if pattern:
                    one = self._nodes[0].signals[name]
                    lines.append(_signal_line(name, pattern, one))
        for i, node in zip(self._sees, self._nodes, strict=True):
            lines += self._node(i, node, {name for name, pattern in patterns.items() if pattern})
        return lines

    def _without_sensor(self) -> list[int]:
        return [c for c in range(1, self._cylinders + 1) if self._nodes and c not in self._sees]

    def _chain_remarks(self) -> Iterator[str]:
        """How the nodes were found, and what else could be one."""
        if self._by_place:
            yield "Places are the numbers in the names; node N is taken to see cylinder N (guess)."
        elif self._found.numbered:
            yield "Places are the numbers in the names; the cylinders are taken in their order (guess)."
        else:
            yield "The names tell no places: nodes stand in the order of the definitions (guess)."
        beyond = self._found.nodes[self._cylinders :]
        if beyond:
            yield f"{counted(len(beyond), 'more node')} in the log than cylinders: left out."
        if self._found.rivals:
            names = ", ".join(one.name for one in self._found.rivals[:_MOST_RIVALS])
            yield f"Also like mixture readings, and not in the largest group of one kind: {names}."

    def _node(self, number: int, node: ProposedNode, in_pattern: set[str]) -> list[str]:
        lines = [
            "[[chain.node]]",
            f"position = {node.position}",
            f"cylinder = {number}",
            f'# sensor = "S-{number}"  # serial number on the sensor',
        ]
        own = {name: one for name, one in node.signals.items() if name not in in_pattern}
        if own:
            lines.append("[chain.node.signals]")
            lines += [_signal_line(name, one.name, one) for name, one in own.items()]
        return lines

    # --- The engine. ---

    def _engine_signals(self) -> list[str]:
        if not self._found.log:
            return [
                "# [[bus]]  # that of the engine control, with its DBC file; engine_bus.dbc is mixmon's own",
                '# name = "engine"',
                '# log_channel = "can1"',
                '# database = "engine_bus.dbc"',
                "# [engine_signals]",
                '# rpm = "engine/Engine_Fast.Speed"  # mixmon guide own-dbc tells of the others',
            ]
        lines = ["[engine_signals]"]
        for quantity in ENGINE_QUANTITIES:
            choice = self._found.engine.get(quantity)
            if choice is None:
                unit = quantity_named(quantity).units[0]
                lines.append(f'# {quantity} = "BUS/Message.Signal"  # nothing found; in {unit}')
                continue
            name = f"{self._found.bus_of(choice.chosen.channel)}/{choice.chosen.name}"
            lines += _rival_lines(choice)
            lines.append(_signal_line(quantity, name, choice.chosen))
        return lines

    def _load_signal(self) -> str:
        """The load of the cells: pressure where there is one throttle and a pressure, else the throttle."""
        cells = self._found.cells
        if "map_kpa" in cells and (self._answers.throttles == "single" or "throttle" not in cells):
            return "map_kpa"
        return "throttle"

    def _axes(self) -> list[str]:
        cells = self._found.cells.get(self._load_signal())
        if cells is None or not cells.rpm or not cells.load:
            return [
                "# [axes]  # centres of cells: fill in, with the breakpoints of the engine control's table",
                "# rpm = [1000, 2000, 3000, 4000, 5000, 6000]",
                '# load_signal = "throttle"  # or map_kpa',
                "# load = [5, 20, 40, 60, 80, 100]",
            ]
        why = "where the engine was held in the log" if cells.held else "over the range of the log"
        return [
            f"[axes]  # centres of cells, {why} (guess); breakpoints of the engine control are better",
            f"rpm = [{', '.join(f'{one:g}' for one in cells.rpm)}]",
            f"load_signal = {_quote(self._load_signal())}",
            f"load = [{', '.join(f'{one:g}' for one in cells.load)}]",
        ]

    def _rest(self) -> list[str]:
        zeros = ", ".join(["0"] * self._cylinders)
        return [
            "# [validity]",
            "# low_flow_mask = { rpm_below = 1200, load_below = 5 }  # shown, never used for trims",
            "",
            "# [trims]",
            "# step_percent = 0.5  # the smallest step of the engine control",
            f"# now_percent = [{zeros}]  # what the engine control held in the log: fill in",
            "",
            "# [limits]  # from the engine's builder: mixmon guide own-engine",
            '# source = "builder\'s sheet"',
        ]


_MOST_RIVALS: Final = 6
"""Names in a remark. Our choice: two lines."""


def _quote(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _told_line(key: str, value: Any, example: str, why: str) -> str:
    """A key as it was told, or as a comment to be filled in."""
    if value is None:
        return f"# {key} = {example}  # not told: {why}"
    written = (
        _quote(value) if isinstance(value, str) else str(list(value)) if isinstance(value, tuple) else value
    )
    return f"{key} = {written}"


def _signal_line(key: str, name: str, one: Candidate) -> str:
    """One signal of the file, with from what it was concluded."""
    keys = [f"signal = {_quote(name)}"]
    if str(one.rescaling):
        keys.append(str(one.rescaling))
    if one.equals is not None:
        keys.append(f"equals = [{', '.join(f'{value:g}' for value in one.equals)}]")
    written = _quote(name) if len(keys) == 1 else f"{{ {', '.join(keys)} }}"
    return f"{key} = {written}  # {_reason(one, key)}"


def _reason(one: Candidate, quantity: str) -> str:
    """From what a choice was concluded, and what was seen."""
    if one.equals is not None:
        texts = [one.signal.choices.get(_raw(one, value), "") for value in one.equals]
        return f"(guess) by its name; these mean yes: {', '.join(filter(None, texts))}"
    told = ["name"]
    told += [f"unit {one.signal.unit}"] if one.by_unit else []
    if one.rescaling.unit == "phi" and not one.by_unit:
        told = ["name, as fuel to air: without unit it may be lambda"]
    told += ["values, which tell the unit"] if one.by_values else []
    seen = ""
    if not math.isnan(one.seen[0]):
        unit = quantity_named(quantity).units[0]
        seen = f"; {one.seen[0]:.4g} to {one.seen[2]:.4g} {unit} in the log"
    odd = ", which is unusual: check" if one.odd else ""
    return f"(guess) by {' and '.join(told)}{seen}{odd}"


def _raw(one: Candidate, value: float) -> int:
    return round((value - one.signal.offset) / one.signal.scale)


def _rival_lines(choice: SignalFound) -> list[str]:
    """What else a quantity could be, in a comment above the choice."""
    if not choice.others:
        return []
    names = [_describe_rival(one, choice.chosen) for one in choice.others[:_MOST_RIVALS]]
    return [f"# {choice.quantity} could also be {', '.join(names)}"]


def _describe_rival(one: Candidate, chosen: Candidate) -> str:
    """A candidate and why it was not chosen."""
    if one.odd and not chosen.odd:
        why = "odd values"
    elif one.by_unit < chosen.by_unit:
        why = "its unit does not say so"
    elif one.score < chosen.score:
        why = "a name that fits less"
    else:
        why = "as likely, defined later"
    return f"{one.name} ({why})"


def _pattern_of(quantity: str, nodes: Sequence[ProposedNode]) -> str | None:
    """The name of a signal of all nodes with {position} in it; None where it differs in other ways."""
    signals = [node.signals.get(quantity) for node in nodes]
    if len(nodes) < 2 or any(one is None for one in signals):
        return None
    known = [one for one in signals if one is not None]
    readings = {(one.rescaling, one.equals) for one in known}
    if len(readings) > 1 or "{" in known[0].name or "}" in known[0].name:
        return None
    for pattern in _patterns_from(known[0].name, nodes[0].position):
        if all(pattern.format(position=n.position) == one.name for n, one in zip(nodes, known, strict=True)):
            return pattern
    return None


def _patterns_from(name: str, position: int) -> Iterator[str]:
    """Every pattern with one, or every, place of the number in a name."""
    for form, written in (("{position:02d}", f"{position:02d}"), ("{position}", f"{position}")):
        places = [i for i in range(len(name)) if name.startswith(written, i)]
        for i in places:
            yield name[:i] + form + name[i + len(written) :]
        if len(places) > 1:
            yield form.join(name.split(written))


# --- What there is to say about the file. ---


def new_session_json(place: Path, made: NewSession, found: Proposal, check: SessionCheck) -> str:
    """The result as one JSON object."""
    return to_json(
        {
            "session": place,
            "buses": [
                {"name": bus.name, "channel": bus.channel, "frames": bus.frames, "databases": bus.databases}
                for bus in found.buses
            ],
            "nodes": [
                {
                    "position": node.position,
                    "signals": {quantity: one.name for quantity, one in node.signals.items()},
                }
                for node in found.nodes
            ],
            "engine_signals": [_choice_object(choice) for choice in found.engine.values()],
            "open": made.open_points,
            "check": check_json(check),
        }
    )


def _choice_object(choice: SignalFound) -> dict[str, Any]:
    """One signal of the engine, with the others that it could be."""
    one = choice.chosen
    return {
        "quantity": choice.quantity,
        "signal": one.name,
        "reading": str(one.rescaling),
        "equals": one.equals,
        "lowest": one.seen[0],
        "median": one.seen[1],
        "highest": one.seen[2],
        "others": [other.name for other in choice.others],
    }


def new_session_text(place: Path, made: NewSession, found: Proposal, check: SessionCheck) -> str:
    """What the file has, what it lacks, and the command to type next."""
    nodes = counted(len(found.nodes), "node")
    signals = counted(len(found.engine), "signal")
    source = f" from {found.log}: {nodes}, {signals} of the engine" if found.log else ""
    doubt = bool(check.mistakes or (found.log and not found.nodes))
    lines = [f"open: {point}" for point in made.open_points]
    lines += [*(write_implausible(one) for one in check.implausible), *write_unjudged(check)]
    file, read = shlex.quote(str(place)), shlex.quote(found.log)
    log = f" --log {read}" if found.log else ""
    following = [f"fill in the lines with #, then: mixmon verify {file}{log}"]
    if found.log and found.nodes:
        following.append(f"then: mixmon balance {read} -s {file}")
    answer = stress(listed(f"{place}: made{source}"), doubt=doubt)
    return answer + "".join(map(listed, (*lines, *following)))
