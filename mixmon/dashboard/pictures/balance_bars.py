"""Pictures of a balance: what each cylinder needs, and what its new trim will leave, with intervals."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

from mixmon.dashboard.pictures.interval_bars import IntervalBar, interval_bars, point_signs
from mixmon.dashboard.pictures.plot import KEPT_PICTURES, Same, pane
from mixmon.dashboard.scene import Scene
from mixmon.dashboard.text import Row, signed
from mixmon.findings.balance.balance import Balance, CylinderNeed


@dataclass(frozen=True, slots=True)
class NeedView:
    """How needs are drawn: order of the cylinders, the chosen one, step of the grid, whether after too."""

    order: tuple[int, ...]
    chosen: int | None
    step: float
    after: bool
    ascii_only: bool


def need_picture(scene: Scene, balance: Balance, chosen: int | None, size: tuple[int, int]) -> list[Row]:
    """A bar a cylinder, in the order of the other screens: its need against the others, with its interval."""
    title = f"WHO NEEDS FUEL, HOW SURE?  % vs {balance.against}"
    return _bars_pane(scene, balance, (title, need_answer(balance)), chosen, size)


def trim_picture(scene: Scene, balance: Balance, size: tuple[int, int]) -> list[Row]:
    """Pairs of bars: the need now, and the one that the new trim leaves; without trims, the need alone."""
    if balance.withheld:
        return need_picture(scene, balance, scene.options.chosen, size)
    now, after = point_signs(ascii_only=scene.options.ascii)
    title = f"WHAT DO THE TRIMS LEAVE?  {now} now, {after} after"
    return _bars_pane(scene, balance, (title, spread_answer(balance)), scene.options.chosen, size, after=True)


def need_answer(balance: Balance) -> str:
    """Which cylinder needs most fuel, and whether that is more than its error."""
    known = [one for one in balance.cylinders if math.isfinite(one.needs_percent)]
    if not known:
        return "no need is known yet"
    most = max(known, key=lambda one: abs(one.needs_percent))
    low, high = most.interval95_percent
    what = f"cyl {most.cylinder} farthest: {signed(most.needs_percent)} %"
    if not math.isfinite(high - low):
        return f"{what}, with no interval yet"
    if low <= 0.0 <= high:
        return f"{what}, within error"
    return f"{what} ({signed(low)} to {signed(high)})"


def spread_answer(balance: Balance) -> str:
    """The spread now and after the trims, in words."""
    now, after = balance.spread, balance.predicted_spread
    if not (math.isfinite(now.value) and math.isfinite(after.value)):
        return "the spread is not known"
    low, high = after.interval95
    return f"spread {now.value:.1f} % now, {after.value:.1f} % after ({low:.1f} to {high:.1f})"


def _bars_pane(
    scene: Scene,
    balance: Balance,
    words: tuple[str, str],
    chosen: int | None,
    size: tuple[int, int],
    *,
    after: bool = False,
) -> list[Row]:
    width, height = size
    order = tuple(c for i in scene.order() for c in scene.setting.nodes[i].cylinders)
    step = scene.setting.session.trims.step_percent
    view = NeedView(order, chosen, step, after, scene.options.ascii)
    if height < len(order) + 3:
        return pane(words[1], "", _draw_needs(Same(balance), view, width, max(height - 1, 1)), width, height)
    return pane(*words, _draw_needs(Same(balance), view, width, max(height - 2, 1)), width, height)


@lru_cache(KEPT_PICTURES)
def _draw_needs(balance: Same, view: NeedView, width: int, height: int) -> tuple[Row, ...]:
    by_cylinder = {one.cylinder: one for one in balance.it.cylinders}
    people = [by_cylinder[c] for c in view.order if c in by_cylinder]
    bars = [_bar_of_need(one, bold=one.cylinder == view.chosen, after=view.after) for one in people]
    return tuple(interval_bars(bars, width, height, ascii_only=view.ascii_only, grid=view.step))


def _bar_of_need(one: CylinderNeed, *, bold: bool, after: bool) -> IntervalBar:
    low, high = one.interval95_percent
    words = (
        "no data" if not math.isfinite(one.needs_percent) else "within error" if low <= 0.0 <= high else ""
    )
    left = _left_after(one) if after else None
    if after:
        words = f"trim {signed(one.trim_now_percent)} to {signed(one.trim_new_percent)}"
    return IntervalBar(str(one.cylinder), one.needs_percent, low, high, bold, words, left)


def _left_after(one: CylinderNeed) -> tuple[float, float, float]:
    """The need and the ends of its interval after the new trim: fuel grows by the quotient of both trims."""
    fuel = (1.0 + one.trim_new_percent / 100.0) / (1.0 + one.trim_now_percent / 100.0)
    ends = (one.needs_percent, *one.interval95_percent)
    value, low, high = (100.0 * ((1.0 + x / 100.0) / fuel - 1.0) for x in ends)
    return value, low, high
