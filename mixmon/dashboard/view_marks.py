"""Letters, words and characters: every state can be told without colour, and without Unicode."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from mixmon.mixture.block import SampleState

_S = SampleState

LETTERS: Final[dict[SampleState, str]] = {
    _S.VALID: "V",
    _S.COLD: "W",
    _S.WARMING: "W",
    _S.SETTLING: "W",
    _S.HELD: "H",
    _S.SILENT: "X",
    _S.AT_RICH_LIMIT: "R",
    _S.AT_LEAN_LIMIT: "L",
    _S.OVERRUN: "C",
    _S.SPARK_CUT: "C",
    _S.SUSPECT: "V?",
    _S.LEFT_OUT: "-",
}
"""One letter a state. Cold and settling sensors share the W of warming: wait, and it comes."""

OVER_LETTER, OVER_WORD = "V!", "over"
"""A valid sample of a cylinder that is over a limit."""

UNKNOWN_LETTER, UNKNOWN_WORD = "?", "not known"
"""Whatever the sensor may say, nobody works it any more."""

WORDS: Final[dict[SampleState, str]] = {state: state.word for state in SampleState} | {
    _S.AT_RICH_LIMIT: "rich end",
    _S.AT_LEAN_LIMIT: "lean end",
}
"""At most nine cells each: the end of the sensor's range is not the builder's limit."""

AT_END: Final = frozenset({_S.AT_RICH_LIMIT, _S.AT_LEAN_LIMIT})
"""The gas is at least that rich, or that lean; the number itself is not known."""

CUT: Final = frozenset({_S.OVERRUN, _S.SPARK_CUT})
"""Nothing burns: there is no mixture to judge."""

LEGEND: Final = (
    ("V", "valid"),
    ("V!", "valid, over a limit"),
    ("V?", "suspect: repeats itself, or does not fit"),
    ("W", "cold, warming or settling"),
    ("C", "cut: overrun or spark"),
    ("H", "held: the newest sample is late"),
    ("X", "silent"),
    ("R  L", "at the rich or lean end of the sensor's range: at least that much"),
    ("-", "left out"),
    ("?", "not known: the analysis has stopped, or does not answer"),
)


@dataclass(frozen=True, slots=True)
class Marks:
    """The characters that pictures are made of; all one cell wide."""

    now: str
    whisker: str
    peak: str
    target: str
    limit: str
    beyond_rich: str
    beyond_lean: str
    rule: str
    upright: str
    corners: str  # top left, top right, bottom left, bottom right
    plus_minus: str
    full: str
    empty: str
    chosen: str
    dot: str
    dash: str


UNICODE: Final = Marks(
    now="●",
    whisker="━",
    peak="▹",
    target="│",
    limit="┊",
    beyond_rich="◀",
    beyond_lean="▶",
    rule="─",
    upright="│",
    corners="┌┐└┘",
    plus_minus="±",
    full="█",
    empty="░",
    chosen="▸",
    dot="·",
    dash="–",
)

ASCII: Final = Marks(
    now="O",
    whisker="-",
    peak="'",
    target="|",
    limit=":",
    beyond_rich="<",
    beyond_lean=">",
    rule="-",
    upright="|",
    corners="++++",
    plus_minus="+-",
    full="#",
    empty=".",
    chosen=">",
    dot=".",
    dash="-",
)


def letter(state: SampleState | None, *, over: bool) -> str:
    """The letter of a sample's state; None: nobody looks at it."""
    if state is None:
        return UNKNOWN_LETTER
    return OVER_LETTER if over and state is _S.VALID else LETTERS[state]


def state_word(state: SampleState | None, *, over: bool) -> str:
    """The word of a sample's state; None: nobody looks at it."""
    if state is None:
        return UNKNOWN_WORD
    return OVER_WORD if over and state is _S.VALID else WORDS[state]
