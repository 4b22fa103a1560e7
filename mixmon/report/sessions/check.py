"""What is wrong with a session file and odd in it, with a log that speaks against it, as JSON and as text."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from typing import Any

from mixmon.errors import Mistake
from mixmon.findings.plausible.notes import Implausible, Level
from mixmon.report.balance import log_json
from mixmon.report.page import stress
from mixmon.report.text import counted, listed
from mixmon.report.words import note_object, sentence
from mixmon.session.model import OwnChannel
from mixmon.setup.verify import SessionCheck


def check_json(check: SessionCheck) -> dict[str, Any]:
    """The check as JSON's object."""
    return {
        "session": check.path,
        "log": None if check.log is None else log_json(check.log),
        "mistakes": check.mistakes,
        "cautions": [note_object(one) for one in check.cautions],
        "channels": [_channel_object(name, channel) for name, channel in check.channels.items()],
        "implausible": [_implausible_object(one) for one in check.implausible],
        "not_judged": list(check.not_judged),
    }


def _channel_object(name: str, channel: OwnChannel) -> dict[str, Any]:
    """One own channel as JSON's object."""
    return {
        "name": name,
        "signal": _signal_name(channel),
        "unit": channel.choice.unit or None,
        "range": channel.range,
        "age_s": channel.age_s,
    }


def _signal_name(channel: OwnChannel) -> str:
    choice = channel.choice
    return f"{choice.bus}/{choice.message}.{choice.signal}"


def _channel_text(name: str, channel: OwnChannel) -> str:
    """One line: where an own channel comes from, and what is known of its values."""
    parts = [_signal_name(channel)]
    parts += [channel.choice.unit] if channel.choice.unit else []
    yes = " or ".join(f"{value:g}" for value in channel.choice.equals or ())
    parts += [f"yes where {yes}, else no"] if yes else []
    parts += [] if channel.range is None else [f"from {channel.range[0]:g} to {channel.range[1]:g}"]
    parts += [] if channel.age_s is None else [f"at most {channel.age_s:g} s old"]
    return f"own channel {name}: {', '.join(parts)}"


def _implausible_object(one: Implausible) -> dict[str, Any]:
    """One finding: its level, key and signal, then the note."""
    return {"level": one.level.value, "key": one.key, "signal": one.signal, **note_object(one.note)}


def check_text(check: SessionCheck, log: str | None = None) -> str:
    """The answer, then each mistake, caution and finding, one a line.

    Args:
        check: what was found.
        log: name of the log that it was compared with.
    """
    told = [count_mistakes(check.mistakes) if check.mistakes else "no mistake found"]
    if check.cautions:
        told.append(counted(len(check.cautions), "caution"))
    if check.log is not None:
        told.append(f"{_count_implausible(check)} in {log}")
    elif log is not None:
        told.append(f"{log} not compared, as the file cannot be used")
    doubt = bool(check.mistakes or check.implausible)
    answer = stress(listed(f"{check.path}: {'; '.join(told)}"), doubt=doubt)
    lines = [*map(str, check.mistakes), *(f"caution: {sentence(one)}" for one in check.cautions)]
    lines += [_channel_text(name, channel) for name, channel in check.channels.items()]
    lines += [*(write_implausible(one) for one in check.implausible), *write_unjudged(check)]
    return answer + "".join(map(listed, lines))


def write_implausible(one: Implausible) -> str:
    """One finding in a line: its level, where it stands, and what it is."""
    signal = f", {one.signal}" if one.signal else ""
    return f"{one.level.value}: {one.key}{signal}: {sentence(one.note)}"


def write_unjudged(check: SessionCheck) -> list[str]:
    """A line that names what the log cannot tell, where there is anything."""
    if not check.not_judged:
        return []
    return [f"not judged, too few values while the engine ran: {', '.join(check.not_judged)}"]


def _count_implausible(check: SessionCheck) -> str:
    """How much speaks against the session, by level."""
    levels = Counter(one.level for one in check.implausible)
    told = [counted(levels[level], level.value) for level in Level if levels[level]]
    plausible = "every signal that can be judged plausible" if check.not_judged else "every signal plausible"
    return " and ".join(told) if told else plausible


def count_mistakes(mistakes: Sequence[Mistake]) -> str:
    """The number of mistakes, in all and by table, in the order of the file."""
    tables = Counter(re.split(r"[.\[]", mistake.where, maxsplit=1)[0] for mistake in mistakes)
    total = counted(len(mistakes), "mistake")
    if len(tables) == 1:
        return total
    return f"{total} ({', '.join(f'{table} {count}' for table, count in tables.items())})"
