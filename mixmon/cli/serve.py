"""mixmon serve: the dashboard of watch, replay or demo for browsers, which only look unless told otherwise.

One worker watches, and records as `watch` does; each browser has screens of its own over it.
"""

from __future__ import annotations

import argparse
import asyncio
import math
import time
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

from mixmon.cli.console import flush_results, result, talk
from mixmon.cli.demo import demo_worker
from mixmon.cli.live import (
    FOLLOW_S,
    Follower,
    acceptance_of,
    live_worker,
    require_acceptance,
    run_lines,
    runs_folder,
    why_unrecorded,
)
from mixmon.cli.main import DONE, parser_of
from mixmon.cli.replay import replay_worker
from mixmon.cli.screen import viewer_options
from mixmon.cli.stopping import Stopping
from mixmon.errors import OutputError, UsageError
from mixmon.extras import load_extra
from mixmon.live.worker import Worker
from mixmon.record.run_folder import find_growing
from mixmon.report.alarms import alarm_line
from mixmon.watch.commands import NoteText
from mixmon.watch.viewers import Audience

if TYPE_CHECKING:
    from mixmon.dashboard.server import BrowserServer

HOST: Final = "127.0.0.1"
"""Only this machine can reach it."""

PORT: Final = 8321
"""Our choice: free on most machines, and beyond 1023, for which one would have to be the administrator."""

_REACHED = (
    "whoever has this address, on any machine of its network, sees the dashboard; it is not encrypted. "
    "mixmon shows; it does not protect the engine"
)


def configure(parser: argparse.ArgumentParser) -> None:
    """Where it can be reached, whether viewers may act, and the command whose dashboard is shown."""
    parser.add_argument(
        "--host",
        metavar="ADDRESS",
        type=_read_host,
        default=HOST,
        help=f"address of this machine where it can be reached (default: {HOST}, from this machine alone); "
        "0.0.0.0 is all of them",
    )
    parser.add_argument(
        "--port", metavar="N", type=_read_port, default=PORT, help=f"default: {PORT}; 0 is any that is free"
    )
    parser.add_argument(
        "--allow-actions",
        action="store_true",
        help="viewers may do what keys do: acknowledge, mark, record, play; default: they only look",
    )
    parser.carry(  # type: ignore[attr-defined]  # of CommandParser
        tuple(_WORKERS),
        "command",
        "what is shown, with the options of that command: watch -s SESSION, replay RUN, demo",
    )


def run(arguments: argparse.Namespace) -> int:
    """Serves until it is told to stop, or the time of `watch --for` is over.

    Raises:
        UsageError: textual-serve is not installed, no command is named, or the port cannot be had.
        OutputError: the recording stopped before the end.
        KeyboardInterrupt: it was interrupted.
    """
    load_extra("serve", "textual_serve", "aiohttp", needed_by="mixmon serve")
    name, inner = _inner_command(arguments.command)
    worker, speed = _WORKERS[name](inner)
    from mixmon.dashboard.server import BrowserServer, new_token

    options = viewer_options(worker, inner, acts=arguments.allow_actions, speed=speed)
    audience = Audience(worker)
    tell = partial(talk, quiet=inner.quiet)
    server = BrowserServer(audience, options, token=new_token(), tell=tell)
    end = time.monotonic() + (getattr(inner, "duration", None) or math.inf)
    with Stopping(worker.close) as stopping:  # the record first, whatever browsers still answer
        follower = _follower(worker, audience, quiet=inner.quiet)
        try:
            asyncio.run(
                _serve(server, arguments, worker, follower, lambda: stopping.asked or time.monotonic() > end)
            )
        finally:
            worker.close()
        for line in run_lines(worker):
            talk(line, quiet=inner.quiet)
    if failed := why_unrecorded(worker):
        raise OutputError(failed)
    if stopping.asked:
        raise KeyboardInterrupt
    return DONE


async def _serve(
    server: BrowserServer,
    arguments: argparse.Namespace,
    worker: Worker,
    follower: Follower,
    over: Callable[[], bool],
) -> None:
    """Serves until it is over; writes the address, then what happens as talk.

    The port comes first: where it is taken no bus is opened and no run begun.
    """
    from mixmon.dashboard.server import is_loopback

    address = await server.open(arguments.host, arguments.port)
    try:
        worker.start()
        result(f"{address}\n")
        flush_results()
        if not is_loopback(arguments.host):
            talk(_REACHED)
        failure = ""
        while not over():
            follower.show_news()
            if worker.snapshot.failure != failure:
                failure = worker.snapshot.failure
                talk(f"{failure}; the screens go on and say so")
            await asyncio.sleep(FOLLOW_S)
    finally:
        await server.close()
    follower.show_news(last=True)


def _follower(worker: Worker, audience: Audience, *, quiet: bool) -> Follower:
    """Tells on standard error what viewers are told on their screens."""
    return Follower(
        worker,
        quiet=quiet,
        on_alarm=lambda event: (
            talk(alarm_line(event, worker.first_ns or 0), quiet=quiet) if event.announced else None
        ),
        on_second=lambda: None,
        drain=audience.viewer(acts=False).drain,
    )


def _inner_command(words: list[str]) -> tuple[str, argparse.Namespace]:
    """The command whose dashboard is served, and its arguments.

    Raises:
        UsageError: it is none of these, or asks for text.
    """
    words = words[1:] if words[:1] == ["--"] else words
    name = words[0] if words else ""
    if name not in _WORKERS:
        raise UsageError(
            f"mixmon serve: {f'{name} has no dashboard' if name else 'nothing to show'}; expected "
            f"{', '.join(_WORKERS)} with its own options; such as mixmon serve demo"
        )
    inner = parser_of(name).parse(words[1:])
    for option in ("text", "json", "sound"):
        if getattr(inner, option, None):
            raise UsageError(
                f"mixmon serve {name}: --{option} is not for browsers; expected options of the dashboard; "
                "leave it out"
            )
    return name, inner


def _watch(arguments: argparse.Namespace) -> tuple[Worker, float | None]:
    """Live buses, with the caution accepted; what another mixmon records there is not recorded twice."""
    worker, acceptance = live_worker(arguments, record=not arguments.no_record), acceptance_of(arguments)
    if not arguments.no_record:
        _refuse_second_record(runs_folder(arguments, worker.session))
    require_acceptance(acceptance, accepted=arguments.accept_caution)
    worker.send(NoteText(acceptance.words, standing=True))
    return worker, 1.0


def _refuse_second_record(folder: Path) -> None:
    growing = find_growing(folder)
    if growing is not None:
        raise UsageError(
            f"{growing}: is being recorded by another mixmon; expected one record of a bus; add --no-record "
            "to look beside it (SocketCAN lets two programs listen, a serial adapter one), or end the other "
            "one and use this in its place"
        )


def _demo(arguments: argparse.Namespace) -> tuple[Worker, float | None]:
    return demo_worker(arguments.seed), 1.0


_WORKERS: Final[Mapping[str, Callable[[argparse.Namespace], tuple[Worker, float | None]]]] = {
    "watch": _watch,
    "replay": replay_worker,
    "demo": _demo,
}
"""What can be served, and what makes its worker, with the speed at which it is played."""


def _read_host(text: str) -> str:
    """An address; an empty one would be all of them, which is asked for by name."""
    if not text.strip():
        raise argparse.ArgumentTypeError(
            f"found {text!r}; expected an address of this machine, such as {HOST}; 0.0.0.0 is all of them"
        )
    return text


def _read_port(text: str) -> int:
    if not (text.isascii() and text.isdigit() and int(text) < 1 << 16):
        raise argparse.ArgumentTypeError(f"found {text!r}; expected a port, 0 to 65535")
    return int(text)
