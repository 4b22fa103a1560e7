"""The palette of commands: every key of the screen at hand by its words, and what has no key of its own."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

from textual.command import CommandPalette, DiscoveryHit, Hit, Hits, Provider

from mixmon.dashboard.keys import Page, bindings
from mixmon.dashboard.pointing import pressed_by

if TYPE_CHECKING:
    from mixmon.dashboard.app import Dashboard


@dataclass(frozen=True, slots=True)
class ScreenCommand:
    """One line of the palette: a few words with the key, more words below them, and what it does."""

    title: str
    words: str
    do: Callable[[], None]


def key_commands(
    page: Page, *, live: bool, press: Callable[[str], None], acts: bool = True
) -> list[ScreenCommand]:
    """A command for each key that works on the screen, those of the screen alone first."""
    found = sorted(bindings(page, live=live, acts=acts), key=lambda b: not b.pages)
    return [
        ScreenCommand(
            f"{binding.short}  ({key if key != ' ' else 'space'})", binding.long, _press(press, key)
        )
        for binding in found
        for key in pressed_by(binding.name)
    ]


def _press(press: Callable[[str], None], key: str) -> Callable[[], None]:
    return lambda: press(key)


class _Commands(Provider):
    """What the palette finds."""

    def _all(self) -> Sequence[ScreenCommand]:
        return cast("Dashboard", self.app).commands()

    async def discover(self) -> Hits:
        """All commands, before anything is typed."""
        for one in self._all():
            yield DiscoveryHit(one.title, one.do, one.title, one.words)

    async def search(self, query: str) -> Hits:
        """Those whose words have the letters that were typed, in their order."""
        matcher = self.matcher(query)
        for one in self._all():
            score = max(matcher.match(one.title), 0.9 * matcher.match(one.words))
            if score > 0:
                yield Hit(score, matcher.highlight(one.title), one.do, one.title, one.words)


def command_palette() -> CommandPalette:
    """The palette as a screen over the others."""
    return CommandPalette([_Commands], placeholder="type what to do", id="--command-palette")
