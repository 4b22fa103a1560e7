"""What fuel steps in a run say of its own labels: before what was kept or stated, and only what they show."""

from dataclasses import replace

import numpy as np
import pytest
from fuel_answers import session

from mixmon.findings.identity.identity import Identity, Label
from mixmon.findings.identity.own import own_standing
from mixmon.session.evidence import IdentityState, by_cylinders_seen, node_address
from mixmon.session.model import IdentifiedNode, IdentityEvidence, Trims

PROVED, DISPROVED, UNPROVED, STATED = IdentityState
REQUIRED = replace(session(4), trims=Trims())


def found(*sees: int) -> Identity:
    """Steps that show what each label sees; 0 for nothing."""
    labels = tuple(
        Label(p, None, (p,), (c,) if c else (), 0.999 if c else np.nan, 1.0, 0.1, 0.1, 0.1, ())
        for p, c in enumerate(sees, 1)
    )
    unknown = np.full((4, 4), np.nan)
    return Identity(UNPROVED, labels, (), unknown, unknown, 4, ())


def kept(*sees: int):
    nodes = tuple(
        IdentifiedNode(n.position, n.sensor, node_address(REQUIRED, n), (c,), 0.999)
        for n, c in zip(REQUIRED.chain.nodes, sees, strict=True)
    )
    return replace(REQUIRED, identity=IdentityEvidence("before.log", 0, 1, nodes))


def test_labels_that_answer_their_own_cylinders_are_proved():
    for reported in (True, False):
        standing = own_standing(REQUIRED, found(1, 2, 3, 4), reported=reported)
        assert (standing.state, standing.own) == (PROVED, True)
    assert by_cylinders_seen(REQUIRED, standing) is REQUIRED


def test_exchanged_labels_go_by_the_cylinder_only_where_the_engine_control_reports_the_steps():
    standing = own_standing(REQUIRED, found(1, 2, 4, 3), reported=True)
    assert (standing.state, standing.odd) == (PROVED, ((3, 3, 4), (4, 4, 3)))
    seen = by_cylinders_seen(REQUIRED, standing)
    assert [node.cylinders for node in seen.chain.nodes] == [(1,), (2,), (4,), (3,)]
    typed = own_standing(REQUIRED, found(1, 2, 4, 3), reported=False)
    assert (typed.state, typed.by_cylinder) == (DISPROVED, False)
    assert by_cylinders_seen(REQUIRED, typed) is REQUIRED


@pytest.mark.parametrize("sees", [(1, 2, 4, 0), (1, 2, 4, 4), (2, 2, 3, 4)], ids=["open", "twice", "none"])
def test_a_wrong_label_among_others_that_do_not_make_an_order_is_disproved(sees):
    standing = own_standing(REQUIRED, found(*sees), reported=True)
    assert (standing.state, standing.by_cylinder) == (DISPROVED, False)


def test_three_in_a_ring_are_an_order():
    standing = own_standing(REQUIRED, found(2, 3, 1, 4), reported=True)
    assert standing.state is PROVED
    seen = by_cylinders_seen(REQUIRED, standing)
    assert [node.cylinders[0] for node in seen.chain.nodes] == [2, 3, 1, 4]


def test_a_label_of_which_nothing_is_told_leaves_what_was_known_before():
    partly = found(1, 2, 3, 0)
    assert own_standing(REQUIRED, partly, reported=True).open == (4,)
    assert own_standing(REQUIRED, partly, reported=True).state is UNPROVED
    assert own_standing(kept(1, 2, 3, 4), partly, reported=True).state is PROVED
    stated = replace(REQUIRED, trims=Trims(identity="stated"))
    assert own_standing(stated, partly, reported=True).state is STATED
    assert own_standing(REQUIRED, partly, reported=True, left_out={4}).state is PROVED


def test_nothing_told_is_what_was_known_before_and_own_steps_count_before_it():
    silent = found(0, 0, 0, 0)
    assert own_standing(REQUIRED, silent, reported=True).state is UNPROVED
    assert own_standing(kept(1, 2, 3, 4), silent, reported=True).own is False
    assert own_standing(kept(1, 2, 4, 3), found(1, 2, 3, 4), reported=True).state is PROVED
    stated = replace(REQUIRED, trims=Trims(identity="stated"))
    assert own_standing(stated, found(1, 2, 4, 3), reported=False).state is DISPROVED
