"""Write dbc/*.dbc, and the table in dbc/README.md, from the table in mixmon.messages.chain.

With --check nothing is written, and files that differ make it fail.

The same table always gives the same bytes: run this after every change of the table.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from mixmon.messages import chain
from mixmon.messages.integrity import ALGORITHMS
from mixmon.messages.plan import MessagePlan, SignalPlan

FOLDER = Path(__file__).resolve().parent.parent / "dbc"

_SECTIONS = "CM_ BA_DEF_ BA_ VAL_ BA_DEF_DEF_"
_CHECKSUMS = ("none", *ALGORITHMS)
_DEFINITIONS = (
    ("GenMsgCycleTime", "INT 0 65535", "0"),
    ("ChecksumAlgo", "ENUM " + ",".join(f'"{name}"' for name in _CHECKSUMS), '"none"'),
    ("ChecksumSignal", "STRING", '""'),
    ("CounterSignal", "STRING", '""'),
    ("ChecksumDataId", "INT -1 65535", "-1"),
    ("RawCodes", 'ENUM "none","all_ones"', '"none"'),
)


_TABLE_START = "<!-- fields: written by tools/make_dbc.py -->\n"
_TABLE_END = "<!-- end -->\n"


def file_texts() -> dict[str, str]:
    """The text of each file, by name."""
    readme = (FOLDER / "README.md").read_text("utf-8")
    before, rest = readme.split(_TABLE_START)
    after = rest.split(_TABLE_END)[1]
    nodes = [f"Mix{position:02d}" for position in range(1, chain.NODES + 1)]
    return {
        chain.CHAIN_FILE: dbc_text(chain.chain_messages(), nodes, "A chain of wideband oxygen sensors"),
        chain.ENGINE_FILE: dbc_text(
            (*chain.engine_messages(), *chain.trim_messages()), ["Engine"], "What the engine controller sends"
        ),
        "README.md": before + _TABLE_START + _field_tables() + _TABLE_END + after,
    }


def dbc_text(plans: Sequence[MessagePlan], nodes: Sequence[str], comment: str) -> str:
    """A DBC file of the plans. The sender of a message is the part of its name before '_'."""
    parts = [
        ['VERSION "1"'],
        ["NS_ :", *(f"\t{name}" for name in _SECTIONS.split())],
        ["BS_:"],
        ["BU_: " + " ".join(nodes)],
        *([_message_line(plan), *map(_signal_line, plan.signals)] for plan in plans),
        [f'CM_ "{comment}";', *(line for plan in plans for line in _comment_lines(plan))],
        [f'BA_DEF_ BO_ "{name}" {kind};' for name, kind, _ in _DEFINITIONS],
        [f'BA_DEF_DEF_ "{name}" {default};' for name, _, default in _DEFINITIONS],
        [line for plan in plans for line in _attribute_lines(plan)],
        [line for plan in plans for line in _value_lines(plan)],
    ]
    return "\n\n".join("\n".join(part) for part in parts) + "\n"


def _message_line(plan: MessagePlan) -> str:
    return f"BO_ {plan.can_id} {plan.name}: {plan.size} {plan.name.split('_')[0]}"


def _signal_line(signal: SignalPlan) -> str:
    order, sign = "0" if signal.big_endian else "1", "-" if signal.signed else "+"
    low, high = signal.minimum or 0.0, signal.maximum or 0.0
    return (
        f" SG_ {signal.name} : {signal.start}|{signal.length}@{order}{sign} "
        f"({_as_text(signal.scale)},{_as_text(signal.offset)}) [{_as_text(low)}|{_as_text(high)}] "
        f'"{signal.unit}" Vector__XXX'
    )


def _as_text(value: float) -> str:
    return str(int(value)) if value == int(value) else repr(value)


def _comment_lines(plan: MessagePlan) -> Iterator[str]:
    yield f'CM_ BO_ {plan.can_id} "{plan.comment}";'
    for signal in plan.signals:
        yield f'CM_ SG_ {plan.can_id} {signal.name} "{signal.comment}";'


def _attribute_lines(plan: MessagePlan) -> Iterator[str]:
    protection = plan.protection
    values = {
        "GenMsgCycleTime": str((plan.cycle_ns or 0) // 1_000_000),
        "ChecksumAlgo": str(_CHECKSUMS.index(protection.algorithm)),
        "ChecksumSignal": f'"{protection.checksum or ""}"',
        "CounterSignal": f'"{protection.counter or ""}"',
        "RawCodes": "1",
    }
    for name, value in values.items():
        yield f'BA_ "{name}" BO_ {plan.can_id} {value};'


def _value_lines(plan: MessagePlan) -> Iterator[str]:
    for signal in plan.signals:
        if signal.choices:
            words = " ".join(f'{raw} "{word}"' for raw, word in sorted(signal.choices.items()))
            yield f"VAL_ {plan.can_id} {signal.name} {words} ;"


def _field_tables() -> str:
    """The fields of one node, of the engine and of one trim, as tables for people."""
    plans = (*chain.node_messages(1), *chain.engine_messages(), *chain.trim_messages(1))
    return "".join(map(_field_table, plans))


def _field_table(plan: MessagePlan) -> str:
    name = plan.name.replace("Mix01", "MixNN").replace("Trim01", "TrimNN")
    period = (plan.cycle_ns or 0) // 1_000_000
    place = f"{plan.can_id:#05x}" + (" + NN - 1" if "NN" in name else "")
    lines = [
        "",
        f"`{name}`, {place}, {plan.size} bytes, every {period} ms. {plan.comment}.",
        "",
        "| bits | field | scale | offset | unit | range | meaning |",
        "| --- | --- | --- | --- | --- | --- | --- |",
        *map(_field_row, plan.signals),
        "",
    ]
    return "\n".join(lines)


def _field_row(signal: SignalPlan) -> str:
    low, high = _as_text(signal.minimum or 0.0), _as_text(signal.maximum or 0.0)
    words = ", ".join(f"{raw} {word}" for raw, word in sorted(signal.choices.items()))
    meaning = f"{signal.comment}: {words}" if words else signal.comment
    return (
        f"| {signal.start}-{signal.start + signal.length - 1} | {signal.name} | {_as_text(signal.scale)} "
        f"| {_as_text(signal.offset)} | {signal.unit} | {low} to {high} | {meaning} |"
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Write the files, or compare them; 1 when --check finds a difference."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true", help="write nothing, fail where a file differs")
    check = parser.parse_args(arguments).check
    stale = 0
    for name, wanted in file_texts().items():
        path = FOLDER / name
        if not check:
            path.write_bytes(wanted.encode())
        elif not path.exists() or path.read_bytes() != wanted.encode():
            print(f"{path}: differs from the table; run tools/make_dbc.py", file=sys.stderr)
            stale = 1
    return stale


if __name__ == "__main__":
    sys.exit(main())
