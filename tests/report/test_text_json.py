"""JSON."""

import json
import math
from dataclasses import dataclass
from enum import IntEnum, StrEnum
from pathlib import Path

import numpy as np
import pytest

from mixmon.report.text import plain, to_json


@dataclass(frozen=True, slots=True)
class _Node:
    position: int
    rate_hz: float


class _State(IntEnum):
    AT_RICH_LIMIT = 6


class _Word(StrEnum):
    BUS_OFF = "bus off"


@pytest.mark.parametrize(
    ("value", "became"),
    [
        (np.float64("nan"), None),
        (np.array([1.0, np.nan, np.inf]), [1.0, None, None]),
        (np.array([[1, 2], [3, 4]], np.uint8), [[1, 2], [3, 4]]),
        (np.bool_(True), True),
        (np.int64(7), 7),
        ((1, [2]), [1, [2]]),
        (_Node(3, math.nan), {"position": 3, "rate_hz": None}),
        (_State.AT_RICH_LIMIT, "at rich limit"),
        (_Word.BUS_OFF, "bus off"),
        ({1: "a"}, {"1": "a"}),
        (Path("runs") / "a.log", str(Path("runs") / "a.log")),
    ],
)
def test_plain(value, became):
    assert plain(value) == became


def test_a_type_that_nobody_thought_of_is_an_error_and_not_a_guess():
    with pytest.raises(TypeError, match="set"):
        plain({1, 2})


def test_the_object_is_one_ascii_line_that_begins_with_its_format_in_the_order_given():
    text = to_json({"session": "Erle 8 λ", "b": 1, "a": [0.1 + 0.2, math.nan]})
    assert text == '{"format": 2, "session": "Erle 8 \\u03bb", "b": 1, "a": [0.30000000000000004, null]}\n'


def test_floats_read_back_bit_for_bit():
    values = np.random.default_rng(1).normal(size=1000) * 10.0 ** np.arange(-500, 500).clip(-300, 300)
    assert json.loads(to_json({"v": values}))["v"] == values.tolist()
