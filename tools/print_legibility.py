"""Whether the screens can be read: `python tools/print_legibility.py`; 1 where one rule is not kept.

First the large digits from two metres, by the angle that they span: at least 16 minutes of arc, better 20 to
22 (ISO 9241-3, second-hand). Then the contrast of every text on its ground in every palette (WCAG 2.1, 1.4.3
and 1.4.6; formula and worked values from memory): 4.5 to 1, in sunlight 7 to 1, for usual sight and for the
three kinds of dichromacy as simulated by Machado, Oliveira and Fernandes (A physiologically-based model for
simulation of color vision deficiency, IEEE TVCG 15(6), 2009; matrices of severity 1 from memory). The palette
mono has the terminal's own colours and no contrast that could be computed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from mixmon.dashboard.digits import CAPITAL_SHARE, LEAST_ARC_MINUTES, arc_minutes
from mixmon.dashboard.palettes import palette
from mixmon.dashboard.screens.far import plan_far_zone

SIZES = ((80, 24), (100, 30), (120, 40), (200, 60))
PANELS_INCH = (15.6, 24.0)
"""A common laptop and an external monitor: common practice, no source."""

AWAY_M, NEAR_M = 2.0, 0.6
"""From where the operator and the second person look; our choice: the length of a cell's desk, of an arm."""

LABEL_WIDTH = 2
"""Cells of a cylinder's number on an engine of sixteen."""

BETTER_ARC_MINUTES = 20.0
"""The least of the preferred angles (ISO 9241-3, second-hand)."""

STROKE_SHARE = {3: 2 / 3, 5: 1.0, 7: 1.0}
"""Part of their rows that digits of ASCII fill: three rows of strokes have the first under its own line."""

LEAST = {"print": 4.5, "dark": 4.5, "sunlight": 7.0}
"""Least contrast by palette (WCAG 2.1, 1.4.3; in sunlight 1.4.6)."""

SIGHT = {
    "usual": ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)),
    "protan": (
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
    "deutan": (
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
    "tritan": (
        (1.255528, -0.076749, -0.178779),
        (-0.078411, 0.930809, 0.147602),
        (0.004733, 0.691367, 0.303900),
    ),
}
"""What linear sRGB becomes for each kind of sight; a neutral grey stays as it is."""


@dataclass(frozen=True)
class Angle:
    """How tall something is seen: rows of text, the terminal, the panel, minutes of arc."""

    columns: int
    rows: int
    inch: float
    tall: int
    blocks: float
    strokes: float
    near_text: float


def angles() -> list[Angle]:
    """The large digits of every size on every panel from two metres, usual text from an arm's length."""
    out = []
    for columns, rows in SIZES:
        tall = plan_far_zone(columns, rows, LABEL_WIDTH).tall
        for inch in PANELS_INCH:
            blocks = arc_minutes(tall, rows, inch, AWAY_M)
            strokes = arc_minutes(tall * STROKE_SHARE[tall], rows, inch, AWAY_M)
            near = arc_minutes(CAPITAL_SHARE, rows, inch, NEAR_M)
            out.append(Angle(columns, rows, inch, tall, blocks, strokes, near))
    return out


def linear(colour: str) -> np.ndarray:
    """Linear parts of a colour `#rrggbb` (WCAG 2.1, definition of relative luminance)."""
    parts = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    return np.where(parts <= 0.03928, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)


def luminance(colour: str, sight: str = "usual") -> float:
    """Relative luminance (WCAG 2.1: linear sRGB with weights 0.2126, 0.7152, 0.0722) as it is seen."""
    seen = np.clip(np.array(SIGHT[sight]) @ linear(colour), 0.0, 1.0)
    return float(seen @ (0.2126, 0.7152, 0.0722))


def contrast(ink: str, ground: str, sight: str = "usual") -> float:
    """Contrast ratio of two colours, 1 to 21 (WCAG 2.1): (L1 + 0.05) / (L2 + 0.05).

    >>> round(contrast("#000000", "#ffffff"), 1)
    21.0
    """
    lighter, darker = sorted((luminance(ink, sight), luminance(ground, sight)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def pairs(name: str) -> Iterator[tuple[str, str, str]]:
    """Style, ink and ground as they are seen."""
    for style, look in palette(name).items():
        assert look.ink is not None
        assert look.ground is not None
        yield (style, look.ground, look.ink) if look.inverse else (style, look.ink, look.ground)


def low(name: str, sight: str) -> dict[str, float]:
    """Styles of a palette whose contrast is too low, with it."""
    found = {style: contrast(ink, ground, sight) for style, ink, ground in pairs(name)}
    return {style: ratio for style, ratio in found.items() if ratio < LEAST[name]}


def print_angles() -> bool:
    print(f"minutes of arc, least {LEAST_ARC_MINUTES:g}, better {BETTER_ARC_MINUTES:g}")
    print(f"                    digits from {AWAY_M:g} m          text from {NEAR_M:g} m")
    print("terminal  panel     rows  blocks  ASCII  rule      capital  rule")
    kept = True
    for one in angles():
        least = min(one.blocks, one.strokes)
        kept &= least >= LEAST_ARC_MINUTES
        words = [_rule_word(least), _rule_word(one.near_text)]
        print(
            f"{one.columns:>3}x{one.rows:<3}   {one.inch:4.1f} in   {one.tall}    {one.blocks:5.0f}  "
            f"{one.strokes:5.0f}  {words[0]:<8}  {one.near_text:5.0f}    {words[1]}"
        )
    return kept


def _rule_word(minutes: float) -> str:
    if minutes < LEAST_ARC_MINUTES:
        return "not kept"
    return "good" if minutes >= BETTER_ARC_MINUTES else "kept"


def print_contrasts() -> bool:
    kept = True
    for name, least in LEAST.items():
        print(f"\n{name}: contrast, least {least:g} to 1")
        print(f"{'ink on ground':<20}" + "".join(f"{sight:>8}" for sight in SIGHT) + "  styles")
        for (ink, ground), styles in _group_styles(name).items():
            ratios = [contrast(ink, ground, sight) for sight in SIGHT]
            marks = [f"{r:7.2f}{'!' if r < least else ' '}" for r in ratios]
            kept &= min(ratios) >= least
            print(f"{ink} on {ground}  {''.join(marks)}  {', '.join(styles)}")
    return kept


def _group_styles(name: str) -> dict[tuple[str, str], list[str]]:
    out: dict[tuple[str, str], list[str]] = {}
    for style, ink, ground in pairs(name):
        out.setdefault((ink, ground), []).append(style)
    return out


def main() -> int:
    digits = print_angles()
    colours = print_contrasts()
    print(f"\nlarge digits {'kept' if digits else 'NOT KEPT'}, contrast {'kept' if colours else 'NOT KEPT'}")
    return 0 if digits and colours else 1


if __name__ == "__main__":
    raise SystemExit(main())
