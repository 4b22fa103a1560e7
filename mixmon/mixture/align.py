"""Signals to rows: every cylinder and the engine on one time grid.

A row at time T holds, for every node, the newest sample at or before T, its age, and whether
it is new since the row before. Engine quantities stand beside it twice: as they are now, and
as they were when the gas that now passes each sensor left its valve. That shift changes with
speed and load, and differs between cylinders whose sensors sit at different distances.

Rows leave when time has certainly passed them; a row depends on samples, never on how they
were delivered. The grid begins with the first frame of a stretch of time, so the same frames with all
stamps moved alike give the same rows.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from mixmon.arrays import SECOND_NS, Bools, Bytes, Floats, Ints
from mixmon.gas.exhaust import lambda_from_oxygen, oxygen_balance
from mixmon.gas.fuel import Fuel
from mixmon.gas.transport import valve_to_sensor_delay_s
from mixmon.messages.block import SignalBlock
from mixmon.mixture.track import NEVER_TOO_OLD, Held, Source, Track, hold_alike


@dataclass(frozen=True, slots=True, eq=False)
class TargetTable:
    """lam float64[loads, speeds] at rising `load` and `rpm`; bilinear between, held beyond the ends."""

    rpm: Floats
    load: Floats
    lam: Floats

    def at(self, rpm: Floats, load: Floats) -> Floats:
        """Target at the operating points, any shape; NaN in, NaN out."""
        column, across = _place_on_axis(self.rpm, rpm)
        row, up = _place_on_axis(self.load, load)
        next_column = np.minimum(column + 1, len(self.rpm) - 1)
        next_row = np.minimum(row + 1, len(self.load) - 1)
        low = self.lam[row, column] * (1 - across) + self.lam[row, next_column] * across
        high = self.lam[next_row, column] * (1 - across) + self.lam[next_row, next_column] * across
        return low * (1 - up) + high * up


def _place_on_axis(axis: Floats, x: Floats) -> tuple[Ints, Floats]:
    """Index of the point at or below x, and the way to the next one, 0 to 1."""
    inside = np.clip(x, axis[0], axis[-1])
    known = np.where(np.isnan(inside), axis[0], inside)
    index = np.clip(np.searchsorted(axis, known, side="right") - 1, 0, max(len(axis) - 2, 0))
    step = axis[np.minimum(index + 1, len(axis) - 1)] - axis[index]
    fraction = np.divide(inside - axis[index], step, out=np.zeros_like(inside), where=step > 0)
    return index, np.where(np.isnan(inside), np.nan, fraction)


GRID_NS = 10_000_000
"""Grid period: our choice, 100 rows a second, as quick as the controllers send."""

ROW_S = GRID_NS / 1e9
"""The same in seconds."""

FIRST_ROW_NS = GRID_NS // 2
"""From the first frame of a stretch to its first row: our choice, half a period, so that what is sent in step
with that frame does not lie at the edge of the rows, where the jitter of stamps would move it across."""

LONGEST_DELAY_NS = 1_500_000_000
"""Engine quantities are kept for this long, and longer delays are cut to it: our choice (computed:
at 700 rpm, closed throttle and 600 mm of pipe the gas needs 0.52 s)."""

_MOST_ROWS = 4096
"""Rows of one output: our choice, 41 s, so that a long log needs little memory at a time."""

_UNKNOWN_CYCLE_NS = SECOND_NS
"""Cycle time of a message whose definition does not give one: our choice, slower than most."""

_CYCLES_UNTIL_OLD = 5
"""Cycles of its message after which a value is not used: our choice; four samples in a row may be lost."""

_HALF_LOAD = 50.0
"""Throttle percent for the gas's travel where no load is known: our choice, the middle."""

_MIXTURE_QUANTITIES = ("lam", "oxygen")

_AUX_ALWAYS, _AUX_WHERE_MAPPED = ("supply", "heater", "resets"), ("over_temperature",)
"""Further quantities of a node: those that every row has, and those that it has where a node sends them."""

Columns = dict[str, Floats]


@dataclass(frozen=True, slots=True)
class NodeSources:
    """Where one node's quantities come from. `lam` or `oxygen` must be there."""

    lam: Source | None = None
    oxygen: Source | None = None
    ready: Source | None = None
    supply: Source | None = None
    resets: Source | None = None
    heater: Source | None = None
    over_temperature: Source | None = None


@dataclass(frozen=True, slots=True)
class Geometry:
    """What the transport delay depends on; distances in mm from the valve seat, one a node."""

    distance_mm: tuple[float, ...]
    bore_mm: float | None = None
    cylinder_volume_l: float | None = None
    strokes: int = 4


@dataclass(frozen=True, slots=True)
class Layout:
    """Everything the rows are made from. `load` names the engine quantity that is the load axis.

    own_targets  target of each node over the engine's; None: all have the engine's
    """

    nodes: tuple[NodeSources, ...]
    engine: Mapping[str, Source]
    geometry: Geometry
    fuel: Fuel
    load: str = "throttle"
    stale_ns: int = 250_000_000
    targets: TargetTable | None = None
    own_targets: tuple[float, ...] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class AlignedRows:
    """k rows before their state is judged: see CylinderBlock for the columns.

    quality  uint8[k, n]  Quality of the sample held
    ready    float64[k, n]  1 ready, 0 not, NaN not known
    """

    t: Ints
    lam: Floats
    oxygen: Floats
    age: Ints
    fresh: Bools
    quality: Bytes
    ready: Floats
    shifted: Columns
    now: Columns
    aux: Columns


@dataclass(frozen=True, slots=True)
class _SourcePlaces:
    """Where the quantities of one node, or of the engine, are found: number of a track, row in it."""

    tracks: tuple[Track, ...]
    where: Mapping[str, tuple[int, int]]

    def at(self, t: Ints) -> tuple[list[Held], Columns]:
        """What the tracks hold at times of any shape, and the quantities by name."""
        held = [track.at(t) for track in self.tracks]
        return held, {name: held[track].values[row] for name, (track, row) in self.where.items()}


@dataclass(frozen=True, slots=True, eq=False)
class _NodesAlike:
    """Nodes whose quantities are found alike: their numbers, and their tracks, place by place."""

    nodes: Ints | slice
    tracks: tuple[tuple[Track, ...], ...]
    where: Mapping[str, tuple[int, int]]


def _group_alike(nodes: Sequence[_SourcePlaces]) -> tuple[_NodesAlike, ...]:
    """All nodes, those together that can be looked up together."""
    groups: dict[object, list[int]] = {}
    for j, places in enumerate(nodes):
        shape = tuple(track.shape for track in places.tracks), tuple(places.where.items())
        groups.setdefault(shape, []).append(j)
    return tuple(
        _NodesAlike(
            slice(0, len(nodes)) if len(members) == len(nodes) else np.array(members, np.int64),
            tuple(zip(*(nodes[j].tracks for j in members), strict=True)),
            nodes[members[0]].where,
        )
        for members in groups.values()
    )


class Aligner:
    """A stage: decoded messages in, rows out. One stretch of time at a time; `restart` between."""

    def __init__(self, layout: Layout) -> None:
        self._layout = layout
        self._by_message: dict[tuple[int, str], list[Track]] = {}
        self._engine = self._place_sources(layout.engine)
        self._nodes = [self._place_sources(_name_sources(node)) for node in layout.nodes]
        self._alike = _group_alike(self._nodes)
        self._aux = _AUX_ALWAYS + tuple(
            name
            for name in _AUX_WHERE_MAPPED
            if any(getattr(node, name) is not None for node in layout.nodes)
        )
        if layout.own_targets is not None:
            self._aux += ("own_target",)
        self._node_tracks = tuple(track for places in self._nodes for track in places.tracks)
        self._distances, self._group = np.unique(np.array(layout.geometry.distance_mm), return_inverse=True)
        self._next: int | None = None
        self._anchor: int | None = None

    def anchor_grid(self, first_ns: int) -> None:
        """Lays the grid of the next stretch as if it began with the frame of this stamp.

        So the rows of a part of a log are rows of the whole log.
        """
        self._anchor = first_ns

    @property
    def outside_range(self) -> dict[str, tuple[int, int]]:
        """Of each engine quantity with a range: samples outside it so far, and samples of its message."""
        tracks, sources = self._engine.tracks, self._layout.engine
        return {
            name: (int(tracks[i].outside[row]), tracks[i].samples)
            for name, (i, row) in self._engine.where.items()
            if sources[name].range is not None
        }

    def restart(self) -> None:
        """Forgets all samples, where time is broken."""
        for track in (*self._engine.tracks, *self._node_tracks):
            track.clear()
        self._next = None

    def feed(self, blocks: Sequence[SignalBlock], first_t: int | None, through: int) -> Iterator[AlignedRows]:
        """Rows up to `through`, a few thousand at a time.

        Args:
            blocks: decoded messages, each in order of time.
            first_t: time of the first frame among them, decoded or not; None if there is none.
            through: no earlier sample can follow.
        """
        for block in blocks:
            for track in self._by_message.get((block.bus, block.message.name), ()):
                track.add(block)
        if self._next is None:
            if first_t is None:
                return
            anchor = first_t if self._anchor is None else self._anchor
            self._next = first_t + (anchor + FIRST_ROW_NS - first_t) % GRID_NS
            self._anchor = None
        while self._next <= through:
            count = min((through - self._next) // GRID_NS + 1, _MOST_ROWS)
            t = self._next + np.arange(count, dtype=np.int64) * GRID_NS
            yield self._make_rows(t)
            self._next += count * GRID_NS
            newest = self._next - GRID_NS
            for track in self._node_tracks:
                track.forget(newest)
            for track in self._engine.tracks:
                track.forget(newest - LONGEST_DELAY_NS)

    def _place_sources(self, sources: Mapping[str, Source]) -> _SourcePlaces:
        """Tracks for the sources of one node, or of the engine: those that arrive together share one."""
        streams: dict[object, dict[str, Source]] = {}
        for name, source in sources.items():
            streams.setdefault(source.stream, {})[name] = source
        tracks = []
        for named in streams.values():
            old_ns = tuple(self._old_ns(*item) for item in named.items())
            tracks.append(Track(tuple(named.values()), old_ns))
            source = next(iter(named.values()))
            self._by_message.setdefault((source.bus, source.message), []).append(tracks[-1])
        found = {n: (i, row) for i, named in enumerate(streams.values()) for row, n in enumerate(named)}
        return _SourcePlaces(tuple(tracks), {name: found[name] for name in sources})

    def _old_ns(self, name: str, source: Source) -> int:
        """After how long a value is too old; for a mixture its age decides the sample's state instead."""
        if name in _MIXTURE_QUANTITIES:
            return NEVER_TOO_OLD
        if source.old_ns is not None:
            return source.old_ns
        return max(self._layout.stale_ns, _CYCLES_UNTIL_OLD * (source.cycle_ns or _UNKNOWN_CYCLE_NS))

    def _make_rows(self, t: Ints) -> AlignedRows:
        shape = (len(t), len(self._nodes))
        now = self._engine_at(t)
        rows = AlignedRows(
            t=t,
            lam=np.full(shape, np.nan),
            oxygen=np.full(shape, np.nan),
            age=np.empty(shape, np.int64),
            fresh=np.empty(shape, np.bool_),
            quality=np.empty(shape, np.uint8),
            ready=np.full(shape, np.nan),
            shifted=self._shift_to_valve(t, now),
            now=now,
            aux={name: np.full(shape, np.nan) for name in (*self._aux, "arrived")},
        )
        columns = {"lam": rows.lam, "oxygen": rows.oxygen, "ready": rows.ready, **rows.aux}
        for alike in self._alike:
            self._fill_nodes(rows, columns, alike)
        if self._layout.own_targets is not None:
            rows.aux["own_target"][:] = self._layout.own_targets
        return rows

    def _fill_nodes(self, rows: AlignedRows, columns: Columns, alike: _NodesAlike) -> None:
        """Write the columns of nodes that are looked up alike."""
        nodes = alike.nodes
        times = np.concatenate([rows.t[:1] - GRID_NS, rows.t])  # the row before: what has arrived since
        held = [hold_alike(tracks, times) for tracks in alike.tracks]
        for name, (number, row) in alike.where.items():
            columns[name][:, nodes] = held[number].values[row, :, 1:].T
        number, row = alike.where.get("lam") or alike.where["oxygen"]
        main = held[number]
        rows.age[:, nodes] = main.age[:, 1:].T
        arrived = (main.index[:, 1:] - main.index[:, :-1]).T
        rows.aux["arrived"][:, nodes] = arrived
        rows.fresh[:, nodes] = arrived > 0
        rows.quality[:, nodes] = main.quality[row, :, 1:].T
        if "lam" not in alike.where:
            rows.lam[:, nodes] = lambda_from_oxygen(rows.oxygen[:, nodes], self._layout.fuel)
        if "oxygen" not in alike.where:
            rows.oxygen[:, nodes] = oxygen_balance(rows.lam[:, nodes], self._layout.fuel)

    def _engine_at(self, t: Ints) -> Columns:
        """Engine quantities at times of any shape; NaN where the newest sample is too old."""
        _, out = self._engine.at(t)
        if self._layout.load in out:
            out["load"] = out[self._layout.load]
        if self._layout.targets is not None and {"rpm", "load"} <= out.keys():
            by_table = self._layout.targets.at(out["rpm"], out["load"])
            sent = out.get("target", by_table)
            out["target"] = np.where(np.isnan(sent), by_table, sent)
        return out

    def _shift_to_valve(self, t: Ints, now: Columns) -> Columns:
        """Engine quantities as they were at the valve: [k, n], one delay a distance; each its own target."""
        delay = self._delay_ns(now)
        if delay is None:
            then = {name: np.repeat(c[:, None], len(self._nodes), axis=1) for name, c in now.items()}
        else:
            then = {name: c[:, self._group] for name, c in self._engine_at(t[:, None] - delay).items()}
        if self._layout.own_targets is not None and "target" in then:
            then["target"] = then["target"] * self._layout.own_targets
        return then

    def _delay_ns(self, now: Columns) -> Ints | None:
        """Delay from the command to the reading, [k, distances]; None where speed is not known at all."""
        if "rpm" not in now:
            return None
        load = next((n for n in ("throttle", "map_kpa") if n in now), None)
        geometry = self._layout.geometry
        delay = valve_to_sensor_delay_s(
            now["rpm"][:, None],
            now[load][:, None] if load else _HALF_LOAD,
            distance_mm=self._distances,
            bore_mm=geometry.bore_mm,
            cylinder_volume_l=geometry.cylinder_volume_l,
            strokes=geometry.strokes,
            load_signal=load or "throttle",
        )
        limited = np.clip(np.nan_to_num(delay * 1e9, nan=0.0, posinf=LONGEST_DELAY_NS), 0, LONGEST_DELAY_NS)
        whole: Ints = np.rint(limited).astype(np.int64)
        return whole


def _name_sources(node: NodeSources) -> dict[str, Source]:
    names = ("lam", "oxygen", "ready", *_AUX_ALWAYS, *_AUX_WHERE_MAPPED)
    named = {name: getattr(node, name) for name in names}
    return {name: source for name, source in named.items() if source is not None}
