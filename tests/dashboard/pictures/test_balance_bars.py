"""Needs and what trims leave, as bars: numbers worked out by hand."""

import math
from dataclasses import replace

import pytest
from dashboard.scenes import NEEDS, OPTIONS, balance, scene, snapshot, text

from mixmon.dashboard.keys import Page
from mixmon.dashboard.pictures.balance_bars import need_answer, spread_answer, trim_picture
from mixmon.dashboard.pictures.interval_bars import IntervalBar, interval_bars
from mixmon.dashboard.screens.pages import State, draw
from mixmon.findings.balance.notes import BalanceNote
from mixmon.note import note


def page(width=120, height=40, count=8, **state):
    shown = scene(count=count, options=replace(OPTIONS, ascii=True))
    return text(draw(shown, State(shown.options, page=Page.BALANCE, **state), width, height))


def test_the_answer_names_the_cylinder_that_is_farthest_off_and_how_sure_that_is():
    known = balance(8)
    assert need_answer(known) == "cyl 3 farthest: +5.3 % (+5.0 to +5.6)"
    small = replace(known.cylinders[4], interval95_percent=(-0.2, 1.4))
    assert need_answer(replace(known, cylinders=(small,))) == "cyl 5 farthest: +0.6 %, within error"
    unknown = replace(small, interval95_percent=(math.nan, math.nan))
    assert need_answer(replace(known, cylinders=(unknown,))) == "cyl 5 farthest: +0.6 %, with no interval yet"


def test_a_trim_leaves_the_need_over_its_fuel():
    """Cylinder 3 needs +5.3 % and gets +5.5 %: 1.053 / 1.055 - 1 = -0.19 %."""
    lines = text(trim_picture(scene(options=replace(OPTIONS, ascii=True)), balance(8), (100, 40)))
    at = next(i for i, line in enumerate(lines) if line.split()[:1] == ["3"])
    assert "+5.3 +-0.3" in lines[at]
    assert "trim 0.0 to +5.5" in lines[at]
    assert lines[at + 1].split()[-2:] == ["-0.2", "+-0.3"]
    assert lines[1].startswith("spread 8.3 % now, 0.6 % after (0.4 to 0.9)")


def test_a_trim_that_is_there_already_counts_as_the_fuel_of_now():
    """From +2 to +5.5 %: fuel grows by 1.055 / 1.02, and 1.053 over that leaves +1.81 %."""
    known = balance(8)
    three = replace(known.cylinders[2], trim_now_percent=2.0)
    lines = text(
        trim_picture(
            scene(options=replace(OPTIONS, ascii=True)), replace(known, cylinders=(three,)), (100, 10)
        )
    )
    assert any(line.split()[-2:] == ["+1.8", "+-0.3"] for line in lines)


def test_without_trims_there_is_no_prediction():
    held = replace(balance(8), withheld=(note(BalanceNote.TRIMS_NOW_ASSUMED_ZERO),))
    lines = text(trim_picture(scene(options=replace(OPTIONS, ascii=True)), held, (100, 40)))
    assert not any("x" in line for line in lines[2:])
    assert "WHO NEEDS FUEL, HOW SURE?" in lines[0]


def test_an_unknown_spread_is_said():
    known = balance(8)
    assert spread_answer(known) == "spread 8.3 % now, 0.6 % after (0.4 to 0.9)"
    gone = replace(known, spread=replace(known.spread, value=math.nan))
    assert spread_answer(gone) == "the spread is not known"


def test_bars_stand_in_the_order_of_the_other_screens():
    names = [
        line.split()[0] for line in page(80, 30, picture=True) if "+-" in line and line.split()[0].isdigit()
    ]
    assert names == ["1", "5", "3", "7", "4", "8", "2", "6"]


@pytest.mark.parametrize("count", [8, 16])
def test_with_room_bars_and_cells_stand_side_by_side(count):
    for size in ((120, 40), (200, 60)):
        told = page(*size, count=count)
        text_ = "\n".join(told)
        assert "WHO NEEDS FUEL, HOW SURE?" in text_
        assert "WHERE?  cyl 3" in text_
        assert all(any(line.split()[:1] == [str(c)] for line in told) for c in range(1, count + 1))
        assert "1100" in text_ or size == (120, 40)


def test_the_shade_of_a_cell_says_how_sure_it_is():
    """Half intervals of 0.3 to 1.0 % over the speeds: `=` to 0.5 %, `-` to 1 %."""
    lines = page(200, 60)
    number = next(i for i, line in enumerate(lines) if "+5.3+-0.5" in line and "+5.3+-0.6" in line)
    cells = lines[number].index("+5.3+-0.5"), lines[number].index("+5.3+-0.6")
    shade = lines[number + 2]
    assert [set(shade[at : at + 9]) for at in cells] == [{"="}, {"-"}]


def test_the_least_sure_cell_is_told_with_what_a_dwell_would_give():
    """9.5 s give 1.0 %; with 10 s more 1.0 sqrt(9.5 / 19.5) = 0.7 %, where noise alone is left."""
    assert any(
        "least sure at 7800/100: within 1.0 %; 10 s more: 0.7 % at best" in line for line in page(200, 60)
    )


def test_needs_are_numbers_too():
    told = "\n".join(page())
    for need in NEEDS[:8]:
        assert f"{need:+.1f} +-0.3" in told


def test_before_any_balance_the_screen_is_as_before():
    shown = scene(snapshot(balance=None))
    assert text(draw(shown, State(OPTIONS, page=Page.BALANCE, picture=True), 120, 40))


def test_a_narrow_scale_has_more_than_its_zero():
    bars = [IntervalBar("1", 4.2, 4.0, 4.4, False, ""), IntervalBar("2", -3.0, -3.1, -2.9, False, "")]
    scale = text(interval_bars(bars, 44, 4, ascii_only=True))[0].split()
    assert [word for word in scale if word not in {"cyl", "%", "0"}]
