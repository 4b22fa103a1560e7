"""The dashboard for browsers: who gets in, what a viewer can do, and that one who leaves ends nothing."""

import asyncio
import json
from pathlib import Path

import aiohttp
import pytest

from mixmon.dashboard.app import DashboardOptions
from mixmon.dashboard.keys import Seat
from mixmon.dashboard.server import TOKEN_BYTES, BrowserServer, is_token, new_token
from mixmon.errors import UsageError
from mixmon.live.replay import ReplaySource
from mixmon.live.worker import Worker
from mixmon.messages.bind import bind, load_databases
from mixmon.report.units import unit_named
from mixmon.session.load import load_session
from mixmon.watch.viewers import Audience

EXAMPLES = Path(__file__).parents[2] / "examples"


class Kept(Worker):
    """A worker that is not started, so that what it was sent can be looked at."""

    @property
    def sent(self):
        return list(self._commands)


@pytest.fixture(scope="module")
def worker():
    loaded = load_session(EXAMPLES / "alder8.toml")
    return Kept(bind(loaded, load_databases(loaded)), ReplaySource(str(EXAMPLES / "alder8_short.log.gz")))


def server_of(worker, seat, token="secret", tell=lambda _: None):
    options = DashboardOptions(units=(unit_named("lambda", worker.binding.fuel, None),), seat=seat)
    return BrowserServer(Audience(worker), options, token=token, tell=tell)


async def looked_at(server, look):
    address = await server.open("127.0.0.1", 0)
    try:
        async with aiohttp.ClientSession() as client:
            return await look(client, address)
    finally:
        await server.close()


async def answer_to(client, address, **headers):
    async with client.get(address, headers=headers) as answer:
        return answer.status, await answer.text(), answer.headers


async def drawn_until(channel, words):
    drawn = b""
    while words not in drawn:
        message = await channel.receive(timeout=10)
        assert message.type is aiohttp.WSMsgType.BINARY, message
        drawn += message.data
    return drawn


def test_a_token_is_long_and_new_each_time():
    tokens = {new_token() for _ in range(100)}
    assert len(tokens) == 100
    assert min(map(len, tokens)) >= TOKEN_BYTES * 8 // 6  # base64: six bits a character (RFC 4648)
    token = tokens.pop()
    assert is_token(token, token)
    assert not any(is_token(wrong, token) for wrong in ("", token[:-1], f"{token}a", token.swapcase(), "é"))


def test_nothing_is_given_without_the_token(worker):
    async def look(client, address):
        root = address.removesuffix("secret/")
        for place in (
            "",
            "static/xterm.css",
            "secre/",
            "secret",
            "secret/nothing",
            "secret/static/server.py",
        ):
            status, text, _ = await answer_to(client, root + place)
            assert (status, "whole address" in text) == (403, True), place
        status, text, headers = await answer_to(client, address)
        assert (status, headers["Cache-Control"], headers["Referrer-Policy"]) == (
            200,
            "no-store",
            "no-referrer",
        )
        assert "frame-ancestors 'none'" in headers["Content-Security-Policy"]
        assert "http" not in text.replace("//www.w3.org", "")  # nothing from elsewhere
        for name in ("xterm.css", "textual.js", "mono.ttf", "browser.js"):
            async with client.get(f"{address}static/{name}") as answer:
                assert answer.status == 200
        status, text, _ = await answer_to(client, f"{address}channel")
        assert (status, "open the address" in text) == (400, True)
        for place, origin in ((f"{root}wrong/channel", root[:-1]), (f"{address}channel", "http://elsewhere")):
            with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
                await client.ws_connect(place, headers={"Origin": origin})
            assert refused.value.status == 403

    asyncio.run(looked_at(server_of(worker, Seat.ONLOOKER), look))


@pytest.mark.parametrize(("seat", "sent"), [(Seat.ONLOOKER, 0), (Seat.REMOTE, 1)])
def test_only_where_it_is_allowed_a_viewer_acts_and_one_that_leaves_ends_nothing(worker, seat, sent):
    said = []
    before = len(worker.sent)

    async def look(client, address):
        first, second = [await client.ws_connect(f"{address}channel?width=90&height=30") for _ in "12"]
        for channel in (first, second):
            await drawn_until(channel, b"keys")
        for odd in ("", "no json", "[]", '["stdin", 5]', '["resize", {"width": "x"}]', '["other"]'):
            await first.send_str(odd)
        await first.send_str(json.dumps(["stdin", "."]))  # the key that pauses a replay
        await first.send_str(json.dumps(["stdin", "b"]))
        await drawn_until(first, b"BALANCE")
        await first.send_str(json.dumps(["stdin", "qq"]))
        while (await first.receive(timeout=10)).type is aiohttp.WSMsgType.BINARY:
            pass
        await second.send_str(json.dumps(["stdin", "l"]))
        await drawn_until(second, b"ALARMS")

    asyncio.run(looked_at(server_of(worker, seat, tell=said.append), look))
    assert len(worker.sent) - before == sent
    assert [one.partition(" from")[0] for one in said[:2]] == ["viewer 1", "viewer 2"]
    assert said[-1].endswith("has left; now 0")


def test_a_port_that_is_taken_and_an_address_of_another_machine_are_refused(worker):
    async def look(_, address):
        port = int(address.split(":")[2].split("/")[0])
        with pytest.raises(UsageError, match=r"taken by another program.*--port"):
            await server_of(worker, Seat.ONLOOKER).open("127.0.0.1", port)
        with pytest.raises(UsageError, match=r"port 0: [^('\[]+; expected an address of this machine"):
            await server_of(worker, Seat.ONLOOKER).open("192.0.2.1", 0)  # for documentation alone (RFC 5737)

    asyncio.run(looked_at(server_of(worker, Seat.ONLOOKER), look))
