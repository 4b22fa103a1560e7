"""Habits of a terminal: a caret in answers, an order of rows that keeps still, help that begins at hand."""

from dataclasses import replace

import pytest
from dashboard.scenes import OPTIONS, cylinders, replayed, scene, snapshot, text

from mixmon.dashboard.keys import Asked, Page, Prompt, bindings, prompt_row
from mixmon.dashboard.readouts import RANK_S, ReadoutHold
from mixmon.dashboard.screens.pages import State, draw
from mixmon.dashboard.text import row_width


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
