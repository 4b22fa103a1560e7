"""Every screen at every size: exactly as wide and high as the terminal, and nothing raises."""

import functools
import math
import re
from dataclasses import replace

import numpy as np
import pytest
from dashboard.moments import any_sizes, scenes, sizes, states
from dashboard.scenes import (
    NEEDS,
    OPTIONS,
    alarm_list,
    cylinders,
    nothing,
    pull_review,
    scene,
    snapshot,
    text,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from mixmon.dashboard.digits import big
from mixmon.dashboard.keys import Asked, Page, Prompt
from mixmon.dashboard.palettes import palette
from mixmon.dashboard.readouts import ReadoutHold
from mixmon.dashboard.screens.far import plan_far_zone
from mixmon.dashboard.screens.pages import State, draw
from mixmon.dashboard.text import row_width
from mixmon.dashboard.verdict import LimitWord, verdict
from mixmon.mixture.block import SampleState
from mixmon.session.evidence import IdentityStanding, IdentityState

STYLES = palette("print").keys()
WIDTHS = (40, 60, 79, 80, 132, 159, 160, 200)
HEIGHTS = (10, 11, 12, 20, 23, 24, 45, 60)


def check(rows, width, height):
    assert len(rows) == height
    assert {row_width(row) for row in rows} == {width}
    assert {style for row in rows for _, style in row} <= STYLES
    assert all(part.isprintable() for row in rows for part, _ in row)


@settings(max_examples=60, deadline=None)
@given(scenes(), sizes, st.data())
def test_whatever_is_known_the_screen_is_filled_exactly(shown, size, data):
    state = data.draw(states(shown.options))
    rows = draw(shown, state, *size)
    check(rows, *size)
    lines = text(rows)
    if shown.options.ascii and all(part.isascii() for part in foreign(shown, state)):
        assert all(line.isascii() for line in lines)
    assert not re.search(r"\bsafe\b|\bOK\b|protected", "\n".join(lines))


def foreign(shown, state):
    """All words that are not the program's own."""
    snap = shown.snapshot
    yield from (shown.setting.session.name, snap.recording, snap.failure, state.message, state.wanted)
    yield from (words for _, words in snap.remarks)
    yield from (*snap.counters, *snap.alarms.suppressed)
    if state.prompt:
        yield from (state.prompt.question, state.prompt.typed)


@settings(max_examples=40, deadline=None)
@given(scenes(), any_sizes, st.data())
def test_a_terminal_of_any_size_is_filled(shown, size, data):
    check(draw(shown, data.draw(states(shown.options)), *size), *size)


@pytest.mark.parametrize("count", range(1, 17))
def test_watch_at_every_size(count):
    shown = scene(count=count)
    for width in WIDTHS:
        for height in HEIGHTS:
            check(draw(shown, State(OPTIONS), width, height), width, height)


def reads(lines, word, width, height, count):
    """Whether the page shows the word: large with its whole top row, or small."""
    plan = plan_far_zone(width, height, len(str(count)))
    large = {size: big(word, size)[0].strip() for size in (3, 5, 7)}
    return any(word in line for line in lines) or any(
        top in line for size, top in large.items() if size <= plan.tall for line in lines
    )


MOMENTS = {
    LimitWord.NONE: lambda n: snapshot(n, alarms=alarm_list(), cylinders=cylinders(NEEDS[:n]), valid=n),
    LimitWord.OVER: snapshot,
    LimitWord.NO_DATA: nothing,
}


@functools.cache
def at_every_size(word, page, count):
    """The lines of a page by its width and height."""
    shown = scene(MOMENTS[word](count), count=count)
    assert verdict(shown).word is word
    state = State(OPTIONS, page=page)
    return {
        (width, height): text(draw(shown, state, width, height)) for width in WIDTHS for height in HEIGHTS
    }


@pytest.mark.parametrize("page", list(Page))
@pytest.mark.parametrize("word", list(MOMENTS), ids=lambda word: word.value)
def test_the_limit_word_is_on_every_screen_at_every_size(word, page):
    for count in (4, 16) if word is not LimitWord.OVER else (4, 8, 16):
        for size, lines in at_every_size(word, page, count).items():
            assert reads(lines, word.value, *size, count), (count, size)


@pytest.mark.parametrize("page", list(Page))
def test_the_leanest_cylinder_is_on_every_screen_at_every_size(page):
    for count in (4, 8, 16):
        for size, lines in at_every_size(LimitWord.OVER, page, count).items():
            small = any(re.search(r"\b3 +\+5\.3", line) for line in lines)
            assert small or reads(lines, "+5.3", *size, count), (count, size)


@pytest.mark.parametrize("count", [1, 4, 8, 12, 16])
def test_every_cylinder_has_its_need_and_letter_on_the_watch_screen_at_40_by_10_and_above(count):
    shown = scene(count=count)
    for width in WIDTHS:
        for height in HEIGHTS:
            page = "\n".join(text(draw(shown, State(OPTIONS), width, height)))
            for cylinder in range(1, count + (count == 1)):
                need = f"{NEEDS[cylinder - 1]:+.1f}"
                found = re.search(rf"(?<![\d+-]){cylinder}\s+(?:\d\.\d+\s+)?\{need}[ LR]*[ ┊│━●]*V", page)
                assert found, (cylinder, width, height, page)


@pytest.mark.parametrize("page", list(Page))
@pytest.mark.parametrize("state", [SampleState.SILENT, SampleState.HELD, SampleState.WARMING])
def test_a_value_that_is_no_longer_known_is_nowhere_on_the_screen(page, state):
    """Cylinder 3 read +5.3 % and lambda 0.916 until this picture, in which its old numbers still stand."""
    states = [SampleState.VALID] * 8
    states[2] = state
    known = cylinders(NEEDS[:8])
    kept = replace(known, state=np.array(states, np.uint8))
    before = snapshot(8, cylinders=known, alarms=alarm_list(), balance=None)
    now = replace(before, cylinders=kept, leanest=4)
    digits = replace(ReadoutHold().feed(before, 0.0), leanest=None, need=math.nan)
    shown = replace(scene(now), digits=digits)
    for width, height in ((40, 10), (80, 24), (200, 60)):
        lines = text(draw(shown, State(OPTIONS, page=page), width, height))
        assert not any("+5.3" in line or "0.916" in line for line in lines)
        row = next((line for line in lines if re.match(r" +3 .*(silent|held|warming)", line)), "")
        assert not re.search("[●━]", row[:100])


def test_a_question_covers_the_last_line_only():
    shown = scene()
    asked = State(OPTIONS, prompt=Prompt(Asked.NOTE, "note", typed="plug 3 changed"))
    before, after = draw(shown, State(OPTIONS), 80, 24), draw(shown, asked, 80, 24)
    assert before[:-1] == after[:-1]
    assert text(after)[-1].startswith(" note: plug 3 changed_")


def test_where_labels_are_exchanged_what_goes_by_label_says_so():
    standing = IdentityStanding(IdentityState.PROVED, odd=((3, 3, 4), (4, 4, 3)), own=True, by_cylinder=True)
    shown = snapshot(identity=standing, pulls=pull_review())
    pages = {page: drawn_words(shown, page) for page in (Page.PULLS, Page.ALARMS)}
    assert "by label: label 3 sees cylinder 4, label 4 sees cylinder 3" in pages[Page.PULLS]
    assert "label 3 sees cylinder 4" in pages[Page.ALARMS]  # the chosen alarm is of label 3
    assert "label 4 sees" not in pages[Page.ALARMS]
    assert "sees cylinder" not in drawn_words(snapshot(pulls=pull_review()), Page.PULLS)


def test_a_pull_says_which_lag_of_the_sensors_was_taken():
    assert "sensor lag 105 ms assumed" in drawn_words(snapshot(pulls=pull_review()), Page.PULLS)


def drawn_words(shown, page):
    return " ".join(" ".join(text(draw(scene(shown), State(OPTIONS, page=page), 80, 30))).split())


def test_a_message_is_whole_and_takes_as_many_rows_as_it_needs():
    words = "fuel step: the engine control reports its trims; expected them typed there; type the step there"
    rows = text(draw(scene(snapshot()), State(OPTIONS, message=words), 60, 24))
    assert " ".join(" ".join(rows[-2:]).split()) == words
    assert text(draw(scene(snapshot()), State(OPTIONS), 60, 24))[:-2] == rows[:-2]
