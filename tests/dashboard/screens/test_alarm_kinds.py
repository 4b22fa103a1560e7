"""A kind of alarm is one entry: the session file takes it, the detector measures it, the screens show it."""

from pathlib import Path

import numpy as np
import pytest
from dashboard.scenes import OPTIONS, scene, text

from mixmon.dashboard.keys import Page
from mixmon.dashboard.screens.pages import State, draw
from mixmon.messages.bind import bind, load_databases
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.session.alarm_kinds import ALARM_KINDS, AlarmKind, alarm_kinds_markdown, kind_of
from mixmon.session.load import read_session
from mixmon.session.schema import Number
from mixmon.watch.observer import Observer

ROOT = Path(__file__).parents[3]
EXAMPLE = (ROOT / "examples/alder8.toml").read_text("utf-8")
ROWS, NODES = 50, 8

HEATER = AlarmKind(
    words="duty of the sensor's heater",
    unit="%",
    limit=Number(0, 100, "%", above=True),
    value=lambda rows: rows.node("heater"),
    needs=("heater",),
)
COOLANT = AlarmKind(
    words="temperature of the coolant",
    unit="degC",
    limit=Number(0, 150, "degC"),
    value=lambda rows: rows.engine("coolant_c"),
    per_node=False,
    needs=("coolant_c",),
)


@pytest.fixture
def declared(monkeypatch, tmp_path):
    """The session of a file with one alarm, and its mistakes, once two kinds have been added."""
    monkeypatch.setitem(ALARM_KINDS, "heater_above", HEATER)
    monkeypatch.setitem(ALARM_KINDS, "coolant_above_c", COOLANT)

    def read(limit, text=EXAMPLE):
        head = text[: text.index("[limits]")]
        path = tmp_path / "session.toml"
        path.write_text(
            f'{head}[limits]\n[[limits.alarm]]\nname = "too hot"\npriority = 2\n{limit}\n', "utf-8"
        )
        return read_session(path)

    return read


def watched(session, *, heater, coolant):
    """The snapshot after half a second in which these were read."""
    observer = Observer(bind(session, load_databases(session)))
    lam, heater = np.full((ROWS, NODES), 0.9), np.tile(np.asarray(heater, float), (ROWS, 1))
    engine = {"rpm": 3000.0, "throttle": 50.0, "load": 50.0, "target": 0.9, "coolant_c": coolant}
    observer.feed(
        CylinderBlock(
            np.arange(ROWS, dtype=np.int64) * 10_000_000,
            np.zeros(ROWS, np.int64),
            lam,
            np.full(lam.shape, np.nan),
            np.zeros(lam.shape, np.int64),
            np.ones(lam.shape, np.bool_),
            np.full(lam.shape, SampleState.VALID, np.uint8),
            {name: np.full((NODES, ROWS), value).T for name, value in engine.items()},
            {name: np.full(ROWS, value) for name, value in engine.items()},
            {"heater": heater, "supply": np.full(lam.shape, 13.0)},
        )
    )
    return observer.snapshot()


def alarm_rows(session, shown):
    rows = draw(scene(shown, declared=session), State(OPTIONS, page=Page.ALARMS), 110, 40)
    return [line for line in text(rows) if "too hot" in line and "limit" not in line]


def test_a_new_kind_of_the_nodes_is_accepted_measured_and_shown(declared):
    session, mistakes = declared("heater_above = 60")
    assert mistakes == []
    assert kind_of(session.limits.alarms[0]) is HEATER
    shown = watched(session, heater=[40, 41, 71.25, 40, 40, 40, 40, np.nan], coolant=80.0)
    (alarm,) = shown.alarms.alarms
    assert (alarm.cylinders, alarm.value_now, alarm.unit) == ((3,), 71.25, "%")
    assert alarm_rows(session, shown)[0].split()[-4:] == ["71.2", "%", "60.0", "%"]


def test_a_new_kind_of_the_engine_is_accepted_measured_and_shown(declared):
    session, mistakes = declared("coolant_above_c = 110")
    assert mistakes == []
    shown = watched(session, heater=[40] * NODES, coolant=117.5)
    (alarm,) = shown.alarms.alarms
    assert (alarm.position, alarm.value_now, alarm.unit) == (None, 117.5, "degC")
    assert alarm_rows(session, shown)[0].split()[-4:] == ["117.50", "degC", "110.00", "degC"]


def test_a_value_that_was_lost_is_no_number_of_now_on_the_screen(declared):
    session, _ = declared("coolant_above_c = 110")
    shown = watched(session, heater=[40] * NODES, coolant=np.array([117.5] * (ROWS - 1) + [np.nan]))
    assert alarm_rows(session, shown)[0].split()[-4:] == ["117.50", "degC", "110.00", "degC"]  # raised at
    assert not any(" now" in row for row in alarm_rows(session, shown))
    assert "nan" not in "".join(alarm_rows(session, shown))


@pytest.mark.parametrize(
    ("limit", "left_out", "where", "expected"),
    [
        ("heater_above = 101", "", "heater_above", "a number above 0, at most 100 %"),
        ("heater_above = 60", "heater = ", "heater_above", "chain.signals.heater"),
        ("coolant_above_c = 90", "coolant_c = ", "coolant_above_c", "engine_signals.coolant_c"),
        ("heat_above = 60", "", "heat_above", '"heater_above" (the nearest known key)'),
    ],
)
def test_the_session_checks_a_new_kind_by_its_entry(declared, limit, left_out, where, expected):
    lines = [line for line in EXAMPLE.splitlines() if not left_out or not line.startswith(left_out)]
    _, mistakes = declared(limit, "\n".join(lines))
    assert (f"limits.alarm[1].{where}", expected) in [(m.where, m.expected) for m in mistakes]


def test_the_documentation_prints_the_kinds_that_there_are():
    """`tools/print_alarm_table.py` gives what must stand there."""
    documented = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    section = documented.split("\n## Adding a kind of alarm\n")[1].split("\n## ")[0]
    table = "".join(f"{line}\n" for line in section.splitlines() if line.startswith("|"))
    assert table == alarm_kinds_markdown()
