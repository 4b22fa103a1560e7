"""A DBC file as statements: what each says and where it stands, and what cannot be read.

Wants: what is wrong in one statement costs that statement only, and every such place is told, with its line.

Each kind of statement is written down once, as pieces in their order (`_GRAMMARS`). A statement that fits is
given with its pieces by name. Where one stops fitting, the first piece that does not fit says what was
expected and on which line, and reading goes on at the next line that begins with the name of a kind. Two
things that can only mean one thing are read nevertheless, and told: a missing semicolon, and words that are
left over at the end of a line.

Source of the syntax: what cantools accepts, and the kinds of statement that the format lists in its NS_.
"""

from __future__ import annotations

import functools
import re
from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

_MOST_OF_PLACE = 40
"""Characters of a place that are shown. Our choice: the notice stays on two lines of a terminal."""


@dataclass(frozen=True, slots=True, order=True)
class Notice:
    """What is odd at one line of a message definition file, and how it is taken. Line 0: the whole file."""

    line: int
    text: str

    def __str__(self) -> str:
        return f"line {self.line}: {self.text}" if self.line else self.text


@dataclass(frozen=True, slots=True)
class Statement:
    """One statement: its kind by its keyword, its line, and its pieces by name."""

    keyword: str
    line: int
    pieces: Mapping[str, str | None]

    def __getitem__(self, name: str) -> str:
        """A piece that every statement of this kind has."""
        return self.pieces[name] or ""


@dataclass(frozen=True, slots=True)
class Unread:
    """A place that is no statement: its keyword or first word, its text, and what to tell about it.

    apart  whether a blank line stands before it
    """

    keyword: str
    text: str
    notice: Notice
    apart: bool = False


# --- The kinds of statement. In the pieces, ~ is a gap that may be empty, a blank one that may not. ---

_STATEMENT_WORDS: Final = (
    *("VERSION", "NS_", "NS_DESC_", "CM_", "BA_DEF_", "BA_", "VAL_", "CAT_DEF_", "CAT_", "FILTER"),
    *("BA_DEF_DEF_", "EV_DATA_", "ENVVAR_DATA_", "SGTYPE_", "SGTYPE_VAL_", "BA_DEF_SGTYPE_", "BA_SGTYPE_"),
    "SIG_TYPE_REF_",
    *("VAL_TABLE_", "SIG_GROUP_", "SIG_VALTYPE_", "SIGTYPE_VALTYPE_", "BO_TX_BU_", "BA_DEF_REL_", "BA_REL_"),
    *("BA_DEF_DEF_REL_", "BU_SG_REL_", "BU_EV_REL_", "BU_BO_REL_", "SG_MUL_VAL_"),
    *("BS_", "BU_", "BO_", "SG_", "EV_"),
)  # fmt: skip
_ANY_KEYWORD = f"(?:{'|'.join(_STATEMENT_WORDS)})(?!\\w)"
_GAP = r"\s*+(?://[^\n]*+\s*+)*+"
_REAL = r"[-+]?(?:\d++\.?+\d*+|\.\d++)(?:[eE][-+]?\d++)?+"  # possessive: "12" is one number, never two
_IDENT = rf"(?!{_ANY_KEYWORD})\w+"
_INTEGER = r"[-+]?(?:0[xX][0-9a-fA-F]{1,16}|\d{1,20})(?!\w)"
_OWNER = rf"(?:SG_ {_INTEGER} {_IDENT}|BO_ {_INTEGER}|(?:EV_|BU_) {_IDENT})"
_LINE_TEXT = r'"[^"\\\n]*+(?:\\"?[^"\\\n]*+)*"'
_TEXT_LINES = rf'"[^"\\\n]*+(?:(?:\\"?|\n(?!\s*{_ANY_KEYWORD}))[^"\\\n]*+)*"'
_ANY_LINES = r'"[^"\\]*+(?:\\"?[^"\\]*+)*"'
"""Text in quotes: on one line; on several, none of which looks like a statement; on several whatever."""

Piece = tuple[str, str]
"""A pattern and what is expected there, in words."""

_ID: Piece = (f" (?P<id>{_INTEGER})", "the number of a message")
_SIGNAL: Piece = (f" (?P<signal>{_IDENT})", "the name of a signal (letters, digits and _)")
_PAIRS: Piece = (
    rf"(?P<pairs>(?:~{_REAL}~{_TEXT_LINES})*+)",
    'pairs of a number and a quoted text, as in 0 "off" 1 "on"',
)
_END: Piece = ("~;", "a semicolon")
_VALUE: Piece = (rf"~(?P<value>{_REAL}(?![\w.])|{_TEXT_LINES})", "a number, or a text in quotes")
_QUOTED: Piece = (rf"~(?P<text>{_TEXT_LINES})", "a text between two double quotes")
_ATTRIBUTE: Piece = (rf"~(?P<attribute>{_TEXT_LINES})", "the name of an attribute in quotes")
_SPAN = r"\d{1,20}~-~\d{1,20}"
_TYPE: Piece = (r" (?P<type>INT|HEX|FLOAT|STRING|ENUM)(?!\w)", "INT, HEX, FLOAT, STRING or ENUM")
_LIMITS: Piece = (
    rf"(?P<values>(?:~{_TEXT_LINES}(?:~,~{_TEXT_LINES})*|(?:~{_REAL})*+))",
    "the limits or the words",
)

_PIECES: Final[Mapping[str, tuple[Piece, ...]]] = {
    "VERSION": ((f"~{_LINE_TEXT}", "a text between two double quotes"),),
    "NS_": (("~:", "a colon"), (r"(?:\s*\n[\x20\t]*\w+[\x20\t]*(?=\n|\Z))*", "keywords, one a line")),
    "BS_": ((r"~:[\x20\t\d:,]*", "a colon"),),
    "BU_": (("~:", "a colon"), (rf"(?:\s+(?!{_ANY_KEYWORD})\w+)*", "the names of nodes")),
    "BO_": (
        _ID,
        (f" (?P<name>{_IDENT})", "the name of the message (letters, digits and _)"),
        ("~:", "a colon after the name"),
        (r"~(?P<size>[-+]?\d{1,9}(?!\d))", "the number of bytes"),
        (r"(?P<node>[\x20\t]+(?!SG_)\w+)?", "the name of the node that sends it"),
    ),
    "SG_": (
        _SIGNAL,
        (r"(?: (?P<marker>\w+))?~:", "a colon, before it nothing, M or m with a number"),
        (f"~(?P<start>{_REAL})", "the start bit"),
        (r"~\|", "a | between start bit and length"),
        (f"~(?P<length>{_REAL})", "the number of bits"),
        ("~@~(?P<order>[01])", "@1 (little-endian) or @0 (big-endian)"),
        ("~(?P<sign>[-+])", "+ (unsigned) or - (signed)"),
        (r"~\((?P<scaling>[^()\n]*)\)", "(factor,offset)"),
        (r"~\[(?P<range>[^\[\]\n]*)\]", "[minimum|maximum]"),
        (rf"~(?P<unit>{_LINE_TEXT})", "the unit between two double quotes"),
        (rf"(?P<nodes>[\x20\t]*(?!{_ANY_KEYWORD})\w+(?:~,~\w+)*)?", "the names of receiving nodes"),
    ),
    "CM_": (
        (rf"(?P<of>(?: {_OWNER})?)", "what the comment is about"),
        _QUOTED,
        _END,
    ),
    "VAL_": (
        (rf" (?:(?P<id>{_INTEGER}) (?P<signal>{_IDENT})|(?!\d){_IDENT})", "a message's number and a signal"),
        (rf"(?(id)(?:~(?P<table>(?!\d){_IDENT}))?)", "the name of a value table"),
        _PAIRS,
        _END,
    ),
    "VAL_TABLE_": ((f" (?P<table>{_IDENT})", "the name of the table"), _PAIRS, _END),
    "SIG_VALTYPE_": (
        _ID,
        _SIGNAL,
        ("~(?P<colon>:?)", "a colon"),
        (r"~(?P<type>\d)", "0, 1 (float) or 2 (double)"),
        _END,
    ),
    "SG_MUL_VAL_": (
        _ID,
        _SIGNAL,
        (f" (?P<parent>{_IDENT})", "the name of the multiplexer"),
        (rf" (?P<ranges>{_SPAN}(?:~,?~{_SPAN})*)", "ranges of numbers, as in 0-3, 7-7"),
        _END,
    ),
    "BA_DEF_": (
        (r"(?: (?P<of>SG_|BO_|EV_|BU_)(?!\w))?", "what the attribute is of"),
        _ATTRIBUTE,
        _TYPE,
        _LIMITS,
        _END,
    ),
    "BA_DEF_DEF_": (_ATTRIBUTE, _VALUE, _END),
    "BA_DEF_REL_": (
        (" (?:BU_SG_REL_|BU_BO_REL_|BU_EV_REL_)(?!\\w)", "what the attribute is of"),
        _ATTRIBUTE,
        _TYPE,
        _LIMITS,
        _END,
    ),
    "BA_DEF_DEF_REL_": (_ATTRIBUTE, _VALUE, _END),
    "BA_REL_": (
        _ATTRIBUTE,
        (rf"~(?:BU_SG_REL_ \w+ SG_ {_INTEGER} \w+|BU_BO_REL_ \w+ {_INTEGER}|BU_EV_REL_ \w+ \w+)", "owner"),
        _VALUE,
        _END,
    ),
    "SIG_GROUP_": (
        _ID,
        (f" {_IDENT} \\d+", "the name of the group and a number"),
        ("~:", "a colon"),
        (rf"(?:~{_IDENT})*+", "the names of signals"),
        _END,
    ),
    "BO_TX_BU_": (_ID, ("~:", "a colon"), (rf"~{_IDENT}(?:~,~{_IDENT})*", "the names of nodes"), _END),
    "EV_": (
        (f" {_IDENT}", "a name"),
        ("~:", "a colon"),
        (rf"~\d+~\[~{_REAL}~\|~{_REAL}~\]", "a type and [minimum|maximum]"),
        (f"~{_LINE_TEXT}", "the unit between two double quotes"),
        (rf"~{_REAL} \d+ \w+ \w+(?:~,~\w+)*", "the first value, a number, the access and its nodes"),
        _END,
    ),
    "ENVVAR_DATA_": ((f" {_IDENT}", "a name"), ("~:", "a colon"), (r"~\d+", "a number of bytes"), _END),
    "BA_": (
        _ATTRIBUTE,
        (rf"(?P<of>(?:~{_OWNER})?)", "what has the attribute"),
        _VALUE,
        _END,
    ),
}  # fmt: skip
_OF_NO_USE: tuple[Piece, ...] = (
    (rf'(?:[^";\n]|{_TEXT_LINES}|\n(?!\s*{_ANY_KEYWORD}))*', "names, numbers and texts in quotes"),
    _END,
)
"""Statements that say nothing about what a frame means."""

_LOST: Final = {
    "BO_": "the message is omitted",
    "SG_": "the signal is omitted",
    "CM_": "the comment is omitted",
    "VAL_": "the value table is omitted",
    "VAL_TABLE_": "the value table is omitted",
    "BA_": "the value of the attribute is omitted",
    "BA_DEF_": "the attribute's definition is omitted",
    "BA_DEF_DEF_": "the attribute's default is omitted",
}
"""What an unreadable statement costs."""

_FORMS: Final = {
    "BO_": "BO_ 291 Name: 8 Node",
    "SG_": 'SG_ Name : 0|16@1+ (0.1,0) [0|100] "unit" Node',
    "CM_": 'CM_ SG_ 291 Name "text"; with \\" for a quote in the text',
    "VAL_": 'VAL_ 291 Name 0 "off" 1 "on" ;',
    "VAL_TABLE_": 'VAL_TABLE_ Name 0 "off" 1 "on" ;',
    "SIG_VALTYPE_": "SIG_VALTYPE_ 291 Name : 1;",
    "SG_MUL_VAL_": "SG_MUL_VAL_ 291 Child Parent 0-3, 7-7;",
    "BA_DEF_": 'BA_DEF_ BO_ "Name" INT 0 65535;',
    "BA_DEF_DEF_": 'BA_DEF_DEF_ "Name" 0;',
    "BA_": 'BA_ "Name" BO_ 291 100;',
    "VERSION": 'VERSION "1"',
    "NS_": "NS_ :",
    "BS_": "BS_:",
    "BU_": "BU_: Node1 Node2",
}
"""What a statement of each kind looks like."""


def _compile(pieces: Sequence[Piece]) -> re.Pattern[str]:
    """The pieces as one pattern; gaps are whitespace and comments from // to the end of the line."""
    joined = "".join(pattern for pattern, _ in pieces)
    return re.compile(joined.replace(" ", rf"(?=\s|//){_GAP}").replace("~", _GAP))


class _Grammar:
    """One kind of statement: its pattern, and the place where a text stops fitting it.

    Patterns are compiled when a file first needs them, because all of them take longer than the rest of a
    command's start.
    """

    def __init__(self, keyword: str) -> None:
        self.keyword = keyword
        self._pieces = ((f"{keyword}(?!\\w)", keyword), *_PIECES.get(keyword, _OF_NO_USE))

    @functools.cached_property
    def _whole(self) -> re.Pattern[str]:
        return _compile(self._pieces)

    @functools.cached_property
    def _open(self) -> re.Pattern[str] | None:
        return _compile(self._pieces[:-1]) if self._pieces[-1] is _END else None

    def match(self, text: str, at: int) -> re.Match[str] | None:
        """The whole statement that begins at `at`."""
        return self._whole.match(text, at) or (
            _WILD_COMMENT.match(text, at) if self.keyword == "CM_" else None
        )

    def match_unended(self, text: str, at: int) -> re.Match[str] | None:
        """The statement that begins at `at` and lacks its semicolon: the next one follows on a new line."""
        found = self._open.match(text, at) if self._open is not None else None
        return found if found and _NEXT_BEGINS.match(text, found.end()) else None

    def find_stop(self, text: str, at: int) -> tuple[int, str]:
        """Where the text stops fitting, and what was expected there."""
        end, expected = at, self._pieces[0][1]
        for count in range(1, len(self._pieces) + 1):
            found = _compile(self._pieces[:count]).match(text, at)
            expected = self._pieces[count - 1][1]
            if found is None:
                break
            end = found.end()
        return _skip_gap(text, end), expected


_NEXT_BEGINS = re.compile(rf"[ \t]*(?://[^\n]*)?(?:\n\s*(?://[^\n]*\s*)*{_ANY_KEYWORD}|\s*\Z)")
_WILD_COMMENT = _compile(
    (("CM_(?!\\w)", ""), _PIECES["CM_"][0], (rf"~(?P<text>{_ANY_LINES})", ""), _END)
)  # fmt: skip
_GRAMMARS: Final = {keyword: _Grammar(keyword) for keyword in _STATEMENT_WORDS}

_SPACE = re.compile(_GAP)
_FIRST_WORD = re.compile(r"\w+")
_NEXT_LINE = re.compile(rf"\n[ \t]*(?={_ANY_KEYWORD})")
_LEFT_OVER = re.compile(rf"[ \t]*(?!{_ANY_KEYWORD}|//)(?P<words>[^\s][^\n]*)")
NUMBER: Final = re.compile(_REAL)
"""A number as DBC files write it."""

_PAIR = re.compile(rf"({_REAL}){_GAP}({_TEXT_LINES})")
_ONE_TEXT = re.compile(_TEXT_LINES)
_ALONE = re.compile(rf"\w+[ \t]*\n\s*{_ANY_KEYWORD}")


def _skip_gap(text: str, at: int) -> int:
    found = _SPACE.match(text, at)
    return at if found is None else found.end()


def pairs_of(text: str) -> list[tuple[str, str]]:
    """The numbers and texts of a list of pairs, as written, without quotes.

    >>> pairs_of('0 "off" 1 "on"')
    [('0', 'off'), ('1', 'on')]
    """
    return [(number, unquote(word)) for number, word in _PAIR.findall(text)]


def texts_of(text: str) -> list[str]:
    """The texts of a list of quoted texts, without quotes."""
    return [unquote(found) for found in _ONE_TEXT.findall(text)]


def unquote(text: str) -> str:
    r"""A text without its quotes.

    >>> unquote('"says \\"no\\""')
    'says "no"'
    """
    return text[1:-1].replace('\\"', '"')


# --- The statements of a text, one after the other. ---


class _TextReader:
    """Reads one text from start to end."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._in_names = False  # what follows are the keywords that an unreadable NS_ lists
        self._breaks = [found.start() for found in re.finditer("\n", text)]

    def read(self) -> Iterator[Statement | Unread]:
        """Everything in the text, in order."""
        at = _skip_gap(self._text, 0)
        while at < len(self._text):
            word = _FIRST_WORD.match(self._text, at)
            grammar = _GRAMMARS.get(word[0]) if word else None
            found = grammar.match(self._text, at) if grammar else None
            if grammar and found:
                yield Statement(grammar.keyword, self._line_at(at), found.groupdict())
                end = found.end()
            elif grammar and self._in_names and _ALONE.match(self._text, at):
                end = at + len(grammar.keyword)
            elif grammar and (found := grammar.match_unended(self._text, at)):
                yield Statement(grammar.keyword, self._line_at(at), found.groupdict())
                yield self._tell_missing_end(grammar, found.end())
                end = found.end()
            else:
                yield self._tell_unread(grammar, at)
                self._in_names = word is not None and word[0].startswith("NS")
                next_line = _NEXT_LINE.search(self._text, at)
                end = next_line.end() if next_line else len(self._text)
            if grammar and found and (extra := _LEFT_OVER.match(self._text, end)):
                yield self._tell_left_over(grammar, extra)
                end = extra.end()
            at = _skip_gap(self._text, end)

    def _line_at(self, at: int) -> int:
        return bisect_right(self._breaks, at - 1) + 1

    def _rest_of_line(self, at: int) -> str:
        end = self._text.find("\n", at)
        return self._text[at:] if end < 0 else self._text[at:end]

    def _shown(self, at: int) -> str:
        line = self._rest_of_line(at).strip()
        cut = line if len(line) <= _MOST_OF_PLACE else line[: _MOST_OF_PLACE - 1] + "…"
        return f"{cut!r}" if cut else "the end of the line"

    def _tell_missing_end(self, grammar: _Grammar, end: int) -> Unread:
        told = (
            f"{grammar.keyword} without its semicolon; expected ; at the end of the line; write it; taken so"
        )
        return Unread("", "", Notice(self._line_at(end - 1), told))

    def _tell_left_over(self, grammar: _Grammar, extra: re.Match[str]) -> Unread:
        found = f"{self._shown(extra.start())} after the end of {grammar.keyword}"
        told = f"{found}; expected nothing there; delete it; ignored"
        return Unread("", "", Notice(self._line_at(extra.start("words")), told))

    def _tell_unread(self, grammar: _Grammar | None, at: int) -> Unread:
        before = self._breaks[self._line_at(at) - 3 : self._line_at(at) - 1]
        apart = len(before) == 2 and not self._text[before[0] : before[1]].strip()
        line = self._rest_of_line(at)
        if grammar is None:
            word = _FIRST_WORD.match(self._text, at)
            told = (
                f"{self._shown(at)} is no statement; expected a line that begins with BO_, SG_, CM_, VAL_ "
                "or another keyword of the format; correct or delete the line; ignored"
            )
            return Unread(word[0] if word else "", line, Notice(self._line_at(at), told), apart)
        stop, expected = grammar.find_stop(self._text, at)
        if self._line_at(stop) > self._line_at(at) and not self._text[at:stop].count('"') % 2:
            stop = at + len(self._text[at:stop].rstrip())  # the end of the last line that fits
        form = _FORMS.get(grammar.keyword, f"{grammar.keyword} ... ;")
        told = (
            f"{grammar.keyword} cannot be read from {self._shown(stop)} on; expected {expected}, "
            f"as in ({form}); correct it; {_LOST.get(grammar.keyword, 'it is ignored')}"
        )
        return Unread(grammar.keyword, line, Notice(self._line_at(max(stop - 1, at)), told), apart)


def split_statements(text: str) -> Iterator[Statement | Unread]:
    r"""Everything that a DBC text says, in order; lines end in \n.

    >>> first, second = split_statements('BO_ 1 M: 8 X\nCM_ "no end;\n')
    >>> first.keyword, first["name"], second.notice.line
    ('BO_', 'M', 2)
    """
    return _TextReader(text).read()
