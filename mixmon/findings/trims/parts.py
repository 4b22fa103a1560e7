"""What cylinders need, in the parts that are set in different places: whole engine, bank, cylinder.

    ln lambda = whole engine (by cell) + bank + cylinder

The whole engine is fuel of the base map, against the target. A bank has a part of its own only where the
banks differ by more than the scatter of the cylinders within them explains (`BankNeed`). What is left is the
cylinder's. Percent of fuel throughout; parts multiply: (1 + engine)(1 + bank)(1 + cylinder).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mixmon.findings.balance.balance import Balance, BankNeed, CylinderNeed, EngineNeed
from mixmon.findings.stats import NO_ESTIMATE, NORMAL_95_SIX_DECIMALS, Estimate
from mixmon.session.model import Session

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class CylinderPart:
    """What one cylinder needs beyond its bank, or beyond the engine where banks do not differ.

    bank  its bank, None where the session names none
    """

    cylinder: int
    bank: str | None
    needs_percent: float
    interval95_percent: Interval


@dataclass(frozen=True, slots=True)
class BankPart:
    """What one bank needs against the whole engine; `differs` where it has a part of its own."""

    bank: str
    needs_percent: float
    half_interval_percent: float
    differs: bool


@dataclass(frozen=True, slots=True)
class Parts:
    """The three tables.

    engine  by cell, of the base map
    """

    engine: tuple[EngineNeed, ...]
    banks: tuple[BankPart, ...]
    cylinders: tuple[CylinderPart, ...]

    @property
    def banks_differ(self) -> bool:
        """Whether banks have parts of their own."""
        return any(bank.differs for bank in self.banks)


def split_parts(session: Session, balance: Balance) -> Parts:
    """The needs of a balance against peers, in their parts."""
    differ = any(_is_clear(bank) for bank in balance.banks)
    banks = tuple(
        BankPart(bank.bank, bank.needs_percent, bank.half_interval_percent, differ) for bank in balance.banks
    )
    of_bank = {bank.bank: np.log1p(bank.needs_percent / 100) for bank in banks if bank.differs}
    cylinders = []
    for one in balance.cylinders:
        name = bank_of(session, one.cylinder)
        need = shifted(estimate_of(one), -float(of_bank.get(name or "", 0.0)))
        low, high = need.interval
        numbers = [100 * float(np.expm1(x)) for x in (need.mean, low, high)]
        cylinders.append(CylinderPart(one.cylinder, name, numbers[0], (numbers[1], numbers[2])))
    return Parts(balance.whole_engine, banks, tuple(cylinders))


def _is_clear(bank: BankNeed) -> bool:
    return abs(bank.needs_percent) > bank.half_interval_percent


def bank_of(session: Session, cylinder: int) -> str | None:
    """The bank of a cylinder."""
    return next((name for name, members in session.engine.banks.items() if cylinder in members), None)


def estimate_of(one: CylinderNeed) -> Estimate:
    """A cylinder's need in ln lambda."""
    low, high = one.interval95_percent
    if not np.isfinite(high - low):
        return NO_ESTIMATE
    half = float(np.log1p(high / 100) - np.log1p(low / 100)) / 2
    mean = float(np.log1p(one.needs_percent / 100))
    return Estimate(mean, half, half / NORMAL_95_SIX_DECIMALS, one.effective_samples)


def shifted(need: Estimate, by: float) -> Estimate:
    """The need with another mean, ln."""
    return Estimate(need.mean + by, need.half, need.standard_error, need.effective)
