"""What the page's tests stand on: a bench on sample clouds, and a server of it in a thread."""

from __future__ import annotations

import asyncio
import http.client
import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from flatten.page.bench import Bench
from flatten.page.draft import Draft
from flatten.page.serving import Server
from flatten.page.source import open_frames

SAMPLES = Path(__file__).parents[2] / "sample_clouds"


def copy_profile(folder: Path) -> Path:
    """The sample profile in a folder that may be written to."""
    return Path(shutil.copy(SAMPLES / "rover.yaml", folder / "rover.yaml"))


def bench_in(folder: Path, *clouds: str) -> Bench:
    paths = [SAMPLES / name for name in clouds or ("yard.pcd", "aisle.pcd")]
    return Bench(open_frames(paths), Draft(copy_profile(folder)), folder)


class Running:
    """A server that runs."""

    def __init__(self, server: Server, address: str) -> None:
        self.server, self.address = server, address
        self.port = server.gate.port

    def get(self, path: str, **headers: str) -> tuple[int, dict[str, str], bytes]:
        """Ask for a path exactly as it is spelt."""
        client = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        client.putrequest("GET", path, skip_host="Host" in headers)
        for key, value in headers.items():
            client.putheader(key, value)
        client.endheaders()
        response = client.getresponse()
        return response.status, {k.lower(): v for k, v in response.getheaders()}, response.read()


@contextmanager
def running(bench: Bench, host: str = "127.0.0.1") -> Iterator[Running]:
    server, ready, address = Server(bench, host, 0), threading.Event(), []
    loop = asyncio.new_event_loop()
    stop = asyncio.Event()

    def begin(words: str) -> None:
        address.append(words)
        ready.set()

    thread = threading.Thread(target=lambda: loop.run_until_complete(server.run(begin, stop)))
    thread.start()
    assert ready.wait(30)
    try:
        yield Running(server, address[0])
    finally:
        loop.call_soon_threadsafe(stop.set)
        thread.join(20)
        assert not thread.is_alive(), "the server did not stop"
        loop.close()
