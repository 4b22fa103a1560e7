"""The project's own layer: what it promises, and that code, files and description are one."""

from itertools import combinations

import cantools.database
import make_dbc
import pytest

from mixmon.messages.chain import (
    CHAIN_FILE,
    ENGINE_FILE,
    NODES,
    NodeState,
    chain_messages,
    engine_messages,
    node_messages,
    shipped_database,
    trim_messages,
)
from mixmon.messages.database import load_database

ENGINE = (*engine_messages(), *trim_messages())
ALL = (*chain_messages(), *ENGINE)


def test_files_and_description_are_what_the_table_gives(capsys):
    assert make_dbc.main(["--check"]) == 0, capsys.readouterr().err


@pytest.mark.parametrize(("file", "plans"), [(CHAIN_FILE, chain_messages()), (ENGINE_FILE, ENGINE)])
def test_plans_from_the_files_are_those_of_the_table(file, plans):
    database = load_database(shipped_database(file))
    assert database.messages == plans
    assert database.notices == ()


@pytest.mark.parametrize("file", [CHAIN_FILE, ENGINE_FILE])
def test_every_message_and_signal_is_described(file):
    # strict: cantools refuses signals that overlap or leave their message
    for message in cantools.database.load_file(shipped_database(file), strict=True).messages:
        assert message.comment
        assert message.cycle_time > 0
        for signal in message.signals:
            assert signal.unit, signal.name
            assert signal.comment, signal.name
            assert signal.minimum < signal.maximum, signal.name


def test_names_that_session_files_rely_on():
    for position in range(1, NODES + 1):
        fast, state, _ = node_messages(position)
        assert fast.name == f"Mix{position:02d}_Fast"
        assert {"Lambda", "OxygenBalance", "State"} <= {signal.name for signal in fast.signals}
        assert {"Supply", "HeaterDuty"} <= {signal.name for signal in state.signals}
    speed, fuel, slow = engine_messages()
    assert {"Speed", "Throttle", "ManifoldPressure"} <= {signal.name for signal in speed.signals}
    assert {"Target", "PulseWidth", "FuelCut", "SparkCut"} <= {signal.name for signal in fuel.signals}
    assert [plan.name for plan in trim_messages()] == [f"Engine_Trim{c:02d}" for c in range(1, 17)]
    assert "Coolant" in {signal.name for signal in slow.signals}
    assert fast.signal("State").choices[3] == "ready"
    assert NodeState.READY == 3


def test_a_chain_and_an_engine_can_share_one_bus():
    identifiers = [plan.can_id for plan in ALL]
    assert len(set(identifiers)) == len(ALL) == 67
    assert all(0x100 <= identifier < 0x7DF for identifier in identifiers)


def test_steps_are_fine_enough():
    fast = node_messages(1)[0]
    assert fast.signal("Lambda").scale <= 0.0005
    assert fast.signal("OxygenBalance").scale <= 0.01
    assert fast.signal("OxygenBalance").minimum < -20
    assert fast.signal("OxygenBalance").maximum > 20.95  # free air


def test_every_value_in_the_declared_range_has_a_raw_value():
    for plan in ALL:
        for signal in plan.signals:
            codes = 2 if signal.not_available else 0
            highest = (2**signal.length - 1 - codes) * signal.scale + signal.offset
            assert signal.offset <= signal.minimum
            assert signal.maximum <= highest, signal.name


def test_codes_are_the_two_highest_raw_values():
    for plan in ALL:
        for signal in plan.signals:
            ones = 2**signal.length - 1
            plain = signal.name in (plan.protection.counter, plan.protection.checksum)
            assert signal.not_available == (() if plain else ((ones, ones),))
            assert signal.error == (() if plain else ((ones - 1, ones - 1),))


@pytest.mark.parametrize("position", [0, NODES + 1])
def test_there_are_sixteen_places(position):
    with pytest.raises(ValueError, match="expected 1 to 16"):
        node_messages(position)


def test_nodes_differ_in_name_and_identifier_only():
    for one, other in combinations([node_messages(p)[0] for p in (1, 7, 16)], 2):
        assert one.signals == other.signals


def test_only_names_of_shipped_files_are_found():
    assert shipped_database("../dbc/" + CHAIN_FILE) is None
    assert shipped_database("nothing.dbc") is None
