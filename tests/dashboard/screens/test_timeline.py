"""The time line of a replay: where it is, what happened, how far that is known, on every width."""

from dataclasses import replace

import pytest
from dashboard.scenes import LEAN, SECOND, pull_review, replayed, scene, text, timeline
from dashboard.test_controls import Desk

from mixmon.dashboard.keys import Page
from mixmon.dashboard.scene import ViewOptions
from mixmon.dashboard.screens.pages import State, draw
from mixmon.dashboard.screens.timeline import timeline_row
from mixmon.dashboard.text import row_width
from mixmon.watch.commands import Seek
from mixmon.watch.timeline import Moment, MomentKind

WIDTHS = (40, 60, 80, 120, 200)
MOMENTS = timeline().known.moments


def row(line, width=80, chosen=None, **options):
    shown = scene(replayed(timeline=line), **options)
    return text([timeline_row(shown, line, chosen, width)])[0]


def ascii_row(line, width=80, chosen=None):
    return row(line, width, chosen, options=ViewOptions(scene().options.unit, ascii=True))


def test_all_is_known():
    line = ascii_row(timeline())
    assert line == " 04:12.0 |------m-----------P==!======---O--------------e---------------| 03:20 "


def test_what_is_not_yet_read_is_dotted_and_its_end_estimated_by_the_bytes():
    line = ascii_row(timeline(100.0, length_s=None, through_s=120.0))
    assert "---...." in line
    assert line.endswith("| ~03:20 known to 02:00 ")


def test_why_no_more_is_known_of_it():
    line = timeline(length_s=None, through_s=61.0)
    failed = replace(line, known=replace(line.known, failure="run.log: gone"))
    assert ascii_row(failed).endswith("| known to 01:01 ")


def test_the_chosen_moment_is_told_in_words():
    line = row(timeline(), chosen=MOMENTS[2])
    assert line.endswith(f" 03:42.0 P1 {LEAN.name} cyl 3: enter ")
    assert " 03:32.0 pull 2485 > 7895 rpm: enter " in row(timeline(), chosen=MOMENTS[1])


def test_a_jump_is_told_as_one():
    jump = Moment(MomentKind.JUMP, 5 * SECOND, 5 * SECOND, 4000 * SECOND, "ahead by 3600.0 s")
    line = timeline(moments=(jump, *MOMENTS))
    assert "J" in row(line)
    assert "1:06:40 stamps jump ahead by 3600.0 s" in row(line, 120, jump)


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("chosen", [None, *MOMENTS])
def test_it_has_the_width_of_the_terminal_and_says_where_it_is(width, chosen):
    shown = scene(replayed())
    for line in (timeline(), timeline(0.0, length_s=None, through_s=0.0, moments=())):
        made = timeline_row(shown, line, chosen, width)
        assert row_width(made) == width
        assert " 04:12.0 " in text([made])[0]


def test_the_most_pressing_of_a_cell_is_drawn():
    at = [replace(moment, place=50 * SECOND, end=50 * SECOND) for moment in MOMENTS]
    for moments, sign in ((at, "!"), (at[:2], "m"), (at[1:2], "P"), (at[3:], "e")):
        for order in (moments, moments[::-1]):
            line = ascii_row(timeline(moments=tuple(order)))
            assert [c for c in line[10:-8] if c not in "-O"] == [sign]


@pytest.mark.parametrize("page", Page)
@pytest.mark.parametrize("size", [(80, 24), (200, 60)])
def test_every_screen_has_it_above_its_keys(page, size):
    shown = replayed(pulls=pull_review())
    rows = text(draw(scene(shown), State(scene().options, page=page), *size))
    assert len(rows) == size[1]
    assert rows[-2].startswith(" 04:12.0 │")
    assert "? keys" in rows[-1]


def test_sixteen_cylinders_keep_their_rows_on_the_usual_terminal():
    rows = text(draw(scene(replayed(16), count=16), State(scene().options), 80, 24))
    assert sum(" V  valid" in line or " V! over" in line or "silent" in line for line in rows) >= 8
    assert rows[-2].startswith(" 04:12.0 │")


def desk(**state):
    return Desk(replayed(pulls=pull_review()), **state)


def test_arrows_walk_over_the_moments_and_enter_goes_there():
    d = desk()
    assert d.press("right").moment == MOMENTS[3]
    assert d.press("right").moment == MOMENTS[3], "the last one"
    assert d.press("left", "left", "left", "left", "left").moment == MOMENTS[0]
    assert d.press("right").moment == MOMENTS[1]
    d.press("enter")
    assert d.sent == [Seek(60.0)]
    assert d.press("escape").moment is None


def test_a_key_goes_to_the_next_moment_from_any_screen():
    d = desk(page=Page.BALANCE)
    d.press("}", "{", "{")
    assert d.sent == [Seek(150.0), Seek(70.0), Seek(60.0)]


def test_enter_on_lists_goes_to_what_is_chosen():
    d = desk(page=Page.PULLS)
    d.press("enter")
    assert d.sent == [Seek(0.0, by_clock=True)]  # a pull that the line does not know: by the clock
    d = desk(page=Page.EVENTS)
    d.press("enter")
    d.press("down", "enter")
    assert d.sent == [Seek(251.0, by_clock=True), Seek(245.0, by_clock=True)]
    d = desk(page=Page.ALARMS)
    d.press("enter")
    assert d.sent == [Seek(251.0, by_clock=True)]


def test_what_the_line_knows_is_gone_to_by_its_place():
    known = Moment(MomentKind.ALARM, 7 * SECOND, 7 * SECOND, 251 * SECOND, LEAN.name, (3,), 1)
    d = Desk(replayed(timeline=timeline(moments=(known,))), page=Page.EVENTS)
    d.press("enter")
    assert d.sent == [Seek(7.0)]


@pytest.mark.parametrize(
    ("typed", "sent"), [("3:20", Seek(200.0, by_clock=True)), ("90", Seek(90.0, by_clock=True))]
)
def test_a_time_can_be_typed(typed, sent):
    d = desk()
    d.press("G", *typed, "enter")
    assert d.sent == [sent]


def test_what_is_no_time_is_refused_in_words():
    d = desk()
    state = d.press("G", *"2:75", "enter")
    assert d.sent == []
    assert state.message.startswith("2:75: no time; expected MM:SS")


def test_nothing_is_known_yet():
    d = Desk(replayed(timeline=timeline(moments=())))
    assert "nothing is known" in d.press("right").message
    assert "no moment is chosen" in d.press("enter").message
    assert d.sent == []
