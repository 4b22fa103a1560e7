"""References that are written from the code when they are asked for: alarms, run folders, Python names."""

from __future__ import annotations

import inspect
import re
from typing import Final

import mixmon
import mixmon.live.recording
import mixmon.record
from mixmon.guide.markdown import as_table
from mixmon.guide.topics import written_text
from mixmon.record.run_writer import Manifest
from mixmon.session.alarm_kinds import alarm_kinds_markdown
from mixmon.session.keys import ENGINE_QUANTITIES, ENGINE_STATES
from mixmon.session.when import COMPARISONS

_DOCUMENTED: Final = re.compile(r"([a-z_][a-z_0-9, ]*?)  +(\S.*)")


def documented(docstring: str | None) -> list[list[str]]:
    r"""Names and what is said of them in a docstring, in which a name is followed by two blanks or more.

    >>> documented("Facts.\n\n  frames   how many\n           there are\n  size     of them")
    [['frames', 'how many there are'], ['size', 'of them']]
    """
    rows: list[list[str]] = []
    for line in inspect.cleandoc(docstring or "").splitlines():
        if found := _DOCUMENTED.fullmatch(line.strip() if rows or line.startswith(" ") else line):
            rows.append([found[1], found[2]])
        elif rows and line.startswith("  "):
            rows[-1][1] += f" {line.strip()}"
        elif rows and not line:
            break
    return rows


def alarms_text() -> str:
    """The conditions of alarms: kinds of limit, and the language of `when`."""
    names = ", ".join(f"`{name}`" for name in ENGINE_QUANTITIES)
    states = ", ".join(f"`{name}`" for name in ENGINE_STATES)
    signs = " ".join(f"`{sign}`" for sign in COMPARISONS)
    return (
        "# Conditions of alarms\n\nA rule under `[[limits.alarm]]` has exactly one of these keys, whose "
        f"value is its limit.\n\n{alarm_kinds_markdown()}\n"
        "## when and suppress_when\n\n"
        f"Comparisons of the engine's signals with numbers or with each other ({signs}), joined by `and`, "
        "`or`, `not` and brackets. A signal alone is true where it is not zero. A signal without a value "
        "makes its comparison not known, and a condition counts only where it is known to be true. It is "
        f"read, never run as code.\n\nSignals: {names}; those that the session maps. States: {states}.\n\n"
        '```toml\n[[limits.alarm]]\nname = "lean under load"\npriority = 1\n'
        'when = "throttle > 60 and rpm > 2500"\nover_target = 0.04\n'
        'suppress_when = "fuel_cut or spark_cut or tip_in"\n```\n'
    )


def run_folder_text() -> str:
    """The files of a run, the fields of run.json, and the kinds of run notes."""
    files = inspect.cleandoc(mixmon.record.__doc__ or "").partition("\n\n")[2]
    listed = [line[4:] for line in files.splitlines() if line.startswith("    ")]
    after = files.rpartition("\n\n")[2]
    return (
        f"{written_text('run-folder')}\n```text\n"
        + "".join(f"{line.rstrip()}\n" for line in listed)
        + f"```\n\n{after}\n\n## run.json\n\n"
        + as_table(["field", "what it is"], documented(Manifest.__doc__))
        + "\n## Kinds of run notes\n\n"
        + as_table(["kind", "what it is"], documented(mixmon.live.recording.__doc__))
    )


def python_text(part: str | None) -> str:
    """The public names of the package in short, or one of them in full."""
    if part is not None:
        signature = _signature(getattr(mixmon, part))
        return f"# mixmon.{part}\n\n```text\n{part}{signature}\n\n{_docstring(part)}\n```\n"
    rows = []
    for name in mixmon.__all__:
        first = _docstring(name).partition("\n\n")[0]
        rows.append([f"`{name}`", " ".join(first.split())])
    return (
        "# Python\n\nEvery public name of `import mixmon`; `mixmon guide python NAME` has its shapes, units "
        "and errors.\n\n" + as_table(["name", "what it is"], rows)
    )


def _docstring(name: str) -> str:
    """What a public name says of itself; a text has no docstring of its own."""
    found = getattr(mixmon, name)
    return f"The version of mixmon, {found}." if isinstance(found, str) else inspect.getdoc(found) or ""


def _signature(found: object) -> str:
    """What a function takes; nothing for what is not called."""
    if not inspect.isfunction(found):
        return ""
    return str(inspect.signature(found)).replace("'", "")
