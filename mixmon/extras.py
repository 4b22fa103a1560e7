"""Libraries that only some of what mixmon does needs: the extras of its package."""

from __future__ import annotations

import importlib
from typing import Any

from mixmon.errors import UsageError


def load_extra(extra: str, *modules: str, needed_by: str, otherwise: str = "") -> tuple[Any, ...]:
    """The modules of an extra of the package, the first of them that of the library itself.

    needed_by  where, in the words of the error: a file, a command
    otherwise  what would do as well, such as ", or --to csv"

        >>> load_extra("none", "no_such_library", needed_by="a file", otherwise=", or another")
        Traceback (most recent call last):
        mixmon.errors.UsageError: a file: needs no-such-library, which is not installed; expected it, or \
another; pip install 'mixmon[none]'

    Raises:
        UsageError: one is not installed.
    """
    try:
        return tuple(importlib.import_module(module) for module in modules)
    except ImportError as error:
        library = modules[0].replace("_", "-")
        raise UsageError(
            f"{needed_by}: needs {library}, which is not installed; expected it{otherwise}; "
            f"pip install 'mixmon[{extra}]'"
        ) from error
