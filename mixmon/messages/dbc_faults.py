"""Why a message definition file cannot be used, in words that help to mend it.

The library that reads the files says where it stumbled. Here its words are turned into: file
and line, what was found, what was expected, what to do.
"""

from __future__ import annotations

import re

from mixmon.errors import DefinitionError

_HINTS = (
    (r"\s*BO_\s+0[xX]", "a decimal identifier", "write the number after BO_ in decimal"),
    (r".*[(\[,|]\s*[-+]?\.\d", "a digit before the decimal point", "write 0.25 for .25"),
    (r".*\(\s*[-+]?\d+,\d+\s*,", "(factor,offset) with decimal points", "write 0.25 for 0,25"),
    (r"\s*SIG_VALTYPE_\s+\d+\s+\w+\s+\d", "a colon before the type", "write SIG_VALTYPE_ id signal : 1;"),
    (
        r"\s*VAL_\s+\d+\s+\w+\s+[A-Za-z_]",
        'pairs of a number and a quoted text, as in 0 "off" 1 "on"',
        "put the entries of the value table in place of its name",
    ),
)
_ANYTHING = ("a DBC statement (BO_, SG_, CM_, VAL_, BA_DEF_, BA_, ...)", "correct or delete the line")

_UNUSED = re.compile(r"(SIG_VALTYPE_|VAL_) (\d+) (\w+)")
_IN_MESSAGE = re.compile(r"in message (\w+)")


def not_text(where: str, found: str) -> DefinitionError:
    """The error for what is no text file at all."""
    return DefinitionError(
        f"{where}: {found}; expected message definitions as text; export the file again as DBC"
    )


def syntax(where: str, text: str, line: int, column: int) -> DefinitionError:
    """The error for a place where the file stops being a DBC file. Lines and columns count from 1.

    >>> print(syntax("my.dbc", "BO_ 0x10 M: 8 X", 1, 10))
    my.dbc:1: cannot read 'BO_ 0x10 M: 8 X' from column 10 on; expected a decimal identifier; write \
the number after BO_ in decimal
    """
    lines = text.splitlines()
    content = lines[line - 1].strip() if line <= len(lines) else ""
    hints = (rest for pattern, *rest in _HINTS if re.match(pattern, content))
    expected, cure = next(hints, _ANYTHING)
    found = f"cannot read {content[:80]!r} from column {column} on" if content else "the file ends here"
    return DefinitionError(f"{where}:{line}: {found}; expected {expected}; {cure}")


def meaning(where: str, text: str, reason: str) -> DefinitionError:
    r"""The error for a file whose statements can be read but contradict each other.

    >>> text = 'BO_ 1 M: 8 X\nVAL_ 1 Gone 0 "off" ;'
    >>> str(meaning("my.dbc", text, "unused VAL_ entries in DBC: VAL_ 1 Gone")).split("; ")[0]
    'my.dbc:2: VAL_ 1 Gone is for a signal that is not there'
    """
    if unused := _UNUSED.search(reason):
        keyword, number, signal = unused.groups()
        line = _line(text, rf"\b{keyword}\s+{number}\s+{signal}\b")
        return DefinitionError(
            f"{where}{line}: {unused[0]} is for a signal that is not there; expected entries for signals of "
            "the message only; delete that statement"
        )
    message = _IN_MESSAGE.search(reason)
    line = _line(text, rf"\bBO_\s+\d+\s+{message[1]}\b") if message else ""
    if "frame id" in reason:
        return DefinitionError(
            f"{where}{line}: {reason.rstrip('.')}; expected at most 0x7FF, or 0x80000000 plus at most "
            "0x1FFFFFFF for 29-bit identifiers; correct the number after BO_"
        )
    return DefinitionError(
        f"{where}{line}: {reason.rstrip('.') or 'cannot be understood'}; expected consistent message "
        "definitions; correct the file in a DBC editor"
    )


def _line(text: str, pattern: str) -> str:
    """The line on which the pattern is first found, as ":12", or nothing."""
    found = re.search(pattern, text)
    return f":{text.count(chr(10), 0, found.start()) + 1}" if found else ""
