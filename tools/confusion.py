"""What is found of planted events: a table of what they were against what they were taken for.

    python tools/confusion.py [--events 200] [--seed 1]
    python tools/confusion.py --marks [--events 200]

Every class is planted at speeds from idle to the limit, with sensors whose lags scatter by six
percent around what is assumed. Rows are the truth, columns what it was called. "nothing" was not
found; the last line counts events that were found and not planted, and over how many
cylinder-hours.

"misfire while lean" is one cylinder 8 % lean for seconds with missed cycles in it: right where the lean step
and every misfire are found, each under its own name ("both"). In the classes whose names end in "slow" the
sensors have three times the lag that is assumed, and nobody measured it: "not classified" is an answer there,
another class is none.

--marks: of the same events, and of those of the engine in tests/outside_engine.py through whole logs, which
raise a lean alarm, which of these alarms are marked as what may be a misfire within half a second of the
onset, and what the mark is in the end.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from planted import Engine, Truth

import mixmon
from mixmon.findings.alarms.alarms import Alarms
from mixmon.findings.alarms.misfire import MisfireMark, MisfireWatch
from mixmon.findings.alarms.records import AlarmEvent, Happening
from mixmon.findings.events.event import Event, Kind
from mixmon.findings.events.events import EventStage, find_events
from mixmon.gas.fuel import fuel_named
from mixmon.session.default_limits import placeholder_rules
from mixmon.session.model import Chain, Node, Session
from mixmon.session.model import Engine as Declared

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))  # the engine made without the package

FUEL = fuel_named("gasoline")
GAP_S, FIRST_S, EACH = 9.0, 10.0, 10
LEAN_STEP, USUAL_S, SLOW_S = 0.08, 0.085, 0.300
EARLY_S, LATE_S = 0.15, 0.30
POINTS = ((1100, 0.95), (2000, 0.98), (3000, 0.98), (4500, 0.92), (6000, 0.87), (7000, 0.87), (7800, 0.86))
SHAPES = ("box", "sine", "ramp", "saw")

Plant = Callable[[Engine, float, np.random.Generator], None]


def single(engine: Engine, t: float, rng: np.random.Generator) -> None:
    engine.misfire(t, int(rng.integers(engine.nodes)), 1, rng.uniform(0.33, 0.53))


def burst(engine: Engine, t: float, rng: np.random.Generator) -> None:
    engine.misfire(t, int(rng.integers(engine.nodes)), int(rng.integers(2, 13)), rng.uniform(0.33, 0.53))


def lean(engine: Engine, t: float, rng: np.random.Generator) -> None:
    seconds, share = rng.choice([0.2, 0.3, 0.5, 0.8, 1.2, 2.0]), rng.uniform(0.10, 0.30)
    engine.mixture(t, int(rng.integers(engine.nodes)), float(seconds), share, str(rng.choice(SHAPES)))


def misfire_while_lean(engine: Engine, t: float, rng: np.random.Generator) -> None:
    node, seconds, k_d = (
        int(rng.integers(engine.nodes)),
        float(rng.uniform(1.0, 3.5)),
        rng.uniform(0.33, 0.53),
    )
    engine.mixture(t, node, seconds, LEAN_STEP, "box")
    late = rng.uniform(0.15, 0.4)
    for _ in range(int(rng.integers(1, 4))):
        cycles = int(rng.integers(1, 6))
        lasts = cycles * 120 / engine.rpm
        if late + lasts < seconds - 0.1:
            engine.misfire(t + late, node, cycles, k_d)
        late += lasts + rng.uniform(0.25, 0.8)


def rich(engine: Engine, t: float, rng: np.random.Generator) -> None:
    seconds, share = rng.choice([0.2, 0.3, 0.5, 0.8, 1.2, 2.0]), -rng.uniform(0.10, 0.20)
    engine.mixture(t, int(rng.integers(engine.nodes)), float(seconds), share, str(rng.choice(SHAPES)))


def fuel_cut(engine: Engine, t: float, rng: np.random.Generator) -> None:
    bank = None if rng.random() < 0.7 else list(range(engine.nodes // 2))
    engine.cut_fuel(t, float(rng.uniform(0.6, 3.0)), bank, told=bank is None and engine.told)


def spark_cut(engine: Engine, t: float, rng: np.random.Generator) -> None:
    engine.cut_sparks(t, float(rng.uniform(0.3, 1.0)), told=engine.told)


def tip(engine: Engine, t: float, rng: np.random.Generator) -> None:
    engine.tip(t, 3.0, float(rng.uniform(60, 100)), 0.89)


# Cuts that the engine control does not report: only the gas and the speed show them.


def all_sparks(engine: Engine, t: float, rng: np.random.Generator) -> None:
    engine.cut_all_sparks(t, float(rng.uniform(0.06, 0.25)), float(rng.uniform(0.33, 0.53)))


def all_fuel(engine: Engine, t: float, rng: np.random.Generator) -> None:
    engine.cut_all_fuel(t, float(rng.uniform(0.06, 0.25)))


def _stride(engine: Engine, rng: np.random.Generator) -> int:
    """Every so many-th charge, so that all cylinders have their turn."""
    return int(rng.choice([every for every in (3, 5, 7) if engine.nodes % every]))


def sparks_in_turn(engine: Engine, t: float, rng: np.random.Generator) -> None:
    engine.limit(t, float(rng.uniform(0.3, 1.5)), _stride(engine, rng), float(rng.uniform(0.33, 0.53)))


def fuel_in_turn(engine: Engine, t: float, rng: np.random.Generator) -> None:
    engine.limit(t, float(rng.uniform(0.3, 1.5)), _stride(engine, rng), None)


def overrun(engine: Engine, t: float, rng: np.random.Generator) -> None:
    engine.cut_fuel(t, float(rng.uniform(0.6, 3.0)), None, told=False)


def one_injector(engine: Engine, t: float, rng: np.random.Generator) -> None:
    engine.shut_injector(t, float(rng.uniform(0.5, 4.0)), int(rng.integers(engine.nodes)))


def all_lean(engine: Engine, t: float, rng: np.random.Generator) -> None:
    engine.told = False
    seconds, share = rng.choice([0.2, 0.5, 1.0, 2.0]), rng.uniform(0.1, 0.25)
    engine.mixture(t, None, float(seconds), share, str(rng.choice(SHAPES)))


def _node(kind: str) -> Plant:
    def plant(engine: Engine, t: float, rng: np.random.Generator) -> None:
        engine.node(t, int(rng.integers(engine.nodes)), float(rng.uniform(0.4, 1.5)), kind)

    return plant


CLASSES: dict[str, Plant] = {
    "single misfire": single,
    "misfire burst": burst,
    "lean excursion": lean,
    "rich excursion": rich,
    "misfire while lean": misfire_while_lean,
    "single misfire, slow": single,
    "misfire burst, slow": burst,
    "lean excursion, slow": lean,
    "fuel cut": fuel_cut,
    "spark cut": spark_cut,
    "tip-in": tip,
    "node silent": _node("node silent"),
    "node reset": _node("node reset"),
    "sensor drop-out": _node("sensor drop-out"),
}

UNTOLD: dict[str, tuple[str, Plant]] = {
    "all sparks": ("spark cut", all_sparks),
    "all fuel": ("fuel cut", all_fuel),
    "sparks in turn": ("spark cut", sparks_in_turn),
    "fuel in turn": ("fuel cut", fuel_in_turn),
    "overrun": ("fuel cut", overrun),
    "one injector": ("no fuel", one_injector),
    "all lean": ("lean excursion", all_lean),
}
"""What nobody reports: the kind that each should be called, and how it is planted. Whether a limiter leaves
out sparks or fuel the readings do not show; it is called a spark cut, and said to be one of both."""

PLANTS = CLASSES | {name: plant for name, (_, plant) in UNTOLD.items()}
AT_TOP = frozenset({"spark cut", "sparks in turn", "fuel in turn"})


def kind_of(name: str) -> str:
    """The kind that events of a class should be called."""
    if name in UNTOLD:
        return UNTOLD[name][0]
    if name == "misfire while lean":
        return "both"
    return "misfire" if "misfire" in name else name.removesuffix(", slow")


def session_of(nodes: int) -> Session:
    """A session for the planted engine; its first half is a bank."""
    half = nodes // 2
    banks = {"A": tuple(range(1, half + 1)), "B": tuple(range(half + 1, nodes + 1))}
    chain = Chain("chain", {}, tuple(Node(i + 1, (i + 1,)) for i in range(nodes)))
    return Session(Declared(nodes, banks=banks), chain, ())


def drive(name: str, seed: int, events: int = EACH) -> tuple[Engine, tuple[Event, ...]]:
    """One engine with that many events of a class, and what was found."""
    engine = planted_engine(name, seed, events)
    return engine, find_events(session_of(engine.nodes), FUEL, [engine.block()])


def planted_engine(name: str, seed: int, events: int = EACH) -> Engine:
    """One engine with that many events of a class."""
    rng = np.random.default_rng([seed, *name.encode()])
    rpm, target = POINTS[int(rng.integers(len(POINTS)))]
    nodes = int(rng.choice([4, 6, 8, 12]))
    lean_s = rng.normal(1.0, 0.06, nodes) * (SLOW_S if name.endswith("slow") else USUAL_S)
    load = 10.0 if name == "tip-in" else 100.0
    if name in AT_TOP:
        rpm, target = POINTS[-1 - int(rng.integers(3))]
    engine = Engine(
        rng, FIRST_S + events * GAP_S, nodes, rpm, load, target, [(float(s), float(s), 0.020) for s in lean_s]
    )
    engine.told = bool(rng.random() < 0.5)
    if name in UNTOLD and name not in AT_TOP:
        engine.be_quicker_at_first(4.0, 0.08)
    for i in range(events):
        PLANTS[name](engine, FIRST_S + i * GAP_S + float(rng.uniform(0, 0.5)), rng)
    return engine


# ----------------------------------------------------------------------------------------------------
# Marks of lean alarms.
# ----------------------------------------------------------------------------------------------------

MARKED_WITHIN_S = 0.5
LEAN_RULE = replace(placeholder_rules()[0], when=None)
"""The built-in lean alarm, at any speed and load: what is planted lies at idle too."""


@dataclass(frozen=True, slots=True)
class MarkedAlarm:
    """A planted event with the lean alarm that it raised; None: it raised none.

    marked_s  from the onset to the first mark; None: never marked as what may be a misfire
    final     the mark in the end
    """

    kind: str
    raised_s: float | None
    marked_s: float | None
    final: str


def marks_of(
    kind: str, onset_s: float, end_s: float, position: int, records: Iterable[AlarmEvent]
) -> MarkedAlarm:
    """The lean alarm of a node that was raised by what began at `onset_s` of data time, and its marks."""
    own = [r for r in records if r.position == position and onset_s - 0.1 < r.t / 1e9 < end_s + 14]
    begun = [r for r in own if r.what is Happening.CONDITION_TRUE and r.t / 1e9 < max(end_s, onset_s) + 0.6]
    if not begun:
        return MarkedAlarm(kind, None, None, "")
    marked = [r.t / 1e9 - onset_s for r in own if r.misfire is MisfireMark.SUSPECTED]
    last = [r.misfire for r in own if r.t >= begun[0].t and r.misfire]
    return MarkedAlarm(kind, begun[0].t / 1e9 - onset_s, min(marked, default=None), last[-1] if last else "")


def planted_marks(name: str, seed: int, events: int = EACH) -> list[MarkedAlarm]:
    """What the alarms say of the events of a class, planted in rows."""
    engine = planted_engine(name, seed, events)
    session, found = session_of(engine.nodes), EventStage(session_of(engine.nodes), FUEL)
    nodes = session.chain.nodes
    alarms = Alarms((LEAN_RULE,), nodes, MisfireWatch(nodes, FUEL, found.lags_at))
    block = engine.block()
    records = [*alarms.feed(block, found.feed(block)), *alarms.flush(found.flush())]
    return [marks_of(t.kind, t.t, t.end, t.node + 1, records) for t in engine.truth if t.node is not None]


def outside_marks(seed: int, kind: str, events: int = EACH) -> list[MarkedAlarm]:
    """The same of the engine made without the package, through a log that is read like any other."""
    import outside_engine as outside

    rng = np.random.default_rng([seed, len(kind)])
    n, rpm = int(rng.choice([4, 6, 8])), float(rng.uniform(3000, 7500))
    times = [FIRST_S + GAP_S * i + float(rng.uniform(0, 0.5)) for i in range(events)]
    which = [int(rng.integers(1, n + 1)) for _ in times]
    planted: dict[str, list[tuple[int, float, float]]] = {}
    if kind == "misfire":
        planted["missed"] = [(c, t, int(rng.integers(2, 13))) for c, t in zip(which, times, strict=True)]
    else:
        planted["lean"] = [
            (c, t, t + float(rng.choice([0.3, 0.5, 0.8, 1.2, 2.0])), float(rng.uniform(10, 30)))
            for c, t in zip(which, times, strict=True)
        ]
    stay = outside.Stay(FIRST_S + GAP_S * events, rpm, 100.0, float(rng.uniform(0.86, 0.92)))
    play = outside.Play(
        [stay],
        rng.uniform(-2, 2, n),
        outside.usual_sensing(n, rng),
        rng,
        vapour_speed=float(rng.uniform(0.35, 0.53)),
        **planted,
    )
    with tempfile.TemporaryDirectory() as name:
        layout, log = outside.Layout(), Path(name, "engine.log")
        session = outside.write_session(play, layout, Path(name))
        play.frames(layout).write(log)
        run = mixmon.read_run(mixmon.load_session(session), log)
        records = mixmon.alarms(run)
    first = outside.EPOCH_S
    way = float(play.delay[0])
    return [
        marks_of(kind, first + t + way, first + t + way + float(end), c, records)
        for (c, t, *_), end in zip(next(iter(planted.values())), [2.0] * events, strict=True)
    ]


def print_marks(name: str, alarms: list[MarkedAlarm], is_misfire: bool) -> None:
    """A line: how many raised an alarm, how many of these are marked in time, or falsely, and the end."""
    raised = [a for a in alarms if a.raised_s is not None]
    soon = sum(a.marked_s is not None and a.marked_s <= MARKED_WITHIN_S for a in raised)
    ever = sum(a.marked_s is not None for a in raised)
    wrong = "" if is_misfire else " (false)"
    ends = dict(Counter(a.final or "no mark" for a in raised))
    print(
        f"{name:34}{len(alarms):8}{len(raised):8}{soon:8}{ever:8}{wrong:8}  "
        f"{soon / max(len(raised), 1):6.1%}  {ends}"
    )


def print_mark_table(events: int, seed: int) -> None:
    """The table of --marks."""
    print(f"{'':34}{'planted':>8}{'raised':>8}{'in time':>8}{'ever':>8}{'':10}  share  in the end")
    rounds = -(-events // EACH)
    for name in MARKED_CLASSES:
        found = [a for i in range(rounds) for a in planted_marks(name, seed * 1000 + i)]
        for kind in dict.fromkeys(a.kind for a in found):
            label = name if kind in name else f"{name}: {kind}"
            print_marks(label, [a for a in found if a.kind == kind], kind == "misfire")
    for kind in ("misfire", "lean excursion"):
        found = [a for i in range(rounds) for a in outside_marks(seed * 1000 + i, kind)]
        print_marks(f"outside engine, {kind}", found, kind == "misfire")


MARKED_CLASSES = (
    "single misfire",
    "misfire burst",
    "lean excursion",
    "misfire while lean",
    "single misfire, slow",
    "misfire burst, slow",
    "lean excursion, slow",
)


def matched(
    truths: list[Truth], found: tuple[Event, ...]
) -> tuple[list[tuple[Truth, Event | None]], list[Event]]:
    """Each planted event with what was found of it, and what is left over."""
    left, pairs = list(found), []
    for truth in truths:
        near = [
            e
            for e in left
            if truth.t - EARLY_S < e.t / 1e9 < truth.end + LATE_S
            and (e.all_nodes or truth.node is None or truth.node in e.nodes)
        ]
        best = min(near, key=lambda e: (e.kind != truth.kind, abs(e.t / 1e9 - truth.t)), default=None)
        if best is not None:
            # what else was found of the same, such as a burst in two parts
            same = [e for e in near if e.kind is best.kind and e.nodes == best.nodes]
            left = [e for e in left if e not in same]
        pairs.append((truth, best))
    return pairs, left


def _call_both(kind: str, inside: list[Truth], near: list[Event]) -> str:
    """What a lean step with misfires in it was called: "both" where the step and each misfire were found."""
    if any(e.kind is Kind.NOT_CLASSIFIED for e in near):
        return "not classified"
    at = [e.t / 1e9 for e in near if e.kind is Kind.MISFIRE]
    if kind != "lean excursion":
        return "misfire" if at else kind
    return "both" if all(any(abs(t - truth.t) < EARLY_S for t in at) for truth in inside) else kind


def called(
    name: str, pairs: list[tuple[Truth, Event | None]], found: tuple[Event, ...]
) -> list[tuple[Truth, str, bool]]:
    """Each planted event of the class, what it was called, and whether its missed cycles are right."""
    told = [(truth, "nothing" if event is None else str(event.kind), event) for truth, event in pairs]
    if name != "misfire while lean":
        own = kind_of(name)
        return [
            (truth, kind, event is not None and event.evidence.get("missed_cycles", 0) == truth.cycles)
            for truth, kind, event in told
            if truth.kind == own
        ]
    units = []
    for step, kind, _ in told:
        if step.kind == "lean excursion":
            inside = [
                t for t in (truth for truth, _ in pairs) if t.kind == "misfire" and step.t < t.t < step.end
            ]
            near = [e for e in found if step.node in e.nodes and step.t - 0.2 < e.t / 1e9 < step.end + 0.2]
            misses = [e for e in near if e.kind is Kind.MISFIRE]
            cycles = sum(int(e.evidence["missed_cycles"]) for e in misses)  # type: ignore[arg-type]
            units.append((step, _call_both(kind, inside, near), cycles == sum(t.cycles for t in inside)))
    return units


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--events", type=int, default=200, help="of each class")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--classes", nargs="+", default=list(PLANTS))
    parser.add_argument("--verbose", action="store_true", help="every planted event that was not named right")
    parser.add_argument("--marks", action="store_true", help="marks of lean alarms instead")
    arguments = parser.parse_args()
    if arguments.marks:
        print_mark_table(arguments.events, arguments.seed)
        return
    columns = [*(k.value for k in Kind), "both", "nothing"]
    print(f"{'':21}" + "".join(f"{c:>10.9}" for c in columns) + "     right   late ms   cycles")
    extra: Counter[str] = Counter()
    hours = 0.0
    for name in arguments.classes:
        row: Counter[str] = Counter()
        late, counted = [], []
        for i in range(-(-arguments.events // EACH)):
            engine, found = drive(name, arguments.seed * 1000 + i)
            hours += engine.seconds * engine.nodes / 3600
            pairs, left = matched(engine.truth, found)
            for truth, kind, right_count in called(name, pairs, found):
                row[kind] += 1
                if kind == kind_of(name):
                    counted.append(right_count)
                elif arguments.verbose:
                    print(f"  {engine.rpm} rpm, {engine.nodes} nodes: {truth} -> {kind}")
            late += [
                1000 * (event.t / 1e9 - truth.t)
                for truth, event in pairs
                if event is not None and event.kind == truth.kind == kind_of(name)
            ]
            for event in left:
                extra[event.kind] += 1
                if arguments.verbose:
                    print(f"  {engine.rpm} rpm, {engine.nodes} nodes: not planted: {event}")
        right = row[kind_of(name)] / max(sum(row.values()), 1)
        cycles = f"{np.mean(counted):8.0%}" if "misfire" in name and counted else ""
        spread = f"{np.mean(late):+6.0f} {np.std(late):4.0f}" if late else ""
        print(f"{name:21}" + "".join(f"{row[c]:10}" for c in columns) + f"{right:10.1%}{spread:>10}{cycles}")
    print(f"not planted: {dict(extra)} in {hours:.1f} cylinder-hours")


if __name__ == "__main__":
    main()
