"""Runs a command line in this process, as the tests of commands do, and gives its whole answer.

An answer depends on nothing but the words and the files that they name. So tests that look at different
parts of one answer share it: `shared_answer` runs each command line once. Words that name a file which
the test itself writes go through `run_command`, which runs every time.

Several command lines print other things of one finding of one log. Within
`findings_made_once`, which tests/conftest.py makes a fixture, each is made once.
"""

from __future__ import annotations

import contextlib
import copy
import functools
import io
import json
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from laws import everything

import mixmon
import mixmon.cli.compare
import mixmon.cli.rotate
from mixmon.cli.main import DONE, main


class Answer(NamedTuple):
    """Exit status, standard output and standard error of one command line."""

    status: int
    out: str
    err: str


def run_command(*words: str) -> Answer:
    """Runs `mixmon WORDS` and gives its answer."""
    out, err = io.TextIOWrapper(io.BytesIO(), "utf-8"), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = main(list(words))
        sys.stdout.flush()
    return Answer(status, out.buffer.getvalue().decode(), err.getvalue())


shared_answer = functools.cache(run_command)
"""The answer to a command line that names only files which never change; run once a process."""


FINDERS = [
    *(
        (mixmon, name)
        for name in ("balance", "causes", "events", "identify", "lags", "pulls", "tips", "trims")
    ),
    (mixmon.cli.compare, "side_of_run"),
    (mixmon.cli.rotate, "looks_of_run"),
]
"""Where the commands call what reads a log to its end."""


@contextlib.contextmanager
def findings_made_once() -> Iterator[None]:
    """A log is read once for all that the commands print of one finding: the real one, kept.

    Findings do not change once they are made; what became of the log is told with them.
    """
    with pytest.MonkeyPatch.context() as change:
        for holder, name in FINDERS:
            change.setattr(holder, name, _made_once(getattr(holder, name)))
        yield


def _made_once(finder: Callable[..., Any]) -> Callable[..., Any]:
    made: dict[str, tuple[Any, Any]] = {}

    def find(run: mixmon.Run, *given: Any) -> Any:
        if run.once:
            return finder(run, *given)
        logs = [Path(name) for name in run.name.split(", ")]
        files = [(path, path.stat()) for log in logs for path in (log, *log.glob("*"))]
        sizes = [(path, found.st_size, found.st_mtime_ns) for path, found in files]
        part = [value for name, value in vars(run).items() if name in {"_begin", "_end", "left_out", "steps"}]
        words = [list(one) if isinstance(one, tuple) else one for one in given]  # a listing tells a line only
        key = repr((sizes, everything(run.session), part, words))
        if key not in made:
            made[key] = finder(run, *given), copy.deepcopy(run.log)
        found, log = made[key]
        run.log = copy.deepcopy(log)
        return found

    return find


def read_json(answer: Answer) -> dict[str, Any]:
    """The JSON of an answer that must be a success without a word on standard error."""
    assert (answer.status, answer.err) == (DONE, "")
    found = json.loads(answer.out)
    assert isinstance(found, dict)
    return found
