"""Does a trim sheet do what it says? The true spread of every cell after its trims, against its prediction.

    python tools/trim_study.py [--sessions 200] [--seed 1]

Rows of engines of 4 to 16 cylinders are made by scipy, not by the simulator: cylinders that differ by 3 % of
fuel, or hardly at all; the same in every cell, a little different by cell, or quite different at idle; a bank
that differs or not. Each session goes through the balance; the sheet is made for one trim a cylinder, for
trims of banks as well and for a map by speed and load; its trims are entered into the true engine. Counted:
how often the true spread of a cell lies in its predicted band, what the words (evened, stays uneven) come to,
trims against the true need, and how far the engine's fuel is from what the sheet says.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter, defaultdict
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from dwells import AXES, dwell, session

from mixmon.findings.balance.balance import Balance, BalanceStage
from mixmon.findings.trims.maps import moves_in_cell, plan_map
from mixmon.findings.trims.notes import Outlook
from mixmon.findings.trims.sheet import EVEN_PERCENT, CellOutlook, TrimSheet, make_sheet
from mixmon.mixture.steady import Cell
from mixmon.session.model import Engine, Session, Trims

CELLS = ((1100.0, 3.0), (3000.0, 50.0), (6000.0, 100.0))
SHAPES = ("cylinder", "bank", "map")


def made_session(n: int, shape: str, step: float) -> Session:
    banks = {"A": tuple(range(1, n // 2 + 1)), "B": tuple(range(n // 2 + 1, n + 1))}
    rules = Trims(
        step_percent=step,
        lowest_percent=-30,
        highest_percent=30,
        now_percent=(0.0,) * n,
        identity="stated",
        shape=shape,
        map_rpm=AXES.rpm if shape == "map" else (),
        map_load=AXES.load if shape == "map" else (),
    )
    return session(n, engine=Engine(n, banks=banks), trims=rules)


def true_needs(n: int, rng: np.random.Generator) -> np.ndarray:
    """Ln lambda of every cylinder in every cell, float64[cells, n]."""
    apart = rng.choice([0.002, 0.01, 0.03])
    by_cell = rng.choice([0.0, 0.003, 0.01])
    needs = apart * rng.standard_normal(n) + by_cell * rng.standard_normal((len(CELLS), n))
    if rng.random() < 0.3:
        needs[0, rng.integers(n)] += 0.08  # idle: a leak's share
    if rng.random() < 0.5:
        needs[:, : n // 2] += rng.choice([0.01, 0.02])
    return needs


def moves_of(sheet: TrimSheet, made: Session, found: Balance, cell: Cell) -> np.ndarray:
    """Ln of the change of fuel of every cylinder in a cell, by what was typed."""
    rows = sorted(sheet.rows, key=lambda row: row.cylinder)
    if sheet.shape == "map":
        plan = plan_map(made, found, offered=not sheet.withheld)
        return moves_in_cell(made.trims, plan, cell)
    moves = np.array([np.log((100 + r.new_percent) / (100 + r.now_percent)) for r in rows])
    of_bank = {b.bank: np.log((100 + b.new_percent) / (100 + b.now_percent)) for b in sheet.banks}
    return moves + [of_bank.get(r.bank, 0.0) if sheet.banks else 0.0 for r in rows]


def spread_percent(x: np.ndarray) -> float:
    lam = np.exp(x)
    return float(100 * np.ptp(lam) * np.mean(1 / lam))


class Counts:
    """What sheets said and what was true, by shape."""

    def __init__(self) -> None:
        self.sheets: dict[str, Counter] = defaultdict(Counter)
        self.bands: dict[str, Counter] = defaultdict(Counter)
        self.words: dict[tuple[str, str], Counter] = defaultdict(Counter)
        self.trims: Counter = Counter()
        self.fuel: list[float] = []

    def add_sheet(self, sheet: TrimSheet, made: Session, found: Balance, truth: np.ndarray) -> None:
        """Judges one sheet by the true needs, ln lambda, float64[cells, cylinders]."""
        self.sheets[sheet.shape]["withheld" if sheet.withheld else "offered"] += 1
        if sheet.withheld:
            return
        for one in sheet.outlook:
            moves = moves_of(sheet, made, found, Cell(one.rpm, one.load))
            true = spread_percent(truth[CELLS.index((one.rpm, one.load))] - moves)
            self._add_outlook(sheet.shape, one, true)
        if sheet.shape == "cylinder":
            self._add_trims(sheet, moves_of(sheet, made, found, Cell(*CELLS[2])), truth)

    def _add_outlook(self, shape: str, one: CellOutlook, true: float) -> None:
        low, high = one.after.interval95
        self.bands[shape]["in" if low <= true <= high else "below" if true < low else "above"] += 1
        word = one.outlook.code
        if word in {*EVEN, Outlook.STAYS_UNEVEN}:
            fits = true <= EVEN_PERCENT if word in EVEN else true > EVEN_PERCENT
            self.words[shape, word.value]["true" if fits else "false"] += 1

    def _add_trims(self, sheet: TrimSheet, moves: np.ndarray, truth: np.ndarray) -> None:
        """Trims against the true need in every cell, and what the fuel at full load is off."""
        fuel = np.exp(-truth[2])
        added = 100 * float((np.exp(moves) * fuel).sum() / fuel.sum() - 1)
        self.fuel.append(added - sheet.fuel_percent)
        needs = truth + np.log(np.exp(-truth).mean(axis=1))[:, None]
        for row in sheet.rows:
            moved = bool(row.difference_percent)
            self.trims["moved"] += moved
            self.trims["against"] += moved and bool(
                (row.difference_percent * needs[:, row.cylinder - 1] < 0).all()
            )

    def show(self) -> None:
        """Prints what was counted."""
        for shape, sheets in self.sheets.items():
            bands = self.bands[shape]
            print(
                f"{shape:9} offered {sheets['offered']} of {sheets.total()}; true spread after in the band "
                f"in {100 * bands['in'] / max(bands.total(), 1):.1f} % of {bands.total()} cells "
                f"(below {bands['below']}, above {bands['above']})"
            )
            for (of, word), said in sorted(self.words.items()):
                if of == shape:
                    print(f"          said {word}: true {said['true']}, false {said['false']}")
        print(f"trims moved {self.trims['moved']}, against the true need everywhere {self.trims['against']}")
        off = np.array(self.fuel)
        print(f"fuel true less fuel said: sd {off.std():.3f} %, largest {np.abs(off).max():.3f} %")


def study(sessions: int, seed: int) -> None:
    counts = Counts()
    for number in range(sessions):
        rng = np.random.default_rng([seed, number])
        n, step = int(rng.choice([4, 6, 8, 12, 16])), float(rng.choice([0.25, 0.5, 1.0]))
        truth = true_needs(n, rng)
        stage, begin = BalanceStage(made_session(n, "cylinder", step)), 0
        for offsets, (rpm, load) in zip(truth, CELLS, strict=True):
            seconds = float(rng.uniform(8.0, 25.0))
            stage.feed(dwell(offsets, rng, seconds=seconds, rpm=rpm, load=load, first=begin))
            begin += round((seconds + 1.0) * 100)
        found = stage.result()
        for shape in SHAPES:
            made = made_session(n, shape, step)
            counts.add_sheet(make_sheet(made, found), made, found, truth)
    counts.show()


EVEN = {Outlook.EVENED, Outlook.EVEN_ALREADY}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sessions", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    study(arguments.sessions, arguments.seed)


if __name__ == "__main__":
    main()
