"""Balance, trims, alarms, bus, events, notes, help and caution as text."""

import math
from dataclasses import replace

import numpy as np
import pytest
from dashboard.scenes import (
    LEAN,
    OPTIONS,
    RULES,
    SECOND,
    UNITS,
    alarm,
    alarm_list,
    balance,
    event,
    happened,
    pull_review,
    scene,
    session,
    snapshot,
    text,
)

from mixmon.beside.beside import Beside
from mixmon.dashboard.app import caution_page
from mixmon.dashboard.keys import BINDINGS, Page
from mixmon.dashboard.screens.balance import filled
from mixmon.dashboard.screens.events import event_rows
from mixmon.dashboard.screens.pages import State, draw
from mixmon.dashboard.text import row_width
from mixmon.findings.alarms.misfire import MisfireMark
from mixmon.findings.alarms.records import Happening
from mixmon.findings.alarms.states import AlarmFlag, AlarmState
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.events.event import Kind
from mixmon.findings.response.sensors import SensorPace
from mixmon.mixture.steady import Cell
from mixmon.note import note
from mixmon.session.default_limits import SLOW_SENSOR
from mixmon.session.model import Axes, Limits
from mixmon.watch.snapshot import BusNow, Holding


def lines(page, shown=None, width=80, height=24, **state):
    shown = scene() if shown is None else shown
    return [line.rstrip() for line in text(draw(shown, State(OPTIONS, page=page, **state), width, height))]


def joined(*arguments, **state):
    return " ".join(" ".join(lines(*arguments, **state)).split())


def holding(**changes):
    return scene(snapshot(holding=replace(snapshot().holding, **changes)))


def test_balance_fills_the_cells_of_the_chosen_cylinder():
    """Cylinder 3 needs +5.3 %; the cell of 1100 rpm and 3 % lies in the leak zone and is bracketed."""
    page = lines(Page.BALANCE)
    head = next(i for i, line in enumerate(page) if line.startswith("thr %"))
    assert page[head].split() == ["thr", "%", "1100", "2000", "3000", "4000", "5000", "6000", "7000", "7800"]
    assert page[head + 1].split() == ["100", *"·····", "+5.3±0.8", "+5.3±0.9", "+5.3±1.0"]
    assert page[head + 2].split() == ["9.5", "s"] * 3
    assert page[head + 12].split() == ["(2.0", "s)"] * 3


def test_balance_follows_the_picked_cylinder_and_the_spread_key():
    picked = scene(options=replace(OPTIONS, chosen=2))
    assert "-2.6±0.8" in joined(Page.BALANCE, picked)
    spread = lines(Page.BALANCE, spread=True)
    # +5.3 for cylinder 3 less -2.6 for cylinder 2
    assert spread[6].split() == ["100", *"·····", "7.9", "7.9", "7.9"]


def test_the_dwell_clock_tells_what_the_worst_cylinder_still_needs():
    page = lines(Page.BALANCE)
    assert "4.0 s counted" in page[2]
    assert "3 s to ±0.5 %, cyl 5" in page[3]
    assert "█████░░░" in page[3]  # 4 of 7 s: 4.6 of 8 cells
    assert page[2].strip().startswith("▀▀█")  # the 3, large


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"settle_s": 2.2}, ("settling", "nothing is counted yet")),
        ({"left_s": None, "worst": None}, ("4.0 s counted", "too early to tell until ±0.5 %")),
        ({"left_s": 0.0}, ("4.0 s counted", "done: all within ±0.5 %")),
        ({"worst": None}, ("4.0 s counted", "3 s to ±0.5 % ")),
    ],
    ids=["settling", "too early", "done", "no worst one"],
)
def test_the_dwell_clock_in_all_its_states(change, words):
    page = joined(Page.BALANCE, holding(**change))
    assert [part for part in words if part not in page] == []


def test_without_a_steady_engine_the_dwell_clock_says_what_to_do():
    assert "hold speed and load in one cell" in joined(Page.BALANCE, scene(snapshot(holding=None)))


def test_axes_that_are_not_used_make_one_cell():
    declared = replace(session(), axes=Axes())
    held = Holding(Cell(None, None), 0.0, 1.0, 0.5, None, None)
    shown = scene(snapshot(holding=held, balance=None), declared=declared)
    page = lines(Page.BALANCE, shown)
    assert any(line.split()[:1] == ["any"] and "held" in line for line in page)


def test_a_narrow_screen_shows_the_cells_about_the_one_that_is_held():
    page = lines(Page.BALANCE, width=40)
    head = next(line for line in page if line.startswith("thr %"))
    assert head.split() == ["thr", "%<", "5000", "6000", "7000", "rpm>"]


def test_a_bar_is_filled_by_its_share():
    assert [filled(share, 4, "#", ".") for share in (-1.0, 0.0, 0.5, 1.0, 9.0, float("nan"))] == [
        "....",
        "....",
        "##..",
        "####",
        "####",
        "....",
    ]


def test_the_trim_sheet_has_numbers_intervals_and_what_must_be_proved_first():
    page = lines(Page.TRIMS)
    row = next(line for line in page if line.split()[:1] == ["3"])
    assert row.split()[:8] == ["3", "+5.3", "+5.0", "to", "+5.6", "0.00", "+5.50", "+5.50"]
    told = joined(Page.TRIMS)
    assert "over 5 %: look for a" in told
    assert "Prove each label by a fuel step" in told
    assert "not proof of knock margin" in told


def test_sixteen_trims_and_the_cautions_fit_80_by_24():
    page = joined(Page.TRIMS, scene(count=16))
    assert " 16 +1.1" in page
    assert "not proof of knock margin" in page


def test_trims_that_are_withheld_show_the_reason_and_no_number():
    kept = replace(balance(), withheld=(note(BalanceNote.TOO_FEW_NEEDS, known=1, cylinders=8),))
    shown = scene(snapshot(balance=kept))
    page = joined(Page.TRIMS, shown)
    assert "no trims offered: too little data: 1 of 8" in page
    assert "+5.50" not in page
    assert "no trims offered" in joined(Page.BALANCE, shown)


def test_without_a_balance_there_are_no_trims():
    assert "no trims offered" in joined(Page.TRIMS, scene(snapshot(balance=None)))


def test_tables_beside_the_run_stand_below_the_needs_by_the_same_bands():
    t = np.arange(0, 8_400_000_000, 50_000_000, dtype=np.int64)
    rpm = np.linspace(2480.0, 7905.0, len(t))
    torque = np.where(rpm < 7000, 0.1 * rpm, np.nan)
    facts = {"lag_s": 1.0, "half_s": 0.02, "lag_at": 0, "drift": 0.0, "drift_half": 0.0, "correlation": 1.0}
    table = Beside("dyno.csv", ("torque",), ("Nm",), t, rpm, torque[:, None], by="speed", facts={}, **facts)
    shown = scene(snapshot(pulls=pull_review(pulls=1)))
    shown.setting.beside = (table,)
    [row] = [line for line in lines(Page.PULLS, shown) if line.startswith("torq")]
    values = row.split()[1:]
    assert values[-3:] == ["..", "..", "Nm"]
    assert [float(x) for x in values[1:8]] == pytest.approx([300 + 50 * i for i in range(7)], abs=2)
    assert "torq" not in joined(Page.PULLS, scene(snapshot(pulls=pull_review(pulls=1))))


def test_a_pull_is_a_row_a_cylinder_and_a_column_a_band_of_speed():
    page = lines(Page.PULLS, scene(snapshot(pulls=pull_review(pulls=1))))
    assert page[1].startswith(" 2480 to 7905 rpm, 8.4 s, 646 rpm/s  coolant 86  air 24  valid 7/8")
    assert page[2] == " reject: engine cold: coolant 40 C, warm from 70 C  ended by throttle lift"
    assert page[3].split() == ["cyl", *(str(2500 + 500 * i) for i in range(12)), "worst", "at"]
    rows = [line.split() for line in page[4:12]]
    assert [row[row[0] == "▸"] for row in rows] == ["1", "5", "3", "7", "4", "8", "2", "6"]
    assert rows[2] == ["▸", "3", *["+5.3"] * 12, "+5.3", "2600"]
    assert rows[5] == ["8", *["-2.1"] * 6, "..", "##", ">>", "<<", "..", ".."]
    assert page[12].split() == ["all", *["-0.7"] * 12, "vs", "target"]
    assert page[13].split() == ["spread", *["8.3"] * 12]
    assert "cyl 3 leanest at 6720 rpm: needs +6.4 %, lambda +0.046 over target" in " ".join(page)


def test_pulls_are_compared_with_the_one_kept_before():
    shown = scene(snapshot(pulls=pull_review()))
    page = lines(Page.PULLS, shown, compared=True)
    assert "PULL 2 of 2" in page[0]
    assert "repeats pull 1 within 0.4 % (noise 0.3)" in page[2]
    assert page[3].split()[-2:] == ["less", "1"]
    assert page[6].split() == ["▸", "3", *["+0.3"] * 12]
    assert "PULL 1 of 2" in lines(Page.PULLS, shown, pull=0)[0]


def test_sixteen_cylinders_of_a_pull_fit_80_by_24():
    page = joined(Page.PULLS, scene(snapshot(16, pulls=pull_review(16)), count=16))
    assert " 16 +1.6" in page
    assert "spread 8.3" in page


def test_a_narrow_screen_shows_the_highest_speeds():
    page = lines(Page.PULLS, scene(snapshot(pulls=pull_review())), width=40)
    assert page[3].split() == ["cyl", "<", "6500", "7000", "7500", "8000", "worst", "at"]


def test_an_alarm_tells_cause_consequence_response_and_its_own_limits():
    page = joined(Page.ALARMS)
    for words in (LEAN.cause, LEAN.consequence, LEAN.response):
        assert words in page
    assert "this screen does not protect the engine" in page
    assert "throttle > 60 and rpm > 2500" in page


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({}, "UNACK"),
        ({"state": AlarmState.ACKNOWLEDGED}, "ACK"),
        ({"state": AlarmState.RETURNED_UNACKNOWLEDGED, "active": False}, "RTN UNACK"),
        ({"state": AlarmState.LATCHED_UNACKNOWLEDGED, "active": False}, "LTCH UNACK"),
        ({"state": AlarmState.LATCHED_ACKNOWLEDGED, "active": False}, "LTCH ACK"),
        ({"flags": AlarmFlag.SHELVED}, "SHELVED"),
        ({"flags": AlarmFlag.SUPPRESSED}, "SUPPRESSED"),
        ({"flags": AlarmFlag.OUT_OF_SERVICE | AlarmFlag.SHELVED}, "OUT OF SRV"),
    ],
)
def test_the_list_says_where_each_alarm_stands(change, word):
    page = lines(Page.ALARMS, scene(snapshot(alarms=alarm_list(alarm(**change)))))
    assert page[3].startswith(f"▸ 1  {word}")


def test_the_value_that_raised_an_alarm_is_listed_also_when_it_is_over():
    gone = alarm(state=AlarmState.RETURNED_UNACKNOWLEDGED, active=False, value_now=0.01)
    page = lines(Page.ALARMS, scene(snapshot(alarms=alarm_list(gone))))
    assert page[3].split()[-4:] == ["0.046", "lambda", "0.040", "lambda"]


def test_the_list_scrolls_to_the_chosen_alarm():
    many = alarm_list(*(alarm(RULES[i % 5], 1 + i % 8) for i in range(40)))
    page = joined(Page.ALARMS, scene(snapshot(alarms=many)), alarm=(RULES[4].name, 8))
    assert "▸ 3" in page


def test_a_flood_and_rules_that_are_off_are_said():
    flood = replace(alarm_list(suppressed=("lean under load",)), in_ten_minutes=11)
    page = joined(Page.ALARMS, scene(snapshot(alarms=flood)))
    assert "FLOOD: more than 10" in page
    assert "suppressed by design: lean under load" in page


def test_rules_that_cannot_be_watched_are_named_with_what_they_miss():
    signals = {k: v for k, v in session().engine_signals.items() if k != "throttle"}
    page = joined(Page.ALARMS, scene(declared=replace(session(), engine_signals=signals)))
    assert "not watched: lean under load, no signal for throttle" in page


def test_placeholder_limits_are_said_with_the_alarm():
    page = joined(Page.ALARMS, scene(declared=session(limits=Limits(None, RULES))))
    assert "a placeholder of common practice, not from this engine's builder" in page


def test_bus_and_nodes_stand_in_the_order_of_the_wire():
    page = lines(Page.BUS)
    assert page[1].startswith(" chain  load 19 %  820 frames/s  newest 8 ms  active")
    nodes = [line.split() for line in page if " S-1" in line]
    assert [node[0].lstrip("▸") for node in nodes if node[0] != "▸"] == ["1", "2", "4", "5", "6", "7", "8"]
    assert "UNACK lean under l" in next(line for line in page if "S-103" in line)


def test_a_silent_node_has_no_volts():
    row = next(line for line in lines(Page.BUS) if "S-108" in line)
    assert row.split()[3:] == ["X", "silent", "2.4", "s", "--", "--"]


def test_counters_and_missing_sensors_are_shown():
    nodes = session().chain.nodes[:7]
    declared = replace(session(), chain=replace(session().chain, nodes=nodes))
    shown = snapshot(7, late_by_clock=12, counters={"wrong checksums": 3, "jumps": 0})
    page = joined(Page.BUS, scene(shown, declared=declared))
    assert "12 too late to be placed" in page
    assert "wrong checksums 3" in page
    assert "jumps" not in page
    assert "no sensor at cylinder 8" in page


def test_sixteen_nodes_scroll_on_a_low_screen():
    first = lines(Page.BUS, scene(count=16), 80, 14)
    last = lines(Page.BUS, scene(count=16), 80, 14, first=99)
    assert any("S-101" in line for line in first)
    assert any("S-116" in line for line in last)


def test_events_are_newest_first_and_can_be_searched():
    shown = snapshot(
        alarms=alarm_list(alarm(), alarm(RULES[2], 8)),
        alarm_events=(
            event(t=240 * SECOND),
            event(RULES[2], 8, t=242 * SECOND, value=2.4),
            event(t=244 * SECOND, announced=False, active=False),
        ),
    )
    page = lines(Page.EVENTS, scene(shown))
    assert [line.split()[0] for line in page[2:6]] == ["▸04:05.0", "04:04.0", "04:02.0", "04:00.0"]
    assert page[3].endswith("returned to normal")
    assert page[5].endswith("UNACK")
    found = lines(Page.EVENTS, scene(shown), wanted="SILENT")
    assert "EVENTS with 'SILENT': 1 of 4" in found[0]
    assert "nothing found" in joined(Page.EVENTS, scene(shown), wanted="turbo")


def test_notes_are_the_operator_s_remarks_whole_and_newest_first():
    long = "note: " + "plug 3 changed " * 8
    remarks = ((240 * SECOND, "mark"), (245 * SECOND, "chain: frames come again"), (250 * SECOND, long))
    page = lines(Page.NOTES, scene(snapshot(remarks=remarks)))
    assert "NOTES 2" in page[0]
    assert page[1].startswith(" 04:10.0  note: plug 3")
    assert page[3].startswith(" 04:00.0  mark")
    assert any("frames come again" in line for line in lines(Page.EVENTS, scene(snapshot(remarks=remarks))))


def test_a_misfire_is_an_event_and_not_a_fuelling_figure():
    found = happened(Kind.MISFIRE, 7)
    cut = replace(happened(Kind.FUEL_CUT, 7), all_nodes=True, peak_lambda=float("nan"))
    shown = scene(snapshot(happened=(found, cut), alarm_events=()))
    page = lines(Page.EVENTS, shown)
    assert sum("misfire" in line for line in page) == 1
    told = next(line for line in page if "misfire" in line)
    assert "misfire cyl 7  lambda 1.200, 0.24 s, 6800 rpm" in told
    assert told.endswith("not a fuelling figure")
    assert any("fuel cut  0.24 s" in line for line in page)
    watch = lines(Page.WATCH, shown)
    assert any("misfire cyl 7" in line for line in watch)
    assert not any("fuel cut" in line for line in watch)


@pytest.mark.parametrize("width", [40, 80, 200])
def test_help_names_every_key_and_every_letter(width):
    """A long screen, so that nothing has to be scrolled."""
    page = " ".join(lines(Page.HELP, width=width, height=200))
    squeezed = " ".join(page.split())
    for binding in BINDINGS:
        assert f" {binding.name} " in page
    for words in ("V!", "silent", "NO DATA", "add fuel", "excluded"):
        assert words in squeezed


@pytest.mark.parametrize(
    ("width", "height", "words"),
    [
        (80, 24, "digits 3 rows tall 42 minutes of arc, can be read; text 8, cannot be read"),
        (200, 60, "digits 7 rows tall 39 minutes of arc, can be read; text 3, cannot be read"),
        (40, 200, "digits 3 rows tall 5 minutes of arc, cannot be read"),
    ],
)
def test_help_says_honestly_what_can_be_read_from_two_metres(width, height, words):
    page = " ".join(" ".join(lines(Page.HELP, width=width, height=height, first=99)).split())
    assert words in page


@pytest.mark.parametrize("size", [(40, 10), (80, 24), (200, 60), (3, 2)])
def test_the_caution_fits_and_its_keys_stay_in_sight(size):
    words = "Monitoring only. It will not stop, limit or protect the engine.\n" * 12
    rows = caution_page(words, *size)
    assert len(rows) == size[1]
    assert {row_width(row) for row in rows} == {size[0]}
    if size[0] >= 40:
        assert "y understood" in text(rows)[-1]
    assert text(caution_page(words, 40, 10)) != text(caution_page(words, 40, 10, first=3))


def test_every_unit_can_be_drawn_on_every_screen():
    for unit in UNITS.values():
        for page in Page:
            assert (
                len(draw(scene(options=replace(OPTIONS, unit=unit)), State(OPTIONS, page=page), 80, 24)) == 24
            )


def test_rules_that_go_off_by_rule_are_listed_among_the_events_and_not_on_the_watch_screen():
    """They come and go with every throttle lift."""
    by_rule = replace(
        event(announced=False, active=False), what=Happening.SUPPRESSED, state=None, position=None
    )
    other = replace(by_rule, rule="rich under load", t=by_rule.t + 10_000_000)
    shown = scene(snapshot(alarm_events=(by_rule, other), alarms=alarm_list()))
    page = lines(Page.EVENTS, shown)
    assert sum(line.endswith("suppressed by design: lean under load, rich under load") for line in page) == 1
    assert not any("suppressed by design" in line for line in lines(Page.WATCH, shown))


def test_what_comes_over_several_cylinders_at_once_is_one_line():
    """Three within 0.1 s; a fourth half a second later is a line of its own; the worst value stands."""
    at_once = [event(position=p, t=250 * SECOND + p * 30_000_000, value=0.04 + p / 1000) for p in (4, 2, 1)]
    shown = snapshot(
        alarm_events=(*at_once, event(position=7, t=251 * SECOND)), alarms=alarm_list(), remarks=()
    )
    page = lines(Page.EVENTS, scene(shown))
    assert page[2].startswith("▸04:11.0  P1 cyl 7 lean under load  0.046 (limit 0.040 lambda)")
    assert page[3].startswith(" 04:10.1  P1 cyl 1 2 4 lean under load  0.044 (limit 0.040 lambda)")
    assert page[4] == ""


@pytest.mark.parametrize(("value", "words"), [(0.046, "0.046 (limit 0.040"), (0.034, "load  (limit 0.040")])
def test_a_value_within_its_dead_band_does_not_stand_beside_a_limit_it_has_not_crossed(value, words):
    shown = snapshot(alarm_events=(event(value=value),), alarms=alarm_list(), remarks=())
    assert words in lines(Page.EVENTS, scene(shown))[2]


def test_an_event_is_new_only_while_its_alarm_waits_and_only_by_its_newest_announcement():
    twice = (event(t=240 * SECOND), event(t=250 * SECOND))
    page = lines(Page.EVENTS, scene(snapshot(alarm_events=twice, remarks=())))
    assert [line.split()[-1] for line in page[2:4]] == ["UNACK", "raised"]
    acknowledged = alarm_list(alarm(state=AlarmState.ACKNOWLEDGED))
    page = lines(Page.EVENTS, scene(snapshot(alarm_events=twice, alarms=acknowledged, remarks=())))
    assert [line.split()[-1] for line in page[2:4]] == ["raised", "raised"]


def test_the_list_says_the_value_that_raised_it_and_below_it_the_one_of_now():
    shown = scene(snapshot(alarms=alarm_list(alarm(value=0.079, value_now=0.046))))
    page = lines(Page.ALARMS, shown)
    assert page[3].split()[-4:] == ["0.079", "lambda", "0.040", "lambda"]
    assert "0.046 lambda now" in joined(Page.ALARMS, shown)


def test_a_slow_sensor_is_shown_with_what_cuts_measured():
    slow = replace(alarm(SLOW_SENSOR), pace=SensorPace(2.9, 0.31, 0.105, 2))
    assert "T63 310 ms, its peers 105 ms, in the last 2 fuel cuts" in joined(
        Page.ALARMS, scene(snapshot(alarms=alarm_list(slow)))
    )


def test_what_is_lost_of_the_engine_is_one_line_that_names_the_limits_not_judged():
    lost = scene(snapshot(engine={}, target=math.nan, alarms=alarm_list()))
    (line,) = [row for row in lines(Page.ALARMS, lost) if "not judged" in row]
    assert "target, throttle, rpm not known; so not judged: lean under load" in line
    assert "silent" not in line
    assert not [row for row in lines(Page.ALARMS, scene(snapshot())) if "not judged" in row]


def test_a_value_that_is_not_known_now_is_no_number_of_now():
    unknown = scene(snapshot(alarms=alarm_list(alarm(value_now=math.nan))))
    stalled = scene(snapshot(alarms=alarm_list(alarm())), stalled=3.0)
    for shown in (unknown, stalled):
        assert lines(Page.ALARMS, shown)[3].split()[-4:] == ["0.046", "lambda", "0.040", "lambda"]
        assert " lambda now" not in joined(Page.ALARMS, shown)


@pytest.mark.parametrize(
    ("mark", "lean_before", "words"),
    [
        (MisfireMark.SUSPECTED, False, "lean under load misfire? "),
        (MisfireMark.CONFIRMED, False, "lean under load misfire "),
        (MisfireMark.WITHDRAWN, False, "lean under load  "),
        (MisfireMark.SUSPECTED, True, "lean under load+misfire? "),
        (MisfireMark.CONFIRMED, True, "lean under load+misfire "),
    ],
)
def test_a_mark_stands_beside_the_name_on_the_same_line(mark, lean_before, words):
    shown = scene(snapshot(alarms=alarm_list(replace(alarm(), misfire=mark, lean_before=lean_before))))
    assert words in lines(Page.ALARMS, shown)[3]
    assert ("lean before" in joined(Page.ALARMS, shown)) is lean_before


def test_a_misfire_beside_an_alarm_is_said_with_it():
    def told(kind, cylinder, t):
        found = replace(happened(kind, cylinder), t=t)
        return joined(Page.ALARMS, scene(snapshot(alarms=alarm_list(alarm()), happened=(found,))))

    assert "misfire beside it: not a fuelling figure" in told(Kind.MISFIRE, 3, 250 * SECOND)
    assert "beside it" not in told(Kind.MISFIRE, 4, 250 * SECOND)
    assert "beside it" not in told(Kind.MISFIRE, 3, 240 * SECOND)
    assert "beside it" not in told(Kind.LEAN_EXCURSION, 3, 250 * SECOND)


def test_silent_nodes_say_what_the_wiring_is_as_a_census_does():
    """7 and 8 from one moment on are a tail, 3 alone is itself."""
    tail, alone = (alarm(RULES[2], 7), alarm(RULES[2], 8)), alarm(RULES[2], 3)
    shown = scene(snapshot(alarms=alarm_list(*tail, alone)))
    page = joined(Page.ALARMS, shown, width=120, height=60, alarm=(RULES[2].name, 8))
    assert "everything after node 6 is silent: a break between node 6 and node 7" in page
    page = joined(Page.ALARMS, shown, width=120, height=60, alarm=(RULES[2].name, 3))
    assert "node 3 alone is silent" in page
    assert "is silent" not in joined(Page.ALARMS, scene(snapshot(alarms=alarm_list(alarm()))))


def test_a_list_that_is_longer_than_the_screen_says_so():
    many = alarm_list(*(alarm(RULES[i % 5], 1 + i % 8) for i in range(40)))
    assert "more below" in joined(Page.ALARMS, scene(snapshot(alarms=many)))
    page = joined(Page.ALARMS, scene(snapshot(alarms=many)), alarm=(RULES[4].name, 8))
    assert "more above" in page


def test_a_narrow_alarm_list_keeps_cylinder_and_name():
    page = lines(Page.ALARMS, scene(snapshot(alarms=alarm_list(alarm()))), width=40, height=10)
    assert page[3] == "▸ 1  UNACK        3  lean under load"


def test_a_narrow_trim_sheet_keeps_what_is_to_be_typed_in():
    page = lines(Page.TRIMS, width=40, height=12)
    assert page[1] == " cyl  needs ±95 %    now    new"
    assert page[4].split() == ["3", "+5.3", "±0.3", "0.00", "+5.50"]


def test_a_low_trim_sheet_tells_the_chosen_cylinder_s_remarks_whole():
    """Twelve rows leave no room to wrap the remarks of all."""
    shown = scene(count=12, options=replace(OPTIONS, chosen=3))
    page = joined(Page.TRIMS, shown, height=21)
    assert "cyl 3: clear; over 5 %: look for a mechanical cause before trimming" in page


def test_a_narrow_bus_screen_keeps_letter_word_and_age_and_cuts_no_fact_in_two():
    page = lines(Page.BUS, width=40, height=14)
    assert page[1] == " chain  load 19 %  820 frames/s  active"
    assert page[4].split() == ["1", "1", "V", "valid", "8", "ms"]
    trouble = scene(snapshot(buses=(BusNow("chain", 19.0, 820.0, 4, "passive", 8_000_000, 2),)))
    page = lines(Page.BUS, trouble, width=40, height=14)
    assert page[1] == " chain  passive  error frames 4  lost 2"


def test_a_page_that_goes_on_below_says_so():
    page = lines(Page.HELP)
    assert page[-2].strip().endswith("more: arrow down")
    end = lines(Page.HELP, first=999)
    assert "more" not in end[-2]


@pytest.mark.parametrize("room", [-2, -1, 0, 1, 2])
def test_events_have_the_rows_that_there_is_room_for(room):
    shown = scene(snapshot(alarm_events=(event(), event(position=7)), alarms=alarm_list()))
    assert len(event_rows(shown, 80, room)) == max(room, 0)


def test_what_came_after_a_jump_back_stands_above_what_came_before():
    late = replace(event(position=5), t=100 * SECOND, since=100 * SECOND)
    shown = snapshot(
        t=103 * SECOND,
        elapsed_s=103.0,
        alarm_events=(event(), late),
        remarks=((251 * SECOND, "the time stamps jump back by 152.0 s"),),
        stretches=((0, 252 * SECOND), (99 * SECOND, 103 * SECOND)),
    )
    found = text(event_rows(scene(shown), 80, 3))
    assert [line.split()[0] for line in found] == ["01:40.0", "04:11.0", "04:11.0"]
