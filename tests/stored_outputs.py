"""What every command and every screen gives for the examples, kept in tests/stored as it was.

A change that means to leave results alone leaves these files alone. `tools/store_outputs.py` compares
every byte, each command line by itself, and writes the files anew where a word or a number was changed on
purpose. The tests allow for the last digits of a number, in which processors may differ, and read each log
once for all that is printed of one finding.
"""

from __future__ import annotations

import contextlib
import hashlib
import math
import os
import re
from collections.abc import Iterator
from pathlib import Path

from command_line import run_command
from dashboard.scenes import nothing, pull_review, scene, snapshot, text

from mixmon.dashboard.keys import Page
from mixmon.dashboard.screens.pages import State, draw

ROOT = Path(__file__).parents[1]
FOLDER = Path(__file__).parent / "stored"

LOGS = {
    "eight": ["examples/alder8_short.log.gz", "-s", "examples/alder8.toml"],
    "six": ["examples/foreign.log.gz", "-s", "examples/foreign.toml"],
}

OF_A_LOG: dict[str, list[str]] = {
    "census": ["census"],
    "balance": ["balance"],
    "balance cells": ["balance", "--cells"],
    "balance target": ["balance", "--against", "target"],
    "balance leave out": ["balance", "--leave-out", "2"],
    "trims": ["trims"],
    "events": ["events"],
    "pulls": ["pulls"],
    "transients": ["pulls", "--transients"],
    "response": ["response"],
    "causes": ["causes"],
    "replay": ["replay"],
    "decode": ["decode"],
    "decode raw": ["decode", "--raw", "--absolute"],
}
"""Commands that read a log; each is stored as text and as JSON."""

_TAUGHT = ["--add", LOGS["eight"][0], *LOGS["eight"][1:], "--ledger", ":memory:", "--quiet"]

GRADE_GLIMPSE = ["simulate", "--scenario", "alder8-glimpse", "--seed", "8", "--grade", "--quiet"]

_BOTH_SIX = [LOGS["six"][0], "examples/foreign_after.log.gz", *LOGS["six"][1:]]

ALONE: dict[str, list[str]] = {
    "verify eight": ["verify", "examples/alder8.toml"],
    "verify six": ["verify", "examples/foreign.toml"],
    "verify six log": ["verify", "examples/foreign.toml", "--log", "examples/foreign.log.gz", "--quiet"],
    "verify mistakes": ["verify", "tests/session/mistakes.toml"],
    "identify plan": ["identify", "--plan", "-s", "examples/alder8.toml"],
    "identify eight": ["identify", *LOGS["eight"], "--steps", "examples/alder8_steps.toml", "--quiet"],
    "convert lambda": ["convert", "lambda", "0.88", "1.2", "--fuel", "E10"],
    "convert five gas": ["convert", "five-gas", "co=1", "co2=14", "o2=1", "hc_ppm=200", "no=0"],
    "convert pressure": [
        "convert",
        "lambda",
        "0.80",
        "--fuel",
        "gasoline",
        "--pressure",
        "1.2",
        "--pressure-k",
        "0.3",
    ],
    "sensors eight": ["sensors", *_TAUGHT],
    "sensors slow one": ["sensors", "S-088", *_TAUGHT],
    "rotate design": ["rotate", "--design", "8", "--error", "0.35"],
    "rotate design session": ["rotate", "--design", "8", "-s", "examples/alder8.toml", "--error", "0.1"],
    "rotate one": ["rotate", "examples/alder8_short.log.gz", "-s", "examples/alder8.toml", "--quiet"],
    "trims read aloud": ["trims", *LOGS["six"], "--read-aloud", "--quiet"],
    "compare six": ["compare", *_BOTH_SIX, "--entered", "5=4", "--quiet"],
    "scenarios": ["simulate", "--list"],
    "grade six": ["simulate", "--scenario", "six", "--seed", "6", "--grade", "--quiet"],
}
"""Commands that read no log."""

SIZES = ((80, 24), (120, 40), (200, 60))


def command_lines() -> dict[str, list[str]]:
    """Every stored command line by the name of its file."""
    lines = {
        f"{log} {name}": [words[0], *source, *words[1:], "--quiet"]
        for log, source in LOGS.items()
        for name, words in OF_A_LOG.items()
    } | ALONE
    as_json = {
        f"{name} json": [*words, "--json"]
        for name, words in lines.items()
        if "--raw" not in words
        and "--read-aloud" not in words
        and "--cells" not in words  # the JSON has all cells, asked for or not
        and words[0] != "simulate"  # one grading is stored as text, the other as JSON
    } | {"grade glimpse json": [*GRADE_GLIMPSE, "--json"]}
    return dict(sorted((lines | as_json).items()))


def told(words: list[str]) -> str:
    """Exit status, standard output and standard error of one command line."""
    with contextlib.chdir(ROOT):
        status, given, err = run_command(*words)
    if len(given) > 100_000:  # decoded signals: their beginning, and a digest of the whole
        given = given[:4000] + f"\n... sha256 {hashlib.sha256(given.encode()).hexdigest()}\n"
    return f"mixmon {' '.join(words)}\nexit status {status}\n--- output\n{given}--- talk\n{err}"


def screens() -> str:
    """Every screen of three moments, at three sizes, with its styles."""
    moments = {
        "pull": snapshot(8, pulls=pull_review(8)),
        "sixteen": snapshot(16, pulls=pull_review(16)),
        "before the first frame": nothing(8),
    }
    return "".join(_screens_of(name, shown) for name, shown in moments.items())


def _screens_of(name: str, shown: object) -> str:
    seen = scene(shown, count=len(shown.cylinders.lam))
    parts = []
    for page in Page:
        for width, height in SIZES:
            rows = draw(seen, State(seen.options, page=page), width, height)
            lines = "\n".join(line.rstrip() for line in text(rows))
            styles = hashlib.sha256(repr(rows).encode()).hexdigest()[:16]
            parts.append(f"=== {name}, {page.name}, {width}x{height}, styles {styles}\n{lines}\n")
    return "".join(parts)


def every() -> Iterator[tuple[str, str]]:
    """Name and text of everything that is stored."""
    for name, words in command_lines().items():
        yield name, told(words)
    yield "screens", screens()


def path(name: str) -> Path:
    """Where a text is kept."""
    return FOLDER / f"{name.replace(' ', '_')}.txt"


LAST_DIGITS = 1e-6  # relative; fits that end in rounds differ by 1e-7 between processors (seen)
_NUMBER = re.compile(r"-?\d+\.\d{6,}(?:e-?\d+)?|-?\d+(?:\.\d+)?e-\d+")


def same_but_last_digits(now: str, stored: str) -> bool:
    """Whether the texts are the same and long numbers agree as those of all processors do."""
    pairs = zip(*(map(float, _NUMBER.findall(text)) for text in (now, stored)), strict=False)
    return _NUMBER.sub("#", now) == _NUMBER.sub("#", stored) and all(
        math.isclose(number, right, rel_tol=LAST_DIGITS) for number, right in pairs
    )


def clean_environment() -> None:
    """Takes what a person's terminal says out of the way."""
    for name in ("NO_COLOR", "COLUMNS", "LINES"):
        os.environ.pop(name, None)
