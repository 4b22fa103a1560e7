"""The app with a terminal that is not there: keys reach the watched, pictures reach the screen."""

import asyncio
import re
from dataclasses import replace

import pytest
from dashboard.scenes import (
    LEAN,
    NEEDS,
    RULES,
    UNITS,
    alarm_list,
    cylinders,
    event,
    nothing,
    pull_review,
    replayed,
    session,
    snapshot,
    timeline,
)
from textual.geometry import Region

from mixmon.dashboard.app import (
    LEFT,
    REFUSED,
    STOPPED,
    CautionScreen,
    Dashboard,
    DashboardOptions,
    PageView,
    draws_ascii_only,
    styles,
)
from mixmon.session.model import Recording
from mixmon.watch.commands import Acknowledge, Mark, RecordOff, Remark

OPTIONS = DashboardOptions(tuple(UNITS.values()))
CAUTION = "Monitoring only. It will not stop, limit or protect the engine."


class Bench:
    """Something to be watched that a test moves by hand."""

    def __init__(self, shown=None, *, live=True):
        self.session = session()
        self.live = live
        self.snapshot = snapshot() if shown is None else shown
        self.sent = []
        self.items = []

    def drain(self):
        items, self.items = self.items, []
        return items

    def send(self, command):
        self.sent.append(command)


class Clock:
    """The watcher's seconds, moved by hand."""

    def __init__(self):
        self.now = 1000.0

    def __call__(self):
        return self.now


class Shown:
    """An app under test: its watched, its clock, its pilot and its lines."""

    def __init__(self, app, pilot, bench, clock):
        self.app, self.pilot, self.bench, self.clock = app, pilot, bench, clock

    async def press(self, *keys):
        await self.pilot.press(*keys)

    def after(self, seconds):
        self.clock.now += seconds
        self.app.tick()

    def lines(self):
        page = self.app.screen.query_one(PageView)
        return [page.render_line(y).text for y in range(page.size.height)]


def drive(steps, bench=None, options=OPTIONS, size=(80, 24)):
    """Run the app, take the steps in it; gives what the app gave back, and the watched."""
    bench = bench or Bench()

    async def go():
        clock = Clock()
        app = Dashboard(bench, options, clock)
        async with app.run_test(size=size) as pilot:
            await steps(Shown(app, pilot, bench, clock))
        return app.return_value

    return asyncio.run(go()), bench


def test_the_screen_is_filled_to_its_size_and_follows_a_new_one():
    async def steps(shown):
        for width, height in ((80, 24), (40, 10), (200, 60)):
            await shown.pilot.resize_terminal(width, height)
            lines = shown.lines()
            assert len(lines) == height
            assert {len(line) for line in lines} == {width}
            assert lines[0].startswith(" LIVE ")

    drive(steps)


def test_keys_reach_the_watched_and_the_screens():
    async def steps(shown):
        await shown.press("space", "a", "l")
        assert "ALARMS" in shown.lines()[0]
        await shown.press("question_mark")
        assert "KEYS" in shown.lines()[0]
        await shown.press("escape", "b", "down", "w", "plus")
        assert "LEAN +24" in "".join(shown.lines())

    _, bench = drive(steps)
    assert bench.sent == [Mark(), Acknowledge(LEAN.name, 3)]


def test_tab_is_a_key_of_the_screens_and_not_of_the_terminal_library():
    async def steps(shown):
        await shown.press("v")
        assert any("worst at" in line for line in shown.lines())
        await shown.press("tab")
        assert not any("worst at" in line for line in shown.lines())
        assert any("WHICH CYLINDER" in line for line in shown.lines())
        await shown.press("w", "tab")
        assert "no picture here" in shown.lines()[-1]

    drive(steps, Bench(snapshot(pulls=pull_review())))


def test_leaving_while_recording_asks_and_y_stops_the_record():
    async def steps(shown):
        await shown.press("q", "q")
        assert "recording is on" in shown.lines()[-1]
        await shown.press("x", "q", "q", "y")

    left, bench = drive(steps)
    assert left == LEFT
    assert bench.sent == [RecordOff()]


def test_control_c_twice_leaves_also_while_recording_and_out_of_a_question():
    async def steps(shown):
        await shown.press("n", "x", "ctrl+c")
        shown.app.tick()
        assert "ctrl-c once more" in shown.lines()[-1]
        await shown.press("f", "ctrl+c", "ctrl+c")

    left, bench = drive(steps)
    assert left == STOPPED
    assert bench.sent == [], "nothing is noted; who closes the worker closes the record"


def test_what_the_watched_refuses_is_said():
    async def steps(shown):
        shown.bench.items = [Remark(0, "nothing is recorded here: expected live buses")]
        shown.after(0.1)
        assert "nothing is recorded here" in shown.lines()[-1]
        shown.after(4.0)
        assert "? keys" in shown.lines()[-1]
        await shown.press("v")
        shown.bench.items = [Remark(0, "chain: frames come again")]
        shown.after(0.1)
        assert "no pull yet" in shown.lines()[-1]

    drive(steps, Bench(live=False))


def test_only_lines_that_have_changed_are_drawn_again_and_nothing_is_laid_out(monkeypatch):
    async def steps(shown):
        page = shown.app.screen.query_one(PageView)
        before, drawn = shown.lines(), []
        monkeypatch.setattr(page, "refresh", lambda *regions, **how: drawn.append((regions, how)))
        shown.after(0.3)
        assert drawn == []
        needs = [*NEEDS[:4], 2.6, *NEEDS[5:8]]
        moved = cylinders(needs, silent=(7,))
        shown.bench.snapshot = snapshot(cylinders=moved, alarms=alarm_list())
        shown.after(0.3)
        changed = [y for y, (a, b) in enumerate(zip(before, shown.lines(), strict=True)) if a != b]
        assert [shown.lines()[y][2:22].split() for y in changed] == [["5", "0.893", "+2.6", "L"]]
        assert drawn == [((Region(0, changed[0], 80, 1),), {})]

    drive(steps, Bench(snapshot(alarms=alarm_list())))


def test_a_live_worker_that_does_not_answer_leaves_no_data_and_one_that_comes_back_shows_again():
    async def steps(shown):
        shown.after(1.5)
        lines = shown.lines()
        assert lines[0].startswith(" NO ANSWER")
        assert not any("+5.3" in line for line in lines)
        shown.bench.snapshot = replace(shown.bench.snapshot)
        shown.after(0.1)
        assert shown.lines()[0].startswith(" LIVE")

    drive(steps)


def test_a_recording_that_stands_still_is_no_silence():
    async def steps(shown):
        shown.after(60.0)
        assert shown.lines()[0].startswith(" REPLAY 04:12.0")

    drive(steps, Bench(replayed(), live=False))


def test_a_screen_is_written_whole_beside_the_runs(tmp_path):
    folder = tmp_path / "runs"
    bench = Bench()
    bench.session = replace(session(), recording=Recording(str(folder)))

    async def steps(shown):
        await shown.press("t", "e")
        assert any("written: " in line for line in shown.lines()[-3:])
        await shown.press("w", "e")  # no key of this screen

    drive(steps, bench, size=(80, 24))
    (path,) = folder.iterdir()
    assert (path.stat().st_mode & 0o777, folder.stat().st_mode & 0o777) == (0o600, 0o700)
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d-\d\d-\d\dZ-trim-sheet\.txt", path.name)
    lines = path.read_text("utf-8").splitlines()
    assert lines[0].startswith("Alder 8 before  written ")
    assert any(line.split()[:2] == ["3", "+5.3"] for line in lines)
    assert any("not proof of knock margin" in line for line in lines)
    assert not any("? keys" in line for line in lines)
    assert all(line == line.rstrip() for line in lines)


def test_a_screen_that_cannot_be_written_says_why(tmp_path):
    (tmp_path / "runs").write_text("a file in the way")
    bench = Bench()
    bench.session = replace(session(), recording=Recording(str(tmp_path / "runs")))

    async def steps(shown):
        await shown.press("l", "e")
        assert "not written: File exists" in shown.lines()[-1]

    drive(steps, bench, size=(160, 24))


def test_freeze_holds_the_picture_while_the_limit_word_goes_on():
    async def steps(shown):
        await shown.press("f")
        shown.bench.snapshot = nothing()
        shown.after(0.5)
        lines = shown.lines()
        assert "FROZEN 1 s" in lines[0]
        assert any("+5.3 L" in line for line in lines)
        assert "nothing received yet" in "".join(lines)
        await shown.press("f")
        assert not any("+5.3 L" in line for line in shown.lines())

    drive(steps)


@pytest.mark.parametrize(
    ("items", "rings"),
    [
        ([event()], 1),
        ([event(), event(position=4)], 1),
        ([event(RULES[2], 8)], 0),
        ([event(announced=False, active=False)], 0),
        ([Remark(0, "bus chain is back")], 0),
    ],
    ids=["new", "two at once", "priority 2", "cleared", "a remark"],
)
def test_the_bell_rings_once_for_new_priority_1_alarms(items, rings, monkeypatch):
    rung = []

    async def steps(shown):
        monkeypatch.setattr(shown.app, "bell", lambda: rung.append(1))
        shown.app.tick()
        rung.clear()
        shown.bench.items = items
        shown.after(0.1)
        shown.after(0.1)

    drive(steps)
    assert len(rung) == rings


def test_the_bell_rings_once_when_a_dwell_is_done_and_can_be_switched_off(monkeypatch):
    for bell, rings in ((True, 1), (False, 0)):
        rung = []

        async def steps(shown, rung=rung):
            monkeypatch.setattr(shown.app, "bell", lambda: rung.append(1))
            shown.bench.snapshot = snapshot(holding=replace(snapshot().holding, left_s=0.0))
            for _ in range(3):
                shown.after(0.1)

        drive(steps, options=replace(OPTIONS, bell=bell))
        assert len(rung) == rings


def test_an_unacknowledged_priority_1_alarm_blinks_once_a_second_and_no_other_word_does():
    async def steps(shown):
        seen = []
        for _ in range(4):
            shown.after(0.5)
            page = shown.app.screen.query_one(PageView)
            seen.append([list(page.render_line(y)) for y in range(24)])
        changed = [y for y in range(24) if seen[0][y] != seen[1][y]]
        assert changed == [1]
        assert [seen[i][1] == seen[0][1] for i in range(4)] == [True, False, True, False]

    drive(steps, Bench(replayed(), live=False))

    async def steady(shown):
        before = [list(shown.app.screen.query_one(PageView).render_line(y)) for y in range(24)]
        shown.after(0.5)
        assert before == [list(shown.app.screen.query_one(PageView).render_line(y)) for y in range(24)]

    still = Bench(replayed(), live=False)
    drive(steady, still, options=replace(OPTIONS, blink=False))


def test_the_caution_comes_first_and_is_accepted_with_y():
    accepted = []

    async def steps(shown):
        assert isinstance(shown.app.screen, CautionScreen)
        assert CAUTION[:40] in "".join(shown.lines())
        await shown.press("space", "a", "x")
        assert isinstance(shown.app.screen, CautionScreen)
        await shown.press("y")
        assert shown.lines()[0].startswith(" LIVE")

    options = replace(OPTIONS, caution=CAUTION, accepted=lambda: accepted.append(1))
    _, bench = drive(steps, options=options)
    assert accepted == [1]
    assert bench.sent == []


@pytest.mark.parametrize("key", ["n", "ctrl+c", "escape", "q"])
def test_a_caution_that_is_not_accepted_ends_the_program(key):
    accepted = []

    async def steps(shown):
        await shown.press(key)

    options = replace(OPTIONS, caution=CAUTION, accepted=lambda: accepted.append(1))
    given, _ = drive(steps, options=options)
    assert given == REFUSED
    assert accepted == []


@pytest.mark.parametrize("palette", ["print", "sunlight", "mono", "dark"])
def test_every_palette_draws(palette):
    async def steps(shown):
        page = shown.app.screen.query_one(PageView)
        drawn = {segment.style for y in range(24) for segment in page.render_line(y)}
        assert drawn <= set(styles(palette).values())
        colours = {colour.name for style in drawn for colour in (style.color, style.bgcolor)}
        assert (colours == {"default"}) == (palette == "mono")

    drive(steps, options=replace(OPTIONS, palette=palette))


@pytest.mark.parametrize(
    ("value", "palette", "shown"),
    [("1", None, "mono"), ("", None, "print"), ("1", "dark", "dark")],
    ids=["set", "set but empty", "a palette that was asked for"],
)
def test_no_color_is_heeded(value, palette, shown, monkeypatch):
    """The informal standard of that name: set and not empty; an explicit choice goes before."""
    monkeypatch.setenv("NO_COLOR", value)

    async def steps(driven):
        page = driven.app.screen.query_one(PageView)
        assert {segment.style for segment in page.render_line(0)} <= set(styles(shown).values())

    drive(steps, options=replace(OPTIONS, palette=palette))


def test_the_colour_key_changes_every_line():
    async def steps(shown):
        await shown.press("C")
        page = shown.app.screen.query_one(PageView)
        assert {segment.style for segment in page.render_line(0)} <= set(styles("sunlight").values())

    drive(steps)


@pytest.mark.parametrize(
    ("encoding", "term", "plain"),
    [
        ("utf-8", "xterm-256color", False),
        ("UTF-8", "linux", True),
        ("latin-1", "xterm", True),
        ("", "xterm", True),
    ],
)
def test_a_terminal_whose_font_has_no_braille_gets_ascii(monkeypatch, encoding, term, plain):
    monkeypatch.setenv("TERM", term)
    assert draws_ascii_only(encoding) is plain


def test_ctrl_l_draws_every_line_again():
    async def steps(shown):
        drawn = []
        whole = shown.app._page.refresh
        shown.app._page.refresh = lambda *regions, **how: (drawn.append(regions), whole(*regions, **how))
        await shown.press("ctrl+l")
        assert () in drawn

    drive(steps, Bench())


def test_a_program_that_records_is_not_stopped_by_a_key(monkeypatch):
    stopped = []
    monkeypatch.setattr(Dashboard, "action_suspend_process", lambda _: stopped.append(True))

    async def steps(shown):
        await shown.press("ctrl+z")
        assert "records nothing" in shown.lines()[-1]
        assert not stopped
        shown.bench.snapshot = replayed()
        shown.after(1.0)
        await shown.press("ctrl+z")
        assert stopped

    drive(steps, Bench())


def test_what_is_passed_over_on_the_way_to_a_place_does_not_ring():
    rung = []
    options = replace(OPTIONS, sound=lambda *sign: rung.append(sign))

    async def steps(shown):
        shown.bench.snapshot = replayed(timeline=timeline(goal=200_000_000_000))
        shown.bench.items = [event()]
        shown.after(1.0)
        assert not rung
        shown.bench.snapshot = replayed(alarms=alarm_list())
        shown.after(1.0)
        shown.bench.snapshot = replayed()
        shown.bench.items = [event()]
        shown.after(1.0)
        assert rung

    drive(steps, Bench(nothing(), live=False), options=options)
