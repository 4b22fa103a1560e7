"""Live buses for a command: those that python-can's options name, or those of a session."""

from __future__ import annotations

import argparse
from collections.abc import Iterator

from mixmon.cli.console import talk
from mixmon.errors import UsageError
from mixmon.frames.adapter import BusOptions
from mixmon.frames.adapters import Adapters
from mixmon.frames.block import FrameBlock
from mixmon.session.model import Bus, Session

_ASK_S = 0.05


def live_buses(arguments: argparse.Namespace, session: Session | None) -> list[BusOptions]:
    """The buses to open, named as the session's log channels, so that their frames are recognised.

    Raises:
        UsageError: none is named anywhere.
    """
    if arguments.interface is not None or arguments.channel is not None:
        return [_named(arguments)]
    declared = [bus for bus in (session.buses if session else ()) if bus.interface is not None]
    if not declared:
        raise UsageError(
            "no LOG and no live bus: expected a recording, --interface and --channel, or a session whose "
            "[[bus]] tables have an interface; name one"
        )
    return [_of_session(bus) for bus in declared]


def listen(buses: list[BusOptions], duration_s: float, *, quiet: bool) -> Iterator[FrameBlock]:
    """What comes on the buses within that time; what happens to them is said as talk.

    Raises:
        SourceError: a bus cannot be opened.
    """
    with Adapters(buses) as adapters:
        end = adapters.now() + round(duration_s * 1e9)
        while adapters.now() < end:
            yield from adapters.take(_ASK_S)
            for event in adapters.events():
                talk(f"{event.bus}: {event.text}", quiet=quiet)


def _named(arguments: argparse.Namespace) -> BusOptions:
    further = dict(arguments.bus_kwargs)
    if arguments.fd:
        further["fd"] = True
    if arguments.data_bitrate is not None:
        further["data_bitrate"] = arguments.data_bitrate
    return BusOptions(
        name=_word(arguments.channel or arguments.interface),
        interface=arguments.interface,
        channel=arguments.channel,
        bitrate=arguments.bitrate,
        acknowledge=arguments.acknowledge,
        options=further,
    )


def _of_session(bus: Bus) -> BusOptions:
    return BusOptions(
        name=bus.name if bus.log_channel == "*" else bus.log_channel,
        interface=bus.interface,
        channel=bus.channel,
        bitrate=bus.bitrate,
        acknowledge=bus.role == "acknowledge",
    )


def _word(channel: str) -> str:
    """The channel's name as one word, for logs: a serial port's path without its folders."""
    return channel.replace("\\", "/").rstrip("/").rpartition("/")[2] or channel
