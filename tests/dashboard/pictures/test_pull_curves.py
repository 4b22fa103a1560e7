"""Curves of a pull: which cylinder is thick, what is hatched, and that it is drawn once."""

from dataclasses import replace

import numpy as np
import pytest
from dashboard.scenes import NEEDS, OPTIONS, pull_review, scene, snapshot, text

from mixmon.dashboard.keys import Page
from mixmon.dashboard.pictures.pull_curves import leanest_of, pull_answer
from mixmon.dashboard.screens.pages import State, draw
from mixmon.findings.pulls.quality import PullTrace


def shown(count=8, review=None, **options):
    view = replace(OPTIONS, **options)
    return scene(snapshot(count, pulls=review or pull_review(count, 2)), count=count, options=view)


def page(seen, width=120, height=40, **state):
    return text(draw(seen, State(seen.options, page=Page.PULLS, **state), width, height))


def edge_of(lines):
    """Cylinder by row of the labels at the right edge of the curves, at 80 columns."""
    found = {}
    for y, line in enumerate(lines):
        if "|" in line[:6]:
            found.update({name: y for name in line[66:].split() if name.isdigit()})
    return found


def test_the_answer_names_the_leanest_cylinder_and_how_much():
    review = pull_review(8, 1)
    assert leanest_of(review.tables[0]) == int(np.argmax(NEEDS[:8]))
    # needs against the target lie 0.7 below those against the peers (scenes)
    assert pull_answer(review.tables[0], tuple("12345678")).startswith(
        "cyl 3 needs +4.6 % vs target: +4.6 to +4.6"
    )


def test_a_need_at_one_speed_alone_is_told_with_its_range():
    table = pull_review(8, 1).tables[0]
    target = np.zeros_like(table.target)
    target[4, 1] = 9.0
    words = pull_answer(replace(table, target=target), tuple("12345678"))
    assert words == "cyl 2 needs +0.8 % vs target: 0.0 to +9.0, most at 4500 rpm"


def test_without_a_target_the_needs_are_against_the_peers():
    table = pull_review(8, 1).tables[0]
    words = pull_answer(replace(table, target=np.full_like(table.target, np.nan)), tuple("12345678"))
    assert words.startswith("cyl 3 needs +5.3 % vs peers")


def test_lines_stand_from_the_leanest_down():
    lines = page(shown(ascii=True), 80, 30, picture=True)
    rows = edge_of(lines)
    by_need = [str(i + 1) for i in np.argsort(NEEDS[:8])[::-1]]
    assert [rows[name] for name in by_need] == sorted(rows[name] for name in by_need)


def test_the_chosen_cylinder_is_thick_and_the_others_are_dotted():
    def thick(**options):
        lines = page(shown(ascii=True, **options), 80, 30, picture=True)
        rows = edge_of(lines)
        return {name for name, y in rows.items() if "oo" in lines[y]}

    assert thick() == {"3"}
    assert thick(chosen=2) == {"3", "2"}


def test_what_is_masked_is_hatched_and_ends_of_the_range_are_arrows():
    """The last cylinder: a misfire in the band of 6000 rpm, then the lean and the rich end (scenes)."""
    line = next(row for row in page(shown(), picture=True) if "▒" in row and "masked" not in row)
    assert line.index("▒") < line.index(">") < line.index("<")
    assert "<" in line


def test_the_earlier_pull_stands_under_the_newer_one():
    assert any("◦" in row for row in page(shown(), picture=True))
    assert not any("◦" in row for row in page(shown(review=pull_review(8, 1)), picture=True))


def test_the_limit_lies_over_the_target_of_each_speed():
    """0.04 over a target of 1.3: 3.1 %. No rows, no target, and no limit is drawn."""
    review = pull_review(8, 1)
    speeds = np.repeat(np.linspace(2500, 8000, 56)[:, None], 8, axis=1)
    trace = PullTrace(
        np.arange(56),
        speeds,
        speeds * 0,
        np.full_like(speeds, np.log(1.3)),
        speeds.astype(np.uint8),
        speeds[0],
    )
    pulls = (replace(review.pulls[0], trace=trace),)
    lines = page(shown(review=replace(review, pulls=pulls), ascii=True), 80, 30, picture=True)
    rows = edge_of(lines)
    limit = [y for y, line in enumerate(lines) if "- -" in line and "limit" not in line]
    # two thirds of the way from cylinder 5 at -0.1 % to cylinder 3 at 4.6 %
    share = (rows["5"] - limit[0]) / (rows["5"] - rows["3"])
    assert share == pytest.approx(3.2 / 4.7, abs=0.1)
    assert max(limit) - min(limit) <= 1
    assert not any(
        "- -" in line for line in page(shown(review=review, ascii=True), 80, 30, picture=True)[5:-3]
    )


def test_with_room_there_are_curves_bars_and_table():
    lines = page(shown(16), 200, 60)
    told = "\n".join(lines)
    assert "WHICH CYLINDER, WHERE, HOW MUCH?" in told
    assert "WHO DIFFERS FROM THE OTHERS?" in told
    assert "WHO NEEDS FUEL?" in told
    assert sum(row.startswith(("   ", "▸")) and "worst" not in row for row in lines[-22:]) >= 16


def test_compared_pulls_show_whether_they_repeat():
    told = "\n".join(page(shown(), compared=True))
    assert "DOES IT REPEAT?  mean less pull 1" in told
    assert "+0.3 ±0.3" in told


@pytest.mark.parametrize(("width", "height"), [(40, 12), (60, 20), (80, 24), (119, 40), (120, 40), (200, 60)])
def test_a_picture_is_drawn_once(width, height):
    """The rows of a second look are the very rows of the first: nothing in them has moved."""
    seen = shown(16)
    state = State(seen.options, page=Page.PULLS, picture=True)
    first, second = (draw(seen, state, width, height) for _ in range(2))
    assert first == second
    middle = height // 2
    assert first[middle] is second[middle] or width < 80 or height < 20


def test_tab_shows_the_picture_in_the_place_of_the_table():
    assert any("worst at" in row for row in page(shown(), 80, 24))
    told = page(shown(), 80, 24, picture=True)
    assert not any("worst at" in row for row in told)
    assert any("cyl 3 needs" in row for row in told)


def test_a_terminal_without_room_says_so():
    told = " ".join(" ".join(page(shown(), 25, 24, picture=True)).split())
    assert "the terminal is too small for a picture" in told
