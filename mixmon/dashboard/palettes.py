"""Colours by style name, and how well they can be told apart.

Neutral when normal; colour only for what is abnormal, and never alone: wherever there is a hue
there is a letter, a sign or a side as well. Two hues carry meaning, a blue for rich and an
orange-vermilion for lean, which people with the common colour-vision deficiencies tell apart
(after the Color Universal Design Organization's habit). The light grey ground follows the habit
of ISA-101 for screens that are watched for hours (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

PALETTES: Final = ("print", "sunlight", "mono", "dark")


@dataclass(frozen=True, slots=True)
class Look:
    """How a style looks: `#rrggbb` or None for the terminal's own colours."""

    ink: str | None = None
    ground: str | None = None
    bold: bool = False
    inverse: bool = False
    underline: bool = False


Palette = Mapping[str, Look]


@dataclass(frozen=True, slots=True)
class _Inks:
    ground: str
    text: str
    dim: str
    rule: str
    bar: str  # ground of the status and keys lines
    bar_text: str
    rail: str  # ground of the rails
    badge: str  # ground of badges, with the page's ground as ink
    lean: str  # on the page
    rich: str
    lean_ground: str  # with lean_ink on it
    lean_ink: str
    key: str  # ground of keys' names, with key_ink on it
    key_ink: str


_PRINT = _Inks(
    ground="#e6e6e3",
    text="#1b1c1e",
    dim="#55585c",
    rule="#63666a",
    bar="#d3d4d1",
    bar_text="#1b1c1e",
    rail="#f4f4f2",
    badge="#33363a",
    lean="#a33a00",
    rich="#00568f",
    lean_ground="#a33a00",
    lean_ink="#ffffff",
    key="#d3d4d1",
    key_ink="#1b1c1e",
)
_SUNLIGHT = _Inks(
    ground="#ffffff",
    text="#000000",
    dim="#000000",
    rule="#000000",
    bar="#ffffff",
    bar_text="#000000",
    rail="#ffffff",
    badge="#000000",
    lean="#8a2f00",
    rich="#003f73",
    lean_ground="#8a2f00",
    lean_ink="#ffffff",
    key="#000000",
    key_ink="#ffffff",
)
_DARK = _Inks(
    ground="#16181b",
    text="#e4e4e0",
    dim="#a3a7ab",
    rule="#85898e",
    bar="#25282c",
    bar_text="#e4e4e0",
    rail="#1f2226",
    badge="#d5d6d2",
    lean="#ff9a4d",
    rich="#6db8ff",
    lean_ground="#ff9a4d",
    lean_ink="#16181b",
    key="#25282c",
    key_ink="#e4e4e0",
)


def _colour_looks(k: _Inks) -> dict[str, Look]:
    page = Look(k.text, k.ground)
    over, turned = Look(k.lean_ink, k.lean_ground, bold=True), Look(k.ground, k.badge, bold=True)
    bar, rail = Look(k.bar_text, k.bar), Look(k.text, k.rail)
    return {
        "text": page,
        "strong": replace(page, bold=True),
        "dim": Look(k.dim, k.ground),
        "label": Look(k.dim, k.ground),
        "gone": Look(k.dim, k.ground),
        "gone-strong": Look(k.dim, k.ground, bold=True),
        "rule": Look(k.rule, k.ground),
        "big": replace(page, bold=True),
        "big-quiet": Look(k.dim, k.ground),
        "big-over": Look(k.lean, k.ground, bold=True),
        "bar": Look(k.ground, k.rule, bold=True),
        "bar-unlit": Look(k.dim, k.ground),
        "badge": turned,
        "over-text": Look(k.lean, k.ground, bold=True),
        "none": Look(k.dim, k.ground),
        "none-unlit": Look(k.dim, k.ground),
        "look": turned,
        "look-unlit": replace(page, bold=True),
        "over": over,
        "over-unlit": Look(k.lean_ground, k.ground, bold=True),
        "nodata": turned,
        "nodata-unlit": Look(k.badge, k.ground, bold=True),
        "new": over,
        "rail": rail,
        "rail-whisker": Look(k.dim, k.rail),
        "rail-now": replace(rail, bold=True),
        "rail-lean": Look(k.lean, k.rail, bold=True),
        "rail-rich": Look(k.rich, k.rail, bold=True),
        "status": bar,
        "status-strong": replace(bar, bold=True),
        "status-badge": turned,
        "status-alert": turned,
        "keys": bar,
        "key": Look(k.key_ink, k.key, bold=True),
        "key-name": replace(page, bold=True),
        "prompt": turned,
        "chosen": turned,
        "cell-held": turned,
    }


_MONO_LOOKS: Final = {
    "strong": Look(bold=True),
    "gone-strong": Look(bold=True),
    "big": Look(bold=True),
    "big-over": Look(bold=True),
    "bar": Look(bold=True, inverse=True),
    "badge": Look(bold=True, inverse=True),
    "over-text": Look(bold=True, underline=True),
    "look": Look(bold=True, inverse=True),
    "look-unlit": Look(bold=True),
    "over": Look(bold=True, inverse=True),
    "over-unlit": Look(bold=True),
    "nodata": Look(bold=True, inverse=True),
    "nodata-unlit": Look(bold=True),
    "new": Look(bold=True, inverse=True),
    "rail-now": Look(bold=True),
    "rail-lean": Look(bold=True),
    "rail-rich": Look(bold=True),
    "status-strong": Look(bold=True),
    "status-badge": Look(bold=True, inverse=True),
    "status-alert": Look(bold=True, inverse=True),
    "key": Look(bold=True),
    "key-name": Look(bold=True),
    "prompt": Look(bold=True, inverse=True),
    "chosen": Look(inverse=True),
    "cell-held": Look(inverse=True),
}


def palette(name: str) -> Palette:
    """Looks by style name.

    print     dark on light grey
    sunlight  black on white, all bold, nothing grey
    mono      the terminal's own colours: bold, inverse and underlined only
    dark      light on dark, for a cell at night
    """
    if name == "mono":
        return {style: _MONO_LOOKS.get(style, Look()) for style in _colour_looks(_PRINT)}
    if name == "sunlight":
        return {style: replace(look, bold=True) for style, look in _colour_looks(_SUNLIGHT).items()}
    return _colour_looks(_DARK if name == "dark" else _PRINT)


def contrast(ink: str, ground: str) -> float:
    """Contrast ratio, 1 to 21, of two colours `#rrggbb`.

    (L1 + 0.05) / (L2 + 0.05) of the relative luminances (W3C, WCAG 2.1, definition of contrast ratio).

    >>> round(contrast("#000000", "#ffffff"), 1)
    21.0
    """
    lighter, darker = sorted((_relative_luminance(ink), _relative_luminance(ground)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def _relative_luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.1, definition; linear sRGB with weights 0.2126, 0.7152, 0.0722)."""
    parts = (int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5))
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
