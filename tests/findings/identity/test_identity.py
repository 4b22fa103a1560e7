"""Identity by readings that scipy made: right orders, honest doubt, and refusals."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.signal
from drives import FUEL
from fuel_answers import Played, orders, session
from laws import everything, same_for_all_splits

from mixmon.findings.identity.identity import (
    TYPED_DELAYS_S,
    IdentityStage,
    identify_labels,
    review_identity,
)
from mixmon.findings.identity.notes import IdentityNote, LabelNote
from mixmon.findings.identity.plan import plan_steps
from mixmon.gas.exhaust import oxygen_balance
from mixmon.mixture.align import FIRST_ROW_NS, GRID_NS
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.report.answers import identity_answer
from mixmon.report.words import sentence
from mixmon.session.evidence import IdentityState
from mixmon.session.keys import trim_quantity
from mixmon.session.model import Chain, Engine, Injection, Node


def planned(n, **more):
    return plan_steps([(c,) for c in range(1, n + 1)], **more)


def mixed_order(n, seed):
    return np.random.default_rng(seed).permutation(n)


def identify(n, seed=1, *, steps=None, of=None, more=None, **play):
    """The order of the sensors, and what is found of them."""
    order = mixed_order(n, seed)
    sees = orders(n, order)
    made = Played(planned(n) if steps is None else steps, sees if of is None else of(sees), seed=seed, **play)
    return order, identify_labels(more or session(n), made.windows(), TYPED_DELAYS_S)


def codes(found):
    return [note.code for note in found.notes]


def seen(found):
    return [label.cylinders for label in found.labels]


def claims_nothing(found):
    return (
        found.state is IdentityState.UNPROVED
        and not any(label.cylinders for label in found.labels)
        and all(np.isnan(label.confidence) for label in found.labels)
        and found.exchanged == ()
    )


# --- What is right. tools/identity_study.py counts a thousand orders. ---


@pytest.mark.parametrize("n", [8, 16])
def test_random_orders_of_labels_are_found(n):
    for seed in range(48 // n):
        order, found = identify(n, seed)
        assert seen(found) == [(i + 1,) for i in order]
        assert min(label.confidence for label in found.labels) > 0.999


def test_labels_in_order_are_proved_and_exchanged_ones_are_named():
    made = Played(planned(8), np.eye(8))
    assert identify_labels(session(8), made.windows(), TYPED_DELAYS_S).proved
    made = Played(planned(8), orders(8, [0, 1, 3, 2, 4, 5, 6, 7]))
    found = identify_labels(session(8), made.windows(), TYPED_DELAYS_S)
    assert (found.state, found.exchanged) == (IdentityState.DISPROVED, ((3, 4),))
    assert [n.code for n in found.labels[2].flags] == [LabelNote.OTHER_CYLINDER]


def test_gain_delay_and_lag_are_those_of_the_readings():
    _, found = identify(8, 3, gain=1.4, delays_s=(0.2, 0.2), lags_s=(0.12, 0.12))
    for label in found.labels:
        assert label.gain == pytest.approx(1.4, abs=0.1)
        assert label.delay_s + label.lag_s == pytest.approx(0.2 + 0.12 + 0.02, abs=0.1)


@pytest.mark.parametrize("late_s", [-0.9, 1.3])
def test_who_types_a_second_early_or_late_is_understood(late_s):
    order, found = identify(8, 4, late_s=late_s)
    assert seen(found) == [(i + 1,) for i in order]


# --- Doubt. ---


@pytest.mark.parametrize("noise", [0.1, 0.2])
def test_a_wrong_assignment_has_little_confidence(noise):
    """Noise twenty and forty times that of a steady engine: some are wrong, and none of those is sure."""
    wrong = []
    for seed in range(5):
        order, found = identify(8, seed, noise=noise)
        wrong += [
            label.confidence
            for label, i in zip(found.labels, order, strict=True)
            if label.cylinders and label.cylinders != (i + 1,)
        ]
    assert wrong
    assert max(wrong) < 0.99


def test_steps_that_drown_in_noise_prove_nothing():
    for seed in range(4):
        _, found = identify(8, seed, steps=planned(8, percent=0.1), noise=0.01)
        assert not found.proved


# --- Where nothing may be claimed. ---


def test_a_log_without_steps():
    found = identify_labels(session(8), [], TYPED_DELAYS_S, moved=False)
    assert claims_nothing(found)
    assert codes(found) == [IdentityNote.NO_STEPS]


@pytest.mark.parametrize("single", [False, True])
def test_steps_that_were_not_in_force(single):
    for seed in range(3):
        _, found = identify(8, seed, steps=planned(8, single=single), of_fuel=np.zeros_like)
        assert claims_nothing(found)
        assert codes(found) == [IdentityNote.NOT_ANSWERED]


@pytest.mark.parametrize("single", [False, True])
def test_trims_that_work_the_wrong_way_round(single):
    _, found = identify(8, 2, steps=planned(8, single=single), of_fuel=np.negative)
    assert claims_nothing(found)
    assert codes(found) == [IdentityNote.ANSWERED_REVERSED]


@pytest.mark.parametrize("single", [False, True])
@pytest.mark.parametrize(("share", "claimed"), [(0.1, True), (0.5, False), (1.0, False)])
def test_a_control_that_holds_the_mean_is_noticed_from_a_third_on(single, share, claimed):
    def held(fuel):
        return fuel - share * fuel.mean(axis=1, keepdims=True)

    _, found = identify(8, 3, steps=planned(8, single=single), of_fuel=held)
    assert claims_nothing(found) != claimed
    if not claimed:
        [why] = found.notes
        assert why.code is IdentityNote.CLOSED_LOOP_SEEN
        assert dict(why.values)["share_percent"] == pytest.approx(100 * share, abs=12)


def test_a_control_that_corrects_one_bank_is_noticed():
    def held(fuel):
        out = fuel.copy()
        out[:, 4:] -= fuel[:, 4:].mean(axis=1, keepdims=True)
        return out

    banked = session(8, engine=Engine(8, banks={"A": (1, 2, 3, 4), "B": (5, 6, 7, 8)}))
    _, found = identify(8, 3, of_fuel=held, more=banked)
    assert claims_nothing(found)
    assert codes(found) == [IdentityNote.CLOSED_LOOP_SEEN]


def test_a_control_that_corrects_each_cylinder_is_noticed_by_answers_that_decay():
    def held(fuel):
        keep = np.exp(-0.01 / 6.0)
        return scipy.signal.lfilter([1, -1], [1, -keep], fuel, axis=0)

    _, found = identify(8, 4, of_fuel=held)
    assert claims_nothing(found)
    assert codes(found) == [IdentityNote.ANSWER_DECAYS]


# --- Pairs, shared sensors, labels that are missing, mixtures. ---

PAIRS = ((1, 6), (2, 5), (3, 4), (7, 8))


def driven_in_pairs(fuel):
    out = fuel.copy()
    for a, b in PAIRS:
        out[:, [a - 1, b - 1]] = fuel[:, [a - 1, b - 1]].mean(axis=1, keepdims=True)
    return out


def test_injectors_in_pairs_that_nobody_told_are_named_as_pairs():
    _, found = identify(8, 5, steps=planned(8, single=True), of_fuel=driven_in_pairs)
    assert claims_nothing(found)
    assert [(n.code, dict(n.values)["pairs"]) for n in found.notes] == [
        (IdentityNote.ANSWERS_IN_PAIRS, PAIRS)
    ]
    _, found = identify(8, 5, of_fuel=driven_in_pairs)
    assert claims_nothing(found)
    assert [(n.code, dict(n.values)["pairs"]) for n in found.notes] == [(IdentityNote.ANSWERS_IN_PAIRS, ())]


def test_three_labels_in_a_ring_are_named_beside_an_exchanged_pair():
    made = Played(planned(8), orders(8, [1, 2, 0, 3, 4, 6, 5, 7]))
    found = identify_labels(session(8), made.windows(), TYPED_DELAYS_S)
    assert found.exchanged == ((6, 7),)
    [ring] = [n for n in found.notes if n.code is IdentityNote.MISPLACED]
    assert dict(ring.values)["labels"] == (1, 2, 3)
    assert "labels 1, 2 and 3 see other cylinders than their own" in sentence(ring)


def in_one_pair(fuel):
    out = fuel.copy()
    out[:, :2] = fuel[:, :2].mean(axis=1, keepdims=True)
    return out


def by_one_wire(fuel):
    out = fuel.copy()
    out[:, 1] = fuel[:, 0]
    return out


@pytest.mark.parametrize("single", [False, True])
@pytest.mark.parametrize("driven", [in_one_pair, by_one_wire])
def test_two_labels_that_answer_alike_are_not_told_apart_by_their_noise(driven, single):
    for seed in (3, 6):  # one label in each of the cylinders whose fuel moves together
        made = Played(planned(8, single=single), np.eye(8), of_fuel=driven, seed=seed)
        found = identify_labels(session(8), made.windows(), TYPED_DELAYS_S)
        assert not any(label.told for label in found.labels[:2])
        assert seen(found)[2:] == [(c,) for c in range(3, 9)]
        assert (found.state, found.exchanged) == (IdentityState.UNPROVED, ())
        assert all(label.flags for label in found.labels[:2])


def test_declared_pairs_are_proved_as_pairs():
    paired = session(
        4,
        engine=Engine(4, firing_order=(1, 3, 4, 2)),
        injection=Injection(timing="paired"),
    )
    steps = plan_steps([(1, 4), (2, 3)])

    def by_drivers(fuel):
        out = fuel.copy()
        for members in ([0, 3], [1, 2]):
            out[:, members] = fuel[:, members].mean(axis=1, keepdims=True)
        return out

    told = []
    for sees, state in (
        (np.eye(4), IdentityState.PROVED),
        (orders(4, [3, 1, 2, 0]), IdentityState.PROVED),  # exchanged within a pair: no step shows it
        (orders(4, [1, 0, 2, 3]), IdentityState.DISPROVED),
        (orders(4, [1, 0, 3, 2]), IdentityState.DISPROVED),
    ):
        made = Played(steps, sees, of_fuel=by_drivers)
        found = identify_labels(paired, made.windows(), TYPED_DELAYS_S)
        assert found.state is state
        assert IdentityNote.WITHIN_PAIRS_NOT_KNOWN in codes(found)
        told.append(dict(identity_answer(found).notes[0].values))
    assert [one.get("within_pairs") for one in told] == [1, 1, None, None]
    assert [set(one["labels"]) for one in told[2:]] == [{1, 2}, {1, 2, 3, 4}]
    assert seen(found) == [(2, 3), (1, 4), (1, 4), (2, 3)]


def test_a_sensor_of_two_cylinders_is_known_by_their_mean():
    nodes = (Node(1, (1, 2)), Node(2, (3,)), Node(3, (4,)))
    shared = session(4, chain=Chain("chain", {}, nodes))
    sees = np.array([[0.5, 0.5, 0, 0], [0, 0, 0, 1.0], [0, 0, 1.0, 0]])
    found = identify_labels(shared, Played(planned(4), sees).windows(), TYPED_DELAYS_S)
    assert found.other_reading.labels == ((3, 4), (4, 3))  # of four cylinders two steps can look the same
    assert seen(found) == [(1, 2), (), ()]
    assert IdentityNote.SPLIT_NOT_KNOWN in codes(found)


def test_cylinders_without_a_sensor_may_be_where_a_label_is():
    few = session(8, chain=Chain("chain", {}, tuple(Node(i, (i,)) for i in range(1, 5))))
    sees = np.eye(8)[[0, 6, 2, 3]]
    found = identify_labels(few, Played(planned(8), sees).windows(), TYPED_DELAYS_S)
    assert seen(found) == [(1,), (7,), (3,), (4,)]
    assert found.state is IdentityState.DISPROVED


def test_a_label_without_valid_readings_is_told_and_the_others_are_matched():
    made = Played(planned(8), np.eye(8))
    [window] = made.windows()
    readings = window.ln_lambda.copy()
    readings[: len(readings) * 2 // 3, 4] = np.nan
    readings[200:260, 2] = np.nan  # three seconds are no matter
    found = identify_labels(session(8), [replace(window, ln_lambda=readings)], TYPED_DELAYS_S)
    assert found.state is IdentityState.UNPROVED
    assert seen(found) == [(i,) if i != 5 else () for i in range(1, 9)]
    assert [n.code for n in found.labels[4].flags] == [LabelNote.NOT_VALID]


def test_a_label_that_answers_nobody_is_not_matched():
    sees = np.eye(8)
    sees[3] = 0.0
    found = identify_labels(session(8), Played(planned(8), sees).windows(), TYPED_DELAYS_S)
    assert seen(found)[3] == ()
    assert [n.code for n in found.labels[3].flags] == [LabelNote.WEAK_ANSWER]
    assert found.state is IdentityState.UNPROVED


def test_too_few_patterns_leave_cylinders_together_and_say_which():
    steps = planned(4)[:2]  # all together, and one digit
    found = identify_labels(session(4), Played(steps, np.eye(4)).windows(), TYPED_DELAYS_S)
    assert found.state is IdentityState.UNPROVED
    assert seen(found) == [(), (), (), ()]
    by_code = {n.code: dict(n.values) for n in found.notes}
    assert by_code[IdentityNote.NOT_SEPARATED]["groups"] == ((1, 3), (2, 4))


def test_steps_without_one_of_all_cylinders_cannot_show_a_wrong_sign():
    found = identify_labels(session(8), Played(planned(8)[1:], np.eye(8)).windows(), TYPED_DELAYS_S)
    assert found.proved
    assert IdentityNote.SIGN_NOT_CHECKED in codes(found)
    assert IdentityNote.SIGN_NOT_CHECKED not in codes(identify(8)[1])


def test_eight_percent_of_a_neighbour_are_found_within_two():
    """Steps of 5 %, noise 0.3 %: a standard error of 0.9, so nineteen entries in twenty are within two."""

    def with_neighbour(sees):
        return 0.92 * sees + 0.08 * np.roll(sees, 3, axis=1)

    errors, scaled = [], []
    for seed in range(4):
        steps = planned(8, single=True, percent=5.0)
        order, found = identify(8, seed, steps=steps, of=with_neighbour, noise=0.003)
        away = found.crosstalk_percent - 100 * with_neighbour(np.eye(8))[order]
        errors += [away[row, (i + 3) % 8] for row, i in enumerate(order)]
        scaled += (away / found.crosstalk_half).ravel().tolist()
        assert seen(found) == [(i + 1,) for i in order]
    assert np.mean(np.abs(errors) < 2.0) >= 0.9
    assert abs(np.mean(errors)) < 0.5
    assert np.mean(np.abs(scaled) < 1.0) == pytest.approx(0.95, abs=0.03)


def test_groups_of_cylinders_give_no_crosstalk_and_say_so():
    _, found = identify(8)
    assert np.isnan(found.crosstalk_percent).all()
    assert IdentityNote.CROSSTALK_NOT_MEASURED in codes(found)


# --- The stage. ---


def played_rows(made, *, rpm=3000.0, now=None, state=None):
    k, n = made.ln_lambda.shape
    lam = np.exp(made.ln_lambda)
    known = {"rpm": np.broadcast_to(np.asarray(rpm, float), k), "load": np.full(k, 18.0)} | (now or {})
    return CylinderBlock(
        t=FIRST_ROW_NS + np.arange(k, dtype=np.int64) * GRID_NS,
        stretch=np.zeros(k, np.int64),
        lam=lam,
        oxygen=np.asarray(oxygen_balance(lam, FUEL)),
        age=np.zeros((k, n), np.int64),
        fresh=np.ones((k, n), np.bool_),
        state=np.zeros((k, n), np.uint8) if state is None else state,
        shifted={},
        now=known,
        aux={},
    )


def test_rows_with_listed_steps_give_the_same_however_they_are_cut():
    made = Played(planned(4), orders(4, [1, 0, 2, 3]))
    rows = played_rows(made)

    def run(pieces):
        stage = IdentityStage(session(4), made.steps)
        for piece in pieces:
            stage.feed(rows.take(piece))
        first = stage.result()
        assert everything(first.labels) == everything(stage.result().labels)
        return first.state, first.exchanged, everything(first.labels), first.steps

    state, exchanged, _, steps = same_for_all_splits(len(rows), run, most=100)
    assert (state, exchanged, steps) == (IdentityState.DISPROVED, ((1, 2),), 4)


def test_trims_that_the_control_reports_are_steps_and_held_trims_are_not():
    made = Played(planned(4), orders(4, [0, 1, 3, 2]), delays_s=(0.1, 0.2))
    held = np.array([4.0, -2.0, 0.0, 1.0])
    percent = 100 * ((1 + held / 100) * np.exp(made.fuel) - 1)
    reported = {trim_quantity(c + 1): percent[:, c] for c in range(4)}
    found = review_identity(session(4), [played_rows(made, now=reported)])
    assert (found.state, found.exchanged, found.steps) == (IdentityState.DISPROVED, ((3, 4),), 4)
    still = {trim_quantity(c + 1): np.full(len(made.fuel), held[c]) for c in range(4)}
    found = review_identity(session(4), [played_rows(made, now=still)])
    assert codes(found) == [IdentityNote.NO_STEPS]


def test_an_engine_that_is_not_held_gives_nothing():
    made = Played(planned(4), np.eye(4))
    swinging = 3000 + 400 * np.sin(np.arange(len(made.fuel)) / 80)
    found = review_identity(session(4), [played_rows(made, rpm=swinging)], made.steps)
    assert claims_nothing(found)
    assert codes(found) == [IdentityNote.NOT_STEADY]


def test_a_reported_closed_loop_gives_nothing():
    made = Played(planned(4), np.eye(4))
    closed = {"closed_loop": (np.arange(len(made.fuel)) > 1500).astype(float)}
    found = review_identity(session(4), [played_rows(made, now=closed)], made.steps)
    assert claims_nothing(found)
    assert codes(found) == [IdentityNote.CLOSED_LOOP_REPORTED]


def test_samples_that_are_not_valid_do_not_count():
    made = Played(planned(4), np.eye(4))
    state = np.zeros((len(made.fuel), 4), np.uint8)
    state[:, 1] = SampleState.SETTLING
    found = review_identity(session(4), [played_rows(made, state=state)], made.steps)
    assert seen(found) == [(1,), (), (3,), (4,)]


def test_a_part_of_a_log_has_its_steps_where_the_whole_has_them():
    made = Played(planned(4), np.eye(4))
    rows = played_rows(made)
    part = rows.take(slice(500, len(rows)))
    assert review_identity(session(4), [part], made.steps, begin_s=5.0).proved


def test_steps_that_lie_outside_what_was_read_are_said_to_do_so():
    made = Played(planned(4), np.eye(4))
    later = [replace(s, from_s=s.from_s + 1000, to_s=s.to_s + 1000) for s in made.steps]
    found = review_identity(session(4), [played_rows(made)], later)
    assert claims_nothing(found)
    [why] = found.notes
    assert why.code is IdentityNote.STEPS_ELSEWHERE
    assert dict(why.values)["read_s"] == pytest.approx((0, len(made.fuel) * 0.01), abs=0.2)


def test_an_hour_without_a_step_is_not_kept():
    stage = IdentityStage(session(2), ())
    made = Played((), np.eye(2))
    rows = played_rows(made)
    for k in range(80):
        stage.feed(replace(rows, t=rows.t + k * len(rows) * GRID_NS))
    assert sum(len(kept) for kept in vars(stage).values() if isinstance(kept, list)) < 3000
    assert codes(stage.result()) == [IdentityNote.NO_STEPS]


# --- Two steps typed in each other's place. ---


def exchanged_steps(n, one, other):
    """The steps as listed, and as they were typed: two of them in each other's place."""
    listed = list(planned(n))
    typed = listed.copy()
    typed[one] = replace(listed[one], percent=listed[other].percent)
    typed[other] = replace(listed[other], percent=listed[one].percent)
    return listed, typed


@pytest.mark.parametrize(("n", "one", "other"), [(8, 1, 2), (8, 2, 4), (16, 1, 3)])
def test_two_steps_typed_in_each_others_place_leave_both_readings_open(n, one, other):
    listed, typed = exchanged_steps(n, one, other)
    windows = Played(typed, np.eye(n), seed=3).windows()
    listed_fuel = Played(listed, np.eye(n), seed=3).windows()
    told = [replace(w, ln_fuel=as_listed.ln_fuel) for w, as_listed in zip(windows, listed_fuel, strict=True)]
    found = identify_labels(session(n), told, TYPED_DELAYS_S)
    assert found.state is IdentityState.UNPROVED
    assert found.exchanged == ()
    assert found.other_reading.steps == (one + 1, other + 1)
    seem = dict(found.other_reading.labels)
    assert seem
    assert all(seem[seen] == label for label, seen in seem.items())  # pairs, each of the other
    for label in found.labels:
        if label.labelled[0] in seem:
            assert (label.cylinders, [f.code for f in label.flags]) == ((), [LabelNote.OR_STEPS_EXCHANGED])
        else:
            assert label.cylinders == label.labelled
    words = sentence(found.notes[0])
    first = found.other_reading.labels[0]
    assert found.notes[0].code is IdentityNote.LABELS_OR_STEPS
    assert f"fuel steps {one + 1} and {other + 1} were typed in each other's place" in words
    assert f"step cylinder {first[0]} alone, once" in words
    assert f"label {first[1]} if the labels are" in words
    by_signal = identify_labels(session(n), told, TYPED_DELAYS_S, typed=False)
    assert by_signal.state is IdentityState.DISPROVED


def test_the_test_that_is_named_separates_the_two_readings():
    """Cylinder 2 alone: label 2 answers where the steps were exchanged, label 3 where the labels are."""
    alone = [replace(planned(8)[0], percent=((2, 3.0),))]
    for order, right in ((range(8), True), ([0, 2, 1, 3, 4, 6, 5, 7], False)):
        made = Played(alone, orders(8, list(order)), seed=5)
        found = identify_labels(session(8), made.windows(), TYPED_DELAYS_S)
        told = [label.labelled for label in found.labels if label.told]
        assert told == [(2,) if right else (3,)]
        assert (found.state is IdentityState.DISPROVED) is not right


def test_one_exchanged_pair_of_labels_is_explained_by_no_two_steps():
    made = Played(planned(8), orders(8, [0, 1, 3, 2, 4, 5, 6, 7]))
    found = identify_labels(session(8), made.windows(), TYPED_DELAYS_S)
    assert found.state is IdentityState.DISPROVED
    assert found.other_reading is None
