"""Habits of a terminal: a caret in answers, rows by need, help that begins at hand, pointer, commands."""

import asyncio
import time
from dataclasses import replace

import pytest
from dashboard.scenes import (
    OPTIONS,
    RULES,
    SECOND,
    UNITS,
    alarm,
    alarm_list,
    balance,
    cylinders,
    happened,
    pull_review,
    replayed,
    scene,
    session,
    snapshot,
    text,
)
from textual.command import CommandList

from mixmon.dashboard.app import Dashboard, DashboardOptions, PageView
from mixmon.dashboard.commands import key_commands
from mixmon.dashboard.controls import Controls
from mixmon.dashboard.keys import Asked, Page, Prompt, bindings, prompt_row
from mixmon.dashboard.pointing import key_at, pressed_by
from mixmon.dashboard.readouts import RANK_S, ReadoutHold
from mixmon.dashboard.screens.pages import State, draw
from mixmon.dashboard.text import row_width
from mixmon.findings.events.event import Kind


def typed(*keys):
    prompt = Prompt(Asked.NOTE, "note")
    for key in keys:
        prompt = prompt.press(key)
    return prompt


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        (["left", "x"], "pluxg"),
        (["home", "x"], "xplug"),
        (["home", "delete"], "lug"),
        (["left", "backspace"], "plg"),
        (["home", "backspace"], "plug"),
        (["delete"], "plug"),
        (["home", "right", "right", "x", "end", "y"], "plxugy"),
        (["left", "right", "right", "x"], "plugx"),
        ([*["left"] * 9, "x"], "xplug"),
        (["left", "ctrl+u", "x"], "x"),
    ],
)
def test_an_answer_is_written_where_the_caret_stands(keys, words):
    assert typed(*"plug", *keys).typed == words


@pytest.mark.parametrize("width", [20, 40, 80])
def test_what_lies_around_the_caret_is_visible(width):
    for steps in range(60):
        prompt = typed(*"the quick brown fox jumps over the lazy dog", *["left"] * steps)
        row = prompt_row(prompt, width)
        assert row_width(row) == width
        before, behind = prompt.halves
        shown = "".join(part for part, _ in row)
        assert before[-4:] + (behind[:1] or "_") in shown
        if behind:
            assert [part for part, style in row if style == "text"] == [behind[0]]


def test_rows_by_need_begin_with_the_largest_and_those_not_known_come_last():
    needs = [1.0, -6.0, 3.0, 0.0, 9.0, -2.0, 0.5, 4.0]
    shown = scene(snapshot(cylinders=cylinders(needs, silent=(5,))), options=replace(OPTIONS, order="worst"))
    assert [shown.setting.labels[i] for i in shown.order()] == ["5", "2", "8", "3", "1", "7", "4", "6"]


def test_rows_by_need_keep_their_places_for_a_while():
    first, second = ([float(i + 1) for i in range(8)], [float(8 - i) for i in range(8)])
    hold = ReadoutHold()
    before = hold.feed(snapshot(cylinders=cylinders(first)), 100.0)
    moved = snapshot(cylinders=cylinders(second))
    assert hold.feed(moved, 100.0 + RANK_S / 2).ranked == before.ranked == tuple(reversed(range(8)))
    assert hold.feed(moved, 100.0 + RANK_S).ranked == tuple(range(8))


@pytest.mark.parametrize("page", [p for p in Page if p is not Page.HELP])
@pytest.mark.parametrize("live", [True, False])
def test_help_begins_with_the_screen_at_hand_and_has_all_its_keys_on_80_by_24(page, live):
    shown = scene(snapshot()) if live else scene(replayed())
    state = State(OPTIONS, page=Page.HELP, before=page)
    lines = text(draw(shown, state, 80, 24))
    first = "\n".join(lines)
    own = [b for b in bindings(page, live=live) if b.pages and not b.replay]
    assert not own or "keys of this screen" in lines[1]
    for binding in own:
        assert f" {binding.name:<8} {binding.long[:50]}" in " ".join(first.split("\n"))
    for binding in bindings(page, live=live):
        assert f" {binding.name:<6} " in first
    assert any("everything, at length" in line for line in text(draw(shown, state, 80, 60)))


# The pointer, the palette of commands, copies and pictures.


class Hand:
    """A person with a pointer over one screen."""

    def __init__(self, page, shown, size, **state):
        self.size, self.shown = size, shown
        self.sent = []
        self.controls = Controls(State(OPTIONS, page=page, **state), tuple(UNITS.values()), self.sent.append)

    def rows(self):
        return text(draw(self.seen(), self.controls.state, *self.size))

    def click(self, words, *, after=0):
        """Clicks the first row that contains the words, on their first character."""
        y, line = next((y, line) for y, line in enumerate(self.rows()) if words in line and y >= after)
        self.controls.point(self.size, line.index(words), y, self.seen(), 100.0)
        return self.controls.state

    def seen(self):
        return scene(self.shown, options=self.controls.state.options)


SIZES = [(80, 24), (200, 60)]
TWO = alarm_list(alarm(), alarm(RULES[2], 8))


@pytest.mark.parametrize(
    ("page", "size"),
    [
        (Page.WATCH, (80, 24)),
        (Page.WATCH, (200, 60)),
        (Page.PULLS, (80, 24)),
        (Page.BUS, (80, 24)),
        (Page.BUS, (200, 60)),
    ],
)
def test_a_click_on_a_cylinder_picks_it(page, size):
    hand = Hand(page, snapshot(pulls=pull_review()), size)
    words = "S-105" if page is Page.BUS else "   5 " if page is Page.PULLS else " 5   0.8"
    assert hand.click(words).options.chosen == 5


@pytest.mark.parametrize("size", [(120, 40), (80, 24)])
def test_a_click_near_a_line_of_a_picture_picks_its_cylinder(size):
    """Of cylinders whose lines stand apart the number at the edge is in the row of the line."""
    hand = Hand(Page.PULLS, snapshot(pulls=pull_review()), size, picture=size[0] < 120)
    rows = hand.rows()
    top = next(y for y, line in enumerate(rows) if "WHICH CYLINDER" in line)
    for cylinder in (2, 3, 2):
        y = next(
            y for y, line in enumerate(hand.rows()[top:], top) if line[:80].split()[-1:] == [str(cylinder)]
        )
        hand.controls.point(size, 20, y, hand.seen(), 100.0)
        assert hand.controls.state.options.chosen == cylinder
    before = hand.controls.state
    hand.controls.point(size, 1, top, hand.seen(), 100.0)
    assert hand.controls.state == before


def test_a_click_on_a_bar_of_the_balance_picks_its_cylinder():
    hand = Hand(Page.BALANCE, snapshot(balance=balance()), (120, 40))
    y = next(y for y, line in enumerate(hand.rows()) if line[:6].strip() == "5")
    hand.controls.point((120, 40), 3, y, hand.seen(), 100.0)
    assert hand.controls.state.options.chosen == 5


@pytest.mark.parametrize("size", SIZES)
def test_a_click_on_a_cell_chooses_it(size):
    hand = Hand(Page.BALANCE, snapshot(balance=balance()), size)
    heading = next(line for line in hand.rows() if "1100" in line and "3000" in line)
    y = next(y for y, line in enumerate(hand.rows()) if line[heading.index("thr") :].split()[:1] == ["60"])
    hand.controls.point(size, heading.index("3000"), y, scene(hand.shown), 100.0)
    assert hand.controls.state.cursor == (3000, 60)


@pytest.mark.parametrize("size", SIZES)
def test_a_click_on_an_event_an_alarm_a_check_chooses_it(size):
    hand = Hand(
        Page.EVENTS,
        snapshot(happened=tuple(happened(Kind.MISFIRE, 1 + k % 8, t=(200 + k) * SECOND) for k in range(30))),
        size,
    )
    row = hand.rows()[6].split()[0]
    hand.click(row)
    assert any(line.startswith(f"{OPTIONS.marks.chosen}{row}") for line in hand.rows())
    alarms = Hand(Page.ALARMS, snapshot(alarms=TWO), size)
    wanted = TWO.alarms[1]
    assert alarms.click(wanted.rule.name, after=3).alarm == (wanted.rule.name, wanted.position)
    assert Hand(Page.CHECKS, snapshot(), size).click(" 3 ", after=2).check == 2


def test_a_click_on_the_last_line_presses_its_key_and_one_between_keys_nothing():
    hand = Hand(Page.WATCH, snapshot(), (80, 24))
    hand.click("balance")
    assert hand.controls.state.page is Page.BALANCE
    hand.click("w watch" if "w watch" in hand.rows()[-1] else "t trims")
    assert hand.controls.state.page in {Page.WATCH, Page.TRIMS}
    row = hand.rows()[-1]
    assert key_at(((" ", "keys"), ("a", "key"), (" ack ", "keys"), ("   ", "keys")), 8) is None
    assert " ? keys" in row


def test_a_click_while_a_question_is_asked_changes_nothing():
    hand = Hand(Page.WATCH, snapshot(), (80, 24), prompt=Prompt(Asked.NOTE, "note"))
    before = hand.controls.state
    hand.controls.point((80, 24), 1, 8, scene(hand.shown), 100.0)
    assert hand.controls.state == before


def test_every_key_of_a_screen_is_a_command_and_carries_out_what_the_key_does():
    pressed = []
    for page in Page:
        found = key_commands(page, live=False, press=pressed.append)
        keys = {key for b in bindings(page, live=False) for key in pressed_by(b.name)}
        assert len(found) >= len(keys)
        pressed.clear()
        for one in found:
            one.do()
        assert set(pressed) == keys


class Bench:
    """Something to be watched that does not move."""

    live = False

    def __init__(self, shown):
        self.session = session()
        self.snapshot = snapshot() if shown is None else shown

    def drain(self):
        return []

    def send(self, command):
        raise AssertionError(command)


def in_app(steps, shown=None, size=(80, 24), options=None):
    async def go():
        bench = Bench(shown)
        app = Dashboard(bench, options or DashboardOptions(tuple(UNITS.values())), lambda: 1000.0)
        async with app.run_test(size=size) as pilot:
            await steps(app, pilot)

    asyncio.run(go())


def test_a_command_is_found_by_its_words_and_done_by_enter_and_keys_do_not_pass_through():
    async def steps(app, pilot):
        await pilot.press("colon")
        await pilot.press(*"trims")
        until = time.monotonic() + 30
        while not app.screen.query_one(CommandList).option_count and time.monotonic() < until:
            await pilot.pause(0.02)
        assert app.controls.state.page is Page.WATCH
        await pilot.press("enter", "enter")
        await pilot.pause()
        assert app.controls.state.page is Page.TRIMS
        assert len(app.screen_stack) == 1

    in_app(steps)


def test_settings_without_a_key_are_changed_by_commands():
    """Viewing distance, size of the screen, the sound program, bell and blinking."""
    programs = []
    options = DashboardOptions(
        tuple(UNITS.values()),
        program="say",
        change_program=lambda program: programs.append(program) or ("no such program" if program else ""),
    )

    async def steps(app, pilot):
        def do(begin):
            next(one for one in app.commands() if one.title.startswith(begin)).do()

        async def answer(begin, words):
            do(begin)
            await pilot.press("ctrl+u", *words, "enter")
            return app.controls.state.message

        assert "viewing distance: 0.6 m" in await answer("viewing distance: 2 m", "0.6")
        assert "screen size: 24 inch" in await answer("screen size: 15.6 inch", "24")
        assert "not set; expected 0.2 to 20 m" in await answer("viewing distance: 0.6 m", "far")
        assert "no such program" in await answer("sound program: say", "shout")
        assert app.controls.state.sound == "say"
        assert "sound program: none" in await answer("sound program: say", "")
        do("bell: turn off")
        do("blinking: turn off")
        state = app.controls.state
        assert (state.options.distance_m, state.options.screen_inch) == (0.6, 24.0)
        assert (state.bell, state.options.blink, state.sound) == (False, False, "")
        assert programs == ["shout", ""]

    in_app(steps, options=options)


def test_the_mouse_reaches_the_screens():
    async def steps(app, pilot):
        await pilot.press("l")
        first = app.controls.state.alarm
        app.query_one(PageView).on_mouse_scroll_down(None)
        assert app.controls.state.alarm != first
        await pilot.press("w")
        await pilot.click(PageView, offset=(3, 9))
        assert app.controls.state.options.chosen is not None

    in_app(steps, snapshot(alarms=TWO))


def test_the_chosen_line_or_the_whole_table_is_copied():
    async def steps(app, pilot):
        await pilot.press("l", "Y")
        assert app.clipboard.startswith("1 ")
        assert "\n" not in app.clipboard
        assert "copied: 1 line" in app.controls.state.message
        await pilot.press("N", "Y")
        assert "NOTES" in app.clipboard.splitlines()[1]

    in_app(steps, snapshot(alarms=TWO))


def test_a_picture_is_saved_as_svg_and_as_text_and_its_name_is_said(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    async def steps(app, pilot):
        await pilot.press("S")
        assert "written: " in app.controls.state.message
        svg, txt = sorted(tmp_path.rglob("*-screen-watch.*"))
        assert svg.read_text("utf-8").startswith("<svg")
        assert "LEANEST" in txt.read_text("utf-8")
        assert f"written: {svg.with_suffix('').relative_to(tmp_path)}.svg, .txt" == app.controls.state.message

    in_app(steps)
