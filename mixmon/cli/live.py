"""Live buses for a command: a session's, as python-can's options may change them, or those named."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import replace

from mixmon.errors import UsageError
from mixmon.frames.adapter import BusOptions
from mixmon.session.model import Session


def live_buses(arguments: argparse.Namespace, session: Session | None) -> list[BusOptions]:
    """The buses to open, named as the session's log channels, so that their frames are recognised.

    Options change the buses whose channels are given, or all where none is. A channel without a
    bus's name is the chain's.

    Raises:
        UsageError: none is named anywhere, or a channel is for a bus that the session does not have.
    """
    channels = arguments.channel or []
    if session is None:
        alone = [None] if arguments.interface is not None else []
        buses = [_named(arguments, channel) for channel in channels or alone]
    else:
        given = _by_bus(channels, session)
        buses = [_of_session(arguments, session, i, given) for i in range(len(session.buses))]
        buses = [bus for bus in buses if bus.interface is not None or bus.channel in given.values()]
    if not buses:
        log = "no LOG and " if hasattr(arguments, "log") else ""
        raise UsageError(
            f"{log}no live bus: expected {'a recording, ' if log else ''}--interface and --channel, "
            "or a session whose [[bus]] tables have an interface; name one"
        )
    return buses


def _by_bus(channels: list[str], session: Session) -> dict[str, str]:
    """The channels given, by the session's bus."""
    names = [bus.name for bus in session.buses]
    given = {}
    for text in channels:
        name, equals, channel = text.partition("=")
        if not equals:
            name, channel = session.chain.bus, text
        if name not in names:
            raise UsageError(
                f"--channel {text}: the session has no bus {name}; expected {' or '.join(names)}; correct it"
            )
        given[name] = channel
    return given


def _of_session(
    arguments: argparse.Namespace, session: Session, index: int, given: Mapping[str, str]
) -> BusOptions:
    bus = session.buses[index]
    options = BusOptions.from_session(bus)
    if given and bus.name not in given:
        return options
    return replace(
        options,
        interface=arguments.interface or options.interface,
        channel=given.get(bus.name, options.channel),
        bitrate=arguments.bitrate or options.bitrate,
        acknowledge=options.acknowledge or (arguments.acknowledge and bus.name == session.chain.bus),
        options=_further(arguments),
    )


def _named(arguments: argparse.Namespace, channel: str | None) -> BusOptions:
    return BusOptions(
        name=_word(channel or arguments.interface),
        interface=arguments.interface,
        channel=channel,
        bitrate=arguments.bitrate,
        acknowledge=arguments.acknowledge,
        options=_further(arguments),
    )


def _further(arguments: argparse.Namespace) -> dict[str, bool | int | float | str]:
    """Further arguments of python-can's interface."""
    further = dict(arguments.bus_kwargs)
    if arguments.fd:
        further["fd"] = True
    if arguments.data_bitrate is not None:
        further["data_bitrate"] = arguments.data_bitrate
    return further


def _word(channel: str) -> str:
    """The channel's name as one word, for logs: a serial port's path without its folders."""
    return channel.replace("\\", "/").rstrip("/").rpartition("/")[2] or channel
