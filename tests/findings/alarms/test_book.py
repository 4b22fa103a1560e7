"""The life of alarms: every transition, silence and its end, rates, order, and replay."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from laws import everything

from mixmon.errors import UsageError
from mixmon.findings.alarms.book import AlarmBook
from mixmon.findings.alarms.detect import ENGINE_WIDE, AlarmEdges, EdgeKind, join_edges
from mixmon.findings.alarms.records import Happening, OperatorAction, Verb
from mixmon.findings.alarms.states import AlarmFlag, AlarmState
from mixmon.session.model import AlarmRule, Node

S = 1_000_000_000
MINUTE = 60 * S
RAISE, CLEAR, SUPPRESS, RELEASE = EdgeKind.RAISE, EdgeKind.CLEAR, EdgeKind.SUPPRESS, EdgeKind.RELEASE

LEAN = AlarmRule("lean", 1, "over_target", 0.04, suppress_when="fuel_cut", response="by the builder's limit")
STAYS = AlarmRule("stays", 2, "over_target", 0.08, latching=True)
SPREAD = AlarmRule("spread", 3, "spread_above", 7.0)
RULES = (LEAN, STAYS, SPREAD)
NODES = (Node(1, (1,)), Node(2, (3, 4)))


def edge(t, kind, rule=0, node=0, *, value=0.05, stretch=0):
    def column(number):
        return np.array([number], np.int64)

    if kind in {SUPPRESS, RELEASE}:
        node = ENGINE_WIDE
    return AlarmEdges(
        column(stretch),
        column(t),
        np.array([kind], np.uint8),
        column(rule),
        column(node),
        column(t - 7),
        np.array([value]),
    )


def act(t, verb, rule="lean", position=1, **more):
    reason = "seen" if verb in {Verb.SHELVE, Verb.SUPPRESS, Verb.OUT_OF_SERVICE} else ""
    return OperatorAction(t, verb, rule, position, **{"reason": reason, **more})


def played(*items, until=None, cuts=(), rules=RULES, nodes=NODES):
    """A book after edges and actions, given in any order, and its records; `cuts` split the rows."""
    book = AlarmBook(rules, nodes)
    for item in items:
        if isinstance(item, OperatorAction):
            book.act(item)
    edges = join_edges([item for item in items if isinstance(item, AlarmEdges)]).ordered()
    last = (
        until
        if until is not None
        else max([0, *edges.t.tolist(), *(a.t for a in items if isinstance(a, OperatorAction))])
    )
    records = []
    for a, b in pairwise([-1, *sorted(cuts), last]):
        rows = np.flatnonzero((edges.t > a) & (edges.t <= b))
        records += book.feed(edges.take(rows), stretch=0, first=a + 1, until=b)
    return book, tuple(records)


def story(records):
    return [(r.t, r.position, r.what, r.state, r.announced) for r in records]


# --- transitions --------------------------------------------------------------------------------

TO = {
    # How to bring an alarm into each state, by rule "lean" or, where it latches, "stays".
    AlarmState.NORMAL: [],
    AlarmState.UNACKNOWLEDGED: [RAISE],
    AlarmState.ACKNOWLEDGED: [RAISE, Verb.ACKNOWLEDGE],
    AlarmState.RETURNED_UNACKNOWLEDGED: [RAISE, CLEAR],
    AlarmState.LATCHED_UNACKNOWLEDGED: [RAISE, CLEAR],
    AlarmState.LATCHED_ACKNOWLEDGED: [RAISE, CLEAR, Verb.ACKNOWLEDGE],
}
# ISA-18.2 / IEC 62682 as published in OPC 10000-9 (from memory): what each step leads to.
LEADS_TO = {
    (AlarmState.NORMAL, RAISE): AlarmState.UNACKNOWLEDGED,
    (AlarmState.UNACKNOWLEDGED, CLEAR): AlarmState.RETURNED_UNACKNOWLEDGED,
    (AlarmState.UNACKNOWLEDGED, Verb.ACKNOWLEDGE): AlarmState.ACKNOWLEDGED,
    (AlarmState.ACKNOWLEDGED, CLEAR): AlarmState.NORMAL,
    (AlarmState.RETURNED_UNACKNOWLEDGED, RAISE): AlarmState.UNACKNOWLEDGED,
    (AlarmState.RETURNED_UNACKNOWLEDGED, Verb.ACKNOWLEDGE): AlarmState.NORMAL,
    (AlarmState.LATCHED_UNACKNOWLEDGED, RAISE): AlarmState.UNACKNOWLEDGED,
    (AlarmState.LATCHED_UNACKNOWLEDGED, Verb.ACKNOWLEDGE): AlarmState.LATCHED_ACKNOWLEDGED,
    (AlarmState.LATCHED_ACKNOWLEDGED, RAISE): AlarmState.UNACKNOWLEDGED,
    (AlarmState.LATCHED_ACKNOWLEDGED, Verb.RESET): AlarmState.NORMAL,
}


def item(t, step, rule):
    return act(t, step, RULES[rule].name) if isinstance(step, Verb) else edge(t, step, rule)


@pytest.mark.parametrize("state", TO, ids=lambda state: state.word)
@pytest.mark.parametrize("step", [RAISE, CLEAR, Verb.ACKNOWLEDGE, Verb.RESET], ids=lambda step: step.name)
def test_every_step_from_every_state(state, step):
    rule = 1 if state.name.startswith("LATCHED") else 0
    way = [item(S * (i + 1), s, rule) for i, s in enumerate(TO[state])]
    book, before = played(*way)
    assert (before[-1].state if before else AlarmState.NORMAL) is state
    book, records = played(*way, item(10 * S, step, rule))
    new = records[len(before) :]
    expected = LEADS_TO.get((state, step), state)
    assert all(record.state is expected for record in new)
    standing = [alarm.state for alarm in book.current().alarms]
    assert standing == ([] if expected is AlarmState.NORMAL else [expected])
    if isinstance(step, Verb):
        assert len(new) == ((state, step) in LEADS_TO)
    assert [record.announced for record in new if record.what is Happening.CONDITION_TRUE] == [True] * (
        step is RAISE
    )


def test_a_latching_alarm_that_was_acknowledged_waits_for_the_reset():
    book, records = played(
        edge(1, RAISE, 1), act(2, Verb.ACKNOWLEDGE, "stays"), edge(3, CLEAR, 1), act(4, Verb.RESET, "stays")
    )
    assert [r.state for r in records] == [
        AlarmState.UNACKNOWLEDGED,
        AlarmState.ACKNOWLEDGED,
        AlarmState.LATCHED_ACKNOWLEDGED,
        AlarmState.NORMAL,
    ]
    assert book.current().alarms == ()


def test_a_record_tells_what_happened():
    _, (record,) = played(edge(9 * S, RAISE, node=1, value=0.046))
    assert (record.t, record.rule, record.priority) == (9 * S, "lean", 1)
    assert (record.position, record.cylinders) == (2, (3, 4))
    assert (record.before, record.state) == (AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED)
    assert (record.value, record.limit, record.unit) == (0.046, 0.04, "lambda")
    assert (record.since, record.active, record.announced) == (9 * S - 7, True, True)
    assert (record.flags, record.reason) == (AlarmFlag.NONE, "")
    assert (record.in_ten_minutes, record.flood, record.chattering) == (1, False, False)


def test_the_list_puts_the_most_pressing_first_and_carries_the_response():
    book, _ = played(
        edge(1, RAISE, 2, ENGINE_WIDE),
        edge(2, RAISE, 1, 0),
        edge(3, RAISE, 0, 0),
        edge(4, RAISE, 0, 1),
        act(5, Verb.ACKNOWLEDGE, "lean", 2),
        edge(6, RAISE, 1, 1),
        edge(7, CLEAR, 1, 1),
        act(8, Verb.OUT_OF_SERVICE, "stays", 1),
    )
    listed = book.current()
    assert [(a.rule.name, a.position, a.word) for a in listed.alarms] == [
        ("lean", 1, "unacknowledged"),
        ("spread", None, "unacknowledged"),
        ("lean", 2, "acknowledged"),
        ("stays", 2, "latched unacknowledged"),
        ("stays", 1, "out of service"),
    ]
    assert listed.alarms[0].rule.response == "by the builder's limit"
    assert (listed.t, listed.stretch, listed.in_ten_minutes, listed.flood) == (8, 0, 5, False)


# --- silence ------------------------------------------------------------------------------------


def test_a_shelf_ends_by_itself_and_an_active_condition_is_new_again():
    book, records = played(
        edge(S, RAISE),
        act(2 * S, Verb.ACKNOWLEDGE),
        act(3 * S, Verb.SHELVE, duration_ns=10 * MINUTE),
        until=20 * MINUTE,
    )
    assert story(records)[2:] == [
        (3 * S, 1, Happening.SHELVED, AlarmState.ACKNOWLEDGED, False),
        (3 * S + 10 * MINUTE, 1, Happening.SHELF_ENDED, AlarmState.UNACKNOWLEDGED, True),
    ]
    assert book.current().alarms[0].word == "unacknowledged"


def test_under_a_shelf_detection_goes_on_and_says_nothing():
    book, records = played(
        act(1, Verb.SHELVE, duration_ns=100, reason="probe off"), edge(10, RAISE), until=50
    )
    assert story(records) == [
        (1, 1, Happening.SHELVED, AlarmState.NORMAL, False),
        (10, 1, Happening.CONDITION_TRUE, AlarmState.NORMAL, False),
    ]
    (alarm,) = book.current().alarms
    assert (alarm.word, alarm.active, alarm.shelved_until, alarm.reason) == (
        "shelved",
        True,
        101,
        "probe off",
    )
    assert book.current().in_ten_minutes == 0


def test_a_condition_that_came_and_went_under_a_shelf_leaves_nothing_to_acknowledge():
    book, _ = played(act(1, Verb.SHELVE, duration_ns=100), edge(10, RAISE), edge(20, CLEAR), until=500)
    assert book.current().alarms == ()


def test_a_new_book_is_silenced_for_as_long_as_is_left():
    book, _ = played(
        act(1, Verb.SHELVE, duration_ns=100, reason="probe off"),
        act(2, Verb.SHELVE, position=2),
        act(3, Verb.OUT_OF_SERVICE, "spread", None),
        until=41,
    )
    said = [(a.t, a.verb, a.rule, a.position, a.duration_ns, a.reason) for a in book.silences()]
    assert said == [
        (41, Verb.SHELVE, "lean", 1, 60, "probe off"),
        (41, Verb.SHELVE, "lean", 2, None, "seen"),
        (41, Verb.OUT_OF_SERVICE, "spread", None, None, "seen"),
    ]


def test_a_shelf_for_one_occurrence_ends_with_it():
    book, records = played(act(1, Verb.SHELVE), edge(10, RAISE), edge(20, CLEAR), edge(30, RAISE))
    assert story(records)[2:] == [
        (20, 1, Happening.CONDITION_FALSE, AlarmState.NORMAL, False),
        (20, 1, Happening.SHELF_ENDED, AlarmState.NORMAL, False),
        (30, 1, Happening.CONDITION_TRUE, AlarmState.UNACKNOWLEDGED, True),
    ]
    assert book.current().alarms[0].flags is AlarmFlag.NONE


def test_an_alarm_shelved_while_new_is_cleared_not_acknowledged_after_it():
    book, _ = played(edge(1, RAISE), act(2, Verb.SHELVE), edge(20, CLEAR))
    assert [a.word for a in book.current().alarms] == ["returned unacknowledged"]


def test_shelving_again_moves_the_end():
    _, records = played(
        act(1, Verb.SHELVE, duration_ns=100), act(50, Verb.SHELVE, duration_ns=100), until=500
    )
    assert [(r.t, r.what) for r in records] == [
        (1, Happening.SHELVED),
        (50, Happening.SHELVED),
        (150, Happening.SHELF_ENDED),
    ]


def test_unshelving_early_leaves_no_second_end():
    _, records = played(act(1, Verb.SHELVE, duration_ns=100), act(50, Verb.UNSHELVE), until=500)
    assert [r.what for r in records] == [Happening.SHELVED, Happening.SHELF_ENDED]


def test_only_the_last_flag_that_goes_lets_the_alarm_speak():
    _, records = played(
        edge(1, RAISE),
        act(2, Verb.OUT_OF_SERVICE),
        act(3, Verb.SHELVE),
        edge(4, SUPPRESS),
        act(5, Verb.SUPPRESS),
        act(6, Verb.UNSHELVE),
        act(7, Verb.IN_SERVICE),
        edge(8, RELEASE),
        act(9, Verb.RELEASE),
    )
    assert [(r.t, r.announced) for r in records if r.announced] == [(1, True), (9, True)]
    assert [r.flags.word for r in records] == [
        "",
        "out of service",
        "out of service, shelved",
        "suppressed by design",
        "out of service, shelved, suppressed by design",
        "out of service, suppressed by design",
        "suppressed by design",
        "",
        "",
    ]


def test_an_engine_state_silences_a_rule_with_one_record_and_is_named_in_the_list():
    book, records = played(edge(1, SUPPRESS), edge(2, RAISE), edge(3, RAISE, node=1), edge(4, CLEAR), until=5)
    assert [(r.position, r.what, r.state, r.announced) for r in records] == [
        (None, Happening.SUPPRESSED, None, False),
        (1, Happening.CONDITION_TRUE, AlarmState.NORMAL, False),
        (2, Happening.CONDITION_TRUE, AlarmState.NORMAL, False),
        (1, Happening.CONDITION_FALSE, AlarmState.NORMAL, False),
    ]
    assert records[0].reason == "fuel_cut"
    assert (book.current().suppressed, book.current().alarms) == (("lean",), ())
    released = book.feed(edge(6, RELEASE), stretch=0, first=6, until=6)
    assert story(released) == [
        (6, None, Happening.RELEASED, None, False),
        (6, 2, Happening.RELEASED, AlarmState.UNACKNOWLEDGED, True),
    ]
    assert book.current().suppressed == ()


def test_an_alarm_that_ends_while_suppressed_catches_up():
    _, records = played(
        edge(1, RAISE), act(2, Verb.ACKNOWLEDGE), edge(3, SUPPRESS), edge(4, CLEAR), edge(5, RELEASE)
    )
    assert records[-1].what is Happening.RELEASED
    assert (records[-1].before, records[-1].state) == (AlarmState.ACKNOWLEDGED, AlarmState.NORMAL)


def test_a_whole_rule_can_be_taken_out_of_service():
    book, records = played(act(1, Verb.OUT_OF_SERVICE, position=None), edge(2, RAISE), edge(3, RAISE, node=1))
    assert [r.position for r in records if r.what is Happening.OUT_OF_SERVICE] == [1, 2]
    assert not any(r.announced for r in records)
    assert [a.word for a in book.current().alarms] == ["out of service"] * 2


@pytest.mark.parametrize("verb", [Verb.ACKNOWLEDGE, Verb.RESET, Verb.UNSHELVE, Verb.RELEASE, Verb.IN_SERVICE])
def test_what_changes_nothing_leaves_no_record(verb):
    assert played(act(1, verb))[1] == ()


def test_taking_out_of_service_twice_is_once():
    assert len(played(act(1, Verb.OUT_OF_SERVICE), act(2, Verb.OUT_OF_SERVICE))[1]) == 1


# --- rates --------------------------------------------------------------------------------------


def bouncing(times, rule=0, node=0):
    return [e for t in times for e in (edge(t, RAISE, rule, node), edge(t + 1, CLEAR, rule, node))]


def test_flood_is_more_than_ten_in_ten_minutes():
    """ISA-18.2: more than ten alarms in ten minutes (second-hand)."""
    times = [i * 30 * S for i in range(1, 15)]
    book, records = played(*bouncing(times), until=times[-1] + 2)
    raised = [r for r in records if r.announced]
    assert [r.in_ten_minutes for r in raised] == list(range(1, 15))
    assert [r.flood for r in raised] == [False] * 10 + [True] * 4
    assert book.current().flood
    book.feed(join_edges([]), stretch=0, first=times[-1] + 3, until=times[3] + 10 * MINUTE)
    assert (book.current().in_ten_minutes, book.current().flood) == (10, False)
    book.feed(join_edges([]), stretch=0, first=times[3] + 10 * MINUTE + 1, until=times[-1] + 10 * MINUTE)
    assert book.current().in_ten_minutes == 0


def test_chatter_is_one_alarm_three_times_in_a_minute():
    """ISA-18.2: three or more within a minute (from memory); other alarms do not count with it."""
    _, records = played(
        *bouncing([1 * S, 30 * S, 60 * S, 100 * S, 160 * S]), *bouncing([2 * S, 31 * S], node=1)
    )
    assert [r.chattering for r in records if r.announced and r.position == 1] == [
        False,
        False,
        True,
        False,
        False,
    ]
    assert not any(r.chattering for r in records if r.position == 2)


def test_silenced_alarms_do_not_count_in_a_flood():
    _, records = played(act(1, Verb.OUT_OF_SERVICE), *bouncing([i * S for i in range(1, 20)]))
    assert {r.in_ten_minutes for r in records} == {0}


def test_an_alarm_that_stands_is_new_again_after_its_time_acknowledged_or_not():
    """OPC 10000-9, ReAlarmTime (from memory): counted from when it was last announced."""
    patient = replace(LEAN, re_alarm_s=60.0)
    book, records = played(
        edge(S, RAISE),
        act(100 * S, Verb.ACKNOWLEDGE),
        edge(190 * S, CLEAR),
        act(191 * S, Verb.ACKNOWLEDGE),
        until=400 * S,
        rules=(patient,),
    )
    assert story(records) == [
        (1 * S, 1, Happening.CONDITION_TRUE, AlarmState.UNACKNOWLEDGED, True),
        (61 * S, 1, Happening.RE_ALARMED, AlarmState.UNACKNOWLEDGED, True),
        (100 * S, 1, Happening.ACKNOWLEDGED, AlarmState.ACKNOWLEDGED, False),
        (121 * S, 1, Happening.RE_ALARMED, AlarmState.UNACKNOWLEDGED, True),
        (181 * S, 1, Happening.RE_ALARMED, AlarmState.UNACKNOWLEDGED, True),
        (190 * S, 1, Happening.CONDITION_FALSE, AlarmState.RETURNED_UNACKNOWLEDGED, False),
        (191 * S, 1, Happening.ACKNOWLEDGED, AlarmState.NORMAL, False),
    ]
    assert book.current().in_ten_minutes == 4


def test_an_alarm_is_not_announced_again_while_it_is_silenced_nor_takes_it_for_chatter():
    quick = replace(LEAN, re_alarm_s=10.0)
    _, records = played(
        edge(S, RAISE), act(35 * S, Verb.SHELVE, duration_ns=30 * S), until=80 * S, rules=(quick,)
    )
    assert [(r.t // S, r.what) for r in records if r.announced] == [
        (1, Happening.CONDITION_TRUE),
        (11, Happening.RE_ALARMED),
        (21, Happening.RE_ALARMED),
        (31, Happening.RE_ALARMED),
        (65, Happening.SHELF_ENDED),
        (75, Happening.RE_ALARMED),
    ]
    assert not any(r.chattering for r in records)


def test_time_that_is_not_known_does_not_count_for_a_re_alarm():
    patient = replace(LEAN, re_alarm_s=60.0)
    book, _ = played(edge(S, RAISE), until=31 * S, rules=(patient,))
    assert book.feed(join_edges([]), stretch=1, first=3600 * S, until=3629 * S) == ()
    (again,) = book.feed(join_edges([]), stretch=1, first=3630 * S, until=3630 * S)
    assert (again.t, again.what) == (3630 * S, Happening.RE_ALARMED)


# --- order and time -----------------------------------------------------------------------------


def test_an_action_is_worked_without_another_row_and_the_records_stay_the_same():
    """No row comes while all buses are silent."""

    def book():
        begun = AlarmBook(RULES, NODES)
        return begun, list(begun.feed(edge(S, RAISE), stretch=0, first=0, until=S))

    later = {"stretch": 0, "first": S + 1, "until": 2 * S}
    waiting, waited = book()
    waiting.act(act(S // 2, Verb.ACKNOWLEDGE))
    waited += waiting.feed(edge(2 * S, CLEAR), **later)
    settled, at_once = book()
    settled.act(act(S // 2, Verb.ACKNOWLEDGE))
    settled_now = settled.result()
    assert [record.what for record in settled_now] == [Happening.ACKNOWLEDGED]
    assert [alarm.state for alarm in settled.current().alarms] == [AlarmState.ACKNOWLEDGED]
    assert settled.result() == ()
    at_once += [*settled_now, *settled.feed(edge(2 * S, CLEAR), **later)]
    assert at_once == waited


def test_before_the_first_row_an_action_waits():
    book = AlarmBook(RULES, NODES)
    book.act(act(0, Verb.OUT_OF_SERVICE))
    assert book.result() == ()


def test_at_one_time_edges_come_first_then_shelves_then_actions_as_given():
    _, records = played(
        act(1, Verb.SHELVE, duration_ns=9),
        act(10, Verb.SHELVE, duration_ns=5, reason="again"),
        act(10, Verb.UNSHELVE),
        edge(10, RAISE),
    )
    assert [r.what for r in records] == [
        Happening.SHELVED,
        Happening.CONDITION_TRUE,
        Happening.SHELF_ENDED,
        Happening.SHELVED,
        Happening.SHELF_ENDED,
    ]
    assert [r.t for r in records] == [1, 10, 10, 10, 10]


def test_an_action_waits_for_the_rows_of_its_time():
    book = AlarmBook(RULES, NODES)
    book.act(act(20, Verb.ACKNOWLEDGE))
    assert len(book.feed(edge(10, RAISE), stretch=0, first=0, until=19)) == 1
    assert [r.what for r in book.feed(join_edges([]), stretch=0, first=20, until=20)] == [
        Happening.ACKNOWLEDGED
    ]


def test_an_action_behind_the_rows_is_stamped_anew_and_replays_the_same():
    live, records = AlarmBook(RULES, NODES), []
    records += live.feed(edge(10, RAISE), stretch=0, first=0, until=100)
    kept = live.act(act(10, Verb.ACKNOWLEDGE))
    assert kept.t == 100
    records += live.feed(edge(101, CLEAR), stretch=0, first=101, until=120)
    assert tuple(records) == played(kept, edge(10, RAISE), edge(101, CLEAR), until=120)[1]


def test_actions_behind_the_last_row_are_not_lost():
    book, records = played(edge(10, RAISE), until=20)
    book.act(act(50, Verb.ACKNOWLEDGE))
    book.act(act(60, Verb.SHELVE, duration_ns=100))
    assert [(r.t, r.what) for r in book.flush()] == [(50, Happening.ACKNOWLEDGED), (60, Happening.SHELVED)]
    assert book.flush() == ()
    assert book.current().t == 60
    assert len(records) == 1


def test_a_clock_set_back_leaves_shelves_and_rates_their_remaining_time():
    book, _ = played(
        *bouncing([1000 * S, 1001 * S]), act(1100 * S, Verb.SHELVE, duration_ns=60 * S), until=1130 * S
    )
    assert book.feed(join_edges([]), stretch=1, first=5 * S, until=34 * S) == ()
    assert book.current().in_ten_minutes == 2
    (ended,) = book.feed(join_edges([]), stretch=1, first=35 * S, until=40 * S)
    assert (ended.stretch, ended.t, ended.what) == (1, 35 * S, Happening.SHELF_ENDED)


def test_actions_of_a_stretch_that_is_over_are_worked_before_the_next():
    book = AlarmBook(RULES, NODES)
    book.feed(edge(10, RAISE), stretch=0, first=0, until=20)
    book.act(act(30, Verb.ACKNOWLEDGE))
    book.act(act(7, Verb.SHELVE, stretch=1))
    records = book.feed(join_edges([]), stretch=1, first=5, until=9)
    assert [(r.stretch, r.t, r.what) for r in records] == [
        (0, 30, Happening.ACKNOWLEDGED),
        (1, 7, Happening.SHELVED),
    ]


# --- random lives -------------------------------------------------------------------------------


class Plain:
    """The same book in plain words: one loop over time, nanosecond by nanosecond, one alarm at a time."""

    def __init__(self, latching, re_alarm):
        self.latching, self.re_alarm, self.new_at = latching, re_alarm, None
        self.state, self.active, self.own, self.rule_off, self.shelf = "NORMAL", False, set(), False, None
        self.said = []

    def say(self, t, what, *, new=False):
        self.new_at = t if new else self.new_at
        self.said.append((t, what.name, self.state, new))

    def result(self):
        if self.own or self.rule_off:
            return False
        if self.active:
            self.state = "UNACKNOWLEDGED"
        else:
            self.fall()
        return self.active

    def fall(self):
        to = {
            "UNACKNOWLEDGED": "LATCHED_UNACKNOWLEDGED" if self.latching else "RETURNED_UNACKNOWLEDGED",
            "ACKNOWLEDGED": "LATCHED_ACKNOWLEDGED" if self.latching else "NORMAL",
        }
        self.state = to.get(self.state, self.state)

    def edge(self, t, kind):
        if kind == SUPPRESS:
            self.rule_off = True
        elif kind == RELEASE:
            self.rule_off, before = False, self.state
            new = self.result()
            if new or self.state != before:
                self.say(t, Happening.RELEASED, new=new)
        elif kind == RAISE:
            self.active, loud = True, not (self.own or self.rule_off)
            if loud:
                self.state = "UNACKNOWLEDGED"
            self.say(t, Happening.CONDITION_TRUE, new=loud)
        else:
            self.active = False
            if not (self.own or self.rule_off):
                self.fall()
            self.say(t, Happening.CONDITION_FALSE)
            if "SHELVE" in self.own and self.shelf is None:
                self.drop(t, "SHELVE", Happening.SHELF_ENDED)

    def drop(self, t, verb, what):
        if verb in self.own:
            self.own.discard(verb)
            self.shelf = None if verb == "SHELVE" else self.shelf
            self.say(t, what, new=self.result())

    def time(self, t):
        if self.shelf == t:
            self.drop(t, "SHELVE", Happening.SHELF_ENDED)
        if self.active and not (self.own or self.rule_off) and t - self.new_at == self.re_alarm:
            self.state = "UNACKNOWLEDGED"
            self.say(t, Happening.RE_ALARMED, new=True)

    def act(self, t, action):
        name = action.verb.name
        acknowledges = {
            "UNACKNOWLEDGED": "ACKNOWLEDGED",
            "RETURNED_UNACKNOWLEDGED": "NORMAL",
            "LATCHED_UNACKNOWLEDGED": "LATCHED_ACKNOWLEDGED",
        }
        if name == "ACKNOWLEDGE" and self.state in acknowledges:
            self.state = acknowledges[self.state]
            self.say(t, Happening.ACKNOWLEDGED)
        elif name == "RESET" and self.state == "LATCHED_ACKNOWLEDGED":
            self.state = "NORMAL"
            self.say(t, Happening.RESET)
        elif name in {"SHELVE", "SUPPRESS", "OUT_OF_SERVICE"}:
            if name == "SHELVE" or name not in self.own:
                self.own.add(name)
                self.shelf = (
                    t + action.duration_ns if action.duration_ns else None if name == "SHELVE" else self.shelf
                )
                said = {"SHELVE": "SHELVED", "SUPPRESS": "SUPPRESSED"}.get(name, name)
                self.say(t, Happening[said])
        elif name in {"UNSHELVE", "RELEASE", "IN_SERVICE"}:
            flag = {"UNSHELVE": "SHELVE", "RELEASE": "SUPPRESS", "IN_SERVICE": "OUT_OF_SERVICE"}[name]
            what = {"UNSHELVE": "SHELF_ENDED"}.get(name, {"RELEASE": "RELEASED"}.get(name, name))
            self.drop(t, flag, Happening[what])


LENGTH = 60
AGAIN = (replace(LEAN, re_alarm_s=13e-9), replace(STAYS, re_alarm_s=7e-9), SPREAD)
"""Rules whose alarms are announced again after 13 and 7 ns."""


@st.composite
def lives(draw):
    """Edges that alternate as detection gives them, actions in the order given, and cuts."""
    times = st.lists(st.integers(0, LENGTH), unique=True, max_size=12).map(sorted)
    edges = []
    for rule, node in ((0, 0), (0, 1), (1, 0)):
        edges += [edge(t, (RAISE, CLEAR)[i % 2], rule, node) for i, t in enumerate(draw(times))]
    edges += [edge(t, (SUPPRESS, RELEASE)[i % 2]) for i, t in enumerate(draw(times)[:4])]
    chosen = st.tuples(
        st.integers(0, LENGTH),
        st.sampled_from(Verb),
        st.sampled_from([("lean", 1), ("lean", 2), ("stays", 1), ("lean", None), ("stays", None)]),
        st.sampled_from([None, 1, 5, 20]),
    )
    actions = [
        act(t, verb, rule, position, duration_ns=length if verb is Verb.SHELVE else None)
        for t, verb, (rule, position), length in draw(st.lists(chosen, max_size=15))
    ]
    return edges, actions, draw(st.lists(st.integers(0, LENGTH), max_size=6))


@given(lives())
def test_the_book_is_its_plain_words(life):
    edges, actions, _ = life
    _, records = played(*edges, *actions, until=LENGTH, rules=AGAIN)
    for rule, node in ((0, 0), (0, 1), (1, 0), (1, 1)):
        plain, position = Plain(RULES[rule].latching, (13, 7)[rule]), NODES[node].position
        for t in range(LENGTH + 1):
            here = [
                e for e in edges if e.t[0] == t and e.rule[0] == rule and e.node[0] in {node, ENGINE_WIDE}
            ]
            for found in sorted(here, key=lambda e: e.kind[0]):
                plain.edge(t, found.kind[0])
            plain.time(t)
            for action in actions:
                if action.t == t and action.rule == RULES[rule].name and action.position in {None, position}:
                    plain.act(t, action)
        got = [
            (r.t, r.what.name, r.state.name, r.announced)
            for r in records
            if r.rule == RULES[rule].name and r.position == position
        ]
        assert got == plain.said


@given(lives())
def test_records_and_standing_do_not_depend_on_the_split(life):
    edges, actions, cuts = life
    whole, records = played(*edges, *actions, until=LENGTH, rules=AGAIN)
    parts, in_parts = played(*edges, *actions, until=LENGTH, cuts=cuts, rules=AGAIN)
    assert everything(in_parts) == everything(records)
    assert everything(parts.current()) == everything(whole.current())
    assert [r.t for r in records] == sorted(r.t for r in records)


@given(lives())
def test_a_live_session_replays_from_what_it_recorded(life):
    """Live, actions come between the rows, some behind them; the kept ones give the same records."""
    edges, actions, cuts = life
    live, kept, records = AlarmBook(AGAIN, NODES), [], []
    ordered = join_edges(edges).ordered()
    waiting = list(actions)
    for a, b in pairwise([-1, *sorted(cuts), LENGTH]):
        kept += [live.act(waiting.pop(0)) for _ in range(min(2, len(waiting)))]
        rows = np.flatnonzero((ordered.t > a) & (ordered.t <= b))
        records += live.feed(ordered.take(rows), stretch=0, first=a + 1, until=b)
    replay, again = played(*edges, *kept, until=LENGTH, rules=AGAIN)
    assert everything(tuple(records)) == everything(again)
    assert everything(live.current()) == everything(replay.current())


# --- places and rates ---------------------------------------------------------------------------


def test_all_nodes_at_once_are_one_alarm_more_only_where_there_are_several_nodes():
    silence = AlarmRule("silent", 1, "age_s", 0.5)
    for count, places in ((1, [1]), (2, [1, 2]), (3, [1, 2, 3])):
        book = AlarmBook((silence,), tuple(Node(i, (i,)) for i in range(1, count + 1)))
        book.act(act(0, Verb.SHELVE, "silent", None))
        book.feed(join_edges([]).ordered(), stretch=0, first=0, until=1)
        assert [a.position for a in book.silences()] == places
        common = [a.rule for a in book.explain(0, "bus silent")]
        assert common == ([] if count == 1 else ["no data from the chain"])


SILENCE = AlarmRule("silent", 2, "age_s", 0.5)
ALL = "no data from the chain"


def test_what_befalls_all_nodes_is_one_priority_1_alarm_and_suppresses_the_nodes_by_design():
    book, records = played(
        edge(S, RAISE, node=0),
        edge(2 * S, RAISE, node=ENGINE_WIDE),
        edge(3 * S, RAISE, node=1),
        rules=(SILENCE,),
    )
    assert [(r.rule, r.position, r.priority, r.what, r.announced) for r in records] == [
        ("silent", 1, 2, Happening.CONDITION_TRUE, True),
        (ALL, None, 1, Happening.CONDITION_TRUE, True),
        ("silent", None, 2, Happening.SUPPRESSED, False),
        ("silent", 2, 2, Happening.CONDITION_TRUE, False),
    ]
    assert records[2].reason == ALL
    first, *rest = book.current().alarms
    assert (first.rule.name, first.all_nodes, first.word) == (ALL, True, "unacknowledged")
    assert {a.word for a in rest} == {"suppressed by design"}
    assert book.current().suppressed == (f"silent (by {ALL})",)


def test_after_it_only_nodes_that_are_silent_still_are_announced():
    """Node 1 comes back in the row in which the silence of all is over, node 2 does not."""
    _, records = played(
        edge(S, RAISE, node=0),
        edge(S, RAISE, node=1),
        edge(2 * S, RAISE, node=ENGINE_WIDE),
        edge(9 * S, CLEAR, node=ENGINE_WIDE),
        edge(9 * S, CLEAR, node=0),
        rules=(SILENCE,),
    )
    after = [(r.rule, r.position, r.what, r.state, r.announced) for r in records if r.t == 9 * S]
    assert after == [
        (ALL, None, Happening.CONDITION_FALSE, AlarmState.RETURNED_UNACKNOWLEDGED, False),
        ("silent", 1, Happening.CONDITION_FALSE, AlarmState.UNACKNOWLEDGED, False),
        ("silent", None, Happening.RELEASED, None, False),
        ("silent", 1, Happening.RELEASED, AlarmState.RETURNED_UNACKNOWLEDGED, False),
        ("silent", 2, Happening.RELEASED, AlarmState.UNACKNOWLEDGED, True),
    ]


CHAIN = tuple(Node(place, (place,)) for place in (1, 2, 3, 5))
BREAK = "silent from position 3 on: break in the chain after position 2"


def test_a_break_is_one_alarm_and_suppresses_the_nodes_behind_it_by_design():
    """Node 5, the last, was silent already; node 1 falls silent by itself while the break stands."""
    edges = (edge(S, RAISE, node=3), edge(2 * S, RAISE, node=-2), edge(3 * S, RAISE, node=0))
    book, records = played(*edges, rules=(SILENCE,), nodes=CHAIN)
    assert [(r.rule, r.position, r.cylinders, r.what, r.announced) for r in records] == [
        ("silent", 5, (5,), Happening.CONDITION_TRUE, True),
        (BREAK, None, (3, 5), Happening.CONDITION_TRUE, True),
        ("silent", 5, (5,), Happening.SUPPRESSED, False),
        ("silent", 1, (1,), Happening.CONDITION_TRUE, True),
    ]
    now = book.current()
    assert {(a.name, a.word) for a in now.alarms} == {
        ("silent", "unacknowledged"),
        ("break after position 2", "unacknowledged"),
        ("silent", "suppressed by design"),
    }
    assert now.suppressed == ("silent at 3, 5 (by break after position 2)",)
    assert "from position 2 to 3" in now.alarms[1].rule.response


def test_after_a_break_only_nodes_that_are_silent_still_are_announced():
    _, records = played(
        edge(2 * S, RAISE, node=-2),
        edge(8 * S, RAISE, node=2),
        edge(8 * S, RAISE, node=3),
        edge(9 * S, CLEAR, node=2),
        edge(9 * S, CLEAR, node=-2),
        rules=(SILENCE,),
        nodes=CHAIN,
    )
    assert [(r.rule, r.position, r.what) for r in records if r.announced] == [
        (BREAK, None, Happening.CONDITION_TRUE),
        ("silent", 5, Happening.RELEASED),
    ]


def test_the_silence_of_all_suppresses_a_break_that_is_announced_after_it():
    book, _ = played(
        edge(2 * S, RAISE, node=-2),
        edge(4 * S, RAISE, node=ENGINE_WIDE),
        rules=(SILENCE,),
        nodes=CHAIN,
    )
    assert {(a.name, a.word) for a in book.current().alarms} == {
        (ALL, "unacknowledged"),
        ("break after position 2", "suppressed by design"),
    }
    again = book.feed(join_edges([edge(9 * S, CLEAR, node=ENGINE_WIDE)]), stretch=0, first=5 * S, until=9 * S)
    assert [(r.rule, r.announced) for r in again if r.what is Happening.RELEASED] == [
        ("silent", False),
        (BREAK, True),
    ]


def test_its_cause_stands_in_its_name_with_what_to_do_and_is_replayed():
    named = act(3 * S, Verb.EXPLAIN, ALL, None, reason="adapter lost")
    book, records = played(edge(2 * S, RAISE, node=ENGINE_WIDE), named, rules=(SILENCE,))
    (alarm,) = book.current().alarms
    assert alarm.name == "no data: adapter lost"
    assert "plug the adapter in" in alarm.rule.response
    assert [r.what for r in records][-1] is Happening.EXPLAINED
    assert book.silences() == (replace(named, t=3 * S),)
    book.act(act(4 * S, Verb.EXPLAIN, ALL, None, reason=""))
    book.feed(join_edges([]).ordered(), stretch=0, first=3 * S, until=5 * S)
    assert book.current().alarms[0].name == ALL
    with pytest.raises(UsageError, match="expected one of reader failed, adapter lost"):
        act(5 * S, Verb.EXPLAIN, ALL, None, reason="gremlins")


def test_a_book_without_rows_stands_at_time_zero():
    book = AlarmBook(RULES, NODES)
    assert (book.current().t, book.current().stretch, book.current().alarms) == (0, 0, ())
    assert book.result() == ()
    book.act(act(0, Verb.SHELVE, duration_ns=9))
    (record,) = book.flush()
    assert (record.t, record.stretch, record.since) == (0, 0, None)
    assert book.current().t == 0
    (again,) = book.silences()
    assert (again.t, again.duration_ns) == (0, 9)


def test_an_announcement_counts_for_just_ten_minutes_and_chatter_for_one():
    """ISA-18.2, second-hand: chatter by the minute, floods by ten."""
    edges = [edge(i * S, (RAISE, CLEAR)[i % 2]) for i in range(12)]
    for late, chattering, counted in ((11 * S, True, 6), (66 * S - 1, True, 6), (66 * S, False, 6)):
        book, _ = played(*edges, until=late)
        assert book.current().in_ten_minutes == counted
        assert [a.chattering for a in book.current().alarms] == [chattering]
    for late, counted in ((10 * MINUTE, 5), (10 * MINUTE + 10 * S - 1, 1), (10 * MINUTE + 10 * S, 0)):
        assert played(*edges, until=late)[0].current().in_ten_minutes == counted


# --- mistakes -----------------------------------------------------------------------------------


def test_actions_that_mean_nothing_are_refused_in_words():
    book = AlarmBook(RULES, NODES)
    with pytest.raises(UsageError, match="acknowledge: no alarm is named 'laen'; expected 'lean'"):
        book.act(act(1, Verb.ACKNOWLEDGE, "laen"))
    with pytest.raises(UsageError, match="no alarm is named 'zzz'; expected one of lean, stays, spread"):
        book.act(act(1, Verb.ACKNOWLEDGE, "zzz"))
    with pytest.raises(
        UsageError, match=r"acknowledge 'lean': position 9; expected a position of the chain \(1, 2\)"
    ):
        book.act(act(1, Verb.ACKNOWLEDGE, position=9))
    with pytest.raises(
        UsageError, match=r"position 1; expected a position of the chain \(none: leave it out\)"
    ):
        book.act(act(1, Verb.ACKNOWLEDGE, "spread"))
    with pytest.raises(UsageError, match="shelve 'lean': no reason"):
        act(1, Verb.SHELVE, reason=" ")
    with pytest.raises(UsageError, match="acknowledge 'lean': a duration"):
        act(1, Verb.ACKNOWLEDGE, duration_ns=5)
    with pytest.raises(UsageError, match="shelve 'lean': 0 ns; expected a duration above zero"):
        act(1, Verb.SHELVE, duration_ns=0)


def test_records_are_frozen_and_compare():
    _, (record,) = played(edge(1, RAISE))
    assert replace(record) == record
    with pytest.raises(AttributeError):
        record.t = 2  # type: ignore[misc]


def test_the_word_that_older_runs_hold_is_read_and_other_words_are_not():
    assert Verb("accept") is Verb("acknowledge") is Verb.ACKNOWLEDGE
    with pytest.raises(ValueError, match="approve"):
        Verb("approve")
