"""A headless Chromium that pages are opened in, spoken to by its own debugging protocol.

Everything stays on this machine: host names are not resolved.
"""

from __future__ import annotations

import asyncio
import base64
import itertools
import json
import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

__all__ = ["Browser", "chromium"]

_MOST_BYTES = 200_000_000


def chromium() -> str | None:
    """``SHADEMATCH_BROWSER``, or a Chromium on the path; None where there is none."""
    named = os.environ.get("SHADEMATCH_BROWSER")
    names = [named] if named else ["chromium", "chromium-browser"]
    return next(filter(None, map(shutil.which, names)), None)


class Browser:
    """One window, in which one page after the other is opened.

    Attributes
    ----------
    complaints
        What the console said, and what failed to load, since the page was opened.
    """

    def __init__(self, *flags: str) -> None:
        program = chromium()
        if program is None:
            raise FileNotFoundError("no Chromium was found; SHADEMATCH_BROWSER names one")
        self.complaints: list[str] = []
        self._folder = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
        self._numbers = itertools.count(1)
        self._loop = asyncio.new_event_loop()
        self._process = subprocess.Popen(
            [
                *(program, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic"),
                *("--no-first-run", "--disable-background-networking", "--disable-sync"),
                *("--disable-component-update", "--remote-debugging-port=0", "--hide-scrollbars"),
                "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE localhost, EXCLUDE 127.0.0.1",
                *(f"--user-data-dir={self._folder.name}", *flags, "about:blank"),
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            self._run(self._connect())
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Browser:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End it."""
        self._process.terminate()
        self._process.wait(timeout=20)
        self._loop.close()
        self._folder.cleanup()

    def _run(self, work: Coroutine[Any, Any, Any]) -> Any:
        return self._loop.run_until_complete(work)

    async def _connect(self) -> None:
        from tornado.httpclient import AsyncHTTPClient
        from tornado.websocket import websocket_connect

        port = Path(self._folder.name, "DevToolsActivePort")
        until = time.monotonic() + 60
        while not port.exists() or not port.read_text(encoding="utf-8").strip():
            if time.monotonic() > until or self._process.poll() is not None:
                raise TimeoutError("Chromium did not start")
            await asyncio.sleep(0.05)
        number = port.read_text(encoding="utf-8").split()[0]
        listed = await AsyncHTTPClient().fetch(f"http://127.0.0.1:{number}/json/list")
        page = next(t for t in json.loads(listed.body) if t["type"] == "page")
        self._socket = await websocket_connect(
            page["webSocketDebuggerUrl"], max_message_size=_MOST_BYTES
        )
        for part in ("Page", "Runtime", "Log", "Network"):
            await self._call(f"{part}.enable")

    async def _call(self, method: str, **given: Any) -> Any:
        number = next(self._numbers)
        await self._socket.write_message(
            json.dumps({"id": number, "method": method, "params": given})
        )
        while True:
            said = await self._next()
            if said.get("id") == number:
                if "error" in said:
                    raise RuntimeError(f"{method}: {said['error']['message']}")
                return said["result"]

    async def _next(self) -> dict[str, Any]:
        text = await asyncio.wait_for(self._socket.read_message(), 120)
        if text is None:
            raise ConnectionError("Chromium has gone")
        said: dict[str, Any] = json.loads(text)
        self._heard(said)
        return said

    def _heard(self, said: dict[str, Any]) -> None:
        told = said.get("params", {})
        match said.get("method"):
            case "Runtime.exceptionThrown":
                self.complaints.append(json.dumps(told["exceptionDetails"])[:300])
            case "Runtime.consoleAPICalled" if told["type"] in ("error", "assert"):
                self.complaints.append(json.dumps(told["args"])[:300])
            case "Log.entryAdded" if told["entry"]["level"] == "error":
                entry = told["entry"]
                self.complaints.append(f"{entry['text']} {entry.get('url', '')}")

    def call(self, method: str, **given: Any) -> Any:
        """One command of the protocol."""
        return self._run(self._call(method, **given))

    def looks(self, *, width: int, height: int = 900, dark: bool = False) -> None:
        """How large the window is [px], and what the system prefers."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.call("Emulation.setEmulatedMedia", features=[scheme])

    def open(self, url: str) -> None:
        """Open a page and wait until it is loaded."""
        self.complaints.clear()

        async def loaded() -> None:
            await self._call("Page.navigate", url=url)
            while not await self._value("document.readyState === 'complete'"):
                await asyncio.sleep(0.02)

        self._run(loaded())

    async def _value(self, script: str) -> Any:
        found = await self._call(
            "Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True
        )
        if "exceptionDetails" in found:
            raise RuntimeError(json.dumps(found["exceptionDetails"])[:500])
        return found["result"].get("value")

    def value(self, script: str) -> Any:
        """What a script of JavaScript gives."""
        return self._run(self._value(script))

    def wait_for(self, script: str, *, seconds: float = 60) -> Any:
        """Until a script gives something true; that."""
        return self.until(lambda: self.value(script), script, seconds=seconds)

    @staticmethod
    def until(ask: Callable[[], Any], what: str, *, seconds: float) -> Any:
        """Until an answer is true; the answer."""
        end = time.monotonic() + seconds
        while not (found := ask()):
            if time.monotonic() > end:
                raise TimeoutError(what)
            time.sleep(0.02)
        return found

    def picture(self, path: Path | str, *, whole: bool = True) -> None:
        """A screenshot as PNG."""
        found = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        Path(path).write_bytes(base64.b64decode(found["data"]))
