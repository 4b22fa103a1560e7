"""One line of a DBC file is broken: every message that it is not about is as cantools reads the original.

cantools also says which breaks are faults: where it refuses the broken text, mixmon names the line.
"""

import re
from functools import cache
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st
from library_reading import facts_of_library, facts_of_plan, library_id, library_messages

from mixmon.messages.database import decode_text
from mixmon.messages.dbc import read_dbc

ZOO = Path(__file__).parent / "zoo"
NAMES = [
    *(
        "big_endian",
        "floats",
        "mixed_orders",
        "nested_multiplex",
        "protected",
        "signed_bits",
        "simple_multiplex",
    ),
    *("truck_bus", "value_tables", "unicode_text", "long_names", "scaled_selector"),
]


def without(what, count=1):
    return lambda line: line[::-1].replace(what[::-1], "", count)[::-1] if what in line else None


def put_in_the_middle(what):
    return lambda line: line[: len(line) // 2] + what + line[len(line) // 2 :]


BREAKS = {
    "no semicolon": without(";"),
    "no closing quote": without('"'),
    "no quotes": lambda line: line.replace('"', "") if '"' in line else None,
    "one quote more": lambda line: line.replace(' "', ' "an "odd" ', 1) if ' "' in line else None,
    "no colon": without(":"),
    "no bracket": without(")"),
    "no range": lambda line: re.sub(r"\[.*\]", "", line) if "[" in line else None,
    "no pipe": lambda line: line.replace("|", " ", 1) if "|" in line else None,
    "no at": without("@"),
    "word for a number": lambda line: (
        re.sub(r" \d+", " x", line, count=1) if re.search(r" \d", line) else None
    ),
    "huge number": lambda line: (
        re.sub(r" \d+", " 99999999999", line, count=1) if re.search(r" \d", line) else None
    ),
    "decimal comma": lambda line: line.replace("(1,", "(1,5,") if "(1," in line else None,
    "odd sign in the middle": put_in_the_middle(" § "),
    "cut in half": lambda line: line[: len(line) // 2],
    "junk at the end": lambda line: line + " %&",
    "keyword spoilt": lambda line: re.sub(r"\b([A-Z]+)_", r"\1", line, count=1),
    "all junk": lambda _: "%$ what is this",
}


@cache
def original(name):
    """The lines of a file, what cantools reads in it, and the number in each message's BO_ by identifier."""
    text = decode_text((ZOO / f"{name}.dbc").read_bytes())
    facts = {library_id(m): facts_of_library(m) for m in library_messages(text)}
    return text.split("\n"), facts


def statement_lines(lines, at):
    """First and last line of the statement that holds line `at`, counted from 0: strings may go on."""
    first = at
    while first > 0 and "\n".join(lines[:first]).count('"') % 2:
        first -= 1
    last = at
    while "\n".join(lines[: last + 1]).count('"') % 2 and last + 1 < len(lines):
        last += 1
    return first, last


def touched_by(lines, at):
    """The numbers in the file that the statement on a line is about; None where it is about all messages."""
    first, last = statement_lines(lines, at)
    text = " ".join(lines[first : last + 1]).strip()
    if text.startswith("SG_ "):
        above = [line for line in lines[: first + 1] if line.strip().startswith("BO_ ")]
        return {int(above[-1].split()[1])}
    if text.startswith("BA_DEF_DEF_"):
        return None
    found = re.match(r'(?:BO_|VAL_|SIG_VALTYPE_|SG_MUL_VAL_|CM_ \w+|BA_ +"\w+" \w+) +(\d+)', text)
    return {int(found[1])} if found else set()


def is_refused_by_library(text):
    try:
        library_messages(text)
    except Exception:  # noqa: BLE001  (whatever cantools raises)
        return True
    return False


def check(name, at, kind):
    """One break of one line; whether there was anything to break."""
    lines, expected = original(name)
    line = BREAKS[kind](lines[at])
    if line is None or line == lines[at] or not lines[at].strip():
        return False
    broken = "\n".join([*lines[:at], line, *lines[at + 1 :]])
    definitions, _, notices = read_dbc(broken)
    touched = touched_by(lines, at)
    if touched is not None:
        read = {d.plan.can_id: facts_of_plan(d.plan) for d in definitions}
        untouched = {can_id: facts for can_id, facts in expected.items() if can_id not in touched}
        assert {can_id: read.get(can_id) for can_id in untouched} == untouched
        assert read.keys() <= expected.keys() | {i for i in read if touched}
    if is_refused_by_library(broken):
        first, last = statement_lines(lines, at)
        named = {notice.line for notice in notices}
        renamed = line.startswith(
            "BA_DEF_ "
        )  # may now define another attribute: told where the first is used
        assert named if renamed else named & set(range(first + 1, last + 2))
    return True


@settings(max_examples=250, deadline=None)
@given(data=st.data())
def test_a_broken_line_costs_only_what_it_is_about_and_is_named(data):
    name = data.draw(st.sampled_from(NAMES))
    at = data.draw(st.integers(0, len(original(name)[0]) - 1))
    check(name, at, data.draw(st.sampled_from(sorted(BREAKS))))
