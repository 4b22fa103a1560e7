"""The four palettes: a look (ink, ground, bold, inverse, underline) for each style name.

The page is neutral while all is normal. Colour marks only what is abnormal, and never alone: a
letter, a sign or a side says the same. Two hues carry meaning, a blue for rich and an
orange-vermilion for lean, which people with the common colour-vision deficiencies can distinguish
(after the Color Universal Design Organization's practice). The light grey ground follows
ISA-101 for screens that are watched for hours (from memory).

Order of the file: the colours of each palette, then the looks that are made of them. All palettes
have the same style names.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

PALETTES: Final = ("print", "sunlight", "mono", "dark")
"""In the order in which a key goes through them."""


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
    line: str  # ground of the status and keys lines
    line_text: str
    bar: str  # ground of the bars
    badge: str  # ground of badges, with the page's ground as ink
    lean: str  # on the page
    rich: str
    lean_ground: str  # with lean_ink on it
    lean_ink: str
    key: str  # ground of keys' names, with key_ink on it
    key_ink: str


# Colours, our choice: text has a contrast of at least 4.5 to 1 (WCAG 2.1, 1.4.3), in sunlight 7 to 1 (1.4.6).

_PRINT = _Inks(
    ground="#e6e6e3",
    text="#1b1c1e",
    dim="#55585c",
    rule="#63666a",
    line="#d3d4d1",
    line_text="#1b1c1e",
    bar="#f4f4f2",
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
    line="#ffffff",
    line_text="#000000",
    bar="#ffffff",
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
    line="#25282c",
    line_text="#e4e4e0",
    bar="#1f2226",
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
    line, bar = Look(k.line_text, k.line), Look(k.text, k.bar)
    return {
        "text": page,
        "strong": replace(page, bold=True),
        "picked": replace(page, bold=True),  # the chosen cylinder in a picture; the pointer looks for it
        "dim": Look(k.dim, k.ground),
        "label": Look(k.dim, k.ground),
        "gone": Look(k.dim, k.ground),
        "gone-strong": Look(k.dim, k.ground, bold=True),
        "rule": Look(k.rule, k.ground),
        "big": replace(page, bold=True),
        "big-quiet": Look(k.dim, k.ground),
        "big-over": Look(k.lean, k.ground, bold=True),
        "limit-bar": Look(k.ground, k.rule, bold=True),
        "limit-bar-unlit": Look(k.dim, k.ground),
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
        "bar": bar,
        "bar-whisker": Look(k.dim, k.bar),
        "bar-now": replace(bar, bold=True),
        "bar-lean": Look(k.lean, k.bar, bold=True),
        "bar-rich": Look(k.rich, k.bar, bold=True),
        "shade-lean": Look(k.lean, k.ground),
        "shade-rich": Look(k.rich, k.ground),
        "status": line,
        "status-strong": replace(line, bold=True),
        "status-badge": turned,
        "status-alert": turned,
        "keys": line,
        "key": Look(k.key_ink, k.key, bold=True),
        "key-name": replace(page, bold=True),
        "prompt": turned,
        "chosen": turned,
        "cell-held": turned,
    }


_MONO_LOOKS: Final = {
    "strong": Look(bold=True),
    "picked": Look(bold=True),
    "gone-strong": Look(bold=True),
    "big": Look(bold=True),
    "big-over": Look(bold=True),
    "limit-bar": Look(bold=True, inverse=True),
    "badge": Look(bold=True, inverse=True),
    "over-text": Look(bold=True, underline=True),
    "look": Look(bold=True, inverse=True),
    "look-unlit": Look(bold=True),
    "over": Look(bold=True, inverse=True),
    "over-unlit": Look(bold=True),
    "nodata": Look(bold=True, inverse=True),
    "nodata-unlit": Look(bold=True),
    "new": Look(bold=True, inverse=True),
    "bar-now": Look(bold=True),
    "bar-lean": Look(bold=True),
    "bar-rich": Look(bold=True),
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
