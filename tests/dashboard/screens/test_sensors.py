"""The sensor log on the screen: a row a sensor, the chosen one in words, and where nothing is known."""

from dataclasses import replace

import pytest
from dashboard.scenes import OPTIONS, known_sensors, scene, snapshot, text

from mixmon.dashboard.controls import Controls
from mixmon.dashboard.keys import Page
from mixmon.dashboard.scene import KnownSensors
from mixmon.dashboard.screens.pages import State, draw


def drawn(size=(80, 24), count=8, known=None, chosen=None):
    options = replace(OPTIONS, chosen=chosen)
    seen = scene(snapshot(count), count=count, options=options, known=known)
    return text(draw(seen, State(options, page=Page.BUS, sensor_log=True), *size))


def told(lines):
    return " ".join(" ".join(lines).split())


@pytest.mark.parametrize("count", [8, 16])
@pytest.mark.parametrize("size", [(80, 24), (200, 60)])
def test_every_sensor_has_a_row_with_what_the_ledger_knows(count, size):
    lines = drawn(size, count, known_sensors(count))
    rows = [line[1:].split() for line in lines if line[1:4].strip().isdigit()]
    assert [(int(row[0]), row[2]) for row in rows] == [(c, f"S-{100 + c}") for c in range(1, count + 1)]
    # hours hot, heater cycles, T63 both ways, warm-up, air, own error: as they were entered
    assert rows[0][3:10] == ["1.0", "31", "85", "85", "9.6", "+0.2", "+0.10"]
    assert rows[4][3:10] == ["4.9", "31", "262", "262", "10.0", "-2.0", "+0.50"]
    assert all(len(line) == size[0] for line in lines)
    assert len(lines) == size[1]


def test_the_chosen_sensor_is_told_in_words():
    slow = told(drawn(known=known_sensors(), chosen=5))
    assert "S-105: T63 lean-going 262" in slow or "262" in slow
    assert "supply lost while hot: 1" in slow
    assert "4.86 h hot in 1 run" in slow
    assert "free air: 19.89 % oxygen read of 20.30, -2.0 %" in slow
    quiet = told(drawn(known=known_sensors(), chosen=1))
    assert "S-101: 0.97 h hot in 1 run" in quiet
    assert "bias: typed, rotation of 12 May" in quiet


def test_where_nothing_is_known_it_says_how_to_enter_it():
    assert "mixmon sensors --add RUN" in told(drawn())
    assert "the ledger cannot be read: it is none" in told(drawn(known=KnownSensors(fault="it is none")))
    some = told(drawn(known=known_sensors(3), chosen=8))
    assert "nothing is known of it" in some
    assert "cyl 8: nothing is known; digits choose another" in some


def test_one_key_shows_the_log_and_the_nodes_again():
    seen = scene(snapshot())
    controls = Controls(State(OPTIONS, page=Page.BUS), (OPTIONS.unit,), lambda _: None)
    controls.press("s", seen, 1.0)
    assert controls.state.sensor_log
    controls.press("s", seen, 1.0)
    assert not controls.state.sensor_log


def test_without_a_choice_the_first_sensor_with_something_to_look_at_is_told_and_marked():
    lines = drawn(known=known_sensors())
    assert [line[6:10].strip() for line in lines if line.startswith(OPTIONS.marks.chosen)] == ["5"]
    assert "S-105: T63 lean-going 262" in told(lines)
    assert "!: so many things to look at" in told(lines)
