"""Records in JSON that commands keep beside a session file, as whoever loads the session reads them."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from mixmon.errors import SourceError, reason_of

Kept = TypeVar("Kept")


@dataclass(frozen=True, slots=True)
class KeptRecord:
    """One kind of such a file.

    format      its version, which this program reads and writes
    most_bytes  more of it is not read
    what        what the file is, as in "no record of trims"
    advice      who writes it, and what to do with one that cannot be read
    """

    format: int
    most_bytes: int
    what: str
    advice: str

    def load(self, path: Path, read: Callable[[Any], Kept]) -> Kept | None:
        """What `read` makes of the file's object; None where there is no file.

        Raises:
            SourceError: there is a file that cannot be read as such, or of another format.
        """
        try:
            with path.open("rb") as file:
                raw = json.loads(file.read(self.most_bytes))
            if raw["format"] == self.format:
                return read(raw)
            why = f"format {raw['format']}, {self.format} is known"
        except FileNotFoundError:
            return None
        except OSError as error:
            why = reason_of(error)
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
            why = f"no {self.what}"
        raise SourceError(f"{path}: {why}; expected {self.advice}")
