"""The dashboard for browsers: one page behind a token in its address, and a channel for each that shows it.

The page and its terminal are those of textual-serve. Its server is not used: it starts a program for each
viewer, and each of those would open the buses and record. Here all viewers look at one worker.

    server = BrowserServer(audience, options, token=new_token(), tell=print)
    address = await server.open("127.0.0.1", 8321)
    ...
    await server.close()

A request without the token is refused whatever it asks for, and nothing that anybody sends starts a program.
"""

from __future__ import annotations

import asyncio
import errno
import html
import ipaddress
import json
import os
import secrets
import socket
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Final

from aiohttp import ClientConnectionResetError, WSCloseCode, WSMsgType, web

from mixmon.dashboard.app import DashboardOptions
from mixmon.dashboard.browser import BrowserDashboard, bounded
from mixmon.dashboard.keys import Seat
from mixmon.errors import UsageError, reason_of
from mixmon.watch.viewers import Audience

TOKEN_BYTES: Final = 24
"""Random bytes of a token; our choice: more than can be guessed, and its address still fits on a line."""

MOST_VIEWERS: Final = 16
"""Our choice: more than stand around an engine; each costs the processor some percent of a core."""

MOST_WAITING_BYTES: Final = 4 << 20
"""Drawn and not yet taken by the browser; our choice: minutes of drawing. One that takes nothing is left."""

_MESSAGE_BYTES = 1 << 16  # our choice: of one message of a browser, which has keys and sizes alone
_HEARTBEAT_S = 15.0  # our choice: a browser that does not answer for so long is gone
_FAREWELL_S = 0.5  # our choice: time for a browser to be told that it ends
_FONT_SIZES = (8, 72)

_STATIC: Final = {
    "textual.js": ("textual_serve", "static/js/textual.js"),
    "xterm.css": ("textual_serve", "static/css/xterm.css"),
    "mono.ttf": ("textual_serve", "static/fonts/RobotoMono-VariableFont_wght.ttf"),
    "browser.js": ("mixmon.dashboard", "browser.js"),
}
"""Files that the page needs, by the names that it gives them: package, and place in it."""

_HEADERS: Final = {
    "Cache-Control": "no-store",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}
"""Of every answer: the address holds the token, so nothing may keep it or pass it on."""

_WRONG_ADDRESS = (
    "mixmon serve: wrong or no token in the address; expected the whole address that mixmon serve printed, "
    "with what stands behind the port\n"
)
_NO_CHANNEL = "mixmon serve: this is for the page itself; open the address that mixmon serve printed\n"
_FULL = f"mixmon serve: {MOST_VIEWERS} views are open already; close one\n"


def new_token() -> str:
    """A token that nobody can guess."""
    return secrets.token_urlsafe(TOKEN_BYTES)


def is_token(given: str, token: str) -> bool:
    """Whether it is the token; compared in a time that does not tell how much of it is right."""
    return secrets.compare_digest(given.encode(), token.encode())


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach the address.

    >>> is_loopback("127.0.0.1"), is_loopback("::1"), is_loopback("localhost"), is_loopback("0.0.0.0")
    (True, True, True, False)
    """
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def address_of(host: str, port: int, token: str) -> str:
    """What is typed into a browser. Where the server listens on all addresses, that of this machine.

    >>> address_of("127.0.0.1", 8321, "abc"), address_of("::1", 80, "abc")
    ('http://127.0.0.1:8321/abc/', 'http://[::1]:80/abc/')
    """
    try:
        given = ipaddress.ip_address(host)
    except ValueError:
        return f"http://{host}:{port}/{token}/"
    if given.is_unspecified:
        return f"http://{socket.gethostname()}:{port}/{token}/"
    return f"http://{f'[{host}]' if given.version == 6 else host}:{port}/{token}/"


class BrowserServer:
    """Serves the dashboard over an audience; the worker is started and closed by the caller.

    options  of the screens of each viewer; `seat` says whether viewers may act
    tell     called with a line when a viewer comes or leaves
    """

    def __init__(
        self,
        audience: Audience,
        options: DashboardOptions,
        *,
        token: str,
        tell: Callable[[str], None] = lambda _: None,
    ) -> None:
        self._audience, self._options, self._token, self._tell = audience, options, token, tell
        self._page = Template(files("mixmon.dashboard").joinpath("browser.html").read_text("utf-8"))
        self._open: set[_BrowserLine] = set()
        self._came = 0
        application = web.Application()
        application.router.add_get("/{token}/", self._give_page)
        application.router.add_get("/{token}/channel", self._give_channel)
        application.router.add_get("/{token}/static/{name}", self._give_static)
        application.router.add_route("*", "/{rest:.*}", self._refuse)
        application.on_response_prepare.append(_add_headers)
        self._runner = web.AppRunner(
            application, access_log=None, handle_signals=False, shutdown_timeout=_FAREWELL_S
        )

    async def open(self, host: str, port: int) -> str:
        """Begins to listen; the address for a browser. Port 0 is any that is free.

        Raises:
            UsageError: the port is taken, or the address is none of this machine.
        """
        await self._runner.setup()
        try:
            await web.TCPSite(self._runner, host, port).start()
        except OSError as error:
            await self._runner.cleanup()
            raise UsageError(_say_closed(host, port, error)) from error
        return address_of(host, self._runner.addresses[0][1], self._token)

    async def close(self) -> None:
        """Ends all views, and listens no more."""
        for channel in tuple(self._open):
            channel.leave()
        await self._runner.cleanup()

    async def _refuse(self, _: web.Request) -> web.Response:
        return web.Response(status=403, text=_WRONG_ADDRESS)

    def _knows_token(self, request: web.Request) -> bool:
        return is_token(request.match_info["token"], self._token)

    async def _give_page(self, request: web.Request) -> web.Response:
        if not self._knows_token(request):
            return await self._refuse(request)
        only = "" if self._options.seat is not Seat.ONLOOKER else " (only looks)"
        text = self._page.substitute(
            title=html.escape(f"mixmon {self._audience.watching.session.name}{only}"),
            socket=html.escape(f"ws://{request.host}/{self._token}/channel"),
            font_size=_read_whole(request.query.get("fontsize", ""), 16, _FONT_SIZES),
        )
        policy = (
            "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; font-src 'self'; "
            f"img-src 'self' data: blob:; connect-src 'self' ws://{request.host}; base-uri 'none'; "
            "form-action 'none'; frame-ancestors 'none'"
        )
        return web.Response(text=text, content_type="text/html", headers={"Content-Security-Policy": policy})

    async def _give_static(self, request: web.Request) -> web.StreamResponse:
        place = _STATIC.get(request.match_info["name"])
        if place is None or not self._knows_token(request):
            return await self._refuse(request)
        return web.FileResponse(Path(str(files(place[0])), place[1]))

    async def _give_channel(self, request: web.Request) -> web.StreamResponse:
        """One viewer, from when it comes until it leaves."""
        origin = request.headers.get("Origin", f"http://{request.host}")
        if not self._knows_token(request) or origin != f"http://{request.host}":
            return await self._refuse(request)
        if len(self._open) >= MOST_VIEWERS:
            return web.Response(status=503, text=_FULL)
        answer = web.WebSocketResponse(
            timeout=_FAREWELL_S, heartbeat=_HEARTBEAT_S, max_msg_size=_MESSAGE_BYTES
        )
        if not answer.can_prepare(request):
            return web.Response(status=400, text=_NO_CHANNEL)
        channel = _BrowserLine(answer)
        self._open.add(channel)
        self._came += 1
        who = f"viewer {self._came} from {request.remote}"
        try:
            await answer.prepare(request)
            self._tell(f"{who} has come; now {len(self._open)}")
            size = bounded(*(_read_whole(request.query.get(n, ""), d) for n, d in _USUAL_SIZE))
            await self._show(channel, size)
        finally:
            self._open.discard(channel)
            self._tell(f"{who} has left; now {len(self._open)}")
        return answer

    async def _show(self, channel: _BrowserLine, size: tuple[int, int]) -> None:
        viewer = self._audience.viewer(acts=self._options.seat is not Seat.ONLOOKER)
        screens = BrowserDashboard(viewer, self._options, channel.draw)
        work = asyncio.create_task(screens.run_async(mouse=self._options.mouse, size=size))
        try:
            await channel.follow(screens, work)
        finally:
            screens.exit()
            await asyncio.wait({work}, timeout=_FAREWELL_S)
            work.cancel()
            viewer.close()
            await channel.close()
        if screens.return_code:
            self._tell("internal error: the screens of a viewer broke; the others go on")


_USUAL_SIZE = (("width", 80), ("height", 24))


class _BrowserLine:
    """What a browser and its screens say to each other."""

    def __init__(self, answer: web.WebSocketResponse) -> None:
        self._answer = answer
        self._drawn: list[str] = []
        self._waiting = 0
        self._news = asyncio.Event()
        self._left = asyncio.Event()

    def draw(self, text: str) -> None:
        """Takes what the screens draw; of a browser that takes nothing, no more than a bound."""
        if self._waiting > MOST_WAITING_BYTES:
            self.leave()
            return
        self._drawn.append(text)
        self._waiting += len(text)
        self._news.set()

    def leave(self) -> None:
        """Ends `follow`."""
        self._left.set()

    async def follow(self, screens: BrowserDashboard, work: asyncio.Task[int | None]) -> None:
        """Passes on until the browser is gone, the screens have ended, or somebody calls `leave`."""
        tasks = [
            asyncio.create_task(one)
            for one in (self._pass_keys(screens), self._pass_drawn(), self._left.wait())
        ]
        try:
            await asyncio.wait({*tasks, work}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def close(self) -> None:
        """Tells the browser that it was all."""
        await self._answer.close(code=WSCloseCode.GOING_AWAY)

    async def _pass_drawn(self) -> None:
        while True:
            await self._news.wait()
            self._news.clear()
            text, self._drawn, self._waiting = "".join(self._drawn), [], 0
            try:
                await self._answer.send_bytes(text.encode())
            except (ClientConnectionResetError, ConnectionError):
                return

    async def _pass_keys(self, screens: BrowserDashboard) -> None:
        async for message in self._answer:
            if message.type is WSMsgType.TEXT and (read := _read_message(message.data)) is not None:
                kind, value = read
                if kind == "stdin" and isinstance(value, str) and value:
                    screens.type(value)
                elif kind == "resize" and isinstance(value, dict):
                    screens.resize(*(_read_whole(value.get(n), d) for n, d in _USUAL_SIZE))
                elif kind == "ping":
                    await self._answer.send_json(["pong", value])


def _read_message(text: str) -> tuple[str, object] | None:
    """The kind of a message of the page, and its value; None for anything that is none."""
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        return None
    if not isinstance(found, list) or not found or not isinstance(found[0], str):
        return None
    return found[0], found[1] if len(found) > 1 else None


def _read_whole(value: object, usual: int, bounds: tuple[int, int] = (1, 9999)) -> int:
    """A whole number that a browser sent, within bounds; the usual one for anything else."""
    try:
        return min(max(int(str(value)), bounds[0]), bounds[1])
    except ValueError:
        return usual


def _say_closed(host: str, port: int, error: OSError) -> str:
    if error.errno == errno.EADDRINUSE:
        return (
            f"port {port} of {host}: taken by another program, perhaps another mixmon serve; expected a free "
            "one; choose another with --port, or --port 0 for any"
        )
    # What asyncio says of it is a sentence around the system's words, and a name has a number of its own.
    why = os.strerror(error.errno) if error.errno and error.errno > 0 else reason_of(error)
    return f"{host}, port {port}: {why}; expected an address of this machine, and a port from 1024 on"


async def _add_headers(_: web.Request, response: web.StreamResponse) -> None:
    response.headers.update(_HEADERS)
