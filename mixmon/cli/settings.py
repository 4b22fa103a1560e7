"""The settings of the screens, kept for all sessions: a TOML file in the folder of the user's settings.

What the file says holds where the command line says nothing. What was changed by keys is written when the
screens end, key by key: comments, and keys that another version knows, stay. A file that is damaged is told
and left as it is. Nothing of it enters a session or a run.
"""

from __future__ import annotations

import json
import math
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from mixmon.dashboard.palettes import PALETTES
from mixmon.dashboard.scene import DISTANCES_M, ORDERS, SCALES, SCREENS_INCH
from mixmon.errors import reason_of
from mixmon.record.run_writer import PRIVATE_FOLDER, write_whole
from mixmon.report.units import UNIT_NAMES

Value = str | float | bool


@dataclass(frozen=True, slots=True)
class Key:
    """One key of the file: whether a value will do, and what is expected."""

    accepts: Callable[[Any], bool]
    expected: str


def _one_of(*names: str) -> Key:
    return Key(lambda value: isinstance(value, str) and value in names, " | ".join(names))


def _between(least: float, most: float) -> Key:
    return Key(
        lambda value: _is_number(value) and least <= value <= most, f"a number from {least:g} to {most:g}"
    )


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


_TRUE_OR_FALSE: Final = Key(lambda value: isinstance(value, bool), "true or false")

KEYS: Final[Mapping[str, Key]] = {
    "palette": _one_of(*PALETTES),
    "order": _one_of(*ORDERS),
    "scale": Key(
        lambda value: _is_number(value) and value in SCALES, " | ".join(f"{scale:g}" for scale in SCALES)
    ),
    "unit": _one_of(*UNIT_NAMES),
    "screen_inch": _between(*SCREENS_INCH),
    "distance_m": _between(*DISTANCES_M),
    "bell": _TRUE_OR_FALSE,
    "blink": _TRUE_OR_FALSE,
    "mouse": _TRUE_OR_FALSE,
    "sound": Key(
        lambda value: isinstance(value, str) and bool(not value or value.strip()),
        'a program and its arguments, or "" for none',
    ),
}
"""All keys; screen_inch and distance_m: for which screen and from where the help says what can be read."""

_MOST_SETTINGS_BYTES: Final = 100_000
"""Our choice: a thousand lines; a file that is larger is something else."""


def default_settings_path() -> Path:
    """Where the settings are if --config names no other place: the user's folder for them."""
    from platformdirs import user_config_path

    return user_config_path("mixmon", appauthor=False) / "settings.toml"


@dataclass(frozen=True, slots=True)
class Settings:
    """What a file of settings says; `faults`: what of it could not be used, in words.

    writable  False where the file is damaged: it is left as it is
    """

    path: Path
    values: Mapping[str, Value]
    faults: tuple[str, ...] = ()
    writable: bool = True

    def get(self, key: str, otherwise: Value | None = None) -> Any:
        """The value of a key, or what holds without one."""
        assert key in KEYS
        return self.values.get(key, otherwise)


def load_settings(path: Path | None = None) -> Settings:
    """The settings of a file, by default of the user's; without a file nothing is set."""
    path = default_settings_path() if path is None else path
    try:
        found = tomllib.loads(_read_text(path))
    except FileNotFoundError:
        return Settings(path, {})
    except (OSError, ValueError) as error:
        why = reason_of(error) if isinstance(error, OSError) else str(error)
        fault = f"{path}: {why}; expected settings as TOML; usual settings are used and the file is left"
        return Settings(path, {}, (f"{fault}; mend it or remove it",), writable=False)
    good = {key: value for key, value in found.items() if key in KEYS and KEYS[key].accepts(value)}
    return Settings(
        path, good, tuple(_fault_of(path, key, value) for key, value in found.items() if key not in good)
    )


def _read_text(path: Path) -> str:
    with path.open("rb") as file:
        raw = file.read(_MOST_SETTINGS_BYTES + 1)
    if len(raw) > _MOST_SETTINGS_BYTES:
        raise ValueError(f"more than {_MOST_SETTINGS_BYTES} bytes")
    return raw.decode("utf-8")


def _fault_of(path: Path, key: str, value: object) -> str:
    if key not in KEYS:
        return f"{path}: {key}: not known here, kept; expected {', '.join(KEYS)}"
    return f"{path}: {key} = {value!r}: not used; expected {KEYS[key].expected}; correct it"


def keep_settings(settings: Settings, changed: Mapping[str, Value]) -> str:
    """Writes what has changed into the file, whole or not at all; gives why not, empty where it was done."""
    if not changed:
        return ""
    if not settings.writable:
        return f"{settings.path}: settings not kept: the file is damaged; mend it or remove it"
    try:
        try:
            before = _read_text(settings.path)
        except FileNotFoundError:
            before = "# Settings of the screens of mixmon; written when they end.\n"
        text = _with_values(before, changed)
        settings.path.parent.mkdir(PRIVATE_FOLDER, parents=True, exist_ok=True)
        write_whole(settings.path, text.encode())
    except (OSError, ValueError) as error:
        why = reason_of(error) if isinstance(error, OSError) else str(error)
        return f"{settings.path}: settings not kept: {why}; expected a file that can be written"
    return ""


def _with_values(text: str, changed: Mapping[str, Value]) -> str:
    """The text with the values of some keys, each in the place of its old line or before the tables.

    Raises:
        ValueError: the text is written in a way in which a line cannot be replaced.
    """
    wanted = tomllib.loads(text) | dict(changed)
    tables = re.search(r"(?m)^[ \t]*\[", text)
    at = tables.start() if tables else len(text)
    head, rest = text[:at], text[at:]
    for key, value in changed.items():
        line = f"{key} = {_as_toml(value)}"
        head, count = re.subn(rf"(?m)^[ \t]*{key}[ \t]*=.*$", _replacing(line), head, count=1)
        if not count:
            head = f"{head.rstrip()}\n{line}\n" if head.strip() else f"{line}\n"
    text = f"{head}\n{rest}" if rest else head
    if tomllib.loads(text) != wanted:
        raise ValueError(f"{', '.join(changed)} cannot be replaced there; each must be on a line of its own")
    return text


def _replacing(line: str) -> Callable[[re.Match[str]], str]:
    return lambda _: line


def _as_toml(value: Value) -> str:
    """A value as TOML writes it; text as JSON does, which TOML reads alike."""
    if isinstance(value, str):
        return json.dumps(value)
    return str(value).lower() if isinstance(value, bool) else f"{value:g}"
