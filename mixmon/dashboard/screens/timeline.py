"""The time line of a replay: one row above the keys, with what happened in the recording and where it plays.

    01:14.6 |----a--P=====---m--!--e--O-----.....| 02:38

One sign a moment: `!` an alarm of priority 1, `a` another alarm, `e` an event, `m` a mark or a note, `P=` a
pull, `J` a jump of the stamps. `O` is now; what is not yet known is dotted. Arrows choose a moment, which
then stands beside the line in words.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from itertools import groupby
from typing import Final

from mixmon.dashboard.scene import Scene
from mixmon.dashboard.text import ASCII, Row, Segment, clean, fit, fit_row
from mixmon.dashboard.text import width as cells
from mixmon.frames.clock import clock_text
from mixmon.watch.commands import Seek
from mixmon.watch.timeline import KnownMoments, LogTimeline, Moment, MomentKind

_LETTERS: Final = {
    MomentKind.JUMP: "J",
    MomentKind.ALARM: "a",
    MomentKind.MARK: "m",
    MomentKind.EVENT: "e",
    MomentKind.PULL: "P",
}
"""One sign a kind; where several share a cell, the first of this table is shown, but an alarm of priority 1
before all."""

_URGENT: Final = "!"

_PRESSING: Final = {letter: rank for rank, letter in enumerate((_URGENT, *_LETTERS.values()))}

LEAST_LINE = 16
"""Our choice: on fewer cells most moments would share one."""

_MOST_WORDS = 44
"""Our choice: room for a rule's name and a few cylinders."""

SIGNS: Final = (
    ("O", "on the time line of a replay: where it is"),
    (_URGENT, "an alarm of priority 1"),
    ("a", "another alarm"),
    ("e", "an event; cuts and tips are left out"),
    ("m", "a mark or a note"),
    ("P=", "a pull"),
    ("J", "the stamps jump"),
)
"""For the help."""


def timeline_row(scene: Scene, line: LogTimeline, chosen: Moment | None, width: int) -> Row:
    """The row; `chosen` is drawn inverse and told in words."""
    now = clock_text(scene.live.elapsed_s)
    left, right = f" {now} ", f" {_end_text(scene, line)} "
    words = "" if chosen is None else f" {moment_text(scene, chosen)}: enter "
    room = width - cells(left) - cells(right) - 2
    words = fit(words, min(cells(words), _MOST_WORDS, max(room - LEAST_LINE, 0)))
    count = room - cells(words)
    if count < LEAST_LINE:
        return fit_row([(left, "strong"), (f"of{right}", "dim")], width)
    bar = scene.marks.upright
    inside = _line_segments(scene, line, chosen, count)
    row = [(left, "strong"), (bar, "rule"), *inside, (bar, "rule"), (right, "dim"), (words, "prompt")]
    return fit_row(row, width)


def moment_text(scene: Scene, moment: Moment) -> str:
    """A moment in a few words: time, what, whom."""
    whom = f" cyl {' '.join(map(str, moment.cylinders))}" if moment.cylinders else ""
    time = scene.clock(moment.t)
    if moment.rpm is not None:
        return f"{time} pull {moment.rpm[0]:.0f} > {moment.rpm[1]:.0f} rpm"
    if moment.kind is MomentKind.JUMP:
        return f"{time} stamps jump {moment.name}"
    priority = f"P{moment.priority} " if moment.priority else ""
    return clean(f"{time} {priority}{moment.name}{whom}")


def seek_moment(moment: Moment) -> Seek:
    """Goes to a moment of the line."""
    return Seek(moment.place / 1e9)


def seek_stamp(scene: Scene, t: int) -> Seek:
    """Goes to a stamp: to its moment where the line has one, else where the clock shows it first."""
    known = () if scene.live.timeline is None else scene.live.timeline.known.moments
    found = next((moment for moment in known if moment.t == t), None)
    return Seek(max(scene.clock_s(t), 0.0), by_clock=True) if found is None else seek_moment(found)


def _end_text(scene: Scene, line: LogTimeline) -> str:
    """How long the recording is, or how far it is known; an estimate by its bytes where that is all."""
    known = line.known
    if known.failure:
        return f"known to {_minutes(known.through)}"
    if known.length is not None:
        return _minutes(known.length)
    share = scene.live.replay_position or 0.0
    about = f"~{_minutes(round(line.playing.place / share))} " if share > 0 else ""
    return f"{about}known to {_minutes(known.through)}"


def _minutes(place: int) -> str:
    return clock_text(place / 1e9).partition(".")[0]


def _reach(scene: Scene, line: LogTimeline) -> int:
    """The place at the right end of the line: the end of the recording, as it is known or estimated."""
    share = scene.live.replay_position or 0.0
    guess = round(line.playing.place / share) if share > 0 and line.known.length is None else 0
    return max(line.reach, guess)


def _line_segments(scene: Scene, line: LogTimeline, chosen: Moment | None, count: int) -> Iterator[Segment]:
    """The cells of the line, those of one style together."""
    reach = _reach(scene, line)
    drawn = list(_signs(line.known, reach, count, ascii_only=scene.marks is ASCII))
    now = _cell(line.playing.place, reach, count)
    aim = None if chosen is None else _cell(chosen.place, reach, count)
    styles = ["strong" if sign in _PRESSING else "rule" for sign in drawn]
    drawn[now], styles[now] = "O", "badge"
    if aim is not None:
        drawn[aim] = _sign_of(chosen) if chosen is not None and aim != now else "O"
        styles[aim] = "chosen"
    for style, group in groupby(zip(drawn, styles, strict=True), key=lambda one: one[1]):
        yield "".join(sign for sign, _ in group), style


def _cell(place: int, reach: int, count: int) -> int:
    return min(max(place * count // reach, 0), count - 1)


def _sign_of(moment: Moment) -> str:
    return _URGENT if moment.priority == 1 else _LETTERS[moment.kind]


@lru_cache(4)
def _signs(known: KnownMoments, reach: int, count: int, *, ascii_only: bool) -> tuple[str, ...]:
    """The line without now: moments over pulls over what is known."""
    plain, pulled, open_ = ("-", "=", ".") if ascii_only else ("─", "═", "·")
    through = count if known.length is not None else known.through * count // reach
    out = [plain if x < through else open_ for x in range(count)]
    for moment in known.moments:
        first, last = _cell(moment.place, reach, count), _cell(moment.end, reach, count)
        out[first + 1 : last + 1] = [
            pulled if sign not in _PRESSING else sign for sign in out[first + 1 : last + 1]
        ]
        sign = _sign_of(moment)
        if _PRESSING[sign] <= _PRESSING.get(out[first], len(_PRESSING)):
            out[first] = sign
    return tuple(out)
