"""Detection against its definition in scalar words, row by row; and the same edges for every split."""

import math
from dataclasses import fields, replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from laws import everything
from scipy.signal import lfilter

from mixmon.errors import UsageError
from mixmon.findings.alarms.detect import ENGINE_WIDE, AlarmDetector, AlarmEdges, EdgeKind, join_edges
from mixmon.findings.alarms.measures import lacking
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.session.default_limits import TWO_CONTROLLERS
from mixmon.session.model import AlarmRule, Axes, Chain, Engine, Node, Session, SignalChoice, Targets

NAN = float("nan")
MS = 1_000_000
SETTLE_S = 1.0
VALID, HELD = SampleState.VALID, SampleState.HELD
AT_LEAN, AT_RICH = SampleState.AT_LEAN_LIMIT, SampleState.AT_RICH_LIMIT

RULES = (
    AlarmRule(
        "lean under load",
        1,
        when="throttle > 60 and rpm > 2500",
        kind="over_target",
        limit=0.04,
        on_delay_s=0.2,
        off_delay_s=0.5,
        dead_band=0.015,
        suppress_when="fuel_cut or spark_cut",
    ),
    AlarmRule(
        "rich",
        2,
        when="throttle > 60",
        kind="under_target",
        limit=0.06,
        on_delay_s=0.1,
        dead_band=0.02,
        suppress_when="tip_in",
    ),
    AlarmRule("very lean", 1, "lambda_above", 1.2, off_delay_s=0.3),
    AlarmRule("very rich", 2, "lambda_below", 0.7, dead_band=0.02),
    AlarmRule("spread", 3, when="rpm > 2500", kind="spread_above", limit=7.0, dead_band=1.0, on_delay_s=0.1),
    AlarmRule("silent", 2, "age_s", 0.25, off_delay_s=0.1),
    AlarmRule("supply", 3, "supply_below", 11.0, dead_band=0.3, suppress_when="not rpm > 500"),
)


def block(t, lam, **columns):
    """A CylinderBlock; what is not given is uneventful."""
    lam = np.asarray(lam, float)
    k, n = lam.shape
    now = {name: np.asarray(c, float) for name, c in columns.get("now", {}).items()}
    shifted = columns.get("shifted", {name: np.repeat(c[:, None], n, 1) for name, c in now.items()})
    return CylinderBlock(
        np.asarray(t, np.int64),
        np.asarray(columns.get("stretch", np.zeros(k)), np.int64),
        lam,
        np.full((k, n), NAN),
        np.asarray(columns.get("age", np.zeros((k, n))), np.int64),
        np.ones((k, n), bool),
        np.asarray(columns.get("state", np.zeros((k, n))), np.uint8),
        {name: np.asarray(c, float) for name, c in shifted.items()},
        now,
        {"supply": np.asarray(columns.get("supply", np.full((k, n), 13.0)), float)},
    )


def rows_of(data, rows):
    return CylinderBlock(
        *(
            {name: c[rows] for name, c in value.items()} if isinstance(value, dict) else value[rows]
            for value in (getattr(data, field.name) for field in fields(CylinderBlock))
        )
    )


def listed(edges):
    """Edges as tuples that compare equal, NaN included."""
    columns = (edges.stretch, edges.t, edges.kind, edges.rule, edges.node, edges.since)
    return [
        (*whole, everything(value))
        for *whole, value in zip(*(c.tolist() for c in columns), edges.value.tolist(), strict=True)
    ]


# --- the definition -----------------------------------------------------------------------------


def compare(a, sign, b):
    """True, False or None for unknown."""
    if math.isnan(a):
        return None
    return bool(a > b if sign == ">" else a != b)


def both(a, b):
    return False if a is False or b is False else None if a is None or b is None else True


def either(a, b):
    return True if a is True or b is True else None if a is None or b is None else False


SIMPLE = {
    "throttle > 60": ("throttle", ">", 60),
    "rpm > 2500": ("rpm", ">", 2500),
    "tip_in": ("tip_in", "!=", 0),
}


def claims(text, engine):
    """The conditions of RULES, written out."""
    if text in SIMPLE:
        name, sign, limit = SIMPLE[text]
        return compare(engine[name], sign, limit)
    match text:
        case None:
            return True
        case "throttle > 60 and rpm > 2500":
            return both(compare(engine["throttle"], ">", 60), compare(engine["rpm"], ">", 2500))
        case "fuel_cut or spark_cut":
            return either(compare(engine["fuel_cut"], "!=", 0), compare(engine["spark_cut"], "!=", 0))
        case "not rpm > 500":
            turning = compare(engine["rpm"], ">", 500)
            return None if turning is None else not turning
    raise AssertionError(text)


MIXTURE = {"lean under load", "rich", "very lean", "very rich", "spread"}


def measured(rule, data, place, state_began):
    """(value, known, over, under): over and under are claims that the row makes about the limit."""
    i, j = place
    lam, state, name = data.lam[i, j], data.state[i, j], rule.name
    target = data.shifted["target"][i, j]
    if name == "silent":
        value = ages(data, i)[j]
        alone = value - min(ages(data, i)) > rule.limit and not returning(rule, data, i)
        alone = alone and not may_be_in_a_tail(rule, data, i, j)
        if value > rule.limit and not alone and data.lam.shape[1] > 1:
            return NAN, False, False, False
        return value, True, value > rule.limit, value <= rule.limit - rule.dead_band
    if name == "supply":
        value = data.aux["supply"][i, j]
        known = not math.isnan(value)
        return value, known, value < rule.limit, value >= rule.limit + rule.dead_band
    value, limit, sign, end = {
        "lean under load": (lam - target, rule.limit, 1, AT_LEAN),
        "rich": (target - lam, rule.limit, 1, AT_RICH),
        "very lean": (lam, rule.limit, 1, AT_LEAN),
        "very rich": (lam, rule.limit, -1, AT_RICH),
    }[name]
    over = value > limit if sign > 0 else value < limit
    under = value <= limit - rule.dead_band if sign > 0 else value >= limit + rule.dead_band
    if state == VALID:
        return value, not math.isnan(value), over, under
    if state == end and (data.t[i] - state_began) / 1e9 >= SETTLE_S:
        return value, False, over, False
    return NAN, False, False, False


def ages(data, i):
    """Seconds since the newest sample of each node, or since the stretch began without one."""
    first = next(k for k in range(i + 1) if data.stretch[k] == data.stretch[i])
    return [(age if age >= 0 else data.t[i] - data.t[first]) / 1e9 for age in data.age[i].tolist()]


def tail_begins(rule, data, i):
    """The node from which on all are silent since the same second, but not all of the chain; or None."""
    age = ages(data, i)
    first = len(age) - 1
    if min(age) > rule.limit or age[first] <= rule.limit:
        return None
    while age[first - 1] > rule.limit and abs(age[first - 1] - age[first]) <= 1.0:
        first -= 1
    return first if first < len(age) - 1 else None


def tails_held(rule, data, i):
    """The nodes at which a tail begins, or did less than the limit ago in this stretch."""
    held, k = set(), i
    while k >= 0 and data.stretch[k] == data.stretch[i]:
        # A tail is held from the row after its last one on.
        if k == i or data.t[i] - data.t[k + 1] < round(rule.limit * 1e9):
            held.add(tail_begins(rule, data, k))
        k -= 1
    return held - {None}


def may_be_in_a_tail(rule, data, i, j):
    """Whether a tail with the node stands, is coming back, or may be beginning."""
    if data.lam.shape[1] < 3:
        return False
    if any(first <= j for first in tails_held(rule, data, i)):
        return True
    age = ages(data, i)
    last = len(age) - 1
    together = all(abs(a - b) <= 1.0 for a, b in pairwise(age[min(j, last - 1) :]))
    return together and age[j] - min(age[j + 1 :] or [age[j - 1]]) <= rule.limit


def tail_silent(rule, data, i, first):
    age = ages(data, i)
    begins, before = tail_begins(rule, data, i) == first, age[first - 1]
    clear = before > rule.limit or min(age[first:]) - before > rule.limit
    longer = any(one < first for one in tails_held(rule, data, i))
    if min(age) > rule.limit or (begins and (not clear or longer or returning(rule, data, i))):
        return NAN, False, False, False
    value = min(age[first:]) if begins else 0.0
    return value, True, value > rule.limit, value <= rule.limit - rule.dead_band


def returning(rule, data, i):
    """Whether all nodes are silent, or have been until less than the limit ago."""
    last = i
    while min(ages(data, last)) <= rule.limit:
        last -= 1
        if last < 0 or data.stretch[last] != data.stretch[i]:
            return False
    return last == i or data.t[i] - data.t[last + 1] < round(rule.limit * 1e9)


def all_silent(rule, data, i):
    value = min(ages(data, i))
    return value, True, value > rule.limit, value <= rule.limit - rule.dead_band


def spread(rule, data, i, in_force):
    lam = [float(x) for j, x in enumerate(data.lam[i]) if in_force[j] is True and data.state[i, j] == VALID]
    lam = [x for x in lam if not math.isnan(x)]
    if len(lam) < 2:
        return NAN, False, False, False
    value = 100 * (sum(1 / x for x in lam) / len(lam)) * (max(lam) - min(lam))
    return value, True, value > rule.limit, value <= rule.limit - rule.dead_band


def tip_in(data, i):
    """Whether the throttle opens by more than 5 % in ten rows, or did within the last 0.6 s."""
    throttle = data.now["throttle"]
    if math.isnan(throttle[i]):
        return NAN
    for j in range(i, -1, -1):
        # From the row after the last rising one the state is held for 0.6 s.
        if data.stretch[j] != data.stretch[i] or (j < i and data.t[i] - data.t[j + 1] >= 600 * MS):
            return 0.0
        if j >= 10 and data.stretch[j - 10] == data.stretch[j] and throttle[j] - throttle[j - 10] > 5:
            return 1.0
    return 0.0


def engine_at(data, i, j):
    return engine_now(data, i) | {name: c[i, j] for name, c in data.shifted.items()}


def engine_now(data, i):
    return {name: c[i] for name, c in data.now.items()} | {"tip_in": tip_in(data, i)}


def is_beyond(rule, value):
    """Whether a value may be announced: it lies beyond the limit, not merely in the dead band."""
    return value < rule.limit if rule.kind in {"lambda_below", "supply_below"} else value > rule.limit


class Scalar:
    """One alarm, by the words."""

    def __init__(self):
        self.condition = self.active = False
        self.began = None
        self.value = NAN

    def row(self, rule, t, fresh_start, in_force, claim, *, hushed, released):
        value, known, over, under = claim
        if not math.isnan(value):
            self.value = value
        before = self.condition
        if in_force is False or under or (released and not known):
            self.condition = False
        if over and in_force is True:
            self.condition = True
        if self.began is None or fresh_start or self.condition != before:
            self.began = t
        was = self.active
        due = self.condition and t - self.began >= round(rule.on_delay_s * 1e9)
        if due and is_beyond(rule, self.value):
            self.active = True
        if not self.condition and (hushed or t - self.began >= round(rule.off_delay_s * 1e9)):
            self.active = False
        return self.active != was


def by_the_words(rules, data):
    alarms, suppressed, out = {}, {}, []
    nodes = range(data.lam.shape[1])
    began = {}
    for i, t in enumerate(data.t.tolist()):
        fresh_start = i == 0 or data.stretch[i] != data.stretch[i - 1]
        for key, column in (("stretch", data.stretch), *((j, data.state[:, j]) for j in nodes)):
            if fresh_start or column[i] != column[i - 1]:
                began[key] = t
        found = []
        for r, rule in enumerate(rules):
            mixture = rule.name in MIXTURE
            engines = [engine_at(data, i, j) if mixture else engine_now(data, i) for j in nodes]
            edges = suppression(r, rule, t, (engine_now(data, i), *engines), suppressed)
            released = bool(edges) and edges[0][0] == EdgeKind.RELEASE
            hushed = released or suppressed.get(r, False)
            found += edges
            for node, in_force, claim in rows_to_judge(rule, data, i, engines, began):
                alarm = alarms.setdefault((r, node), Scalar())
                if alarm.row(rule, t, fresh_start, in_force, claim, hushed=hushed, released=released):
                    kind = EdgeKind.RAISE if alarm.active else EdgeKind.CLEAR
                    found.append((int(kind), r, node, alarm.began, alarm.value))
        out += [
            (int(data.stretch[i]), t, kind, r, node, since, value)
            for kind, r, node, since, value in sorted(found, key=lambda edge: edge[:3])
        ]
    return out


def suppression(r, rule, t, engines, suppressed):
    state = rule.suppress_when is not None and any(claims(rule.suppress_when, e) is True for e in engines)
    if state == suppressed.get(r, False):
        return []
    suppressed[r] = state
    return [(int(EdgeKind.SUPPRESS if state else EdgeKind.RELEASE), r, ENGINE_WIDE, t, NAN)]


def rows_to_judge(rule, data, i, engines, began):
    """(node, whether the rule is in force, what the row claims) for each alarm of a rule."""
    in_force = [claims(rule.when, engine) for engine in engines]
    if rule.name == "spread":
        overall = True if True in in_force else False if set(in_force) == {False} else None
        return [(ENGINE_WIDE, overall, spread(rule, data, i, in_force))]
    single = [(j, force, measured(rule, data, (i, j), began[j])) for j, force in enumerate(in_force)]
    if rule.name == "silent":
        tails = range(1, len(in_force) - 1)
        single += [(j - len(in_force), in_force[0], tail_silent(rule, data, i, j)) for j in tails]
    if rule.name == "silent" and len(in_force) > 1:
        single.append((ENGINE_WIDE, in_force[0], all_silent(rule, data, i)))
    return single


def same(edges, expected):
    got = list(
        zip(
            edges.stretch.tolist(),
            edges.t.tolist(),
            edges.kind.tolist(),
            edges.rule.tolist(),
            edges.node.tolist(),
            edges.since.tolist(),
            strict=True,
        )
    )
    assert got == [e[:-1] for e in expected]
    # The mean of a few reciprocals may be added up in another order: a few units in the last place.
    assert np.allclose(edges.value, [e[-1] for e in expected], rtol=1e-14, atol=0, equal_nan=True)


# --- data ---------------------------------------------------------------------------------------


@st.composite
def blocks(draw, max_rows=30):
    k, n = draw(st.integers(1, max_rows)), draw(st.integers(1, 3))

    def column(choices, shape):
        size = int(np.prod(shape))
        drawn = draw(st.lists(st.integers(0, len(choices) - 1), min_size=size, max_size=size))
        return np.array([choices[index] for index in drawn]).reshape(shape)

    step = column((10, 10, 50, 100, 250, 500), k) * MS
    shifted_names = ("rpm", "throttle", "target", "fuel_cut", "spark_cut")
    engine = {
        "rpm": (3000.0, 3000.0, 3000.0, 2000.0, 300.0, NAN),
        "throttle": (80.0, 80.0, 80.0, 50.0, 54.0, 56.0, NAN),
        "target": (0.87, 0.87, 0.87, 0.9, NAN),
        "fuel_cut": (0.0, 0.0, 0.0, 0.0, 1.0, NAN),
        "spark_cut": (0.0, 0.0, 0.0, 0.0, 1.0, NAN),
    }
    return block(
        np.cumsum(step),
        column((0.87, 0.9, 0.92, 0.89, 0.8, 0.69, 0.71, 1.3, 1.2, NAN), (k, n)),
        stretch=np.cumsum(column((0, 0, 0, 0, 0, 0, 0, 1), k)),
        age=column((0, 10 * MS, 250 * MS, 260 * MS, -1), (k, n)),
        state=column((VALID, VALID, VALID, AT_LEAN, AT_RICH, HELD), (k, n)),
        supply=column((13.0, 11.0, 10.9, 11.3, 11.31, NAN), (k, n)),
        now={name: column(engine[name], k) for name in shifted_names},
        shifted={name: column(engine[name], (k, n)) for name in shifted_names},
    )


@given(blocks(), st.permutations(RULES))
def test_detection_is_its_definition(data, rules):
    same(AlarmDetector(rules).feed(data), by_the_words(rules, data))


def long_run(seed, rows=20_000, nodes=2):
    rng = np.random.default_rng(seed)

    def slow(choices, size):
        return np.repeat(rng.choice(choices, -(-size // 25)), 25)[:size]

    def columns(choices):
        return np.stack([slow(choices, rows) for _ in range(nodes)], axis=1)

    names = {
        "rpm": (3000.0, 1000.0),
        "throttle": (80.0, 80.0, 30.0),
        "target": (0.87,),
        "fuel_cut": (0.0, 0.0, 1.0),
    }
    return block(
        np.arange(rows) * 10 * MS,
        0.89 + 0.03 * rng.standard_normal((rows, nodes)) + columns((0.0, 0.03, -0.1)),
        stretch=np.arange(rows) // 7001,
        age=columns((0, 10 * MS, 300 * MS)),
        state=columns((VALID, VALID, VALID, AT_LEAN, HELD)),
        supply=columns((13.0, 10.0, NAN)),
        now={name: slow(choices, rows) for name, choices in names.items()},
        shifted={name: columns(choices) for name, choices in names.items()},
    )


def test_edges_do_not_depend_on_the_split():
    data = long_run(1)
    whole = AlarmDetector(RULES).feed(data)
    assert len(whole) > 1000
    rng = np.random.default_rng(2)
    for pieces in (2, 100):
        cuts = [0, *np.sort(rng.integers(0, len(data), pieces)).tolist(), len(data)]
        detector = AlarmDetector(RULES)
        parts = [detector.feed(rows_of(data, slice(a, b))) for a, b in pairwise(cuts)]
        assert listed(join_edges(parts)) == listed(whole)


@settings(max_examples=20)
@given(blocks())
def test_row_by_row_gives_the_same_edges_and_newest_values(data):
    whole = AlarmDetector(RULES)
    one_by_one = AlarmDetector(RULES)
    edges = whole.feed(data)
    parts = [one_by_one.feed(rows_of(data, slice(i, i + 1))) for i in range(len(data))]
    assert listed(join_edges(parts)) == listed(edges)
    for a, b in zip(whole.latest(), one_by_one.latest(), strict=True):
        assert np.array_equal(a, b, equal_nan=True)


# --- single statements --------------------------------------------------------------------------

FULL_LOAD = {"throttle": 100.0, "rpm": 6700.0, "target": 0.87, "fuel_cut": 0.0, "spark_cut": 0.0}


def at_full_load(lam, **columns):
    lam = np.asarray(lam, float).reshape(len(lam), -1 if len(lam) else 1)
    now = {name: np.full(len(lam), value) for name, value in FULL_LOAD.items()} | columns.pop("now", {})
    return block(np.arange(len(lam)) * 10 * MS, lam, now=now, **columns)


def kinds(edges):
    return [
        (EdgeKind(kind).name, t // MS) for kind, t in zip(edges.kind.tolist(), edges.t.tolist(), strict=True)
    ]


def test_a_lean_cylinder_is_raised_when_the_delay_has_passed_and_cleared_after_its_own():
    lam = np.full(200, 0.87)
    lam[50:100] = 0.916
    edges = AlarmDetector(RULES[:1]).feed(at_full_load(lam))
    # Acceptance: raised at most 100 ms after the condition has held for its delay; here at once.
    assert kinds(edges) == [("RAISE", 700), ("CLEAR", 1500)]
    assert edges.since.tolist() == [500 * MS, 1000 * MS]
    assert edges.value.tolist() == pytest.approx([0.046, 0.0])


def test_what_is_announced_is_beyond_its_limit():
    """Over the limit in one row, then in the dead band: raised with the next row that is over it."""
    lam = np.full(100, 0.87)
    lam[10], lam[11:60], lam[60], lam[61:] = 0.92, 0.90, 0.915, 0.90
    edges = AlarmDetector(RULES[:1]).feed(at_full_load(lam))
    assert kinds(edges) == [("RAISE", 600)]
    assert edges.since.tolist() == [100 * MS]
    assert edges.value.tolist() == pytest.approx([0.045])


def test_the_alarm_of_two_controllers_returns_when_one_is_unplugged():
    state = np.zeros((200, 2))
    state[20:80, 1] = SampleState.DUPLICATE_NODE
    edges = AlarmDetector((TWO_CONTROLLERS,)).feed(
        block(np.arange(200) * 10 * MS, np.full((200, 2), 0.87), state=state)
    )
    assert kinds(edges) == [("RAISE", 200), ("CLEAR", 1800)]
    assert edges.value.tolist() == [2.0, 1.0]


def test_a_value_at_its_limit_is_not_over_it_by_a_rounding_error():
    assert 0.90 - 0.86 > 0.04
    rows = at_full_load(np.full(100, 0.90), now={"target": np.full(100, 0.86)})
    assert not len(AlarmDetector(RULES[:1]).feed(rows))


def correlated(rng, rows, time_constant_s):
    """First-order noise of unit deviation at 100 Hz, as gas mixing and a sensor's lag make it."""
    keep = math.exp(-0.01 / time_constant_s)
    return lfilter([math.sqrt(1 - keep**2)], [1.0, -keep], rng.standard_normal(rows))


@pytest.mark.parametrize("seed", range(5))
def test_no_chatter_on_one_percent_noise_around_a_limit(seed):
    """Ten minutes at the limit, dead band 0.015 (1.6 % of 0.91), on-delay 0.2 s: raised once for all.

    White noise rests with an off-delay of 0.5 s; noise correlated over 0.1 s asks for the 2 s of
    the shipped rule.
    """
    rng = np.random.default_rng(seed)
    white = 0.01 * rng.standard_normal(60_000)
    slow = 0.01 * correlated(rng, 60_000, 0.1) + 0.003 * rng.standard_normal(60_000)
    patient = replace(RULES[0], off_delay_s=2.0)
    for rule, noise in ((RULES[0], white), (patient, slow)):
        edges = AlarmDetector([rule]).feed(at_full_load(0.91 * (1 + noise)))
        assert edges.kind.tolist() == [EdgeKind.RAISE]


@pytest.mark.parametrize("column", ["throttle", "rpm"])
def test_a_signal_that_is_lost_neither_raises_nor_clears(column):
    lean = np.full(100, 0.95)
    lost = np.full(100, FULL_LOAD[column])
    lost[50:] = NAN
    assert kinds(AlarmDetector(RULES[:1]).feed(at_full_load(lean, now={column: lost}))) == [("RAISE", 200)]
    assert not len(
        AlarmDetector(RULES[:1]).feed(at_full_load(lean, now={column: lost[::-1]})).take(slice(1, None))
    )


def test_lifting_off_ends_the_condition():
    throttle = np.full(200, 100.0)
    throttle[50:] = 5.0
    edges = AlarmDetector(RULES[:1]).feed(at_full_load(np.full(200, 0.95), now={"throttle": throttle}))
    assert kinds(edges) == [("RAISE", 200), ("CLEAR", 1000)]


def test_samples_that_are_not_valid_do_not_speak_and_what_was_known_holds():
    lam = np.full(100, 0.95)
    state = np.full((100, 1), SampleState.HELD)
    assert not len(AlarmDetector(RULES[:1]).feed(at_full_load(lam, state=state)))
    lam[50:], state[:50] = 0.87, VALID
    assert kinds(AlarmDetector(RULES[:1]).feed(at_full_load(lam, state=state))) == [("RAISE", 200)]


def test_a_cylinder_at_the_lean_end_of_its_sensor_all_along_is_raised_once_settling_is_over():
    lam = np.full(200, 1.6)
    edges = AlarmDetector(RULES[:1]).feed(at_full_load(lam, state=np.full((200, 1), AT_LEAN)))
    assert kinds(edges) == [("RAISE", 1200)]
    assert not len(AlarmDetector(RULES[1:2]).feed(at_full_load(lam, state=np.full((200, 1), AT_LEAN))))


def test_a_node_that_never_spoke_is_silent_since_the_watch_began():
    age = np.full((60, 2), -1)
    age[:, 0] = 5 * MS
    edges = AlarmDetector([AlarmRule("silent", 2, "age_s", 0.25)]).feed(
        at_full_load(np.full((60, 2), NAN), age=age)
    )
    assert kinds(edges) == [("RAISE", 260)]
    assert edges.node.tolist() == [1]


SILENT = AlarmRule("silent", 2, "age_s", 0.25, off_delay_s=0.1)


def ages_of(*nodes):
    """A block of rows with the ages of some nodes that send every 10 ms, apart from the silences given."""
    rows = 400
    age = np.full((rows, len(nodes)), 5 * MS)
    for j, silences in enumerate(nodes):
        for begin, end in silences:
            age[begin:end, j] += (np.arange(end - begin) + 1) * 10 * MS
    return at_full_load(np.full((rows, len(nodes)), NAN), age=age)


def raised(data):
    """When alarms were raised, and of whom."""
    edges = AlarmDetector([SILENT]).feed(data)
    rows = edges.kind == EdgeKind.RAISE
    return list(zip((edges.t[rows] // (10 * MS)).tolist(), edges.node[rows].tolist(), strict=True))


def test_a_silence_of_all_is_one_alarm_though_they_stop_and_come_back_one_by_one():
    data = ages_of(*[[(100 + j, 200 + 2 * j)] for j in range(8)])
    assert raised(data) == [(131, ENGINE_WIDE)], "when the newest of all is older than 0.25 s"


def test_a_node_that_is_silent_by_itself_before_and_after_has_its_own_alarm():
    data = ages_of([(50, 400)], [(100, 200)], [(100, 200)], [(100, 200), (260, 400)])
    assert raised(data) == [(75, 0), (124, ENGINE_WIDE), (285, 3)]


def test_a_node_that_does_not_come_back_with_the_others_is_raised_a_limit_later():
    data = ages_of([(100, 200)], [(100, 200)], [(100, 400)])
    assert raised(data) == [(124, ENGINE_WIDE), (225, 2)]


def test_a_dead_node_is_not_hidden_by_slow_ones_that_send_together():
    """Every 200 ms, all at once: the newest is up to 200 ms old, and nobody is silent but the first."""
    data = ages_of([], [], [])
    age = np.tile((np.arange(400) % 20 * 10 * MS)[:, np.newaxis], 3)
    age[:, 0] = np.arange(400) * 10 * MS
    assert [node for _, node in raised(replace(data, age=age))] == [0]


def test_a_break_in_the_chain_is_one_alarm_of_the_nodes_behind_it():
    heard = [[]] * 5
    data = ages_of(*heard, [(100, 300)], [(101, 302)], [(99, 301)])
    assert raised(data) == [(126, -3)], "a limit after the last of the three"


def test_only_the_end_of_the_chain_that_fell_silent_together_is_a_break():
    assert raised(ages_of([], [(100, 200)], [(100, 200)], [])) == [(125, 1), (125, 2)], "heard behind them"
    assert raised(ages_of([], [], [], [(100, 200)])) == [(125, 3)], "the last node alone"
    assert raised(ages_of([], [], [(210, 400)], [(100, 400)])) == [(125, 3), (235, 2)], "more than 1 s apart"


def test_a_node_behind_a_break_that_does_not_come_back_with_the_others_is_raised_a_limit_later():
    assert raised(ages_of([], [], [(100, 200)], [(100, 400)])) == [(125, -2), (225, 3)]


def test_a_chain_that_comes_back_in_part_leaves_a_break():
    data = ages_of([(100, 200)], [(100, 205)], [(100, 400)], [(100, 400)])
    assert raised(data) == [(124, ENGINE_WIDE), (230, -2)]


def test_a_chain_of_one_has_no_silence_of_all():
    assert raised(ages_of([(100, 200)])) == [(124, 0)]


def test_suppression_of_mixture_lasts_until_the_last_gas_has_passed():
    now, then = np.zeros(100), np.zeros((100, 2))
    now[10:20], then[15:25, 0], then[18:40, 1] = 1, 1, 1
    shifted = {name: np.full((100, 2), value) for name, value in FULL_LOAD.items()} | {"fuel_cut": then}
    data = at_full_load(np.full((100, 2), 0.87), now={"fuel_cut": now}, shifted=shifted)
    edges = AlarmDetector(RULES[:1]).feed(data)
    assert kinds(edges) == [("SUPPRESS", 100), ("RELEASE", 400)]
    assert edges.node.tolist() == [ENGINE_WIDE] * 2


def test_delays_begin_anew_after_a_gap_in_time():
    data = block(
        [0, 100 * MS, 3_600_000 * MS, 3_600_100 * MS, 3_600_200 * MS],
        np.full((5, 1), 0.95),
        stretch=[0, 0, 1, 1, 1],
        now={name: np.full(5, value) for name, value in FULL_LOAD.items()},
    )
    assert kinds(AlarmDetector(RULES[:1]).feed(data)) == [("RAISE", 3_600_200)]


def test_spread_needs_two_cylinders_and_is_the_range_of_needs():
    data = at_full_load([[0.80, 0.95, 0.90]] * 20)
    detector = AlarmDetector(RULES[4:5])
    assert kinds(detector.feed(data)) == [("RAISE", 100)]
    # By hand: Lam = 3 / (1.25 + 1.0526316 + 1.1111111) = 0.8788008; 100 x 0.15 / Lam.
    assert detector.latest()[0].tolist() == pytest.approx([17.068713], rel=1e-6)
    state = np.tile([VALID, HELD, HELD], (20, 1))
    assert not len(AlarmDetector(RULES[4:5]).feed(at_full_load([[0.80, 0.95, 0.90]] * 20, state=state)))


def test_empty_blocks_and_no_rules_give_no_edges():
    assert not len(AlarmDetector([]).feed(at_full_load(np.full(3, 1.0))))
    detector = AlarmDetector(RULES)
    assert not len(detector.feed(at_full_load(np.zeros((0, 1)))))
    assert [len(values) for values in detector.latest()] == [0] * len(RULES)
    assert isinstance(detector.feed(at_full_load(np.zeros((0, 1)))), AlarmEdges)


def test_a_rule_of_an_unknown_kind_is_refused():
    message = r"alarm 'x': unknown kind 'heat'; expected one of over_target, .*; correct"
    with pytest.raises(UsageError, match=message):
        AlarmDetector([AlarmRule("x", 1, "heat", 3.0)])


def test_the_latest_value_is_that_of_the_newest_row_and_not_an_older_one():
    state = np.array([[VALID, VALID], [VALID, HELD]])
    detector = AlarmDetector([AlarmRule("very lean", 1, "lambda_above", 1.2)])
    detector.feed(block([0, 10 * MS], [[0.9, 1.3], [0.91, 1.3]], state=state))
    assert np.array_equal(detector.latest()[0], [0.91, np.nan], equal_nan=True)


# --- what a session can watch -------------------------------------------------------------------

CHOICE = SignalChoice("chain", "Message", "Signal")


def session(engine=(), chain=("lambda",), **more):
    return Session(
        Engine(1),
        Chain("chain", dict.fromkeys(chain, CHOICE), (Node(1, (1,)),)),
        (),
        engine_signals=dict.fromkeys(engine, CHOICE),
        **more,
    )


def test_rules_that_lack_a_signal_say_which():
    bare = session()
    assert lacking(RULES[0], bare) == ("target", "throttle", "rpm")
    assert lacking(RULES[5], bare) == ()
    assert lacking(RULES[6], bare) == ("supply",)
    full = session(("target", "throttle", "rpm"), ("lambda", "supply"))
    assert [lacking(rule, full) for rule in RULES] == [()] * len(RULES)


def test_a_target_table_needs_its_axes():
    table = Targets(((0.9,),))
    assert lacking(RULES[0], session(("throttle", "rpm"), targets=table)) == ()
    assert lacking(
        RULES[0], session(("throttle", "rpm"), targets=table, axes=Axes(load_signal="map_kpa"))
    ) == ("target",)
