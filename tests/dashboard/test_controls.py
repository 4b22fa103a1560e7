"""Keys: what they change, what they ask first, and which commands they send."""

from dataclasses import replace

import pytest
from dashboard.scenes import (
    LEAN,
    OPTIONS,
    RULES,
    UNITS,
    alarm,
    alarm_list,
    balance,
    pull_review,
    replayed,
    scene,
    session,
    snapshot,
)

from mixmon.dashboard.controls import ONLY_LOOKS, Controls, Errand
from mixmon.dashboard.keys import BINDINGS, EXPORTABLE_PAGES, Asked, Page, Seat, bindings, last_line
from mixmon.dashboard.pointing import pressed_by
from mixmon.dashboard.screens.checks import IDENTITY_CHECK
from mixmon.dashboard.screens.pages import State
from mixmon.findings.alarms.states import AlarmFlag, AlarmState
from mixmon.mixture.steady import Cell
from mixmon.watch.commands import (
    Acknowledge,
    AcknowledgeAll,
    InService,
    JudgeCell,
    JudgePull,
    Mark,
    NoteText,
    OutOfService,
    Pause,
    RecordOff,
    RecordOn,
    Reset,
    ResetPeaks,
    Resume,
    Seek,
    Shelve,
    Speed,
    Step,
    Unshelve,
)

SILENT = RULES[2]


class Desk:
    """A person at the keys: presses them one after the other, sees a snapshot, collects commands."""

    def __init__(self, shown=None, count=8, units=None, seat=Seat.OPERATOR, **state):
        self.sent = []
        self.shown = snapshot(count) if shown is None else shown
        self.count = count
        self.now = 100.0
        begin = State(OPTIONS, **state)
        self.controls = Controls(begin, units or tuple(UNITS.values()), self.sent.append, seat)

    def press(self, *keys, apart=0.1):
        for key in keys:
            frozen = self.controls.state.frozen
            seen = scene(
                frozen or self.shown, count=self.count, options=self.controls.state.options, live=self.shown
            )
            self.controls.press(key, seen, self.now)
            self.now += apart
        return self.controls.state

    def type(self, words):
        return self.press(*words, "enter")


@pytest.mark.parametrize(
    ("key", "page"),
    [
        ("w", Page.WATCH),
        ("b", Page.BALANCE),
        ("t", Page.TRIMS),
        ("l", Page.ALARMS),
        ("h", Page.BUS),
        ("c", Page.CHECKS),
        ("N", Page.NOTES),
    ],
)
def test_a_screen_a_key_from_every_screen(key, page):
    for begin in Page:
        assert Desk(page=begin).press(key).page is page


def test_help_goes_back_to_where_it_was_asked():
    desk = Desk(page=Page.BALANCE)
    assert desk.press("?").page is Page.HELP
    assert desk.press("escape").page is Page.BALANCE
    assert desk.press("?", "?").page is Page.BALANCE


def test_space_marks():
    desk = Desk()
    desk.press(" ")
    assert desk.sent == [Mark()]
    assert Mark().back_s == 2.0


def test_recording_goes_on_at_once_and_off_only_when_confirmed():
    desk = Desk(snapshot(recording="not recording"))
    desk.press("r")
    assert desk.sent == [RecordOn()]
    desk = Desk()
    assert desk.press("r").prompt.asked is Asked.RECORD_OFF
    desk.press("x")
    assert desk.sent == []
    desk.press("r", "y")
    assert desk.sent == [RecordOff()]


def test_q_twice_leaves_once_does_not():
    desk = Desk(snapshot(recording=""))
    desk.press("q")
    assert not desk.controls.leave
    desk.press("w", "q")
    assert not desk.controls.leave
    desk.press("q")
    assert desk.controls.leave


def test_leaving_while_recording_is_asked_and_refused_by_any_key_but_y():
    desk = Desk()
    desk.press("q", "q")
    assert desk.controls.state.prompt.asked is Asked.LEAVE
    desk.press("q")
    assert not desk.controls.leave
    desk.press("q", "q", "y")
    assert desk.controls.leave
    assert desk.sent == [RecordOff()]


@pytest.mark.parametrize(
    ("words", "runs"),
    [
        ("recording run 7", True),
        ("recording", True),
        ("recording 2026-11-25T14-11-50Z-engine-failed-dyno-2", True),
        ("recording failed: disk full", False),
        ("armed", False),
        ("", False),
    ],
)
def test_whether_a_run_is_being_written_is_read_from_the_recorder_s_words(words, runs):
    assert snapshot(recording=words).is_recording is runs


@pytest.mark.parametrize(
    ("count", "keys", "apart", "chosen"),
    [
        (8, "3", 0.1, 3),
        (8, "35", 0.1, 5),
        (16, "12", 0.1, 12),
        (16, "12", 1.5, 2),
        (16, "10", 0.1, 10),
        (16, "0", 0.1, 10),
        (16, "17", 0.1, 7),
        (16, "113", 0.1, 3),
        (8, "10", 0.1, 1),
    ],
)
def test_digits_pick_a_cylinder(count, keys, apart, chosen):
    assert Desk(count=count).press(*keys, apart=apart).options.chosen == chosen


def test_a_cylinder_without_a_sensor_is_refused_with_words():
    state = Desk(count=4).press("7")
    assert state.options.chosen is None
    assert state.message == "no sensor at cylinder 7"


@pytest.mark.parametrize("key", ["²", "³", "٣", "３"])
def test_a_digit_of_another_kind_is_no_cylinder(key):
    """The first one has a key of its own on French keyboards (from memory)."""
    desk = Desk(count=4)
    assert desk.press(key, "1").options.chosen == 1
    assert desk.press(key).options.chosen == 1


def test_esc_takes_back_one_choice_at_a_time():
    desk = Desk(page=Page.BALANCE)
    desk.press("3", "right")
    assert desk.press("escape").options.chosen is None
    assert desk.press("escape").cursor is None
    assert desk.press("escape").page is Page.WATCH


def test_units_go_round_and_scales_stop_at_their_ends():
    desk = Desk()
    assert [desk.press("u").options.unit.name for _ in range(4)] == ["phi", "afr", "oxygen", "lambda"]
    assert [desk.press("+").options.scale for _ in range(2)] == [24.0, 24.0]
    assert [desk.press("-").options.scale for _ in range(3)] == [12.0, 6.0, 6.0]
    assert [desk.press("D").options.lambda_decimals for _ in range(3)] == [4, 2, 3]


def test_a_single_unit_says_that_there_is_no_other():
    assert "no other unit" in Desk(units=(UNITS["lambda"],)).press("u").message


def test_freeze_holds_the_picture_and_lets_it_go():
    desk = Desk()
    held = desk.press("f").frozen
    assert held is desk.shown
    desk.shown = snapshot(all_vs_target=3.0)
    assert desk.press("u").frozen is held
    assert desk.press("f").frozen is None


def test_acknowledge_takes_the_most_pressing_one_and_on_the_list_the_chosen_one():
    both = alarm_list(alarm(), alarm(SILENT, 8))
    desk = Desk(snapshot(alarms=both))
    desk.press("a")
    desk.press("l", "down", "a", "down", "a", "up", "a")
    names = [(LEAN.name, 3), (SILENT.name, 8), (SILENT.name, 8), (LEAN.name, 3)]
    assert desk.sent == [Acknowledge(*name) for name in names]


def test_the_choice_stays_with_the_alarm_when_the_list_moves():
    desk = Desk(snapshot(alarms=alarm_list(alarm(), alarm(SILENT, 8))), page=Page.ALARMS)
    desk.press("down")
    desk.shown = snapshot(alarms=alarm_list(alarm(), alarm(position=4), alarm(SILENT, 8)))
    desk.press("a")
    assert desk.sent == [Acknowledge(SILENT.name, 8)]


def test_acknowledge_all_means_what_is_on_the_screen_even_when_that_is_frozen():
    desk = Desk(snapshot(alarms=alarm_list(alarm(), alarm(SILENT, 8, state=AlarmState.ACKNOWLEDGED))))
    desk.press("f")
    desk.shown = snapshot(alarms=alarm_list(alarm(), alarm(position=4)))
    desk.press("A")
    assert desk.sent == [AcknowledgeAll(((LEAN.name, 3),))]


def test_silence_needs_a_reason():
    desk = Desk()
    assert "why" in desk.press("z").prompt.question
    desk.type("")
    assert desk.sent == []
    assert desk.controls.state.message == "no text was given: nothing changed"
    desk.press("z")
    desk.type("sensor known bad")
    assert desk.sent == [Shelve(LEAN.name, 3, "sensor known bad")]


def test_while_a_reason_is_typed_keys_are_letters_and_esc_gives_up():
    desk = Desk()
    desk.press("z")
    assert desk.press(*"bad qx", "backspace", "backspace", "ctrl+u", *"loom", "left").prompt.typed == "loom"
    assert desk.press("escape").prompt is None
    assert desk.sent == []


def test_the_second_press_takes_silence_back():
    shelved, toggle_service = alarm(flags=AlarmFlag.SHELVED), alarm(flags=AlarmFlag.OUT_OF_SERVICE)
    desk = Desk(snapshot(alarms=alarm_list(shelved)))
    desk.press("z")
    desk.shown = snapshot(alarms=alarm_list(toggle_service))
    desk.press("l", "o")
    assert desk.sent == [Unshelve(LEAN.name, 3), InService(LEAN.name, 3)]


def test_out_of_service_asks_for_a_reason():
    desk = Desk(page=Page.ALARMS)
    desk.press("o")
    desk.type("no such sensor")
    assert desk.sent == [OutOfService(LEAN.name, 3, "no such sensor")]


def test_only_a_latched_alarm_that_was_acknowledged_is_reset():
    desk = Desk(page=Page.ALARMS)
    assert "nothing to reset" in desk.press("R").message
    desk.shown = snapshot(alarms=alarm_list(alarm(state=AlarmState.LATCHED_ACKNOWLEDGED)))
    desk.press("R")
    assert desk.sent == [Reset(LEAN.name, 3)]


@pytest.mark.parametrize("key", ["a", "z", "o", "R"])
def test_without_alarms_alarm_keys_say_so(key):
    desk = Desk(snapshot(alarms=alarm_list()), page=Page.ALARMS)
    assert desk.press(key).message == "no active alarm"
    assert desk.sent == []


def test_a_note_is_sent():
    desk = Desk()
    desk.press("n")
    desk.type("plug 3 changed")
    assert desk.sent == [NoteText("plug 3 changed")]


def test_find_opens_events_and_esc_shows_all_again():
    desk = Desk()
    desk.press("/")
    state = desk.type("silent")
    assert (state.page, state.wanted) == (Page.EVENTS, "silent")
    assert desk.press("escape").wanted == ""


def test_the_cursor_begins_in_the_held_cell_and_stays_within_the_axes():
    desk = Desk(page=Page.BALANCE)
    assert desk.press("right").cursor == (6000.0, 100.0)
    assert desk.press("right", "right", "right").cursor == (7800.0, 100.0)
    assert desk.press("down").cursor == (7800.0, 60.0)
    assert desk.press(*["left"] * 9, *["down"] * 9).cursor == (1100.0, 3.0)
    assert desk.press("s").spread


def test_pulls_can_be_turned_over_and_compared():
    desk = Desk(snapshot(pulls=pull_review()))
    assert desk.press("v").page is Page.PULLS
    assert desk.press("d").compared
    assert desk.press("left").pull == 0
    assert desk.press("left").pull == 0
    assert "no pull was kept before" in desk.press("d").message
    assert desk.press("right").pull is None
    assert desk.press("down").options.chosen == 7  # after 3 in firing order
    assert desk.press("up", "up").options.chosen == 5


def test_a_pull_that_is_gone_since_a_recording_was_wound_back_is_the_newest_there_is():
    desk = Desk(snapshot(pulls=pull_review(pulls=4)), page=Page.PULLS)
    assert desk.press("left").pull == 2
    desk.shown = snapshot(pulls=pull_review(pulls=2))
    assert desk.press("d").compared  # as drawn: the second, which has one kept before it
    desk.press("k")
    assert desk.sent == [JudgePull(0, keep=False)]
    assert desk.press("left").pull == 0


def test_a_pull_is_rejected_by_a_key_and_kept_by_the_same():
    """The second one is kept as suggested, the first one is rejected."""
    desk = Desk(snapshot(pulls=pull_review()), page=Page.PULLS)
    desk.press("k", "left", "k")
    assert desk.sent == [JudgePull(0, keep=False), JudgePull(0, keep=True)]


def test_a_cell_is_left_out_by_a_key_and_counted_again_by_the_same():
    desk = Desk(page=Page.BALANCE)
    desk.press("x")  # the one that is held
    desk.shown = snapshot(balance=replace(balance(), excluded_cells=(Cell(7000.0, 100.0),)))
    desk.press("right", "right", "x")
    assert desk.sent == [JudgeCell(6000.0, 100.0, keep=False), JudgeCell(7000.0, 100.0, keep=True)]


@pytest.mark.parametrize(
    ("cursor", "words"),
    [((1100.0, 100.0), "this one has no data"), ((1100.0, 3.0), "never used for trims")],
    ids=["empty", "low flow"],
)
def test_a_cell_that_is_not_used_anyway_is_not_left_out(cursor, words):
    desk = Desk(page=Page.BALANCE, cursor=cursor)
    assert words in desk.press("x").message
    assert desk.sent == []


def test_what_was_found_is_written_as_a_note_with_its_check():
    desk = Desk(page=Page.CHECKS)
    desk.press("down", "enter")
    desk.type("60.4 ohm")
    desk.press("x")
    desk.type("120")
    desk.press("k")
    desk.type("no meter")
    desk.press("o")
    assert desk.sent == [
        NoteText("check 2 passed: 60.4 ohm"),
        NoteText("check 2 failed: 120"),
        NoteText("check 2 skipped: no meter"),
        NoteText("check 2 reopened: again"),
    ]


def test_a_check_without_evidence_stays_as_it_is():
    desk = Desk(page=Page.CHECKS)
    desk.press("enter")
    assert "no text was given" in desk.type("").message
    desk.press("enter", "escape")
    assert desk.press(*["up"] * 3).check == 0
    assert desk.press(*["down"] * 30).check == 20
    assert desk.sent == []


@pytest.mark.parametrize("page", list(Page))
def test_a_screen_is_written_to_a_file_where_its_keys_say_so(page):
    desk = Desk(page=page)
    desk.press("e")
    assert (desk.controls.errand is Errand.EXPORT) is (page in EXPORTABLE_PAGES)
    assert desk.sent == []


def test_without_pulls_there_is_no_pull_screen_and_no_key_for_it():
    desk = Desk()
    state = desk.press("v")
    assert state.page is Page.WATCH
    assert "no pull yet" in state.message
    assert ("v", "pulls") not in last_line(Page.WATCH, live=True, pulls=False)


def test_peaks_and_order_are_keys_of_the_watch_screen():
    desk = Desk()
    state = desk.press("p", "o", "P")
    assert state.options.peaks
    assert state.options.order == "bank"
    assert desk.sent == [ResetPeaks()]
    desk = Desk(page=Page.BUS)
    desk.press("P", "p", "o")
    assert desk.sent == []


def test_a_recording_that_is_played_can_be_held_and_moved():
    desk = Desk(replayed())
    desk.press(".", ",", ".", "[", "]", ">", "<", "<")
    assert desk.sent == [
        Pause(),
        Step(),
        Resume(),
        Seek(90.0),
        Seek(110.0),
        Speed(2.0),
        Speed(1.0),
        Speed(0.5),
    ]


def test_the_fastest_is_as_fast_as_it_can_be_worked():
    desk = Desk(replayed())
    assert desk.press(*">" * 9).speed is None
    assert desk.sent[-1] == Speed(None)


@pytest.mark.parametrize(
    ("begun", "key", "speed"), [(3.0, ">", 5.0), (3.0, "<", 2.0), (50.0, ">", None), (0.1, "<", 0.1)]
)
def test_a_speed_of_one_s_own_is_left_to_its_neighbours(begun, key, speed):
    desk = Desk(replayed(), speed=begun)
    assert desk.press(key).speed == speed


def test_live_buses_know_no_replay_keys():
    desk = Desk()
    desk.press(".", ",", "[", "]", "<", ">")
    assert desk.sent == []


def test_messages_go_by_themselves():
    desk = Desk()
    desk.press("7", "q")
    desk.controls.expire(desk.now + 2.5)
    assert desk.controls.state.message
    desk.controls.expire(desk.now + 3.5)
    assert not desk.controls.state.message


def test_a_sensor_shared_by_two_cylinders_is_found_by_both():
    shared = replace(session(2).chain, nodes=(replace(session(2).chain.nodes[0], cylinders=(1, 2)),))
    declared = replace(session(2), chain=shared)
    controls = Controls(State(OPTIONS), (UNITS["lambda"],), [].append)
    for cylinder in "12":
        controls.press(cylinder, scene(snapshot(1), declared=declared), 0.0)
        assert controls.state.options.chosen == int(cylinder)
        assert scene(snapshot(1), declared=declared, options=controls.state.options).chosen() == 0


def test_no_screen_s_own_key_reuses_a_common_one():
    common = {key for b in BINDINGS if not b.pages for key in b.name.split()}
    own = {(page, key) for b in BINDINGS for page in b.pages for key in b.name.split()}
    assert {key for _, key in own} & common == set()
    assert len(own) == sum(len(b.pages) * len(b.name.split()) for b in BINDINGS)


@pytest.mark.parametrize("page", list(Page))
@pytest.mark.parametrize("live", [True, False], ids=["live", "replay"])
def test_the_last_line_names_only_keys_that_work_here(page, live):
    here = {(b.name, b.short) for b in bindings(page, live=live)}
    line = last_line(page, live=live)
    assert set(line) <= here
    assert line[-1] == ("?", "keys")
    assert len(set(line)) == len(line)


@pytest.mark.parametrize(
    ("page", "keys"),
    [(Page.WATCH, " rn"), (Page.NOTES, "n"), (Page.CHECKS, ["enter", *"xko"]), (Page.TRIMS, ["enter"])],
)
def test_keys_that_record_say_in_a_replay_that_nothing_is_recorded_before_anything_is_typed(page, keys):
    for key in keys:
        desk = Desk(replayed(), page=page)
        state = desk.press(key)
        assert (state.prompt, desk.sent) == (None, [])
        assert "a replay records nothing" in state.message
        offered = {short for _, short in last_line(page, live=False)}
        assert not offered & {"mark", "record", "note", "passed", "failed", "skip", "open", "typed"}
    identity = Desk(replayed(), page=Page.CHECKS, check=IDENTITY_CHECK)
    assert identity.press("enter").page is Page.STEPS


@pytest.mark.parametrize("page", [Page.HELP, Page.EVENTS, Page.TRIMS])
def test_however_often_one_scrolls_beyond_the_end_the_way_back_begins_at_the_last_row(page):
    desk = Desk(page=page)
    end = desk.press(*["pagedown"] * 30).first
    assert desk.press("down").first == end
    assert desk.press("up").first == max(end - 1, 0)
    assert 0 < end < 200


def keys_of(page, *, live):
    """The keys of a screen; on the first one also those of every screen."""
    here = [b for b in bindings(page, live=live) if b.pages or page is Page.WATCH]
    named = [key for b in here for key in pressed_by(b.name)]
    return [*named, *(("left", "up") if any(b.name == "arrows" for b in here) else ())]


@pytest.mark.parametrize("shown", [snapshot(8), replayed()], ids=["live", "replay"])
def test_an_onlooker_changes_nothing_whatever_key_is_pressed(shown):
    live, refused = shown.replay_position is None, 0
    for page in Page:
        for key in keys_of(page, live=live):
            operator, onlooker = Desk(shown, page=page), Desk(shown, page=page, seat=Seat.ONLOOKER)
            looked, begun = onlooker.press(key), operator.press(key)
            asks = begun.prompt is not None and begun.prompt.asked is not Asked.FIND
            files = operator.controls.errand in {Errand.EXPORT, Errand.PICTURE}
            assert onlooker.sent == []
            if operator.sent or asks or files:
                told = replace(State(OPTIONS, page=page), message=ONLY_LOOKS)
                assert looked == replace(told, message_until=looked.message_until)
                assert onlooker.controls.errand is None
                refused += 1
            else:
                assert looked == begun
    assert refused > 10


@pytest.mark.parametrize("live", [True, False], ids=["live", "replay"])
def test_an_onlooker_is_told_only_of_keys_that_look(live):
    shown = snapshot(8) if live else replayed()
    for page in Page:
        offered = bindings(page, live=live, acts=False)
        own = [b for b in offered if b.pages or page is Page.WATCH]
        for key in (key for b in own for key in pressed_by(b.name) if key != "P"):
            assert Desk(shown, page=page, seat=Seat.ONLOOKER).press(key).message != ONLY_LOOKS, (page, key)
        assert set(last_line(page, live=live, acts=False)) <= {(b.name, b.short) for b in offered}


@pytest.mark.parametrize("seat", [Seat.REMOTE, Seat.ONLOOKER])
def test_one_who_looks_from_elsewhere_leaves_without_ending_a_recording(seat):
    desk = Desk(replace(snapshot(8), recording="recording run"), seat=seat)
    desk.press("q", "q")
    assert desk.controls.leave
    assert desk.sent == []
