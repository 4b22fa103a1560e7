"""Which fuel steps to type, so that every cylinder has an answer of its own.

Coded groups need few steps: first all cylinders together (every sensor shows its delay, and a trim that
works the wrong way round shows at once), then one step for each binary digit of the cylinders' places, plus
where the digit is one and minus where it is none, then one that makes the number of plus signs even: a
single wrong answer then fits no cylinder. Cylinders that share an injector driver step together. Single steps
take longer, and show what each sensor sees of every cylinder.
"""

from __future__ import annotations

from collections.abc import Sequence

from mixmon.errors import UsageError
from mixmon.session.fuel_steps import FuelStep

USUAL_STEP_PERCENT = 3.0
"""Size of a step: our choice; thirty times the error of a reading's mean over a step, and less than what
idle and part load forgive."""

HOLD_S, PAUSE_S, _LEAD_S = 6.0, 3.0, 10.0
"""Length of a step, of the pause after it, and the time before the first one: our choice; one is held for
many lags, and typed within the pause."""

Signs = tuple[int, ...]


def coded_signs(count: int) -> tuple[Signs, ...]:
    """Signs of coded steps, one tuple a step, one sign for each of `count` places.

    >>> coded_signs(4)
    ((1, 1, 1, 1), (-1, 1, -1, 1), (-1, -1, 1, 1), (-1, 1, 1, -1))
    """
    digits = [[place >> digit & 1 for place in range(count)] for digit in range((count - 1).bit_length())]
    check = [sum(row[place] for row in digits) % 2 for place in range(count)]
    return ((1,) * count, *(tuple(2 * one - 1 for one in row) for row in (*digits, check)))


def single_signs(count: int) -> tuple[Signs, ...]:
    """Signs of single steps: each place alone, up and then down.

    >>> single_signs(2)
    ((1, 0), (-1, 0), (0, 1), (0, -1))
    """
    return tuple(
        tuple(sign * int(place == alone) for place in range(count))
        for alone in range(count)
        for sign in (1, -1)
    )


def plan_steps(
    groups: Sequence[Sequence[int]],
    *,
    single: bool = False,
    percent: float = USUAL_STEP_PERCENT,
    begin_s: float = _LEAD_S,
) -> tuple[FuelStep, ...]:
    """The steps to type, in order of time.

    Args:
        groups: cylinders that can only be trimmed together, as `session.injectors.trimmed_together` gives.
        single: one group at a time instead of coded ones.
        percent: size of the steps.
        begin_s: moment of the first one, s from the log's first frame.

    Raises:
        UsageError: there is nothing to distinguish.
    """
    if len(groups) < 2:
        raise UsageError(
            "plan: all cylinders have one trim; expected two or more that can be trimmed apart; "
            "labels can then only be checked by hand"
        )
    signs = single_signs(len(groups)) if single else coded_signs(len(groups))
    return tuple(
        FuelStep(
            begin_s + k * (HOLD_S + PAUSE_S),
            begin_s + k * (HOLD_S + PAUSE_S) + HOLD_S,
            tuple(
                sorted(
                    (c, percent * sign)
                    for group, sign in zip(groups, row, strict=True)
                    if sign
                    for c in group
                )
            ),
        )
        for k, row in enumerate(signs)
    )
