"""Lines of keys, against the one place that knows: where the text was put."""

from __future__ import annotations

import tomllib

import pytest

from mixmon.session.schema import dotted, key_lines, line_of

TEXT = '''\
top = 1   # not = a key
"quoted key" = "a # no comment, and = no key"
[a]
list = [ # [b]
  1, 2, # x = 3
]
long = """
[not.a.table]
x = 1
"""
raw = \'\'\'
y = "
\'\'\'
inline = { p = 1, q = { r = 2 } }
c.d = 5
[[a.t]]
n = 1
[a.t.u]
m = 2
[[a.t]]
n = 3
[[a.t.v]]
[[a.t.v]]
w = 1
["x.y"]
z = 2'''
LINES = {
    "top": 1, '"quoted key"': 2, "a": 3, "a.list": 4, "a.long": 7, "a.raw": 11, "a.inline": 14, "a.c.d": 15,
    "a.t": 16, "a.t[1]": 16, "a.t[1].n": 17, "a.t[1].u": 18, "a.t[1].u.m": 19, "a.t[2]": 20, "a.t[2].n": 21,
    "a.t[2].v": 22, "a.t[2].v[1]": 22, "a.t[2].v[2]": 23, "a.t[2].v[2].w": 24, '"x.y"': 25, '"x.y".z': 26,
}  # fmt: skip


def test_every_key_has_its_line() -> None:
    tomllib.loads(TEXT)
    assert key_lines(TEXT) == LINES


@pytest.mark.parametrize(
    ("where", "line"),
    [
        ("a.inline.q.r", 14),
        ("a.list[2]", 4),
        ("a.t[2].missing", 20),
        ("a.t[2].v[2].w", 24),
        ("nowhere", None),
        ("nowhere.at[3].all", None),
        ('"x.y"."[odd]"', 25),
        ("", None),
    ],
)
def test_what_has_no_line_takes_that_of_what_holds_it(where: str, line: int | None) -> None:
    assert line_of(where, LINES) == line


def test_keys_are_quoted_where_toml_would_need_it() -> None:
    assert dotted("a", "b") == "a.b"
    assert dotted("", "b-1") == "b-1"
    assert dotted("a", 'b."c') == 'a."b.\\"c"'
