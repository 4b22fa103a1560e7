"""The trim sheet in its shapes: parts of needs, banks, maps, and what every cell is said to become."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import scipy.stats

from mixmon.findings.balance.balance import (
    OTHER_STAGE,
    UNKNOWN_SPREAD,
    Balance,
    CellNeed,
    CylinderNeed,
    StagedNeeds,
    cell_spreads,
    compare_banks,
    predicted_spread,
)
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.balance.trims import plan_trims
from mixmon.findings.stats import NO_ESTIMATE, Estimate
from mixmon.findings.trims.maps import moves_in_cell, plan_map
from mixmon.findings.trims.notes import Certainty, Outlook, SheetNote
from mixmon.findings.trims.sheet import TrimSheet, make_sheet
from mixmon.mixture.steady import Cell
from mixmon.note import note
from mixmon.report.trims import outlook_sentence, spoken, trims_aloud, trims_csv, trims_text
from mixmon.run import LogFacts
from mixmon.session.evidence import IdentityState
from mixmon.session.model import Chain, Engine, Injection, Node, Session, Staging, Trims

HALF = 0.1
CELLS = ((1000.0, 5.0), (3000.0, 40.0), (6000.0, 100.0))


def engine(count: int, rules: Trims, **more: object) -> Session:
    nodes = tuple(Node(c, (c,), f"S-{c}") for c in range(1, count + 1))
    made = Session(Engine(count, **more), Chain("chain", {}, nodes), ())  # type: ignore[arg-type]
    return replace(made, trims=rules)


def estimate(percent: float | None, half: float = HALF) -> Estimate:
    if percent is None:
        return NO_ESTIMATE
    return Estimate(float(np.log1p(percent / 100)), half / 100, half / 196, 40.0)


def found(
    session: Session,
    needs: Sequence[float | None],
    cells: Mapping[tuple[float, float], Sequence[float | None]] | None = None,
    not_used: Mapping[tuple[float, float], str] | None = None,
) -> Balance:
    """A balance with these needs in percent, also by cell; everything else as the balance makes it."""
    own = [estimate(one) for one in needs]
    plan = plan_trims(session, tuple(own))
    cylinders = tuple(
        CylinderNeed(
            c,
            c,
            f"S-{c}",
            100 * float(np.expm1(e.mean)),
            (100 * float(np.expm1(e.interval[0])), 100 * float(np.expm1(e.interval[1]))),
            20.0,
            40.0,
            {},
            plan.now[c - 1],
            plan.new[c - 1],
            plan.flags[c - 1],
        )
        for c, e in enumerate(own, 1)
    )
    by_cell = cells or {}
    in_cells = [
        CellNeed(rpm, load, c, one, HALF, 10.0, (rpm, load) not in (not_used or {}),
                 not_used_because=(not_used or {}).get((rpm, load)))
        for (rpm, load), here in by_cell.items()
        for c, one in enumerate(here, 1)
        if one is not None
    ]  # fmt: skip
    predicted = tuple(
        (Cell(rpm, load), predicted_spread([estimate(one) for one in here], plan.moves, own))
        for (rpm, load), here in by_cell.items()
    )
    banks = {
        name: np.array([own[c - 1].mean for c in members if np.isfinite(own[c - 1].half)])
        for name, members in session.engine.banks.items()
    }
    return Balance(
        against="peers",
        cylinders=cylinders,
        cells=tuple(in_cells),
        whole_engine=(),
        banks=tuple(compare_banks(banks)) if len(banks) > 1 else (),
        spread=UNKNOWN_SPREAD,
        predicted_spread=UNKNOWN_SPREAD,
        predicted_in=None,
        predicted_by_cell=predicted,
        fuel_percent=plan.fuel_percent,
        withheld=plan.withheld,
        notes=plan.notes,
        cell_spreads=cell_spreads(in_cells),
        groups=(tuple(range(1, len(needs) + 1)),),
        identity=IdentityState.PROVED,
    )


def codes(notes: Sequence) -> set:
    return {one.code for one in notes}


# ----------------------------------------------------------------------------------------------------
# One trim a cylinder.
# ----------------------------------------------------------------------------------------------------


def test_a_screen_asks_for_the_sheet_without_its_cells_and_no_note_stands_twice():
    session = engine(4, Trims())
    needs = [2.0, -2.0, 1.0, -1.0]
    seen = note(BalanceNote.BY_CYLINDERS_SEEN, labels=())
    balance = replace(found(session, needs, {CELLS[0]: needs}), notes=(seen,))
    whole, quick = make_sheet(session, balance), make_sheet(session, balance, by_cell=False)
    assert whole.outlook
    assert quick == replace(whole, outlook=())
    assert len(set(whole.notes)) == len(whole.notes)


def test_a_row_has_what_is_typed_what_it_was_and_how_sure_it_is():
    session = engine(4, Trims(now_percent=(1.0, 0.0, 0.0, -1.0)))
    sheet = make_sheet(session, found(session, [2.0, -2.0, 0.05, None]))
    first, second, third, fourth = sheet.rows
    assert (first.now_percent, first.new_percent, first.difference_percent) == (1.0, 3.0, 2.0)
    assert (second.new_percent, second.difference_percent) == (-2.0, -2.0)
    assert [row.certainty.code for row in sheet.rows] == [
        Certainty.CLEAR, Certainty.CLEAR, Certainty.WITHIN_ERROR, Certainty.NEED_NOT_KNOWN
    ]  # fmt: skip
    assert codes(first.why) == {SheetNote.MOVED_BY_NEED}
    assert codes(third.why) == {BalanceNote.WITHIN_ERROR_OF_ZERO}
    assert codes(fourth.why) == {BalanceNote.TRIM_KEPT}
    assert fourth.new_percent == -1.0


@pytest.mark.parametrize(
    ("percent", "words"),
    [(0.0, "zero"), (-0.0, "zero"), (1.5, "plus one point five"), (-12.0, "minus one two"),
     (0.05, "plus zero point zero five"), (-0.3, "minus zero point three")],
)  # fmt: skip
def test_trims_as_they_are_spoken(percent, words):
    assert spoken(percent) == words


def test_injectors_on_one_driver_are_read_with_one_trim():
    """Four cylinders fire 1 3 4 2: 1 with 4, and 3 with 2."""
    session = engine(4, Trims(now_percent=(0.0,) * 4), firing_order=(1, 3, 4, 2))
    session = replace(session, injection=Injection("paired", output_order=(4, 3, 2, 1)))
    sheet = make_sheet(session, found(session, [2.2, -2.1, -1.9, 1.8]))
    assert [row.cylinder for row in sheet.rows] == [4, 3, 2, 1]
    assert [row.new_percent for row in sheet.rows] == [2.0, -2.0, -2.0, 2.0]
    assert all(BalanceNote.SHARED_INJECTOR_DRIVER in codes(row.why) for row in sheet.rows)


# ----------------------------------------------------------------------------------------------------
# Parts, and trims of banks.
# ----------------------------------------------------------------------------------------------------

BANKS = {"A": (1, 2, 3, 4), "B": (5, 6, 7, 8)}
OWN = np.array([1.0, -1.0, 0.6, -0.6, 1.2, -1.2, 0.0, 0.0])


def bank_engine(rules: Trims) -> Session:
    return engine(8, rules, banks=BANKS)


def needs_with_bank(bank: float) -> list[float]:
    """Bank A leaner than B by twice `bank` percent, cylinders about their banks; in ln, so that they add."""
    by_bank = np.repeat([bank, -bank], 4)
    return (100 * np.expm1((by_bank + OWN) / 100)).tolist()


def test_parts_are_log_additive_and_a_bank_without_a_part_has_none():
    session = bank_engine(Trims(now_percent=(0.0,) * 8))
    parts = make_sheet(session, found(session, needs_with_bank(2.0))).parts
    assert parts.banks_differ
    assert [one.needs_percent for one in parts.banks] == pytest.approx([2.02, -1.98], abs=0.01)
    own = 100 * np.log1p(np.array([one.needs_percent for one in parts.cylinders]) / 100)
    assert own == pytest.approx(OWN, abs=0.01)
    alike = make_sheet(session, found(session, needs_with_bank(0.1))).parts
    assert not alike.banks_differ
    assert [one.needs_percent for one in alike.cylinders] == pytest.approx(needs_with_bank(0.1))


def test_trims_of_banks_take_the_banks_parts_and_cylinders_the_rest():
    rules = Trims(shape="bank", now_percent=(0.0,) * 8, bank_now_percent={"A": 1.0, "B": 0.0})
    session = bank_engine(rules)
    needs = needs_with_bank(2.2)
    sheet = make_sheet(session, found(session, needs))
    assert [(one.bank, one.now_percent, one.new_percent) for one in sheet.banks] == [
        ("A", 1.0, 3.0), ("B", 0.0, -2.0)
    ]  # fmt: skip
    change = [(1 + row.new_percent / 100) * {"A": 1.03 / 1.01, "B": 0.98}[row.bank] for row in sheet.rows]
    left = 100 * (np.log1p(np.array(needs) / 100) - np.log(change))
    assert np.abs(left).max() < 0.4
    assert abs(sheet.fuel_percent) < 0.1
    fuel = 1 / (1 + np.array(needs) / 100)
    assert sheet.fuel_percent == pytest.approx(100 * ((fuel * change).sum() / fuel.sum() - 1), abs=1e-6)
    assert trims_aloud(sheet).startswith("bank A: plus three, was plus one.\nbank B: minus two, was zero.\n")
    rows = list(csv.DictReader(io.StringIO(trims_csv(sheet, "%"))))
    assert [(row["bank"], row["cylinder"], row["trim new [%]"]) for row in rows[:2]] == [
        ("A", "", "3.0"), ("B", "", "-2.0")
    ]  # fmt: skip


def test_banks_that_do_not_differ_keep_their_trims():
    rules = Trims(shape="bank", now_percent=(0.0,) * 8, bank_now_percent={"A": 0.3})
    session = bank_engine(rules)
    sheet = make_sheet(session, found(session, needs_with_bank(0.2)))
    assert [(one.now_percent, one.new_percent) for one in sheet.banks] == [(0.3, 0.3), (0.0, 0.0)]
    assert SheetNote.BANKS_ALIKE in codes(sheet.notes)
    single = found(replace(session, trims=Trims(now_percent=(0.0,) * 8)), needs_with_bank(0.2))
    assert [row.new_percent for row in sheet.rows] == [one.trim_new_percent for one in single.cylinders]


def test_a_bank_of_one_cylinder_and_a_need_that_is_not_known():
    rules = Trims(shape="bank", now_percent=(0.0,) * 4)
    session = engine(4, rules, banks={"A": (1,), "B": (2, 3, 4)})
    sheet = make_sheet(session, found(session, [3.0, -1.0, None, -1.1]))
    assert sheet.withheld == ()
    assert sheet.rows[2].new_percent == 0.0
    total = {row.bank: [] for row in sheet.rows}
    typed = {one.bank: one.new_percent for one in sheet.banks}
    for row in sheet.rows:
        total[row.bank].append(row.new_percent + typed[row.bank])
    assert total["A"] == pytest.approx([3.0], abs=0.26)


# ----------------------------------------------------------------------------------------------------
# Maps.
# ----------------------------------------------------------------------------------------------------

MAP = Trims(
    shape="map",
    now_percent=(0.0,) * 4,
    map_rpm=(1000.0, 3000.0, 6000.0),
    map_load=(5.0, 40.0, 100.0),
)
LOW, MIDDLE, FULL = [6.0, -2.0, -2.0, -2.0], [1.0, -1.0, 1.0, -1.0], [-1.0, 1.0, 0.05, 0.0]
BY_CELL = dict(zip(CELLS, (LOW, MIDDLE, FULL), strict=True))


def new_at(sheet: TrimSheet, rpm: float, load: float) -> list[float]:
    return [one.new_percent for one in sheet.map if (one.rpm, one.load) == (rpm, load)]


def test_every_breakpoint_has_a_set_of_its_own_and_no_neighbour_smooths_it():
    session = engine(4, MAP)
    sheet = make_sheet(session, found(session, MIDDLE, BY_CELL))
    assert new_at(sheet, 1000, 5) == [6.0, -2.0, -2.0, -2.0]
    assert new_at(sheet, 3000, 40) == [1.0, -1.0, 1.0, -1.0]
    assert new_at(sheet, 6000, 100) == [-1.0, 1.0, 0.0, 0.0]
    empty = [one for one in sheet.map if (one.rpm, one.load) not in CELLS]
    assert len(empty) == 6 * 4
    for one in empty:
        assert (one.new_percent, codes(one.why)) == (one.now_percent, {SheetNote.MAP_CELL_EMPTY})
    assert all(one.outlook.code in {Outlook.EVENED, Outlook.EVEN_ALREADY} for one in sheet.outlook)


def test_a_map_holds_the_trims_of_both_injection_stages_each_on_its_side():
    """Full load is beyond the line; a cell before it whose breakpoint is beyond counts nowhere."""
    session = replace(engine(4, MAP), injection=Injection(staging=Staging(load_above=60.0)))
    cells = {**BY_CELL, (3000.0, 55.0): MIDDLE}
    one = found(session, MIDDLE, cells)
    by_stage = {
        stage: tuple(
            replace(c, injection_stage=stage) for c in one.cells if ((c.load or 0) > 60) == (stage == 2)
        )
        for stage in (1, 2)
    }
    unused = {"used_for_trims": False, "not_used_because": OTHER_STAGE}
    first = (*by_stage[1], *(replace(c, **unused) for c in by_stage[2]))
    parts = tuple(StagedNeeds(s, one.cylinders, UNKNOWN_SPREAD, (), by_stage[s]) for s in (1, 2))
    sheet = make_sheet(session, replace(one, cells=first, staged=parts, injection_stage=1))
    assert new_at(sheet, 3000, 40) == [1.0, -1.0, 1.0, -1.0]
    assert new_at(sheet, 6000, 100) == [-1.0, 1.0, 0.0, 0.0]
    near = replace(session, trims=replace(MAP, map_load=(5.0, 62.0, 100.0)))
    kept = make_sheet(near, replace(one, cells=first, staged=parts, injection_stage=1))
    assert new_at(kept, 3000, 62) == [0.0] * 4
    assert SheetNote.MAP_OF_BOTH_STAGES in codes(sheet.notes)
    why = [m.why for m in kept.map if (m.rpm, m.load) == (3000, 62)]
    assert {dict(own[0].values)["reasons"] for own in why} == {(OTHER_STAGE,)}


def test_a_cell_that_does_not_count_keeps_what_the_table_holds():
    held = {"1": ((0.5, 0.0, 0.0), (0.0, 0.0, 0.0), (0.0, 0.0, 2.0))}
    session = engine(4, replace(MAP, map_now_percent=held))
    sheet = make_sheet(session, found(session, MIDDLE, BY_CELL, {CELLS[0]: "low flow"}))
    assert new_at(sheet, 1000, 5) == [0.5, 0.0, 0.0, 0.0]
    kept = [one for one in sheet.map if (one.rpm, one.load) == CELLS[0]]
    assert {dict(one.why[0].values)["reasons"] for one in kept} == {("low flow",)}
    assert new_at(sheet, 6000, 100)[0] == 1.0  # 2.0 less 1 % of it: 0.98; by hand
    idle = next(one for one in sheet.outlook if one.rpm == 1000)
    assert (idle.outlook.code, idle.after.value) == (Outlook.STAYS_UNEVEN, pytest.approx(8.0, abs=0.2))
    assert "1000 rpm 5 load stays at 8" in outlook_sentence(sheet.outlook)


def test_cells_that_differ_too_much_for_one_trim_are_no_reason_against_a_map():
    session = engine(4, MAP)
    balance = replace(
        found(session, MIDDLE, BY_CELL),
        withheld=(note(BalanceNote.CELLS_TOO_UNLIKE, cylinders=(1,), apart_percent=7.0),),
    )
    assert make_sheet(session, balance).withheld == ()
    other = replace(
        balance, withheld=(note(BalanceNote.IDENTITY_NOT_PROVED, changed_positions=(), open_positions=()),)
    )
    sheet = make_sheet(session, other)
    assert np.isnan([one.new_percent for one in sheet.map]).all()
    assert (sheet.by_label, sheet.outlook) == (True, ())


def test_between_breakpoints_the_engine_control_interpolates():
    """By hand: halfway between 0 and 4 % is 2 %, and beyond the last breakpoint the last one holds."""
    rules = replace(MAP, map_rpm=(2000.0, 4000.0), map_load=(50.0, 100.0))
    session = engine(4, rules)
    needs = [4.0, -4.0, 0.0, 0.0]
    balance = found(session, needs, {(4000.0, 100.0): needs})
    plan = plan_map(session, balance, offered=True)
    for cell, share in (
        (Cell(4000, 100), 1.0), (Cell(3000, 100), 0.5), (Cell(3000, 75), 0.25), (Cell(9000, 200), 1.0),
        (Cell(1000, 20), 0.0),
    ):  # fmt: skip
        assert moves_in_cell(rules, plan, cell)[0] == pytest.approx(np.log1p(0.04 * share))
    between = plan_map(session, found(session, needs, {(3000.0, 100.0): needs}), offered=True)
    assert SheetNote.BETWEEN_BREAKPOINTS in codes(between.notes)
    assert SheetNote.BETWEEN_BREAKPOINTS not in codes(plan.notes)


def test_cells_at_one_breakpoint_that_differ_make_its_needs_less_sure():
    """Two cells that say +3 and -1 of a cylinder: of the breakpoint it is known that it lies between."""
    rules = replace(MAP, map_rpm=(3000.0, 9000.0), map_load=(40.0, 100.0))
    session = engine(2, replace(rules, now_percent=(0.0, 0.0)))
    cells = {(2800.0, 40.0): [3.0, -3.0], (3200.0, 40.0): [-1.0, 1.0]}
    plan = plan_map(session, found(session, [1.0, -1.0], cells), offered=True)
    one = next(t for t in plan.trims if (t.rpm, t.load, t.cylinder) == (3000.0, 40.0, 1))
    low, high = (one.needs_percent + sign * one.half_interval_percent for sign in (-1, 1))
    assert low <= -0.9
    assert high >= 2.9
    assert one.new_percent == 0.0


def test_the_map_is_read_by_what_changes():
    session = engine(4, MAP)
    aloud = trims_aloud(make_sheet(session, found(session, MIDDLE, BY_CELL))).splitlines()
    assert aloud[:4] == [
        "cylinder 1, 1000 rpm, load 5: plus six, was zero.",
        "cylinder 1, 3000 rpm, load 40: plus one, was zero.",
        "cylinder 1, 6000 rpm, load 100: minus one, was zero.",
        "cylinder 1: leave the other 6.",
    ]


# ----------------------------------------------------------------------------------------------------
# What every cell becomes.
# ----------------------------------------------------------------------------------------------------


def test_one_trim_evens_the_cells_it_suits_and_says_where_it_does_not():
    full = [4.0, -4.0, 2.0, -2.0]
    session = engine(4, Trims(now_percent=(0.0,) * 4))
    idle = [-4.0, 4.0, 2.0, -2.0]
    cells = {(1000.0, 5.0): idle, (4000.0, 60.0): full, (6000.0, 100.0): full}
    sheet = make_sheet(session, found(session, full, cells, {(1000.0, 5.0): "low flow"}))
    assert [one.outlook.code for one in sheet.outlook] == [
        Outlook.STAYS_UNEVEN, Outlook.EVENED, Outlook.EVENED
    ]  # fmt: skip
    stays = sheet.outlook[0]
    assert stays.now_percent == pytest.approx(8.0)
    lam = (1 + np.array(idle) / 100) / (1 + np.array(full) / 100)
    assert stays.after.value == pytest.approx(100 * np.ptp(lam) * np.mean(1 / lam), abs=0.2)
    assert outlook_sentence(sheet.outlook) == (
        "this set evens 4000 rpm 60 load, 6000 rpm 100 load; "
        f"1000 rpm 5 load stays at {stays.after.value:.1f} %"
    )


def test_a_cell_that_the_staging_line_splits_has_an_outlook_on_each_side():
    session, needs = engine(4, Trims(now_percent=(0.0,) * 4)), [4.0, -4.0, 2.0, -2.0]
    one = found(session, needs, {(4000.0, 60.0): needs})
    halves = [
        [replace(cell, injection_stage=stage, used_for_trims=stage == 1) for cell in one.cells]
        for stage in (1, 2)
    ]
    (cell, spread), cells = one.predicted_by_cell[0], [*halves[0], *halves[1]]
    both = tuple((replace(cell, injection_stage=stage), spread) for stage in (1, 2))
    staged = replace(
        one, cells=tuple(cells), cell_spreads=cell_spreads(cells), predicted_by_cell=both, injection_stage=1
    )
    alone, sheet = make_sheet(session, one), make_sheet(session, staged)
    assert [(c.injection_stage, c.used_for_trims) for c in sheet.outlook] == [(1, True), (2, False)]
    assert {c.outlook.code for c in sheet.outlook} == {c.outlook.code for c in alone.outlook}
    assert {c.now_percent for c in sheet.outlook} == {alone.outlook[0].now_percent}


def test_the_sensors_own_errors_are_in_the_total_interval_and_not_in_the_words():
    """Four sensors of ±1.2 %: the range of four normal numbers of 0.6 %, by scipy's studentized range."""
    needs = [4.0, -4.0, 2.0, -2.0]
    session = engine(4, Trims(now_percent=(0.0,) * 4))
    balance = found(session, needs, {(4000.0, 60.0): needs})
    wide = tuple(replace(one, sensor_error_percent=1.2) for one in balance.cylinders)
    (one,) = make_sheet(session, replace(balance, cylinders=wide)).outlook
    assert one.outlook.code is Outlook.EVENED
    assert one.after.interval95[1] < 0.5
    low, high = one.after.total_interval95
    assert low <= one.after.interval95[0]
    point = scipy.stats.studentized_range.ppf(0.975, 4, 1e6)  # of a deviation that is known
    least = 1.2 / scipy.stats.norm.ppf(0.975) * point
    assert 0.98 * least < high < 1.15 * least  # more, as part of the needs may be those errors


def test_a_sheet_of_sixteen_in_order_of_outputs_fits_eighty_columns():
    banks = {"left": tuple(range(1, 9)), "right": tuple(range(9, 17))}
    session = engine(16, Trims(now_percent=(-1.5,) * 16), banks=banks)
    session = replace(session, injection=Injection("sequential", output_order=tuple(range(16, 0, -1))))
    needs = [(12.4 if c < 8 else -12.4) + 0.3 * (c % 3) for c in range(16)]
    sheet = make_sheet(session, found(session, needs, {CELLS[2]: needs}))
    assert sheet.parts.banks_differ
    run = SimpleNamespace(session=session, log=LogFacts())
    assert max(len(line) for line in trims_text(sheet, run).splitlines()) <= 80
