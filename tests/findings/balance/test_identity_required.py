"""No trims without a proof of the labels, or a word for them: what is offered, withheld and said."""

from dataclasses import replace

import numpy as np
from dwells import dwell, session

from mixmon.findings.balance.balance import Balance, BalanceStage
from mixmon.findings.balance.notes import BalanceNote
from mixmon.report.words import sentence
from mixmon.session.evidence import IdentityState, node_address
from mixmon.session.model import IdentifiedNode, IdentityEvidence, Trims

OFFSETS = np.array([0.03, -0.02, 0.01, -0.02])
REQUIRED = session(4, trims=Trims())


def proved(made, sees=(1, 2, 3, 4)):
    nodes = tuple(
        IdentifiedNode(n.position, n.sensor, node_address(made, n), (c,), 0.999)
        for n, c in zip(made.chain.nodes, sees, strict=True)
    )
    return replace(made, identity=IdentityEvidence("steps.log", 0, 1, nodes))


def balance(made) -> Balance:
    stage = BalanceStage(made)
    stage.feed(dwell(OFFSETS, np.random.default_rng(3)))
    return stage.result()


def codes(notes):
    return {one.code for one in notes}


def test_unproved_labels_give_needs_and_no_trims():
    found = balance(REQUIRED)
    assert found.identity is IdentityState.UNPROVED
    assert codes(found.withheld) == {BalanceNote.IDENTITY_NOT_PROVED}
    assert all(np.isfinite(c.needs_percent) for c in found.cylinders)
    assert all(np.isnan(c.trim_new_percent) for c in found.cylinders)
    assert "mixmon identify --plan" in sentence(found.withheld[0])


def test_proved_labels_give_the_trims_that_stated_ones_give():
    found = balance(proved(REQUIRED))
    assert (found.identity, found.withheld) == (IdentityState.PROVED, ())
    trims = [c.trim_new_percent for c in found.cylinders]
    assert max(map(abs, trims)) > 1
    word = Trims(identity="stated", identity_by="A. Tuner", identity_reason="plugs traced by hand")
    stated = balance(session(4, trims=word))
    assert [c.trim_new_percent for c in stated.cylinders] == trims
    assert stated.identity is IdentityState.STATED
    [said] = [sentence(n) for n in stated.notes if n.code is BalanceNote.IDENTITY_STATED]
    assert "A. Tuner vouches for it (plugs traced by hand)" in said
    assert BalanceNote.IDENTITY_STATED not in codes(found.notes)


def test_exchanged_labels_give_no_trims_although_somebody_states_them():
    found = balance(proved(session(4), sees=(1, 2, 4, 3)))
    assert found.identity is IdentityState.DISPROVED
    assert codes(found.withheld) == {BalanceNote.IDENTITY_DISPROVED}
    assert "label 3 sees cylinder 4 and label 4 sees cylinder 3" in sentence(found.withheld[0])


def test_a_changed_sensor_voids_the_proof_and_is_named():
    made = proved(REQUIRED)
    nodes = tuple(replace(n, sensor="S-9") if n.position == 2 else n for n in made.chain.nodes)
    found = balance(replace(made, chain=replace(made.chain, nodes=nodes)))
    assert found.identity is IdentityState.UNPROVED
    assert "at position 2 has changed" in sentence(found.withheld[0])
