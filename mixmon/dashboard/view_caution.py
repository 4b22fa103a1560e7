"""The caution that must be accepted before anything is shown."""

from __future__ import annotations

from mixmon.dashboard.view_text import Row, blank, fit_row, padded, wrap

_MOST = 72


def caution_page(text: str, width: int, height: int, *, first: int = 0) -> list[Row]:
    """The caller's text, paragraph by paragraph, and the two keys. Long text scrolls; the keys stay."""
    columns = max(min(_MOST, width - 4), 1)
    indent = " " * max((width - columns) // 2, 0)
    body: list[Row] = [fit_row([(f"{indent}CAUTION", "badge")], width), blank(width)]
    for paragraph in text.splitlines():
        body += [fit_row([(indent + line, "strong")], width) for line in wrap(paragraph, columns)]
    room = max(height - 2, 0)
    first = min(first, max(len(body) - room, 0))
    more = "  (more: arrow down)" if first + room < len(body) else ""
    question = fit_row(
        [(f"{indent}y", "key"), (" understood    ", "keys"), ("n", "key"), (f" leave{more}", "keys")],
        width,
        "keys",
    )
    return [*padded([blank(width), *body[first:]], width, height - 1), question]
