"""Paired injection asks for pairs: cylinders that fire half a cycle apart and hold one trim."""

from pathlib import Path

import pytest

from mixmon.session.injectors import partner_of
from mixmon.session.load import read_session


def mistakes_of(
    tmp_path: Path, engine: str, more: str = "", timing: str = "paired"
) -> list[tuple[str, str, str]]:
    path = tmp_path / "session.toml"
    text = f'[engine]\n{engine}\n[injection]\ntiming = "{timing}"\n{more}\n[chain]\n'
    path.write_text(text, encoding="utf-8")
    return [(m.where, m.found, m.expected) for m in read_session(path)[1]]


FOUR = "cylinders = 4\nfiring_order = [1, 3, 4, 2]"
HELD = "[trims]\nnow_percent = [1.5, 0, {}, 1.5]"
EXPECTED = 'pairs that fire half a cycle apart, or "sequential" or "batch"'


def test_pairs_that_share_their_trims_are_no_mistake(tmp_path: Path) -> None:
    assert mistakes_of(tmp_path, FOUR) == []
    assert mistakes_of(tmp_path, FOUR, HELD.format(0)) == []
    assert mistakes_of(tmp_path, f"{FOUR}\nfiring_angles_deg = [0, 180, 360, 540]") == []


@pytest.mark.parametrize("timing", ["sequential", "batch"])
def test_other_timings_ask_for_no_pairs(tmp_path: Path, timing: str) -> None:
    assert mistakes_of(tmp_path, "cylinders = 5", timing=timing) == []


def test_pairs_need_a_firing_order(tmp_path: Path) -> None:
    assert mistakes_of(tmp_path, "cylinders = 4") == [
        ("injection.timing", '"paired" without a firing order', "engine.firing_order as well")
    ]


def test_an_odd_number_of_cylinders_makes_no_pairs(tmp_path: Path) -> None:
    found = '"paired", and none fires half a cycle from cylinders 1, 2, 3, 4, 5'
    five = "cylinders = 5\nfiring_order = [1, 2, 4, 5, 3]"
    assert mistakes_of(tmp_path, five) == [("injection.timing", found, EXPECTED)]


def test_firing_angles_decide_which_cylinders_are_a_pair(tmp_path: Path) -> None:
    found = '"paired", and none fires half a cycle from cylinders 2, 3'
    uneven = f"{FOUR}\nfiring_angles_deg = [0, 180, 360, 500]"
    assert mistakes_of(tmp_path, uneven) == [("injection.timing", found, EXPECTED)]


def test_one_driver_cannot_hold_two_trims(tmp_path: Path) -> None:
    expected = "0, as cylinder 3: paired injection gives the two one trim"
    held = "[trims]\nnow_percent = [1.5, 2, 0, 1.5]"
    assert mistakes_of(tmp_path, FOUR, held) == [("trims.now_percent[2]", "2", expected)]


def test_a_wrong_firing_order_is_told_once(tmp_path: Path) -> None:
    (mistake,) = mistakes_of(tmp_path, "cylinders = 4\nfiring_order = [1, 3, 4, 4]")
    assert mistake[0] == "engine.firing_order"


def test_a_partner_is_found_across_the_end_of_the_cycle() -> None:
    assert partner_of(3, 4, (0.0, 180.0, 360.0, 540.5), 4) == 1
    assert partner_of(1, 2, (0.5, 360.0), 4) == 0
    assert partner_of(0, 2, (0.2, 719.9), 4) is None
