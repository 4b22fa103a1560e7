"""Commands and screens give for the examples what they gave before."""

from __future__ import annotations

import pytest
from stored_outputs import command_lines, path, same_but_last_digits, screens, told

pytestmark = pytest.mark.usefixtures("findings_made_once")
HOW = "python tools/store_outputs.py shows what differs; with --write it stores what was changed on purpose"


@pytest.mark.parametrize("name", command_lines())
def test_a_command_gives_what_is_stored(name, monkeypatch):
    for variable in ("NO_COLOR", "COLUMNS", "LINES"):
        monkeypatch.delenv(variable, raising=False)
    now = told(command_lines()[name])
    stored = path(name).read_text(encoding="utf-8")
    assert same_but_last_digits(now, stored), HOW


def test_screens_are_drawn_as_they_are_stored():
    assert screens() == path("screens").read_text(encoding="utf-8"), HOW
