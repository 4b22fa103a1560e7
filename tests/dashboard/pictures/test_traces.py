"""Pictures over time and of the chain, on rows made by hand: what stands where is worked out beside them."""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from dashboard.scenes import LEAN, OPTIONS, alarm, alarm_list, event, scene, session, snapshot, text

from mixmon.dashboard.keys import Page
from mixmon.dashboard.pictures.chain import gaps_picture, response_picture, volts_answer, volts_picture
from mixmon.dashboard.pictures.traces import alarm_picture, event_picture, trend_picture
from mixmon.dashboard.screens.beside import picture_of_chain
from mixmon.dashboard.screens.pages import State, draw
from mixmon.findings.events.event import Event, Kind
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.watch.history import HistoryStage

SECOND = 1_000_000_000
BURST = 30  # the second in which cylinder 7 misfires
CUT = 45  # the second in which the fuel is cut, for two seconds
N = 8


def history(*, seconds=60, change=None):
    """Cylinder 3 reads 0.92, the others 0.86, at a target of 0.87; a burst, a silence and a fuel cut."""
    k = 100 * seconds
    t = np.arange(k) * 0.01
    lam = np.full((k, N), 0.86)
    lam[:, 2] = 0.92
    lam[(t >= BURST) & (t < BURST + 0.2), 6] = 1.2
    oxygen = 20.0 * (lam - 1)
    state = np.full((k, N), SampleState.VALID, np.uint8)
    state[(t >= 50) & (t < 52), 7] = SampleState.SILENT
    since = np.maximum(t - CUT, 0)[:, None]
    tau = np.array([0.1] * 4 + [0.3] + [0.1] * 3)  # cylinder 5 has a slow sensor
    inside = (t >= CUT) & (t < CUT + 2)
    oxygen[inside] = (-2.8 + 23.7 * (1 - np.exp(-since / tau)))[inside]
    block = CylinderBlock(
        t=np.arange(k) * 10_000_000,
        stretch=np.zeros(k, np.int64),
        lam=lam,
        oxygen=oxygen,
        age=np.zeros((k, N), np.int64),
        fresh=np.ones((k, N), np.bool_),
        state=state,
        shifted={"target": np.full((k, N), 0.87)},
        now={"rpm": np.full(k, 6800.0)},
        aux={"supply": np.tile(np.linspace(13.5, 13.37, N), (k, 1))},
    )
    stage = HistoryStage()
    stage.feed(change(block) if change else block)
    return stage.history()


HISTORY = history()


def happened(kind, cylinder, t, seconds, **evidence):
    nodes = tuple(range(N)) if cylinder is None else (cylinder - 1,)
    cylinders = tuple(i + 1 for i in nodes)
    return Event(
        int(t * SECOND),
        kind,
        nodes,
        cylinders,
        cylinder is None,
        1.2,
        int(seconds * SECOND),
        6800.0,
        100.0,
        evidence,
    )


MISFIRE = happened(Kind.MISFIRE, 7, BURST, 0.2, gas_s=0.2, pulse_lambda=1.3)
FUEL_CUT = happened(Kind.FUEL_CUT, None, CUT, 2.0)


def seen(kept=HISTORY, *, ascii_only=True, **changes):
    shown = snapshot(t=60 * SECOND, elapsed_s=60.0, history=kept, **changes)
    return scene(shown, options=replace(OPTIONS, ascii=ascii_only))


def place(lines, sign):
    """Column and row of each cell with that sign."""
    return [
        (x, y)
        for y, line in enumerate(lines)
        for x, c in enumerate(line)
        if c == sign and "dotted" not in line
    ]


def test_an_event_shows_its_trace_and_the_gas_that_explains_it():
    lines = text(event_picture(seen(), MISFIRE, (86, 24)))
    assert lines[1].startswith("cyl 7: misfire, peak 1.20, 6800 rpm: find the spark first")
    # 80 cells for -0.6 to 1.6 s: the gas from 0 to 0.2 s lies in cells 22 to 29; its lambda of 1.3 at the top
    gas = place(lines[2:], "g")
    first = 6 + round(0.6 / 2.2 * 79)
    assert (min(gas)[0], len({y for _, y in gas})) == (first, 1)
    assert max(gas)[0] == pytest.approx(6 + round(0.8 / 2.2 * 79), abs=1)
    high = [x for x, y in place(lines[2:], "o") if y == min(y for _, y in place(lines[2:], "o"))]
    assert min(high) == pytest.approx(first, abs=1)
    assert max(high) == pytest.approx(6 + round(0.8 / 2.2 * 79), abs=1)


def test_an_alarm_shows_the_limit_over_the_target_at_that_time():
    """Limit 0.04 over a target of 0.87: 0.91, just below the reading of 0.92."""
    lines = text(alarm_picture(seen(), 40 * SECOND, 2, (LEAN.name, 0.04), (86, 24)))
    row = {sign: {y for _, y in place(lines[1:-3], sign)} for sign in "o-="}
    # the rows between the reading and the median of the others (0.86): limit, then target
    assert max(row["o"]) <= min(row["-"]) < min(row["="])
    assert any("0.90" in line or "0.92" in line for line in lines)


def test_rows_that_are_not_kept_are_not_drawn():
    told = " ".join(text(event_picture(seen(), replace(MISFIRE, t=900 * SECOND), (86, 24))))
    assert "no rows of this time are kept here" in told


def test_what_was_not_valid_is_a_gap():
    lines = text(alarm_picture(seen(), 51 * SECOND, 7, (LEAN.name, 0.04), (86, 24)))
    columns = {x for x, _ in place(lines[1:-3], "o")}
    at = lambda s: 6 + round((s - 21) / 60 * 79)  # noqa: E731 - second to cell, the scale from 21 to 81 s
    assert at(51.0) not in columns
    assert {at(45.0), at(49.0), at(54.0)} <= columns
    assert at(70.0) not in columns  # still to come


def test_a_trend_is_drawn_anew_only_when_a_second_is_over():
    first, again = (trend_picture(seen(), 2, (60, 12)) for _ in range(2))
    assert all(a is b for a, b in zip(first[1:-2], again[1:-2], strict=True))
    later = trend_picture(seen(history(seconds=61)), 2, (60, 12))
    assert later != first


def test_the_step_of_a_slow_sensor_is_measured_against_its_peers():
    """T63 of 0.3 against 0.1 s; both rise from the same moment."""
    words = text(response_picture(seen(happened=(FUEL_CUT,)), 4, (100, 24)))[1]
    assert words.startswith("63 % 0.20 s after the others' median")
    other = text(response_picture(seen(happened=(FUEL_CUT,)), 0, (100, 24)))[1]
    assert other.startswith("63 % 0.00 s after")


def test_without_a_cut_it_is_said_how_to_get_one():
    short = replace(FUEL_CUT, duration_ns=SECOND // 2)
    for events in ((), (short,), (replace(FUEL_CUT, t=-10 * SECOND),)):
        told = " ".join(text(response_picture(seen(happened=events), 4, (100, 24))))
        assert "no fuel cut" in told


def test_gaps_show_who_was_silent_and_when():
    lines = text(gaps_picture(seen(), (80, 12)))
    assert lines[1].startswith("cyl 8 for 2.0 s in all")
    strip = next(line for line in lines if line.startswith(" cyl 8"))
    cells = [x for x, c in enumerate(strip) if c == "X"]
    # 73 cells for a minute behind 7 of label: from 50 to 52 s
    assert cells == [7 + x for x in range(int(5000 * 73 / 6000), int(5199 * 73 / 6000) + 1)]
    assert "X" not in next(line for line in lines if line.startswith(" cyl 1"))


def test_a_second_of_silence_is_seen_however_narrow_the_strip():
    def brief(block):
        block.state[:] = SampleState.VALID
        block.state[3000:3003, 3] = SampleState.SILENT
        return block

    lines = text(gaps_picture(seen(history(change=brief)), (40, 12)))
    assert "X" in next(line for line in lines if line.startswith(" cyl 4"))


def test_the_joint_that_takes_the_volts_is_named():
    volts = np.array([13.5, 13.48, 13.1, 13.09])
    assert volts_answer([1, 2, 3, 4], volts).startswith("0.38 V lost between nodes 2 and 3")
    assert volts_answer([1, 2, 3, 4], np.array([13.5, 13.49, math.nan, 13.46])) == (
        "13.50 V at node 1, 13.46 V at node 4"
    )


def test_volts_that_nobody_sends_are_said_not_to_be_sent():
    unknown = history(seconds=1, change=lambda block: replace(block, aux={}))
    told = " ".join(" ".join(text(volts_picture(seen(unknown), (60, 12)))).split())
    assert "no node sends its supply" in told
    lines = text(volts_picture(seen(), (60, 12)))
    assert lines[1].startswith("13.50 V at node 1, 13.37 V at node 8")
    assert sum(line.count("O") for line in lines[2:]) == N


@pytest.mark.parametrize("size", [(10, 4), (30, 8), (40, 12), (79, 20), (100, 40)])
def test_pictures_have_the_size_that_they_are_given(size):
    shown = seen(happened=(MISFIRE, FUEL_CUT))
    for rows in (
        event_picture(shown, MISFIRE, size),
        alarm_picture(shown, 40 * SECOND, 2, (LEAN.name, 0.04), size),
        trend_picture(shown, 2, size),
        response_picture(shown, 4, size),
        gaps_picture(shown, size),
        volts_picture(shown, size),
    ):
        assert not rows or (len(rows), {len(line) for line in text(rows)}) == (size[1], {size[0]})


# The events screen.


def events_page(shown, width=140, height=40, **state):
    return text(draw(shown, State(shown.options, page=Page.EVENTS, **state), width, height))


def with_events():
    lean = event(t=40 * SECOND)
    return seen(happened=(MISFIRE, FUEL_CUT), alarm_events=(lean,), remarks=())


def test_the_chosen_line_has_its_picture_beside_it():
    newest = "\n".join(events_page(with_events()))
    assert "WHAT CAME BEFORE AND AFTER?  cyl 3" in newest, "the cut is of all; the next below is an alarm"
    assert "WHAT HAPPENED IN CYL 7?" in "\n".join(events_page(with_events(), first=2))
    assert "WHAT HAPPENED IN CYL 7?" in "\n".join(events_page(with_events(), first=99))


def test_the_chosen_line_is_marked_and_tab_gives_its_picture_alone():
    lines = events_page(with_events(), 80, 24, first=1)
    assert next(line for line in lines if line.startswith(">")).split()[1:3] == ["P1", "cyl"]
    alone = events_page(with_events(), 80, 24, first=2, picture=True)
    assert "WHAT HAPPENED IN CYL 7?" in "\n".join(alone)
    assert not any("fuel cut" in line for line in alone)


def test_events_of_no_single_cylinder_have_no_picture_and_say_so():
    shown = seen(happened=(FUEL_CUT,), alarm_events=(), remarks=())
    assert any("nothing here is of a single cylinder" in line for line in events_page(shown))


# Pictures beside other screens.


def page(shown, which, width=120, height=40, **state):
    return text(draw(shown, State(shown.options, page=which, **state), width, height))


BESIDE = {
    Page.ALARMS: ("WHAT CAME BEFORE AND AFTER?  cyl 3",),
    Page.BUS: ("WHERE IS SUPPLY LOST?", "WHO WAS SILENT?", "IS THE SENSOR OF CYL 3 SLOW?"),
    Page.TRIMS: ("WHAT DO THE TRIMS LEAVE?",),
}


@pytest.mark.parametrize("which", list(BESIDE))
def test_pictures_stand_beside_the_rows_and_alone_at_tab(which):
    shown = seen(happened=(FUEL_CUT,), alarms=alarm_list(replace(alarm(), since=40 * SECOND)))
    for size in ((120, 40), (200, 60)):
        told = page(shown, which, *size)
        assert all(any(words in line for line in told) for words in BESIDE[which])
        assert told[0].startswith(f" LIVE   {which.value}")
        assert told[-1].endswith("? keys ")
    small = page(shown, which, 80, 24)
    assert not any(words in line for line in small for words in BESIDE[which])
    alone = page(shown, which, 80, 24, picture=True)
    assert all(any(words[:20] in line for line in alone) for words in BESIDE[which])
    assert alone[0] == small[0]


def test_an_alarm_of_no_single_cylinder_has_no_picture_and_says_so():
    shown = seen(alarms=alarm_list(replace(alarm(position=None), since=40 * SECOND)))
    told = " ".join(" ".join(line[76:] for line in page(shown, Page.ALARMS)).split())
    assert "no picture: the alarm is of no single cylinder" in told
    none = seen(alarms=alarm_list())
    assert any("no alarm" in line[76:] for line in page(none, Page.ALARMS))


def test_the_watch_screen_has_a_trend_of_the_chosen_cylinder():
    shown = seen()
    told = page(replace(shown, options=replace(shown.options, chosen=5)), Page.WATCH, 200, 60)
    assert any("HOW DOES CYL 5 GO?" in line for line in told)
    assert not any("HOW DOES" in line for line in page(shown, Page.WATCH, 120, 40))


def test_the_session_of_these_rows_is_that_of_the_scenes():
    assert len(session().chain.nodes) == N


def test_nodes_that_have_no_room_are_counted():
    lines = text(gaps_picture(seen(), (80, 8)))
    assert sum(line.startswith(" cyl ") for line in lines) == 5
    assert "3 more" in lines[-1]


def test_the_bus_screen_gives_the_room_of_a_picture_without_data_to_the_others():
    """Thirty rows: eight strips, the step of a sensor in words alone, and volts in all that is left."""
    rows = text(picture_of_chain(seen(happened=()))((46, 30)))
    starts = [i for i, line in enumerate(rows) if "?" in line]
    assert [b - a for a, b in pairwise([*starts, 30])] == [12, 10, 8]
    assert "IS THE SENSOR OF CYL" in rows[starts[2]]
    assert "~" not in rows[starts[2]]


@pytest.mark.parametrize("height", [12, 24, 40, 60])
def test_no_two_ticks_of_a_scale_read_alike(height):
    lines = text(volts_picture(seen(), (60, height)))
    ticks = [line[:5].strip() for line in lines[2:-1] if line[:5].strip()]
    assert len(ticks) >= 2
    assert len(set(ticks)) == len(ticks)
