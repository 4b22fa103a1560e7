"""How an answer about labels is graded: right, wrong, or not given for want of data."""

import dataclasses

import pytest
from gradings import graded

from mixmon.grade import identity
from mixmon.grade.evidence import Evidence, gather
from mixmon.grade.item import Grading
from mixmon.session.evidence import IdentityState
from mixmon.simulate.load import load_scenario
from mixmon.simulate.simulation import simulate


@pytest.fixture(scope="module")
def short() -> Evidence:
    return graded("alder8-short", 31)


def bent(evidence: Evidence, position: int, **changed: object) -> Evidence:
    """The evidence with another answer about one label."""
    labels = tuple(
        dataclasses.replace(label, **changed) if label.position == position else label
        for label in evidence.identity.labels
    )
    return dataclasses.replace(evidence, identity=dataclasses.replace(evidence.identity, labels=labels))


def test_the_exchange_that_was_planted_is_found(short: Evidence) -> None:
    item = identity.identity(short)
    assert item.grading is Grading.RIGHT
    assert item.found == item.expected == "label 3 is cylinder 4, label 4 is cylinder 3"


def test_single_steps_of_an_odd_firing_engine_serve_as_well() -> None:
    evidence = gather(simulate(load_scenario("odd-six"), seed=5, duration=52))
    assert identity.identity(evidence).grading is Grading.RIGHT
    assert evidence.identity.exchanged == ((2, 5),)


def test_one_sure_label_that_is_wrong_is_wrong(short: Evidence) -> None:
    assert identity.identity(bent(short, 3, cylinders=(3,))).grading is Grading.WRONG
    assert identity.identity(bent(short, 1, cylinders=(2,))).grading is Grading.WRONG


def test_a_label_in_doubt_after_all_steps_is_wrong_and_within_them_not_asked_for(short: Evidence) -> None:
    assert identity.identity(bent(short, 1, confidence=0.9)).grading is Grading.WRONG
    assert identity.identity(bent(short, 1, cylinders=())).grading is Grading.WRONG
    cut = dataclasses.replace(short, typed_steps=short.typed_steps[:2])
    assert identity.identity(bent(cut, 1, cylinders=())).grading is Grading.DOES_NOT_APPLY
    assert identity.identity(bent(cut, 1, cylinders=(2,))).grading is Grading.WRONG


def test_without_steps_every_claim_is_wrong() -> None:
    evidence = gather(simulate(load_scenario("four"), seed=3, duration=12))
    assert identity.identity(evidence).grading is Grading.RIGHT
    claim = dataclasses.replace(evidence.identity, state=IdentityState.PROVED)
    assert identity.identity(dataclasses.replace(evidence, identity=claim)).grading is Grading.WRONG
    assert identity.identity(bent(evidence, 1, cylinders=(1,))).grading is Grading.WRONG
