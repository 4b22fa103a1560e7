"""What sensors can tell of cylinders, against scipy's null space, and firing by hand-computed angles."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import null_space

from mixmon.messages.cautions import Caution, cautions
from mixmon.report.words import sentence
from mixmon.session.charges import node_targets, own_targets, reference_weights
from mixmon.session.injectors import firing_gaps, injector_pairs
from mixmon.session.model import Chain, Engine, Injection, Node, Session, Staging
from mixmon.session.observation import observation_of


def session(engine: Engine, *sees: tuple[int, ...], timing: str | None = None) -> Session:
    nodes = tuple(Node(i, own) for i, own in enumerate(sees, 1))
    return Session(engine, Chain("chain", {}, nodes), (), injection=Injection(timing))


SOME = session(Engine(8), (1,), (2, 3), (4,), (5,), (6,), (8,))


def test_what_is_not_known_is_the_null_space_of_the_matrix() -> None:
    seen = observation_of(SOME)
    unknown = null_space(seen.matrix)
    assert unknown.shape[1] == seen.cylinders - seen.rank == 2
    assert not seen.complete
    assert (seen.together, seen.unseen) == (((2, 3),), (7,))
    split, lone = np.eye(8)[1] - np.eye(8)[2], np.eye(8)[6]
    for direction in (split, lone):
        assert np.linalg.norm(unknown @ (unknown.T @ direction) - direction) < 1e-12
    assert np.allclose(seen.matrix.sum(axis=1), 1)


def test_one_sensor_a_cylinder_leaves_nothing_unknown() -> None:
    seen = observation_of(session(Engine(4), (1,), (2,), (3,), (4,)))
    assert seen.complete
    assert not seen.together + seen.unseen


def test_the_parts_of_a_shared_sensor_are_those_of_the_air() -> None:
    """By hand: 15 and 10 parts of the air are 0.6 and 0.4 of what meets the sensor."""
    seen = observation_of(session(Engine(3, charge_share=(15, 10, 12)), (1, 2), (3,)))
    assert seen.matrix[0] == pytest.approx([0.6, 0.4, 0.0])


def test_own_targets_weigh_so_that_a_move_to_them_keeps_the_fuel() -> None:
    """All fuel is the sum of air over lambda: before, and with each node at its target times the mean."""
    engine = Engine(4, charge_share=(20, 30, 25, 25), target_offset_percent=(0.0, 4.0, 4.0, -2.0))
    told = session(engine, (1,), (2, 3), (4,))
    lam = np.array([0.90, 0.88, 0.93])
    air = np.array([20, 55, 25])
    own = node_targets(told)
    assert own == pytest.approx([1.0, 1.04, 0.98])
    weights = reference_weights(told)
    reference = weights.sum() / (weights * own / lam).sum()
    assert (air / (own * reference)).sum() == pytest.approx((air / lam).sum())
    assert own_targets(Engine(3)).tolist() == [1, 1, 1]


@pytest.mark.parametrize(
    ("order", "angles", "gaps"),
    [
        # Two cylinders at 45 degrees on one pin: the second fires 360 + 45 degrees after the first.
        ((1, 2), (0, 405), {1: (2, 315), 2: (1, 405)}),
        # Six at 90 degrees on three common pins: 150 and 90 degrees in turn.
        (
            (1, 6, 5, 4, 3, 2),
            (0, 150, 240, 390, 480, 630),
            {1: (2, 90), 6: (1, 150), 5: (6, 90), 4: (5, 150), 3: (4, 90), 2: (3, 150)},
        ),
        # Four on crossplane pins in a row, fired at 270, 180, 90, 180.
        ((1, 3, 2, 4), (0, 270, 450, 540), {1: (4, 180), 3: (1, 270), 2: (3, 180), 4: (2, 90)}),
        # Evenly, where no angles are given.
        ((1, 3, 4, 2), None, {1: (2, 180), 3: (1, 180), 4: (3, 180), 2: (4, 180)}),
        ((1,), None, {1: (1, 720)}),
    ],
)
def test_firing_predecessors_by_hand(order, angles, gaps) -> None:
    engine = Engine(len(order), firing_order=order, firing_angles_deg=angles)
    assert {g.cylinder: (g.predecessor, g.degrees) for g in firing_gaps(engine)} == gaps


def test_an_odd_firing_six_has_no_pairs_half_a_cycle_apart_that_even_angles_would_give() -> None:
    order, angles = (1, 6, 5, 4, 3, 2), (0.0, 150.0, 240.0, 390.0, 480.0, 630.0)
    assert injector_pairs(Engine(6, firing_order=order)) == ((1, 4), (6, 3), (5, 2))
    assert injector_pairs(Engine(6, firing_order=order, firing_angles_deg=angles)) == ()


def said(told: Session) -> dict[Caution, str]:
    return {one.code: sentence(one) for one in cautions(told)}


def test_a_check_of_the_session_says_what_can_never_be_known() -> None:
    words = said(SOME)
    assert words[Caution.SHARED_SENSOR].startswith("cylinders 2 and 3 share a sensor: their sum is measured;")
    assert "never the split" in words[Caution.SHARED_SENSOR]
    assert "7 of 8 cylinders" in words[Caution.WITHOUT_SENSOR]
    assert not said(session(Engine(2), (1,), (2,)))


def test_a_session_with_mistakes_is_told_no_more_than_it_says() -> None:
    wrong = Engine(2, firing_order=(1, 2, 3), firing_angles_deg=(0.0,), charge_share=(1.0,))
    bare = Engine(2, firing_angles_deg=(0.0, 405.0))
    back = Engine(2, firing_order=(1, 2), firing_angles_deg=(405.0, 0.0))
    cases = [(engine, ((1,), (2,))) for engine in (wrong, bare, back)]
    for engine, sees in ((Engine(2), ((1,), (9,))), (Engine(2), ((1,), (2, 2))), *cases):
        assert not said(session(engine, *sees))


def test_a_check_of_the_session_tells_where_injection_is_staged() -> None:
    staged = replace(session(Engine(1), (1,)), injection=Injection(staging=Staging(5000.0, 60.0)))
    words = said(staged)[Caution.STAGED_INJECTION]
    assert words.startswith("staged injection over 5000 rpm and over load 60: needs and trims of each")


def test_a_check_of_the_session_tells_uneven_firing_and_even_firing_that_is_assumed() -> None:
    twin = Engine(2, firing_order=(1, 2), firing_angles_deg=(0.0, 405.0))
    assert said(session(twin, (1,), (2,)))[Caution.UNEVEN_FIRING] == (
        "fires unevenly: 1 315 degrees after 2 and 2 405 degrees after 1"
    )
    four = Engine(4, firing_order=(1, 3, 4, 2))
    sees = ((1,), (2,), (3,), (4,))
    assert Caution.EVEN_FIRING_ASSUMED in said(session(four, *sees, timing="paired"))
    even = Engine(4, firing_order=(1, 3, 4, 2), firing_angles_deg=(0.0, 180.0, 360.0, 540.0))
    assert not said(session(even, *sees, timing="paired"))
