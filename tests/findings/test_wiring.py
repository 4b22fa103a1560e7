"""Twelve scripted wiring faults, and the pattern each must be read as."""

import pytest

from mixmon.findings.wiring import Fault, Silence, WiringNote, diagnose
from mixmon.note import note

CHAIN = (1, 2, 3, 4, 5, 6, 7, 8)


def never(*positions):
    return [Silence(p) for p in positions]


SCRIPTED = [
    pytest.param([], [], id="1 all well"),
    pytest.param(never(*CHAIN), [(Fault.ALL, CHAIN)], id="2 trunk open, adapter dead or wrong bit rate"),
    pytest.param(
        [Silence(p, 30.0 + p / 20) for p in CHAIN], [(Fault.ALL, CHAIN)], id="3 adapter pulled during the run"
    ),
    pytest.param(never(6, 7, 8), [(Fault.TAIL, (6, 7, 8))], id="4 break between nodes 5 and 6"),
    pytest.param(never(*CHAIN[1:]), [(Fault.TAIL, CHAIN[1:])], id="5 break after the first node"),
    pytest.param(never(8), [(Fault.SINGLE, (8,))], id="6 the last node alone"),
    pytest.param(never(3), [(Fault.SINGLE, (3,))], id="7 one node in the middle without supply"),
    pytest.param(never(1), [(Fault.SINGLE, (1,))], id="8 the first node alone"),
    pytest.param(never(2, 5), [(Fault.SINGLE, (2,)), (Fault.SINGLE, (5,))], id="9 two nodes, each by itself"),
    pytest.param(
        never(3, 7, 8),
        [(Fault.SINGLE, (3,)), (Fault.TAIL, (7, 8))],
        id="10 a break and a node without supply",
    ),
    pytest.param(
        [Silence(7, 12.0), Silence(8, 12.4)], [(Fault.TAIL, (7, 8))], id="11 the cable parts during the run"
    ),
    pytest.param(
        [Silence(7), Silence(8, 240.0)],
        [(Fault.SINGLE, (7,)), (Fault.SINGLE, (8,))],
        id="12 the last two fell silent at different moments: no one break explains both",
    ),
]


@pytest.mark.parametrize(("silences", "expected"), SCRIPTED)
def test_the_pattern_of_silence_names_the_fault(silences, expected):
    assert [(d.fault, d.positions) for d in diagnose(CHAIN, silences)] == expected


def test_a_break_is_located_between_two_nodes():
    (found,) = diagnose(CHAIN, never(7, 8))
    assert found.meaning == note(WiringNote.TAIL_SILENT, before=6, first=7)
    assert found.check == note(WiringNote.CHECK_CABLE, before=6, first=7)


def test_the_last_node_may_hang_on_the_last_length_of_cable():
    (found,) = diagnose(CHAIN, never(8))
    assert found.meaning == note(WiringNote.LAST_NODE_SILENT, node=8, before=7)
    assert found.check == note(WiringNote.CHECK_LAST_NODE, node=8, before=7)


def test_a_node_in_the_middle_has_no_last_length_of_cable():
    (found,) = diagnose(CHAIN, never(3))
    assert found.meaning == note(WiringNote.NODE_SILENT, node=3)
    assert (found.check, found.lead) == (note(WiringNote.CHECK_NODE, node=3), None)


def test_a_duplicate_node_explains_one_that_is_missing():
    (found,) = diagnose(CHAIN, never(5), duplicates=[4])
    assert found.lead == note(WiringNote.DUPLICATE_MAY_BE_NODE, node=5, other=4)


def test_an_unexpected_position_explains_one_that_is_missing():
    (found,) = diagnose(CHAIN, never(5), unexpected=[12])
    assert found.lead == note(WiringNote.UNUSED_PLACE_MAY_BE_NODE, node=5, other=12)


def test_a_node_that_sent_before_has_its_own_identifier():
    (found,) = diagnose(CHAIN, [Silence(5, 30.0)], duplicates=[4])
    assert found.lead is None


def test_order_in_the_chain_counts_and_not_the_number():
    (found,) = diagnose((4, 1, 3, 2), never(3, 2))
    assert (found.fault, found.positions) == (Fault.TAIL, (3, 2))
    assert found.meaning == note(WiringNote.TAIL_SILENT, before=1, first=3)


def test_a_chain_of_one():
    (found,) = diagnose((1,), never(1))
    assert found.fault is Fault.ALL
