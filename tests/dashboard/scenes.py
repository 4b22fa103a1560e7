"""Sessions and snapshots as they could be, made by hand, for 1 to 16 cylinders."""

import math
from dataclasses import replace
from functools import cache

import numpy as np

from mixmon.dashboard.readouts import ReadoutHold
from mixmon.dashboard.scene import KnownSensors, Scene, Setting, ViewOptions
from mixmon.findings.alarms.records import Alarm, AlarmEvent, AlarmList, Happening
from mixmon.findings.alarms.states import AlarmFlag, AlarmState
from mixmon.findings.balance.balance import (
    Balance,
    BankNeed,
    CellNeed,
    CylinderNeed,
    EngineNeed,
    ReferenceCylinders,
    Spread,
    cell_spreads,
)
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.events.event import Event
from mixmon.findings.identity.guide import GuidedStep, StepTest, planned_fuel
from mixmon.findings.identity.identity import Identity, Label
from mixmon.findings.identity.notes import IdentityNote, LabelNote
from mixmon.findings.pulls.bands import Bands, Point, PullTable
from mixmon.findings.pulls.pulls import Pull
from mixmon.findings.pulls.quality import (
    PullEnd,
    PullNote,
    PullQuality,
    PullState,
    PullTrace,
    PullVerdict,
    Suggestion,
)
from mixmon.findings.pulls.review import PullReview, Repeat
from mixmon.findings.response.sensors import ResponseTime, SensorResponse
from mixmon.findings.trims.sheet import make_sheet
from mixmon.gas.fuel import fuel_named
from mixmon.ledger.entries import EntryKind, Fact
from mixmon.ledger.ledger import Ledger
from mixmon.ledger.standing import records
from mixmon.mixture.block import SampleState
from mixmon.mixture.steady import Cell
from mixmon.note import note
from mixmon.report.units import unit_named
from mixmon.session.default_limits import placeholder_rules
from mixmon.session.evidence import IdentityState
from mixmon.session.model import (
    Axes,
    Bus,
    Chain,
    Engine,
    Limits,
    Node,
    Session,
    SignalChoice,
    Trims,
)
from mixmon.watch.commissioning import Commissioning, DelayFound
from mixmon.watch.limits import MixtureRules
from mixmon.watch.observer import make_strip
from mixmon.watch.snapshot import BusNow, Cylinders, Holding, MixtureLimits, Snapshot
from mixmon.watch.timeline import KnownMoments, LogTimeline, Moment, MomentKind, Playing

SECOND = 1_000_000_000
FUEL = fuel_named("E10")
UNITS = {name: unit_named(name, FUEL, FUEL.stoich_afr) for name in ("lambda", "phi", "afr", "oxygen")}
OPTIONS = ViewOptions(UNITS["lambda"])
RULES = placeholder_rules()
LEAN = RULES[0]

ORDERS = {8: (1, 5, 3, 7, 4, 8, 2, 6), 4: (1, 3, 4, 2), 6: (1, 4, 2, 6, 3, 5)}
RPM = (1100.0, 2000.0, 3000.0, 4000.0, 5000.0, 6000.0, 7000.0, 7800.0)
LOAD = (3.0, 10.0, 18.0, 35.0, 60.0, 100.0)
NEEDS = (-0.7, -2.6, 5.3, -2.0, 0.6, -1.7, -1.1, -2.1, 0.3, 1.9, -0.4, 2.2, -3.4, 0.9, -0.2, 1.1)


def session(count=8, *, limits=None, name="Alder 8 before"):
    half = -(-count // 2)
    cylinders = tuple(range(1, count + 1))
    return Session(
        engine=Engine(
            count,
            firing_order=ORDERS.get(count),
            banks={"A": cylinders[:half], "B": cylinders[half:]} if count > 4 else {},
        ),
        chain=Chain(
            "chain",
            {key: SignalChoice("chain", "Mix{position:02d}", key) for key in ("lambda", "supply", "heater")},
            tuple(Node(c, (c,), f"S-{100 + c}") for c in cylinders),
        ),
        buses=(Bus("chain", bitrate=500_000), Bus("engine", bitrate=500_000)),
        name=name,
        engine_signals={
            key: SignalChoice("engine", "Engine", key)
            for key in ("rpm", "throttle", "target", "fuel_cut", "spark_cut")
        },
        axes=Axes(RPM, LOAD),
        trims=Trims(identity="stated", now_percent=(0.0,) * count),
        limits=limits or Limits("builder's sheet 14", RULES),
    )


def alarm(
    rule=LEAN,
    position=3,
    *,
    state=AlarmState.UNACKNOWLEDGED,
    active=True,
    value=0.046,
    value_now=0.046,
    flags=None,
):
    return Alarm(
        rule=rule,
        position=position,
        cylinders=() if position is None else (position,),
        state=state,
        flags=flags or AlarmFlag.NONE,
        active=active,
        since=251 * SECOND,
        changed=251 * SECOND,
        value=value,
        value_now=value_now,
        limit=0.04,
        unit="lambda",
        chattering=False,
        shelved_until=None,
        reason="",
    )


def event(rule=LEAN, position=3, *, t=251 * SECOND, announced=True, active=True, value=0.046):
    return AlarmEvent(
        stretch=0,
        t=t,
        rule=rule.name,
        priority=rule.priority,
        position=position,
        cylinders=() if position is None else (position,),
        what=Happening.CONDITION_TRUE if active else Happening.CONDITION_FALSE,
        before=AlarmState.NORMAL,
        state=AlarmState.UNACKNOWLEDGED,
        flags=AlarmFlag.NONE,
        active=active,
        announced=announced,
        since=t,
        value=value,
        limit=0.04,
        unit="lambda",
        in_ten_minutes=1,
        chattering=False,
    )


def happened(kind, cylinder, *, t=248 * SECOND):
    return Event(
        t=t,
        kind=kind,
        nodes=(cylinder - 1,),
        cylinders=(cylinder,),
        all_nodes=False,
        peak_lambda=1.2,
        duration_ns=240_000_000,
        rpm=6800.0,
        load=100.0,
        evidence={},
    )


def alarm_list(*alarms, suppressed=()):
    return AlarmList(0, 252 * SECOND, alarms, suppressed, len(alarms))


def cylinders(needs, target=0.87, *, silent=(), state=None):
    needs = np.array(needs, np.float64)
    states = np.full(len(needs), SampleState.VALID, np.uint8) if state is None else np.array(state, np.uint8)
    for index in silent:
        states[index] = SampleState.SILENT
    needs = np.where(states == SampleState.VALID, needs, np.nan)
    lam = target * (1 + needs / 100)
    return Cylinders(
        lam=lam,
        oxygen=np.full(len(needs), np.nan),
        vs_target=needs,
        vs_peers=needs + 0.5,
        low=needs - 0.9,
        high=needs + 0.8,
        worst=needs + 1.5,
        state=states,
        age_ns=np.where(states == SampleState.SILENT, 2_400_000_000, 8_000_000).astype(np.int64),
        supply=np.linspace(13.5, 13.37, len(needs)),
        heater=np.full(len(needs), 42.0),
    )


def strip(target=0.87):
    t = np.arange(-200, 0) / 10.0
    engine = target * (1 - 0.006 + 0.012 * np.sin(t / 3))
    return make_strip(t, np.full(200, target), engine, engine * (1.055 + 0.01 * np.sin(2 * t)))


@cache
def balance(count=8):
    """A balance of this many cylinders; made once, since nobody can change it."""
    cells, whole = [], []
    everyone = ReferenceCylinders(tuple(range(1, count + 1)), ())
    for i, rpm in enumerate(RPM):
        for j, load in enumerate(LOAD):
            if abs(i - j - 1) > 1:
                continue
            whole.append(EngineNeed(rpm, load, -0.7, 0.2, 0.864, everyone))
            cells += [
                CellNeed(rpm, load, c, NEEDS[c - 1], 0.3 + 0.1 * i, 2.0 + 1.5 * j, load > 3)
                for c in range(1, count + 1)
            ]
    people = tuple(
        CylinderNeed(
            cylinder=c,
            position=c,
            sensor=f"S-{100 + c}",
            needs_percent=NEEDS[c - 1],
            interval95_percent=(NEEDS[c - 1] - 0.3, NEEDS[c - 1] + 0.3),
            usable_s=30.0,
            effective_samples=120.0,
            left_out_s={"warming": 2.0},
            trim_now_percent=0.0,
            trim_new_percent=round(2 * NEEDS[c - 1]) / 2,
            flags=(note(BalanceNote.LARGE_TRIM_CHANGE, limit_percent=5.0),) if c == 3 else (),
        )
        for c in range(1, count + 1)
    )
    return Balance(
        against="peers",
        cylinders=people,
        cells=tuple(cells),
        whole_engine=tuple(whole),
        banks=(BankNeed("A", 0.4, 0.2, 4), BankNeed("B", -0.4, 0.2, 4)) if count > 4 else (),
        spread=Spread(8.3, (7.9, 8.7), 2.6, count),
        predicted_spread=Spread(0.6, (0.4, 0.9), 0.2, count),
        predicted_in=None,
        fuel_percent=0.02,
        predicted_by_cell=tuple((Cell(w.rpm, w.load), Spread(0.6, (0.4, 0.9), 0.2, count)) for w in whole),
        withheld=(),
        notes=(note(BalanceNote.TRIMS_NOW_ASSUMED_ZERO),),
        cell_spreads=cell_spreads(cells),
    )


EXCHANGED = (3, 4)


def step_test(count=8, *, done=2, held=True, result=None, **changes):
    """A test by coded steps, some done and perhaps one held; labels 3 and 4 see each other's cylinder."""
    plan = planned_fuel(tuple((c,) for c in range(1, count + 1)), single=False, percent=3.0)
    steps = tuple(
        _guided_step(count, plan[k], k, held=held and k == done) for k in range(min(done + held, len(plan)))
    )
    place = done if done < len(plan) else None
    made = StepTest(False, False, 3.0, plan, steps, place, 3.2 if steps else 0.0, result)
    return replace(made, **changes)


def _guided_step(count, fuel, place, *, held):
    sees = {3: 4, 4: 3} if count > 3 else {}
    answers = np.array(
        [dict(fuel)[sees.get(c, c)] + 0.1 * math.sin(5 * c + place) for c in range(1, count + 1)]
    )
    begin = (200 + 9 * place) * SECOND
    return GuidedStep(place, fuel, begin, None if held else begin + 6 * SECOND, answers, moved=False)


def identity(count=8, *, exchanged=EXCHANGED, proved_from=1):
    """What the steps say in the end: of labels below `proved_from` nothing."""
    sees = dict(zip(exchanged, exchanged[::-1], strict=True))
    labels = tuple(_label(c, sees.get(c, c) if c >= proved_from else None) for c in range(1, count + 1))
    wrong = any(label.told and not label.right for label in labels)
    told = all(label.told for label in labels)
    state = IdentityState.DISPROVED if wrong else IdentityState.PROVED if told else IdentityState.UNPROVED
    notes = (note(IdentityNote.EXCHANGED, pairs=(exchanged,)),) if wrong else ()
    unknown = np.full((count, count), np.nan)
    return Identity(state, labels, (exchanged,) if wrong else (), unknown, unknown, 5, notes)


def _label(cylinder, sees):
    flags = () if sees == cylinder else (note(LabelNote.NOT_VALID),)
    if sees not in (cylinder, None):
        flags = (note(LabelNote.OTHER_CYLINDER, labelled=(cylinder,), cylinders=(sees,)),)
    sure = math.nan if sees is None else 0.99999
    return Label(
        cylinder,
        f"S-{100 + cylinder}",
        (cylinder,),
        () if sees is None else (sees,),
        sure,
        1.0,
        0.1,
        0.2,
        0.1,
        flags,
    )


def pull_review(count=8, pulls=2):
    """Pulls over twelve bands; the last cylinder has no data in the upper half."""
    bands = Bands(tuple(2500.0 + 500 * i for i in range(12)), tuple(2250.0 + 500 * i for i in range(13)))
    return PullReview(
        bands,
        tuple(_pull(count, i) for i in range(pulls)),
        tuple(_pull_table(count, bands, i) for i in range(pulls)),
        tuple(_repeat(count, i) for i in range(pulls)),
        tuple((note(PullNote.CYLINDERS_NOT_VALID, missing=1, cylinders=8),) for _ in range(pulls)),
    )


def _pull(count, number):
    quality = PullQuality(20.0, 500.0, 700.0, (), 99.0, 86.0, 24.0, 2.0, 6.0, 0.95, count - 1, count)
    cold = note(PullNote.ENGINE_COLD, coolant_c=40.0, warm_from_c=70.0)
    verdict = PullVerdict(Suggestion.KEEP, (), ()) if number else PullVerdict(Suggestion.REJECT, (cold,), ())
    none = np.zeros((0, count))
    trace = PullTrace(
        np.zeros(0, np.int64), none, none, none, np.zeros((0, count), np.uint8), np.zeros(count)
    )
    return Pull(0, 8_400_000_000, 2480.0, 7905.0, PullEnd.LIFT, quality, verdict, trace)


_EXCLUDED = (
    SampleState.SILENT,
    PullState.EVENT,
    SampleState.AT_LEAN_LIMIT,
    SampleState.AT_RICH_LIMIT,
    SampleState.SILENT,
    SampleState.SILENT,
)


def _pull_table(count, bands, number):
    peers = np.tile(np.array(NEEDS[:count]) + 0.5 * number, (12, 1))
    peers[6:, -1] = np.nan
    half, gone = np.full((12, count), 0.4), [[None] * count for _ in range(12)]
    for band, why in zip(gone[6:], _EXCLUDED, strict=True):
        band[-1] = why
    return PullTable(
        bands=bands,
        peers=peers,
        peers_half=half,
        peers_error=half / 2,
        target=peers - 0.7,
        target_half=half,
        engine=np.full(12, -0.7),
        engine_half=half[:, 0],
        lam=np.full(12, 0.864),
        spread=np.full(12, 8.3),
        counted_s=half,
        share=half,
        why=tuple(map(tuple, gone)),
        valid=np.full(12, count),
        worst=(*(Point(2600.0, need, 0.01) for need in NEEDS[: count - 1]), None),
        leanest=(Point(6720.0, 6.4, 0.046),) * count,
    )


def _repeat(count, number):
    if not number:
        return None
    difference = np.full((12, count), 0.3)
    node = np.full(count, 0.3)
    return Repeat(
        0,
        difference,
        difference,
        0.4,
        0.3,
        node,
        node,
        np.full(12, 0.1),
        (note(PullNote.COOLANT_DIFFERS, difference_c=5.0),),
    )


def snapshot(count=8, **changes):
    """A pull at 6 720 rpm: cylinder 3 lean, the last cylinder silent."""
    silent = (count - 1,) if count > 1 else ()
    now = cylinders(NEEDS[:count], silent=silent)
    known = now.vs_target[np.isfinite(now.vs_target)]
    made = Snapshot(
        t=252 * SECOND,
        elapsed_s=252.0,
        engine={"rpm": 6720.0, "throttle": 100.0, "load": 100.0, "target": 0.87},
        target=0.87,
        all_vs_target=-0.7,
        spread=float(np.ptp(known)),
        valid=count - len(silent),
        leanest=int(np.nanargmax(now.vs_target)),
        cylinders=now,
        strip=strip(),
        holding=Holding(Cell(6000.0, 100.0), 0.0, 4.0, 0.5, 3.0, 5),
        alarms=alarm_list(alarm()) if count >= 3 else alarm_list(),
        limits=MixtureLimits(in_force=False, rich=None, lean=None),
        balance=balance(count),
        buses=(
            BusNow("chain", 19.0, 820.0, 0, "active", 8_000_000, 0),
            BusNow("engine", 4.0, 130.0, 0, "active", 20_000_000, None),
        ),
        alarm_events=(event(),) if count >= 3 else (),
        remarks=((245 * SECOND, "pull began, 2 480 rpm, throttle 100 %"),),
        recording="recording run 7",
        recording_s=252.0,
        frames=206_000,
        steps=step_test(count) if count > 1 else None,
        commissioning=commissioning(count),
    )
    made = replace(made, **changes)
    if made.balance is None or "sheet" in changes:
        return with_limits(made, session(count))
    sheet = (
        sheet_of_scene(count) if made.balance is balance(count) else make_sheet(session(count), made.balance)
    )
    return with_limits(replace(made, sheet=sheet), session(count))


@cache
def sheet_of_scene(count):
    return make_sheet(session(count), balance(count))


def with_limits(shown, declared):
    """The snapshot with the limits that the session's rules give for its engine state."""
    limits = MixtureRules(declared).limits(shown.engine, shown.alarms.suppressed, shown.target)
    return shown if shown.limits == limits else replace(shown, limits=limits)


def timeline(place_s=100.0, *, length_s=200.0, through_s=200.0, goal=None, moments=None):
    """A replay at half of its log: a pull, alarms, an event, a mark."""
    found = (
        Moment(MomentKind.MARK, 20 * SECOND, 20 * SECOND, 172 * SECOND, "mark: wet"),
        Moment(MomentKind.PULL, 60 * SECOND, 90 * SECOND, 212 * SECOND, "", rpm=(2485.0, 7895.0)),
        Moment(MomentKind.ALARM, 70 * SECOND, 70 * SECOND, 222 * SECOND, LEAN.name, (3,), 1),
        Moment(MomentKind.EVENT, 150 * SECOND, 150 * SECOND, 302 * SECOND, "misfire", (7,)),
    )
    known = KnownMoments(
        found if moments is None else moments,
        round(through_s * SECOND),
        None if length_s is None else round(length_s * SECOND),
    )
    return LogTimeline(Playing(round(place_s * SECOND), goal), known)


def replayed(count=8, **changes):
    """The same moment in a replay."""
    made = {"replay_position": 0.5, "timeline": timeline(), "recording": "", **changes}
    return snapshot(count, **made)


def nothing(count=8):
    """Before the first frame."""
    empty = np.full(count, math.nan)
    return replace(
        snapshot(count),
        t=None,
        elapsed_s=0.0,
        engine={},
        target=math.nan,
        all_vs_target=math.nan,
        spread=math.nan,
        valid=0,
        leanest=None,
        cylinders=replace(
            cylinders(empty, state=[SampleState.SILENT] * count),
            age_ns=np.full(count, -1, np.int64),
            supply=empty,
            heater=empty,
        ),
        strip=make_strip(*[np.zeros(0)] * 4),
        holding=None,
        alarms=AlarmList(0, 0, (), (), 0),
        balance=None,
        sheet=None,
        alarm_events=(),
        remarks=(),
        recording="",
        frames=0,
        steps=step_test(count, done=0, held=False),
        commissioning=None,
    )


def responses(count=8, *, slow=0.091, air=-1.9):
    """What cuts said of sensors that follow within 84 to 91 ms; the last one slow, or off in air."""
    made = []
    for c in range(1, count + 1):
        t63 = slow if c == count else 0.084 + 0.0005 * c
        time = ResponseTime(t63, 0.002, 0.001, cuts=2)
        off = air if c == count else 0.1 * (-1) ** c
        numbers = (time, time, t63, t63 / 0.0855, 1.0, 0.1, 20.7, 0.1, off, math.nan, math.nan, math.nan)
        made.append(SensorResponse(c, (c,), f"S-{100 + c}", *numbers, {}, ()))
    return tuple(made)


def commissioning(count=8):
    """A chain that was seen to warm up, with a minute of frames and two overrun cuts."""
    return Commissioning(
        warm_up_s=9.4 + 0.1 * np.arange(1, count + 1),
        counted_s=60,
        rate_hz=np.full(count, 99.9),
        expected_hz=np.full(count, 100.0),
        longest_wait_s=np.linspace(0.012, 0.021, count),
        lowest_supply=np.full(count, 13.1),
        lowest_at=np.full(count, 20 * SECOND, np.int64),
        cuts=2,
        sensors=responses(count),
        delay=DelayFound(3000.0, 18.0, 0.160, 0.012),
    )


def known_sensors(count=8):
    """What a ledger knows of the first sensors: a run, a check in free air and an own error each."""
    with Ledger(":memory:") as ledger:
        for c in range(1, count + 1):
            ledger.add_air_check(f"S-{100 + c}", 20.3 * (0.98 if c == 5 else 1.002), 20.3)
            ledger.add_bias(f"S-{100 + c}", 0.1 * c, 0.3, reason="rotation of 12 May")
            ledger.enter(_taught(c))
        return KnownSensors({one.serial: one for one in records(ledger.entries())})


def _taught(c):
    serial, span = (
        f"S-{100 + c}",
        {"log": f"log {c}", "log_name": "run 6", "begin_ns": 1_700_000_000 * SECOND},
    )
    place = {"session": "Alder 8 before", "position": c, "cylinders": [c]}
    run = {"seconds": 3600.0, "hot_s": 3500.0 * c, "heater_cycles": 31, "leaded": False, "exposure": None}
    time = {"t63_s": 0.262 if c == 5 else 0.085, "half_s": 0.004, "own_half_s": 0.003, "cuts": 2, "steps": 0}
    facts = [
        (EntryKind.RUN, run | place),
        (EntryKind.T63, {"lean": time, "rich": time}),
        (EntryKind.WARM_UP, {"seconds": 9.5 + 0.1 * c, "at_least": False}),
    ]
    if c == 5:
        facts.append((EntryKind.EVENT, {"what": "supply lost while hot", "t_ns": 5 * SECOND}))
    return [Fact(serial, kind, values, **span) for kind, values in facts]


def scene(shown=None, *, count=8, options=OPTIONS, declared=None, known=None, **changes):
    shown = snapshot(count) if shown is None else shown
    declared = declared or session(count)
    live = with_limits(changes.pop("live", shown), declared)
    shown = with_limits(shown, declared)
    return Scene(Setting(declared, known), shown, ReadoutHold().feed(shown, 0.0), options, live, **changes)


def text(rows):
    return ["".join(part for part, _ in row) for row in rows]
