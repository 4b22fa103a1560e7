"""mixmon serve in a browser: Chromium connects, sees numbers move, cannot act, and outlives the worker.

    python tools/check_browser.py [--chromium PATH] [--pictures DIR]

Drives Chromium by the DevTools protocol. What a page draws is read from the frames of its channel, and from
pictures of it. Prints a line for each check; exit status 1 where one fails.
"""

from __future__ import annotations

import argparse
import asyncio
import base64
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import aiohttp

SEQUENCE = re.compile(r"\x1b(?:\[[0-9;?<>=$]*[A-Za-z]|\][^\x07]*\x07|[()][A-B]|[=>])")
EXAMPLES = Path(__file__).resolve().parents[1] / "examples"
SLOW_S = 40.0
failed = 0


def told(what: str, *, good: bool) -> None:
    global failed  # noqa: PLW0603
    failed += not good
    print(f"{'ok    ' if good else 'FAILED'} {what}", flush=True)


class Tab:
    """One page, by the DevTools protocol."""

    def __init__(self, socket: aiohttp.ClientWebSocketResponse, pictures: Path | None) -> None:
        self._socket, self._pictures = socket, pictures
        self._asked = 0
        self._answers: dict[int, asyncio.Future[Any]] = {}
        self.drawn = ""
        self.status: dict[str, int] = {}
        self.outside: list[str] = []
        self.errors: list[str] = []
        self._work = asyncio.create_task(self._read())

    async def _read(self) -> None:
        async for message in self._socket:
            found = json.loads(message.data)
            if "id" in found:
                self._answers.pop(found["id"]).set_result(found.get("result", found))
                continue
            match found["method"], found["params"]:
                case "Network.webSocketFrameReceived", {"response": {"opcode": 2, "payloadData": data}}:
                    self.drawn += SEQUENCE.sub("", base64.b64decode(data).decode(errors="replace"))
                case "Network.responseReceived", {"response": {"url": url, "status": status}}:
                    self.status[url] = status
                case "Network.requestWillBeSent", {"request": {"url": url}}:
                    if not url.startswith(("http://127.0.0.1", "ws://127.0.0.1", "data:", "blob:")):
                        self.outside.append(url)
                case "Runtime.exceptionThrown", {"exceptionDetails": {"text": text}}:
                    self.errors.append(text)
                case "Log.entryAdded", {"entry": {"level": "error", "text": text}}:
                    self.errors.append(text)

    async def ask(self, method: str, **params: object) -> Any:
        self._asked += 1
        answer = self._answers[self._asked] = asyncio.get_running_loop().create_future()
        await self._socket.send_json({"id": self._asked, "method": method, "params": params})
        return await asyncio.wait_for(answer, SLOW_S)

    async def go(self, address: str) -> None:
        for domain in ("Network", "Page", "Runtime", "Log"):
            await self.ask(f"{domain}.enable")
        await self.ask("Page.navigate", url=address)

    async def press(self, *keys: str) -> None:
        for key in keys:
            await self.ask("Input.dispatchKeyEvent", type="keyDown", text=key, key=key)
            await self.ask("Input.dispatchKeyEvent", type="keyUp", key=key)

    async def value(self, script: str) -> Any:
        found = await self.ask("Runtime.evaluate", expression=script, returnByValue=True)
        return found["result"].get("value")

    async def picture(self, name: str) -> bytes:
        data = base64.b64decode((await self.ask("Page.captureScreenshot"))["data"])
        if self._pictures is not None:
            (self._pictures / f"{name}.png").write_bytes(data)
        return data

    async def until(self, holds: Callable[[], bool]) -> bool:
        end = time.monotonic() + SLOW_S
        while not holds() and time.monotonic() < end:  # noqa: ASYNC110
            await asyncio.sleep(0.1)
        return holds()

    async def sees(self, words: str) -> bool:
        return await self.until(lambda: words in self.drawn)

    async def close(self) -> None:
        await self.ask("Page.close")
        await self._socket.close()
        await self._work


class Browser:
    """Headless Chromium with a folder of its own."""

    def __init__(self, program: str, folder: Path, pictures: Path | None) -> None:
        self._pictures = pictures
        self._port_file = folder / "DevToolsActivePort"
        words = [program, "--headless=new", "--no-sandbox", "--disable-gpu", "--remote-debugging-port=0"]
        words += [f"--user-data-dir={folder}", "--window-size=1200,800", "about:blank"]
        self.process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        self._client: aiohttp.ClientSession | None = None

    async def tab(self) -> Tab:
        while not self._port_file.exists() or not self._port_file.read_text():  # noqa: ASYNC110
            await asyncio.sleep(0.1)
        self._client = self._client or aiohttp.ClientSession()
        where = f"http://127.0.0.1:{self._port_file.read_text().split()[0]}/json/new"
        async with self._client.put(where) as answer:
            found = await answer.json(content_type=None)
        socket = await self._client.ws_connect(found["webSocketDebuggerUrl"], max_msg_size=0)
        return Tab(socket, self._pictures)

    async def close(self) -> None:
        if self._client is not None:
            await self._client.close()
        self.process.terminate()
        self.process.wait()


class Served:
    """A running mixmon serve in a folder of its own."""

    def __init__(self, folder: Path, *words: str) -> None:
        self.folder = folder
        command = [sys.executable, "-m", "mixmon", "serve", "--port", "0", *words]
        self.errors = (folder / "errors.txt").open("w+")
        state = {"XDG_STATE_HOME": str(folder), "MIXMON_LEDGER": ":memory:"}
        self.process = subprocess.Popen(
            command, cwd=folder, stdout=subprocess.PIPE, stderr=self.errors, text=True, env=os.environ | state
        )
        assert self.process.stdout is not None
        self.address = self.process.stdout.readline().strip()

    @property
    def children(self) -> list[str]:
        tasks = Path(f"/proc/{self.process.pid}/task").glob("*/children")
        return [child for one in tasks for child in one.read_text().split()]

    def end(self) -> int:
        self.process.send_signal(signal.SIGINT)
        return self.process.wait(SLOW_S)


async def _status(address: str, **headers: str) -> int:
    async with aiohttp.ClientSession() as client, client.get(address, headers=headers) as answer:
        return answer.status


async def _channel_status(address: str, **headers: str) -> int:
    where = address.replace("http:", "ws:") + "channel"
    async with aiohttp.ClientSession() as client:
        try:
            async with client.ws_connect(where, headers=headers):
                return 101
        except aiohttp.WSServerHandshakeError as error:
            return error.status


async def check_tokens(served: Served, browser: Browser) -> None:
    root, token = served.address.rstrip("/").rsplit("/", 1)
    wrong = f"{root}/{token[:-1]}{'a' if token[-1] != 'a' else 'b'}/"
    for name in (wrong, f"{root}/", f"{root}/static/textual.js", f"{wrong}static/textual.js"):
        told(f"refused: {name.replace(token, 'TOKEN')}", good=await _status(name) == 403)
    escaped = f"{served.address}static/..%2f..%2fserver.py"
    told("refused: a file outside the page's own", good=await _status(escaped) == 403)
    told("refused: the channel by a wrong token", good=await _channel_status(wrong) == 403)
    foreign = await _channel_status(served.address, Origin="http://elsewhere.example")
    told("refused: the channel for a page of another origin", good=foreign == 403)
    tab = await browser.tab()
    await tab.go(wrong)
    told("a browser with a wrong token sees no page", good=await tab.until(lambda: wrong in tab.status))
    await asyncio.sleep(1.0)  # until it is drawn
    told("and is told what to do", good="whole address" in await tab.value("document.body.innerText"))
    await tab.close()


async def check_looking(served: Served, browser: Browser) -> None:
    tab = await browser.tab()
    await tab.go(served.address)
    told("the dashboard is drawn", good=await tab.sees("rpm"))
    first, drawn = await tab.picture("watch"), len(tab.drawn)
    await asyncio.sleep(2.0)
    told(
        "numbers move: more was drawn",
        good=len(tab.drawn) > drawn and bool(re.search(r"\d", tab.drawn[drawn:])),
    )
    told("numbers move: the picture has changed", good=await tab.picture("watch-later") != first)
    focused = await tab.value("document.activeElement.className")
    told("keys reach it without a click", good=focused == "xterm-helper-textarea")
    told("nothing was asked from outside", good=tab.outside == [])
    told(f"no errors on the page {tab.errors or ''}", good=tab.errors == [])
    await tab.press("b")
    told("a key that looks works", good=await tab.sees("BALANCE"))
    await tab.picture("balance")
    await tab.press("w")
    for key in ("a", "n", "r", " ", "z"):
        tab.drawn = ""
        await tab.press(key)
        refused = await tab.sees("only looks") or (key in "az" and "no active alarm" in tab.drawn)
        told(f"the key {key!r} does nothing", good=refused)
        await asyncio.sleep(3.2)  # until the answer is gone
    told("no run was begun", good=not (served.folder / "runs").exists())
    other = await browser.tab()
    await other.go(served.address)
    told("a second viewer sees it", good=await other.sees("rpm"))
    told("no program was started for a viewer", good=served.children == [])
    await tab.close()
    drawn = len(other.drawn)
    told(
        "the second goes on when the first has left",
        good=await other.until(lambda: len(other.drawn) > drawn + 500),
    )
    began = time.monotonic()
    status = served.end()
    took = time.monotonic() - began
    told(
        f"Ctrl-C ends it with status 130, found {status}, after {took:.1f} s", good=status == 130 and took < 4
    )
    await asyncio.sleep(1.0)
    closed = await other.value("getComputedStyle(document.getElementById('told')).display")
    told("the page says that the view has ended", good=closed == "block")
    await other.picture("ended")
    await other.close()


async def check_end_of_worker(folder: Path, browser: Browser) -> None:
    log, session = str(EXAMPLES / "alder8_short.log.gz"), str(EXAMPLES / "alder8.toml")
    served = Served(folder, "replay", log, "-s", session, "--to", "12", "--speed", "max")
    tab = await browser.tab()
    await tab.go(served.address)
    told("a recording is played to its end", good=await tab.sees("00:1"))
    await asyncio.sleep(6.0)
    await tab.picture("replay")
    await tab.press("l")
    told("after its end the screens go on", good=await tab.sees("ALARMS"))
    other = await browser.tab()
    await other.go(served.address)
    told("and another viewer can come", good=await other.sees("rpm"))
    told(f"it ends with status {served.end()}", good=served.process.returncode == 130)
    await tab.close()
    await other.close()


async def check_acting(folder: Path, browser: Browser) -> None:
    served = Served(folder, "--allow-actions", "demo")
    tab = await browser.tab()
    await tab.go(served.address)
    await tab.sees("rpm")
    await tab.press("r")
    began = await tab.until((folder / "runs").exists)
    told("where actions are allowed a viewer begins a run", good=began)
    await tab.press("q", "q")
    await asyncio.sleep(1.5)
    told("a viewer who leaves ends neither it nor the server", good=served.process.poll() is None)
    told(f"Ctrl-C closes the run, status {served.end()}", good=served.process.returncode == 130)
    await tab.close()


async def check_all(arguments: argparse.Namespace, folder: Path) -> None:
    browser = Browser(arguments.chromium, folder / "browser", arguments.pictures)
    places = [folder / name for name in ("looks", "replays", "acts")]
    for place in places:
        place.mkdir()
    try:
        served = Served(places[0], "demo")
        await check_tokens(served, browser)
        await check_looking(served, browser)
        await check_end_of_worker(places[1], browser)
        await check_acting(places[2], browser)
    finally:
        await browser.close()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--chromium", default=shutil.which("chromium") or "chromium")
    parser.add_argument("--pictures", type=Path, help="folder for what the pages looked like")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="mixmon-browser-", ignore_cleanup_errors=True) as folder:
        asyncio.run(check_all(arguments, Path(folder)))
    print(f"{failed} failed")
    return int(failed > 0)


if __name__ == "__main__":
    raise SystemExit(main())
