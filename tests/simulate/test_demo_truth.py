"""The demo engine's planted effects against tables that were worked out by hand from them."""

import numpy as np
import pytest

from mixmon.simulate.load import load_scenario
from mixmon.simulate.truth import CellTruth, cells_of, needs, spread
from mixmon.simulate.world import World

CELLS = [
    (1100, 3),
    (2000, 10),
    (3000, 18),
    (4000, 35),
    (5000, 60),
    (6000, 100),
    (7000, 100),
    (7800, 100),
]

# Worked by hand (computed): target * air / [(1 + base) (1 + flow) (pulse - late) / pulse], three digits.
TRUE = [
    ([0.937, 0.885, 0.982, 0.910, 0.931, 0.915, 0.928, 0.941], 10.4),
    ([0.985, 0.948, 1.035, 0.961, 0.982, 0.965, 0.979, 0.973], 8.9),
    ([0.998, 0.970, 1.051, 0.977, 0.997, 0.980, 0.994, 0.978], 8.2),
    ([0.978, 0.959, 1.034, 0.963, 0.981, 0.965, 0.978, 0.957], 7.9),
    ([0.915, 0.901, 0.970, 0.904, 0.920, 0.905, 0.917, 0.895], 8.2),
    ([0.861, 0.850, 0.915, 0.853, 0.867, 0.853, 0.865, 0.843], 8.3),
    ([0.861, 0.850, 0.915, 0.853, 0.867, 0.853, 0.865, 0.843], 8.3),
    ([0.847, 0.836, 0.900, 0.839, 0.853, 0.839, 0.851, 0.829], 8.3),
]
# The same with leak and sensor bias, by label, labels 3 and 4 exchanged.
READ = [
    ([0.940, 0.881, 0.910, 0.983, 0.939, 0.996, 0.923, 0.940], 12.2),
    ([0.988, 0.944, 0.961, 1.036, 0.991, 1.012, 0.973, 0.972], 9.4),
    ([1.001, 0.966, 0.977, 1.052, 1.006, 1.007, 0.988, 0.977], 8.7),
    ([0.981, 0.955, 0.963, 1.035, 0.990, 0.977, 0.972, 0.956], 8.2),
    ([0.918, 0.897, 0.904, 0.971, 0.928, 0.910, 0.912, 0.894], 8.4),
    ([0.864, 0.847, 0.853, 0.916, 0.875, 0.855, 0.860, 0.842], 8.5),
    ([0.864, 0.847, 0.853, 0.916, 0.875, 0.855, 0.860, 0.842], 8.5),
    ([0.850, 0.833, 0.839, 0.901, 0.861, 0.841, 0.846, 0.828], 8.5),
]
ENGINE_NEEDS = [0.9, -0.2, 1.3, 2.8, 1.7, -0.8, -0.8, -1.3]
FULL_LOAD_NEEDS = [-0.2, -1.5, 6.0, -1.2, 0.5, -1.2, 0.2, -2.3]
SPREAD_AFTER = [7.2, 3.7, 1.9, 0.9, 0.5, 0.4, 0.4, 0.4]

# Half a unit of the last printed digit, and a little for the rounding of what went in.
THREE_DIGITS = 0.0005 + 1e-6
ONE_DIGIT = 0.05 + 1e-6


def cell_truths(name):
    world = World(load_scenario(name), seed=1)
    by_point = {(cell.rpm, cell.load): cell for cell in cells_of(world)}
    return world, [CellTruth(world, by_point[point]) for point in CELLS]


BEFORE_WORLD, BEFORE = cell_truths("alder8")
_, AFTER = cell_truths("alder8-after")


@pytest.mark.parametrize("k", range(8))
def test_true_lambda_of_every_cylinder_in_every_cell(k):
    lam, widest = TRUE[k]
    assert BEFORE[k].lam == pytest.approx(lam, abs=THREE_DIGITS)
    assert spread(BEFORE[k].lam) == pytest.approx(widest, abs=ONE_DIGIT)


@pytest.mark.parametrize("k", range(8))
def test_what_the_labels_read(k):
    lam, widest = READ[k]
    by_label = BEFORE[k].read[list(BEFORE_WORLD.cylinder_of)]
    assert by_label == pytest.approx(lam, abs=THREE_DIGITS)
    assert spread(by_label) == pytest.approx(widest, abs=ONE_DIGIT)


def test_the_engine_against_its_target():
    found = [100 * (1 / np.mean(1 / cell.lam) / cell.target - 1) for cell in BEFORE]
    assert found == pytest.approx(ENGINE_NEEDS, abs=ONE_DIGIT)
    leak_drags_idle_to = 100 * (1 / np.mean(1 / BEFORE[0].read) / BEFORE[0].target - 1)
    assert leak_drags_idle_to == pytest.approx(1.9, abs=ONE_DIGIT)


def test_full_load_needs_and_what_the_rounded_trims_leave():
    found = np.mean([needs(cell.lam) for cell in BEFORE[5:]], axis=0)
    assert found == pytest.approx(FULL_LOAD_NEEDS, abs=ONE_DIGIT)
    assert [spread(cell.lam) for cell in AFTER] == pytest.approx(SPREAD_AFTER, abs=ONE_DIGIT)


@pytest.mark.parametrize("k", [0, 3, 6])
def test_exact_trims_leave_no_spread_and_keep_the_engine_where_it_is(k):
    trims = tuple(BEFORE[k].exact_trims())
    trimmed = CellTruth(World(load_scenario("alder8"), seed=1, trims=trims), BEFORE[k].cell)
    assert spread(trimmed.lam) == pytest.approx(0, abs=1e-9)
    assert np.mean(1 / trimmed.lam) == pytest.approx(np.mean(1 / BEFORE[k].lam), rel=1e-12)


def test_delays_at_idle_at_3000_and_at_full_load():
    # 0.8 cycles, plug flow through 320 mm of 44 mm pipe, at least half a cycle (computed)
    assert BEFORE[0].dead_delays() == pytest.approx([0.22] * 8, abs=0.01)
    assert BEFORE[2].dead_delays() == pytest.approx([0.06] * 8, abs=0.005)
    assert BEFORE[7].dead_delays() == pytest.approx([0.020] * 8, abs=0.001)
