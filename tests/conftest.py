"""What holds for all tests: how they are spread over processes, and that a busy machine fails none.

A file's tests run in one process (`--dist loadfile` in pyproject.toml), so what they share is made once.
"""

import os
import sys
import tempfile
from collections.abc import Iterator

# The workers of pytest-xdist share the cores. A linear algebra library that spreads small matrices over all
# of them as well takes two to four times the processor time, much of it waiting. NumPy reads this on import.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# Some tests start the program as a process of its own, which begins in a third of the time where it finds its
# modules compiled.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# Nobody's own settings of the screens change a test, and no test changes them.
os.environ["XDG_CONFIG_HOME"] = f"{tempfile.gettempdir()}/mixmon-settings-{os.getpid()}"

import pytest
from hypothesis import settings

# Compiling the tests takes twelve seconds in every process; it is done once.
sys.dont_write_bytecode = False

# A busy machine keeps no deadline. What needs more than forty examples to find its mistakes asks for them.
# `pytest --hypothesis-profile=long` looks for rarer ones.
settings.register_profile("any machine", deadline=None, max_examples=40)
settings.register_profile("long", deadline=None, max_examples=2000)
settings.load_profile("any machine")


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Puts files with slow tests first, so that no process is left alone with one at the end.

    Within both parts the order stays random.
    """
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    items.sort(key=lambda item: item.path not in slow)


@pytest.fixture(scope="module")
def findings_made_once() -> Iterator[None]:
    """Commands of a file of tests make each finding of a log once; see `command_line.findings_made_once`."""
    from command_line import findings_made_once

    with findings_made_once():
        yield
