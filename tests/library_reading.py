"""What cantools reads in a DBC text, in mixmon's words: the reading that tests compare mixmon's own with.

Facts of a message are (name, bytes, cycle in ms, comment), its signals by name, and the selector values under
which each multiplexed signal is there.
"""

import logging
import warnings

import cantools.database

from mixmon.frames.block import EXTENDED

logging.getLogger("cantools").addHandler(logging.NullHandler())

COMPARED = (
    *("start", "length", "big_endian", "signed", "is_float", "scale", "offset", "unit"),
    *("minimum", "maximum", "choices", "comment", "initial"),
)


def library_messages(text):
    """The messages that cantools reads; it refuses a text that it does not read whole."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return cantools.database.load_string(text, "dbc", strict=False, sort_signals=None).messages


def facts_of_library(message):
    """Name, size, cycle, comment and signals of a message of cantools."""
    cycle = message.cycle_time
    facts = (message.name, message.length, cycle if cycle and cycle > 0 else None, message.comment or "")
    branches = {s.name: set(s.multiplexer_ids) for s in message.signals if s.multiplexer_ids}
    return facts, {signal.name: _library_signal(signal) for signal in message.signals}, branches


def _library_signal(signal):
    conversion, no_range = signal.conversion, (signal.minimum, signal.maximum) == (0, 0)
    reversed_range = None not in (signal.minimum, signal.maximum) and signal.minimum > signal.maximum
    dropped = no_range or reversed_range
    return {
        "start": signal.start,
        "length": signal.length,
        "big_endian": signal.byte_order == "big_endian",
        "signed": signal.is_signed and not conversion.is_float,
        "is_float": conversion.is_float,
        "scale": conversion.scale,
        "offset": conversion.offset,
        "unit": signal.unit or "",
        "minimum": None if dropped else signal.minimum,
        "maximum": None if dropped else signal.maximum,
        "choices": {raw: str(word) for raw, word in (signal.choices or {}).items()},
        "comment": signal.comment or "",
        "initial": signal.raw_initial,
    }


def facts_of_plan(plan):
    """The same of a plan of mixmon's."""
    cycle = None if plan.cycle_ns is None else plan.cycle_ns / 1e6
    signals = {s.name: {name: getattr(s, name) for name in COMPARED} for s in plan.signals}
    branches = {
        s.name: {value for low, high in selector.ranges for value in range(low, high + 1)}
        for s in plan.signals
        for selector in s.selectors
    }
    return (plan.name, plan.size, cycle, plan.comment), signals, branches


def library_id(message):
    """The identifier of a message of cantools, bit 31 set for 29-bit ones."""
    return message.frame_id | (EXTENDED if message.is_extended_frame else 0)
