"""Steady time and cells, against row-by-row definitions and a scripted drive."""

from __future__ import annotations

import numpy as np
from laws import same_for_all_splits

from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock
from mixmon.mixture.steady import NOWHERE, Bins, Cell, CellGrid, Steady
from mixmon.session.model import Axes, Staging, Validity

AXES = Axes(rpm=(2000.0, 3000.0, 4000.0), load=(20.0, 60.0, 100.0))


def block(
    rpm: np.ndarray, load: np.ndarray, first: int = 0, stretch: int = 0, **more: np.ndarray
) -> CylinderBlock:
    k = len(rpm)
    one = np.zeros((k, 1))
    return CylinderBlock(
        t=(first + np.arange(k)) * GRID_NS,
        stretch=np.full(k, stretch),
        lam=one + 0.9,
        oxygen=one,
        age=one.astype(np.int64),
        fresh=one == 0,
        state=one.astype(np.uint8),
        shifted={},
        now={"rpm": rpm, "load": load, **more},
        aux={},
    )


def test_cells_are_numbered_by_speed_then_load() -> None:
    grid = CellGrid(AXES)
    assert len(grid) == 9
    assert grid.cell(5) == Cell(3000.0, 100.0)
    assert CellGrid(Axes(rpm=(1000.0, 2000.0))).cell(1) == Cell(2000.0, None)
    assert CellGrid(Axes()).cell(0) == Cell(None, None)


def test_steady_begins_after_the_settle_time_and_ends_at_once() -> None:
    rpm = np.full(1000, 3000.0)
    rpm[700:] = 3400.0
    cells = Steady(AXES, Validity()).feed(block(rpm, np.full(1000, 60.0)))
    assert (cells[:299] == NOWHERE).all()
    assert (cells[299:700] == 4).all()
    assert (cells[700:999] == NOWHERE).all()
    assert cells[999] == 4


def test_noise_within_the_bands_is_steady_and_a_slow_drift_across_them_is_not() -> None:
    rng = np.random.default_rng(1)
    noisy = 3000 + rng.uniform(-55, 55, 1000)
    assert (Steady(AXES, Validity()).feed(block(noisy, np.full(1000, 60.0)))[299:] == 4).all()
    drift = 2700 + 50 * np.arange(1000) / 100
    assert (Steady(AXES, Validity()).feed(block(drift, np.full(1000, 60.0))) == NOWHERE).all()


def test_a_moving_target_is_not_steady() -> None:
    target = np.full(1000, 0.9)
    target[600:] = 0.92
    cells = Steady(AXES, Validity()).feed(block(np.full(1000, 3000.0), np.full(1000, 60.0), target=target))
    assert (cells[299:600] == 4).all()
    assert (cells[600:899] == NOWHERE).all()


def test_a_target_that_is_not_known_asks_nothing() -> None:
    unknown = np.full(1000, np.nan)
    cells = Steady(AXES, Validity()).feed(block(np.full(1000, 3000.0), np.full(1000, 60.0), target=unknown))
    assert (cells[299:] == 4).all()


def test_outside_the_axes_is_in_no_cell_and_an_unknown_speed_is_not_steady() -> None:
    steady = Steady(AXES, Validity())
    assert (steady.feed(block(np.full(500, 1400.0), np.full(500, 60.0))) == NOWHERE).all()
    gap = np.full(500, 3000.0)
    gap[350] = np.nan
    cells = Steady(AXES, Validity()).feed(block(gap, np.full(500, 60.0)))
    assert (cells[299:350] == 4).all()
    assert (cells[350:] == NOWHERE).all()


def test_noise_on_an_edge_does_not_flicker() -> None:
    rng = np.random.default_rng(2)
    on_edge = 2500 + rng.uniform(-90, 90, 2000)
    index = Bins(AXES.rpm).feed(on_edge)
    assert len(set(index.tolist())) == 1
    over = Bins(AXES.rpm).feed(np.array([2400.0, 2590.0, 2610.0, 2410.0, 2390.0]))
    assert over.tolist() == [0, 0, 1, 1, 0]


def test_a_new_stretch_of_time_settles_anew() -> None:
    steady = Steady(AXES, Validity())
    steady.feed(block(np.full(400, 3000.0), np.full(400, 60.0)))
    cells = steady.feed(block(np.full(400, 3000.0), np.full(400, 60.0), stretch=1))
    assert (cells[:299] == NOWHERE).all()
    assert (cells[299:] == 4).all()


def test_without_engine_signals_everything_settled_is_one_cell() -> None:
    steady = Steady(Axes(), Validity())
    data = block(np.zeros(400), np.zeros(400))
    bare = CylinderBlock(
        data.t, data.stretch, data.lam, data.oxygen, data.age, data.fresh, data.state, {}, {}, {}
    )
    cells = steady.feed(bare)
    assert (cells[:299] == NOWHERE).all()
    assert (cells[299:] == 0).all()


def test_a_scripted_drive_is_found() -> None:
    # dwells of 12 s joined by ramps of half a second, then a sweep of 9 s: all of the settled time
    # is found, and a ramp is noticed within half a second
    rng = np.random.default_rng(3)
    rpm, load = [2000.0] * 1200, [20.0] * 1200
    ramp, settled = [False] * 1200, [False] * 299 + [True] * 901
    for a, b, rows in ((3000, 60, 50), (4000, 100, 50), (2000, 100, 50), (4400, 100, 900)):
        rpm += [*np.linspace(rpm[-1], a, rows), *([a] * 1200)]
        load += [*np.linspace(load[-1], b, rows), *([b] * 1200)]
        ramp += [False] * 50 + [True] * (rows - 50) + [False] * 1200
        settled += [False] * (rows + 299) + [True] * 901
    noisy = np.array(rpm) + rng.normal(0, 8, len(rpm))
    found = (
        Steady(AXES, Validity()).feed(block(noisy, np.array(load) + rng.normal(0, 0.2, len(rpm)))) != NOWHERE
    )
    assert found[np.array(settled)].all()
    assert not found[np.array(ramp)].any()


def test_cells_do_not_depend_on_the_split() -> None:
    rng = np.random.default_rng(6)
    rpm = 2500 + np.repeat(np.cumsum(rng.normal(0, 300, 8)), 500) + rng.normal(0, 5, 4000)
    load = 40 + np.cumsum(rng.normal(0, 0.05, 4000))

    def run(pieces: list[slice]) -> object:
        steady = Steady(AXES, Validity())
        return np.concatenate([steady.feed(block(rpm[p], load[p], p.start)) for p in pieces]).tolist()

    found = same_for_all_splits(4000, run)
    assert len(set(found)) > 2  # type: ignore[arg-type]


def test_nothing_is_steady_while_a_cut_is_no_longer_told() -> None:
    rpm, load = np.full(1500, 3000.0), np.full(1500, 60.0)
    told = np.zeros(1500)
    told[:200] = told[700:800] = np.nan
    rows = block(rpm, load, fuel_cut=told, spark_cut=np.full(1500, np.nan))
    steady = Steady(AXES, Validity())
    cells = steady.feed(rows)
    assert (np.flatnonzero(cells == 4) == [*range(299, 700), *range(1099, 1500)]).all()
    assert steady.cuts_unknown == 100

    def run(pieces: list[slice]) -> list[int]:
        stage = Steady(AXES, Validity())
        return [
            *np.concatenate([stage.feed(rows.take(piece)) for piece in pieces]).tolist(),
            stage.cuts_unknown,
        ]

    assert same_for_all_splits(1500, run) == [*cells.tolist(), 100]


def test_cells_are_split_at_the_staging_line_and_rows_near_it_are_in_none() -> None:
    """By hand, with bands of 60 rpm and 2 %: beyond from 3560 and 52 on; before below 3440 or below 48."""
    rows = [(3400, 60, 1), (3440, 60, None), (3500, 60, None), (3560, 60, 2), (3600, 49, None), (3600, 47, 1)]
    for rpm, load, stage in rows:
        steady = Steady(AXES, Validity(), Staging(3500, 50))
        (last,) = {int(steady.feed(block(np.full(400, float(rpm)), np.full(400, float(load))))[-1])}
        assert last == NOWHERE if stage is None else steady.grid.cell(last).injection_stage == stage
        assert steady.near_line == (400 if stage is None else 0)


def test_a_visit_that_crosses_the_staging_line_is_two() -> None:
    rpm = np.repeat([3300.0, 3700.0], 500)
    steady = Steady(AXES, Validity(rpm_band=60), Staging(rpm_above=3500))
    cells = steady.feed(block(rpm, np.full(1000, 60.0)))
    first, second = steady.grid.cell(int(cells[450])), steady.grid.cell(int(cells[950]))
    assert (first.injection_stage, second.injection_stage) == (1, 2)
    assert (cells[500:799] == NOWHERE).all()
    assert len(steady.grid) == 18


def test_without_a_speed_no_row_has_a_stage() -> None:
    rows = block(np.full(400, np.nan), np.full(400, 60.0))
    assert (Steady(Axes(load=(60.0, 70.0)), Validity(), Staging(rpm_above=3500)).feed(rows) == NOWHERE).all()
