"""The server: the page's files, its report, and a socket over which wishes come and pictures go."""

from __future__ import annotations

import asyncio
import errno
import json
import logging
import signal
import socket
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from importlib import import_module
from typing import Any

from flatten.errors import FlattenError, MissingPartError, PageError
from flatten.page.assets import ASSETS, asset
from flatten.page.bench import Bench, Shown
from flatten.page.gate import Gate
from flatten.page.reporting import report_of
from flatten.page.wire import Drawn, contents, drawn, fresh, join

MOST_PAGES = 8
"""Pages that may be open at a time."""
LARGEST_WISH = 1 << 16
PATIENCE = 60.0
"""Seconds that a request may take, the report with its picture among them."""
HURRIED = 3
"""So many times running the figures may wait for the next movement of a slider."""

HEADERS = {
    "Cache-Control": "no-store",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "Cross-Origin-Resource-Policy": "same-origin",
}
PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self' data:; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
REPORT_POLICY = (
    "default-src 'none'; img-src data:; style-src 'unsafe-inline'; frame-ancestors 'none'; sandbox"
)


class Page:
    """One open page: what it has been sent, and what it waits for."""

    def __init__(self, socket: Any) -> None:
        self.socket = socket
        self.has: dict[str, Any] = {}
        """Arrays by name that it has been sent: they are not sent again."""
        self.asked = self.answers = 0
        """Number of its last message that was granted, and that what is shown answers."""
        self.words: list[str] = []
        """What it alone is told."""
        self.is_behind = True
        """Whether something else is shown than it has been sent."""
        self.news = asyncio.Event()
        self.news.set()

    def tell(self, **words: Any) -> None:
        """Tell this page alone, when its turn comes: nobody waits for a page that does not listen."""
        self.words.append(json.dumps(words))
        self.news.set()


class Server:
    """Serves one bench to whoever the gate lets in; `run` returns when it is stopped."""

    def __init__(self, bench: Bench, host: str = "127.0.0.1", port: int = 8400) -> None:
        self.bench, self.gate = bench, Gate(host, port)
        self._host, self._port = host, port
        self._pages: set[Page] = set()
        self._wishes: list[tuple[Page, dict[str, Any]]] = []
        self._hands = ThreadPoolExecutor(1, "page")
        self._shown, self._drawn = self._first()

    def _first(self) -> tuple[Shown, Drawn]:
        """Compile, and look at the first frame, before anybody waits for it."""
        shown = self.bench.study()
        return shown, drawn(shown.look.placed.points, 0)

    async def run(self, ready: Callable[[str], None], stop: asyncio.Event | None = None) -> None:
        """Serve until Ctrl-C, an end signal, or `stop`; `ready` is called with the address to open.

        Raises PageError where the address cannot be had.
        """
        self._wake = asyncio.Event()
        stop = stop or asyncio.Event()
        quiet = logging.getLogger("flatten.page.server")
        quiet.propagate = False
        quiet.addHandler(logging.NullHandler())
        try:
            server = await load_server().serve(
                self._attend, self._host, self._port, process_request=self._request, compression=None,
                max_size=LARGEST_WISH, server_header=None, open_timeout=PATIENCE, logger=quiet,
                close_timeout=1.0,
            )  # fmt: skip
        except OSError as error:
            raise PageError(address_words(self._host, self._port, error)) from error
        async with server:
            self.gate.port = self._port = server.sockets[0].getsockname()[1]
            loop = asyncio.get_running_loop()
            for number in (signal.SIGINT, signal.SIGTERM):
                with suppress(NotImplementedError, RuntimeError, ValueError):
                    loop.add_signal_handler(number, stop.set)
            worker = asyncio.create_task(self._work())
            ready(self.address())
            stopped = asyncio.create_task(stop.wait())
            await asyncio.wait({worker, stopped}, return_when=asyncio.FIRST_COMPLETED)
            stopped.cancel()
            worker.cancel()
            with suppress(asyncio.CancelledError):
                await worker
        self._hands.shutdown(wait=True, cancel_futures=True)

    def address(self) -> str:
        """Give the address to open, with the token where there is one."""
        host = socket.gethostname() if self._host in ("0.0.0.0", "::", "") else self._host
        host = f"[{host}]" if ":" in host else host
        token = f"?token={self.gate.token}" if self.gate.token else ""
        return f"http://{host}:{self._port}/{token}"

    # requests

    async def _request(self, connection: Any, request: Any) -> Any:
        """Answer a request, or None to let it become a socket."""
        path, _, _ = request.path.partition("?")
        headers = request.headers
        host, cookies = ", ".join(headers.get_all("Host")), "; ".join(headers.get_all("Cookie"))
        why = self.gate.refusal(request.path, host, cookies, headers.get("Origin"))
        if why:
            return answer(403, f"flatten: {why}\n".encode())
        if headers.get("Upgrade", "").lower() == "websocket":
            full = len(self._pages) >= MOST_PAGES
            return answer(503, b"flatten: too many pages are open\n") if full else None
        if self.gate.has_token(request.path):
            return answer(303, b"", Location="/", Set_Cookie=self.gate.set_cookie())
        if path == "/report.html":
            return await self._report()
        name = "index.html" if path == "/" else path[1:]
        if name not in ASSETS:
            return answer(404, b"flatten: there is no such page\n")
        content, kind = asset(name)
        return answer(200, content, kind, Content_Security_Policy=PAGE_POLICY)

    async def _report(self) -> Any:
        try:
            page = await self._do(report_of, self.bench)
        except Exception as error:
            return answer(500, f"flatten: {in_words(error)}\n".encode())
        return answer(200, page, "text/html; charset=utf-8", Content_Security_Policy=REPORT_POLICY)

    # the socket

    async def _attend(self, socket: Any) -> None:
        """Serve one page until it is closed."""
        page = Page(socket)
        self._pages.add(page)
        sender = asyncio.create_task(self._send(page))
        try:
            async for text in socket:
                try:
                    wish = json.loads(text)
                    if not isinstance(wish, dict):
                        raise ValueError("no mapping")
                except (ValueError, RecursionError):
                    page.tell(problem="a message of the page was not understood: reload it")
                    continue
                self._wishes.append((page, wish))
                self._wake.set()
        except load_server().ConnectionClosed:
            pass
        finally:
            self._pages.discard(page)
            sender.cancel()
            with suppress(asyncio.CancelledError, load_server().ConnectionClosed):
                await sender

    async def _send(self, page: Page) -> None:
        """Send the newest picture whenever there is one; what comes while it is sent is left out."""
        while True:
            await page.news.wait()
            page.news.clear()
            words, page.words = page.words, []
            for text in words:
                await page.socket.send(text)
            if not page.is_behind:
                continue
            page.is_behind = False
            header, arrays = contents(self._shown, self._drawn, page.answers)
            new = fresh(arrays, page.has)
            page.has = {**page.has, **arrays}
            await page.socket.send(join(header, new))

    async def _work(self) -> None:
        """Grant wishes in their order; scans first, labels when no wish waits."""
        hurried = 0
        while True:
            await self._wake.wait()
            self._wake.clear()
            wishes, self._wishes = self._wishes, []
            for page, wish in wishes:
                await self._grant(page, wish)
            if not await self._show(self.bench.glance):
                hurried = 0
            elif self._wishes and hurried < HURRIED:
                hurried += 1
            else:
                hurried = 0
                await self._show(self.bench.study)

    async def _grant(self, page: Page, wish: dict[str, Any]) -> None:
        number = wish.get("id")
        try:
            told = await self._do(self.bench.ask, wish)
        except Exception as error:
            told = {"problem": in_words(error)}
        page.asked = number if isinstance(number, int) else page.asked
        if told:
            page.tell(**told)

    async def _show(self, look: Callable[[], Shown]) -> bool:
        """Look, and let all pages know; False where there is nothing to be seen."""
        asked = {page: page.asked for page in self._pages}
        try:
            shown, failed = await self._do(look), ""
            points, picture = shown.look.placed.points, self._drawn
            if points is not self._shown.look.placed.points:
                picture = await self._do(drawn, points, picture.number + 1)
            self._shown, self._drawn = shown, picture
        except Exception as error:
            failed = in_words(error)
        for page, number in asked.items():
            page.answers, page.is_behind = number, True
            page.news.set()
            if failed:
                page.tell(problem=failed)
        return not failed

    async def _do(self, work: Callable[..., Any], *arguments: Any) -> Any:
        """Let the one worker thread do it: the bench serves one at a time."""
        return await asyncio.get_running_loop().run_in_executor(self._hands, work, *arguments)


def run(server: Server, ready: Callable[[str], None]) -> None:
    """Serve until Ctrl-C. Raises PageError where the address cannot be had."""
    asyncio.run(server.run(ready))


def in_words(error: Exception) -> str:
    """Say an error in one line; one that nobody foresaw ends nobody's work."""
    if isinstance(error, FlattenError):
        return str(error)
    return " ".join(f"a fault of flatten itself ({type(error).__name__}: {error}): please report it".split())


def load_server() -> Any:
    """Import the socket library; raise MissingPartError where it does not load."""
    try:
        server, errors = import_module("websockets.asyncio.server"), import_module("websockets.exceptions")
    except ImportError as error:
        raise MissingPartError(
            f"the page needs websockets, which does not load ({error}): pip install 'flatten[desk]'"
        ) from error
    return _Library(server.serve, errors.ConnectionClosed)


class _Library:
    """The two names that are used of the socket library."""

    def __init__(self, serve: Any, closed: type[Exception]) -> None:
        self.serve, self.ConnectionClosed = serve, closed


def answer(status: int, content: bytes, kind: str = "text/plain; charset=utf-8", **headers: str) -> Any:
    """Make a response."""
    http11 = import_module("websockets.http11")
    made = import_module("websockets.datastructures").Headers()
    whole = {**HEADERS, "Content-Type": kind, "Content-Length": str(len(content)), "Connection": "close"}
    for name, value in {**whole, **{key.replace("_", "-"): value for key, value in headers.items()}}.items():
        made[name] = value
    return http11.Response(status, REASONS[status], made, content)


REASONS = {
    200: "OK", 303: "See Other", 403: "Forbidden", 404: "Not Found", 500: "Internal Server Error",
    503: "Service Unavailable",
}  # fmt: skip


def address_words(host: str, port: int, error: OSError) -> str:
    """Say why an address cannot be had."""
    if error.errno == errno.EADDRINUSE:
        return f"{host}:{port} is in use by another program: choose another --port"
    if error.errno in (errno.EACCES, errno.EPERM):
        return f"{host}:{port} may not be used by this user: choose a --port from 1024 on"
    if isinstance(error, socket.gaierror) or error.errno == errno.EADDRNOTAVAIL:
        return f"{host}: is no address of this machine: choose another --host"
    return f"{host}:{port} cannot be had ({error.strerror or error}): choose another"
