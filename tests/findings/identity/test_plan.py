"""Plans of fuel steps: codes that differ, that show a wrong sign, and that fit in a minute."""

from itertools import combinations

import numpy as np
import pytest

from mixmon.errors import UsageError
from mixmon.findings.identity.plan import coded_signs, plan_steps, single_signs


def alone(count):
    return [(c,) for c in range(1, count + 1)]


@pytest.mark.parametrize("count", range(2, 17))
def test_two_codes_differ_in_two_steps_and_none_is_the_reverse_of_another(count):
    codes = np.array(coded_signs(count)).T
    assert (np.abs(codes) == 1).all()
    for one, other in combinations(codes, 2):
        assert (one != other).sum() >= 2
        assert (one != -other).any()


@pytest.mark.parametrize(("count", "patterns"), [(8, 3), (16, 4)])
def test_groups_are_as_many_as_digits_and_one_for_all_and_one_that_checks(count, patterns):
    assert len(coded_signs(count)) == patterns + 2
    assert plan_steps(alone(count))[-1].to_s <= 10 + 60


def test_single_steps_move_one_place_up_and_down():
    signs = np.array(single_signs(5))
    assert (np.abs(signs).sum(axis=1) == 1).all()
    assert (signs.sum(axis=0) == 0).all()
    assert np.linalg.matrix_rank(signs) == 5


def test_cylinders_of_one_driver_step_together():
    steps = plan_steps([(1, 6), (2, 5), (3, 4)], percent=2.0)
    for step in steps:
        by = dict(step.percent)
        assert (by[1], by[2], by[3]) == (by[6], by[5], by[4])
        assert set(map(abs, by.values())) == {2.0}


def test_one_trim_for_all_has_no_plan():
    with pytest.raises(UsageError, match="all cylinders have one trim"):
        plan_steps([(1, 2, 3, 4)])
