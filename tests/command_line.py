"""Runs a command line in this process, as the tests of commands do, and gives its whole answer.

An answer depends on nothing but the words and the files that they name. So tests that look at different
parts of one answer share it: `shared_answer` runs each command line once. Words that name a file which
the test itself writes go through `run_command`, which runs every time.
"""

from __future__ import annotations

import contextlib
import functools
import io
import json
import sys
from typing import Any, NamedTuple

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


def read_json(answer: Answer) -> dict[str, Any]:
    """The JSON of an answer that must be a success without a word on standard error."""
    assert (answer.status, answer.err) == (DONE, "")
    found = json.loads(answer.out)
    assert isinstance(found, dict)
    return found
