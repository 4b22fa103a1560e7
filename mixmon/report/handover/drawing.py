"""Small pictures as SVG: lines, points and text that can be selected and read aloud.

Our own writer: what the page draws is lines, points and words in rows, some hundred lines of code. A plotting
library sets its colours where it draws, so a page of light and dark would need each picture twice; it makes
glyphs of letters or leaves their size to chance; and it would be the largest part of the program that
every page waits for. Here colours are those of the style sheet, and the same numbers give the same bytes.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from mixmon.arrays import Floats
from mixmon.report.handover.html import escaped
from mixmon.report.page import round_step


def _text_of(value: float) -> str:
    """A coordinate to a tenth, without a needless end."""
    text = f"{value:.1f}"
    return text.removesuffix(".0") if text != "-0.0" else "0"


@dataclass(frozen=True, slots=True)
class DrawnScale:
    """From a range of values to a range of coordinates."""

    low: float
    high: float
    first: float
    last: float

    def at(self, value: float) -> float:
        """The coordinate of a value; the nearest end for one beyond."""
        inside = min(max(value, self.low), self.high)
        return self.first + (inside - self.low) / (self.high - self.low) * (self.last - self.first)

    def ticks(self, most: int) -> Iterator[float]:
        """Round values within the range, at most about so many."""
        step = round_step((self.high - self.low) / most)
        for k in range(math.ceil(self.low / step - 1e-9), math.floor(self.high / step + 1e-9) + 1):
            yield k * step


def scale_over(
    values: Iterable[float], first: float, last: float, *, least: float = 0.0, holds: float | None = None
) -> DrawnScale:
    """A scale over the known values, with some room at both ends; `least` wide, and with `holds` in it."""
    known = [x for x in values if math.isfinite(x)]
    known += [] if holds is None else [holds]
    low, high = (min(known), max(known)) if known else (0.0, 1.0)
    room = max(0.06 * (high - low), (least - (high - low)) / 2, 1e-6)
    return DrawnScale(low - room, high + room, first, last)


@dataclass(slots=True)
class Drawing:
    """A picture that is drawn part by part.

    name   of the picture in the page
    title  what it shows; `words` tell the same numbers to whoever cannot see it
    """

    name: str
    width: float
    height: float
    title: str
    words: str
    _parts: list[str] = field(default_factory=list)

    def line(self, x1: float, y1: float, x2: float, y2: float, kind: str) -> None:
        """A straight line."""
        a, b, c, d = map(_text_of, (x1, y1, x2, y2))
        self._parts.append(f'<line x1="{a}" y1="{b}" x2="{c}" y2="{d}" class="{kind}"/>')

    def box(self, x: float, y: float, width: float, height: float, kind: str) -> None:
        """A filled rectangle."""
        a, b, c, d = map(_text_of, (x, y, max(width, 0), max(height, 0)))
        self._parts.append(f'<rect x="{a}" y="{b}" width="{c}" height="{d}" class="{kind}"/>')

    def dot(self, x: float, y: float, kind: str = "dot", radius: float = 4.5) -> None:
        """A point."""
        a, b, r = map(_text_of, (x, y, radius))
        self._parts.append(f'<circle cx="{a}" cy="{b}" r="{r}" class="{kind}"/>')

    def text(  # noqa: PLR0917  # where, what, how, as in every picture
        self, x: float, y: float, text: str, kind: str = "", anchor: str = "start", target: str = ""
    ) -> None:
        """Words; with `target` they lead to that part of the page."""
        a, b = map(_text_of, (x, y))
        about = "" if anchor == "start" else f' text-anchor="{anchor}"'
        about += f' class="{kind}"' if kind else ""
        said = f'<text x="{a}" y="{b}"{about}>{escaped(text)}</text>'
        self._parts.append(f'<a href="#{escaped(target)}">{said}</a>' if target else said)

    def curve(self, x: Floats, y: Floats, kind: str) -> None:
        """A line through points; a gap where one is not known. A point that stands alone is a dot."""
        known = np.isfinite(x) & np.isfinite(y)
        edges = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]]).astype(np.int8)))
        for low, high in edges.reshape(-1, 2).tolist():
            pairs = zip(x[low:high].tolist(), y[low:high].tolist(), strict=True)
            points = [f"{_text_of(a)},{_text_of(b)}" for a, b in pairs]
            if len(points) == 1:
                self.dot(float(x[low]), float(y[low]), radius=2.5)
            else:
                self._parts.append(f'<polyline points="{" ".join(points)}" class="{kind}"/>')

    def svg(self) -> str:
        """The picture as SVG, with its title and its words for whoever does not see it."""
        name = escaped(self.name)
        size = f"{_text_of(self.width)} {_text_of(self.height)}"
        return (
            f'<svg id="{name}" viewBox="0 0 {size}" role="group" '
            f'aria-labelledby="{name}-title {name}-words">\n'
            f'<title id="{name}-title">{escaped(self.title)}</title>\n'
            f'<desc id="{name}-words">{escaped(self.words)}</desc>\n' + "\n".join(self._parts) + "\n</svg>\n"
        )


def apart(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Places as near to those wanted as they can be, at least `gap` from each other, in the same order."""
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    placed: list[float] = []
    for i in order:
        placed.append(max(wanted[i], placed[-1] + gap if placed else low))
    limit = high
    for k in range(len(placed) - 1, -1, -1):
        placed[k] = min(placed[k], limit)
        limit = placed[k] - gap
    out = [0.0] * len(wanted)
    for i, place in zip(order, placed, strict=True):
        out[i] = place
    return out
