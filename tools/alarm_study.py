"""How the default alarms do on simulated engines: late, false, chattering, and what they cost.

    python tools/alarm_study.py [--seeds 3] [--first 1] [--minutes 60] [--only lean clean limit]

lean    single cylinders of an engine at full load lose 8 % of their fuel. When the condition of
        "lean under load" has been held for its on-delay is worked out from the frames as cantools
        decodes them, one by one; "told late" is how much later, in the time of the frames, the
        alarm's record has left a pipeline as patient as on a live bus
clean   an even engine is driven by tip-ins, tip-outs, roll-ins, pulls, cuts and a limiter: every
        alarm that is announced is false
limit   cylinders held around the limit, from 2 % below to 2 % above, with about 1 % noise
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import cantools
import numpy as np

from mixmon.findings.alarms.alarms import Alarms
from mixmon.findings.alarms.records import AlarmEvent
from mixmon.findings.lags import OnlineLags
from mixmon.frames.block import FrameBlock, concat
from mixmon.messages.bind import bind, load_databases
from mixmon.pipeline import Pipeline
from mixmon.session.default_limits import NO_ENGINE, SLOW_SENSOR, placeholder_rules
from mixmon.session.model import AlarmRule
from mixmon.simulate.load import load_scenario
from mixmon.simulate.scenario import Part, Scenario
from mixmon.simulate.simulation import EPOCH_NS, Simulation, simulate

S = 1_000_000_000
LEAN = placeholder_rules()[0]
PIECE_NS = 10_000_000
AFTER_DUE_S = 0.5
_DBC = Path(__file__).parents[1] / "dbc"
WARM = (Part("off", "off", 2.0, 0.0, 0.0), Part("start", "start", 26.0, 1000.0, 3.0))


def even(cylinders: int, rng: np.random.Generator, profile: tuple[Part, ...]) -> Scenario:
    """An engine whose cylinders differ by about half a percent, and so do its sensors."""
    base = load_scenario("plain", cylinders)

    def each(middle: float, spread: float) -> tuple[float, ...]:
        return tuple((middle + spread * rng.uniform(-1, 1, cylinders)).tolist())

    lag = each(0.085, 0.008)
    return replace(
        base,
        profile=profile,
        repeat_from=None,
        faults=(),
        cylinders=replace(base.cylinders, flow_percent=each(0.0, 1.0), film_percent=each(5.0, 1.0)),
        sensors=replace(base.sensors, bias_percent=each(0.0, 0.4), lean_s=lag, rich_s=lag),
    )


# --- lean ---------------------------------------------------------------------------------------


@dataclass
class Lateness:
    """Of the steps of one run: ns after the moment at which the alarm was due; and what went wrong."""

    stamped: list[int] = field(default_factory=list)
    told: list[int] = field(default_factory=list)
    missed: int = 0
    others: int = 0


def leaning(seed: int, cylinders: int) -> Simulation:
    """One cylinder after another loses 8 % of its fuel for a second and a half, at full load."""
    rng = np.random.default_rng([seed, 1])
    rpm = float(rng.uniform(2800, 6600))
    part = Part(
        "identity",
        "steps",
        6.0 + 3.0 * cylinders,
        rpm,
        100.0,
        ramp_s=4.0,
        percent=-8.0,
        step_s=1.5,
        pause_s=1.5,
        lead_s=2.0,
        method="single",
    )
    return simulate(even(cylinders, rng, (*WARM, part)), seed=seed)


def due(simulation: Simulation, frames: FrameBlock, rule: AlarmRule) -> dict[int, list[int]]:
    """When the condition of a lean alarm had been held for its on-delay, by position; frame by frame."""
    decoders = [
        {message.frame_id: message for message in cantools.database.load_file(_DBC / bus.database).messages}
        for bus in simulation.session.buses
    ]
    engine = {"Throttle": 0.0, "Speed": 0.0, "Target": np.inf}
    began: dict[int, int | None] = {}
    told: dict[int, list[int]] = {}
    limit = rule.limit
    for t, bus, number, size, data in zip(
        frames.t.tolist(),
        frames.bus.tolist(),
        frames.can_id.tolist(),
        frames.size.tolist(),
        frames.data,
        strict=True,
    ):
        message = decoders[bus].get(number)
        if message is None or not message.name.startswith(("Mix", "Engine_F")) or "State" in message.name:
            continue
        if message.name.startswith("Mix") and not message.name.endswith("_Fast"):
            continue
        values = message.decode(bytes(data[:size]), decode_choices=False)
        if message.name.startswith("Engine"):
            engine |= {name: float(values[name]) for name in engine if name in values}
            continue
        position = int(message.name[3:5])
        over = float(values["Lambda"]) - engine["Target"]
        loaded = engine["Throttle"] > 60 and engine["Speed"] > 2500
        since = began.get(position)
        if values["State"] != 3 or not loaded or over < limit - rule.dead_band:
            began[position] = None
        elif since is None and over > limit:
            began[position] = t
        elif since is not None and since > 0 and t - since >= rule.on_delay_s * S:
            told.setdefault(position, []).append(since + round(rule.on_delay_s * S))
            began[position] = -1  # told; waits until the condition is false
    return told


def lateness(simulation: Simulation) -> Lateness:
    """How late the alarms of a leaning engine are."""
    frames = concat([block for block in simulation if len(block)])
    expected, found = due(simulation, frames, LEAN), Lateness()
    pipeline, alarms = (
        Pipeline(bind(simulation.session, load_databases(simulation.session))),
        Alarms(placeholder_rules(), simulation.session.chain.nodes),
    )
    said: list[tuple[int, AlarmEvent]] = []
    for piece in _pieces_of_steps(simulation, frames):
        for rows in pipeline.feed(piece):
            said += [(int(piece.t[-1]), r) for r in alarms.feed(rows) if r.announced]
    for position, moments in expected.items():
        for moment in moments:
            near = [
                (at, r)
                for at, r in said
                if r.rule == LEAN.name and r.position == position and -S < r.t - moment < S
            ]
            found.missed += not near
            if near:
                said.remove(near[0])
                found.stamped.append(near[0][1].t - moment)
                found.told.append(near[0][0] - moment)
    found.missed += simulation.session.engine.cylinders - sum(map(len, expected.values()))
    found.others = len(said)
    return found


def _pieces_of_steps(simulation: Simulation, frames: FrameBlock) -> Iterator[FrameBlock]:
    """Pieces as a bus gives them around the moment at which an alarm is due; in one piece between two."""
    steps = simulation.world.timeline.steps
    done = 0
    for step in steps[::2]:
        edges = EPOCH_NS + np.rint((step.t_s + LEAN.on_delay_s + np.array([0.0, AFTER_DUE_S])) * S)
        begin, end = np.searchsorted(frames.t, edges).tolist()
        yield frames.take(slice(done, begin))
        yield from pieces(frames.take(slice(begin, end)))
        done = end
    yield frames.take(slice(done, None))


def pieces(frames: FrameBlock) -> Iterator[FrameBlock]:
    """As a bus gives them: what came in ten milliseconds."""
    borders = np.flatnonzero(np.diff(frames.t // PIECE_NS)) + 1
    for rows in np.split(np.arange(len(frames)), borders):
        yield frames.take(slice(int(rows[0]), int(rows[-1]) + 1))


# --- clean --------------------------------------------------------------------------------------


def driving(rng: np.random.Generator, seconds: float) -> Iterator[Part]:
    """Parts of driving until the time is over, no two alike."""
    yield from WARM
    played = sum(part.seconds for part in WARM)
    while played < seconds:
        for part in _one_drive(rng):
            yield part
            played += part.seconds


def _one_drive(rng: np.random.Generator) -> Iterator[Part]:
    rpm, load = float(rng.uniform(1500, 6000)), float(rng.uniform(5, 40))
    kind = rng.choice(["tip-in", "tip-in", "tip-in", "pull", "roll-in", "cruise", "cut"])
    if kind == "tip-in":
        hold, pause = (float(x) for x in rng.uniform(0.5, 3.0, 2))
        times = int(rng.integers(2, 6))
        to = float(rng.choice([rng.uniform(45, 90), 100.0]))
        length = 3.0 + times * (hold + pause + 0.2)
        part = Part("tip-in", "tip-ins", length, rpm, load, to_load=to, times=times, hold_s=hold, lead_s=0.5)
        yield replace(part, pause_s=pause)
    elif kind == "pull":
        yield Part("steady", "before the pull", 4.0, 2300.0, 10.0)
        yield Part("sweep", "pull", float(rng.uniform(5, 9)), 6700.0, 100.0)
        if rng.random() < 0.3:
            yield Part("limiter", "limiter", 0.5, 6700.0, 100.0)
        yield Part("overrun", "lift", 2.5, 3500.0, 0.0)
    elif kind == "roll-in":
        ramp = float(rng.uniform(0.5, 4.0))
        yield Part("steady", "before", 3.0, rpm, load)
        yield Part("steady", "roll-in", ramp + 3.0, rpm + 300, float(rng.uniform(65, 100)), ramp_s=ramp)
        yield Part("steady", "roll-out", 3.0, rpm, load, ramp_s=ramp)
    elif kind == "cruise":
        yield Part("steady", "cruise", float(rng.uniform(3, 12)), rpm, load)
    else:
        yield Part("steady", "before the cut", 3.0, rpm + 500, load)
        yield Part("overrun", "cut", 2.5, 1800.0, 0.0)
        yield Part("steady", "idle", 4.0, 1000.0, 3.0)


def clean(seed: int, cylinders: int, seconds: float) -> Simulation:
    """An even engine, driven."""
    rng = np.random.default_rng([seed, 2])
    return simulate(even(cylinders, rng, tuple(driving(rng, seconds))), seed=seed, duration=seconds)


# --- limit --------------------------------------------------------------------------------------

NOISE = {"0.6 %": 1.5, "1 %": 2.7}
"""Noise of the cycles that gives readings of this noise at 5000 rpm."""


def at_limit(seed: int, cylinders: int, seconds: float, cycle_percent: float) -> Simulation:
    """Cylinders at full load whose mean lies from 2 % below to 2 % above the lean limit."""
    base = load_scenario("plain", cylinders)
    target = base.map.target[-1][base.map.rpm.index(5000.0)]
    mean = target + LEAN.limit + target * np.linspace(-0.02, 0.02, cylinders)
    hold = Part("steady", "hold", seconds, 5000.0, 100.0, ramp_s=4.0)
    return simulate(
        replace(
            base,
            profile=(*WARM, hold),
            repeat_from=None,
            faults=(),
            noise=replace(base.noise, cycle_percent=cycle_percent),
            cylinders=replace(base.cylinders, flow_percent=tuple((100 * (target / mean - 1)).tolist())),
        ),
        seed=seed,
    )


# --- all ----------------------------------------------------------------------------------------


def announced(simulation: Simulation, rules: tuple[AlarmRule, ...]) -> tuple[list[AlarmEvent], float]:
    """Records that asked for attention, and seconds of processor time that the alarms took."""
    pipeline = Pipeline(bind(simulation.session, load_databases(simulation.session)))
    nodes = simulation.session.chain.nodes
    lags, found, cost = OnlineLags(nodes), [], 0.0
    alarms = Alarms(rules, nodes, paces_at=lags.paces_at)
    blocks = (rows for frames in simulation for rows in pipeline.feed(frames))
    for rows in blocks:
        lags.feed(rows)
        began = time.process_time()
        found += alarms.feed(rows)
        cost += time.process_time() - began
    return [record for record in found if record.announced], cost


def often(records: list[AlarmEvent], positions: int) -> tuple[list[int], int, int]:
    """Announcements by position, the most of one alarm within a minute, and those marked as chatter."""
    times = {p: np.array([r.t for r in records if r.position == p]) for p in range(1, positions + 1)}
    minute = max(int(((t > end - 60 * S) & (t <= end)).sum()) for t in times.values() for end in t)
    return [len(t) for t in times.values()], minute, sum(r.chattering for r in records)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=60.0, help="of clean driving, each seed")
    parser.add_argument("--cylinders", type=int, default=16)
    parser.add_argument("--only", nargs="+", choices=("lean", "clean", "limit"))
    arguments = parser.parse_args()
    seeds, n = range(arguments.first, arguments.first + arguments.seeds), arguments.cylinders
    for part in arguments.only or ("lean", "clean", "limit"):
        for seed in seeds:
            _PRINT[part](seed, n, arguments.minutes)


def _print_lean(seed: int, cylinders: int, _: float) -> None:
    late = lateness(leaning(seed, cylinders))
    print(
        f"lean  seed {seed}: {len(late.told)} of {cylinders} steps raised, {late.missed} missed, "
        f"{late.others} others; stamped {min(late.stamped) / 1e6:+.0f} to {max(late.stamped) / 1e6:+.0f} ms, "
        f"told {min(late.told) / 1e6:+.0f} to {max(late.told) / 1e6:+.0f} ms after it was due"
    )


def _print_clean(seed: int, cylinders: int, minutes: float) -> None:
    found, cost = announced(
        clean(seed, cylinders, 60 * minutes), (*placeholder_rules(), SLOW_SENSOR, NO_ENGINE)
    )
    names = dict(Counter(record.rule for record in found)) or "none"
    print(
        f"clean seed {seed}: {minutes:g} min, {cylinders} cylinders: {names}; {cost:.2f} s of processor time"
    )
    for record in found[:10]:
        print(
            f"      {(record.t - EPOCH_NS) / 1e9:9.2f} s {record.rule} {record.position} {record.value:.3f}"
        )


def _print_limit(seed: int, cylinders: int, _: float) -> None:
    for words, cycle_percent in NOISE.items():
        found, _cost = announced(at_limit(seed, cylinders, 604.0, cycle_percent), (LEAN,))
        counts, minute, chatter = often(found, cylinders)
        print(
            f"limit seed {seed}: noise {words}, ten minutes, -2 to +2 %: "
            f"{counts}; at most {minute} a minute; {chatter} marked as chatter"
        )


_PRINT = {"lean": _print_lean, "clean": _print_clean, "limit": _print_limit}

if __name__ == "__main__":
    main()
