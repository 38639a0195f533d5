"""The server from outside, by HTTP and by its socket: what it gives, what it refuses, how it ends."""

from __future__ import annotations

import json
import re
import socket
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from websockets.exceptions import InvalidStatus
from websockets.sync.client import connect

from flatten import PageError, Profile
from flatten.page import wire
from flatten.page.assets import ASSETS, asset
from flatten.page.serving import LARGEST_WISH, MOST_PAGES, Server, run
from tests.page.places import Running, bench_in, running


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    with running(bench_in(tmp_path_factory.mktemp("served"))) as served:
        yield served


def link(page: Running, **how: Any) -> Any:
    return connect(f"ws://127.0.0.1:{page.port}/link", max_size=None, **how)


def until(client: Any, number: int, studied: bool = False) -> tuple[dict[str, Any], Any]:
    """The first picture that answers message `number`; words for this page alone are kept beside it."""
    words: list[Any] = []
    latest = client.__dict__.setdefault("latest", {})  # what did not change is not sent again
    while True:
        message = client.recv(timeout=20)
        if isinstance(message, str):
            words.append(json.loads(message))
            continue
        header, arrays = wire.split(message)
        latest |= arrays
        if header["answers"] >= number and (header["studied"] or not studied):
            return {**header, "words": words, "fresh": set(arrays)}, latest


def wish(client: Any, number: int, **what: Any) -> None:
    client.send(json.dumps({"id": number, **what}))


def test_every_file_of_the_page_is_there(page: Running) -> None:
    for name in ("", *ASSETS):
        status, headers, content = page.get(f"/{name}")
        assert status == 200 and content == asset(name or "index.html")[0]
        assert (
            "default-src 'none'" in headers["content-security-policy"]
            and headers["cache-control"] == "no-store"
        )
    named = set(re.findall(rb'(?:href|src)="/([^"]+)"', asset("index.html")[0]))
    named |= {n for a in ASSETS if a.endswith(".js") for n in re.findall(rb'from "\./([^"]+)"', asset(a)[0])}
    assert named - {b"report.html"} <= {name.encode() for name in ASSETS}
    addresses = rb"https?://(?!www\.w3\.org/)"  # but for the name of SVG's elements nothing lies elsewhere
    assert not any(re.search(addresses, asset(name)[0]) for name in ASSETS)


@pytest.mark.parametrize(
    "path",
    ["/etc/passwd", "/../rover.yaml", "/%2e%2e/rover.yaml", "//etc/passwd", "/rover.yaml", "/__init__.py",
     "/..\\rover.yaml", "/index.html/..", "/.", "/favicon.ico", "/page.css%00", "/" + "x" * 5000],
)  # fmt: skip
def test_no_other_file_is_given(page: Running, path: str) -> None:
    status, _, content = page.get(path)
    assert status == 404 and content == b"flatten: there is no such page\n"


def test_the_report_shows_what_the_page_shows(page: Running) -> None:
    with link(page) as client:
        wish(client, 1, set={"slices.drive.bottom": 0.123})
        until(client, 1)
        status, headers, content = page.get("/report.html")
        wish(client, 2, do="undo")
        until(client, 2)
    assert status == 200 and "sandbox" in headers["content-security-policy"]
    assert b"bottom: 0.123" in content and b"not saved" in content and b"personnel-safety" in content
    assert content.count(b"data:image/png;base64,") == 1


def test_scans_follow_the_sliders(page: Running) -> None:
    with link(page) as client, link(page) as other:
        first, arrays = until(client, 0)
        assert len(arrays["points"]) == 3 * first["drawn"] == 3 * 18_636
        for number, far in enumerate((9.0, 20.0), 1):
            wish(client, number, set={"reach.far": far}, end=number == 2)
            header, arrays = until(client, number)
            assert arrays["ranges"][arrays["states"] == 1].max() <= far
            assert "points" not in header["fresh"]  # the page has them already
        header, _ = until(client, 2, studied=True)
        assert header["figures"]["missed"][0]["wanted"] > 50
        until(other, 0)
        wish(client, 3, do="undo")
        while until(other, 0)[0]["state"]["profile"]["reach"]["far"] != 25.0:
            pass
        wish(client, 4, view={"frame": 1})
        header, arrays = until(client, 4)
        assert header["state"]["name"] == "aisle.pcd" and len(arrays["points"]) == 3 * header["drawn"]
        wish(client, 5, view={"frame": 0})
        until(client, 5)


def test_what_cannot_be_is_told_and_the_page_goes_on(page: Running) -> None:
    with link(page) as client:
        for text in ("", "[]", "{", "[" * 5000, '{"id": 1}', '{"id": "x", "set": {"a": 1e999}}', "3"):
            client.send(text)
        client.send(b"\x00\x01")
        wish(client, 7, set={"slices.drive.bottom": 3.0})
        header, _ = until(client, 7)
        problems = [words["problem"] for words in header["words"]]
        assert len(problems) >= 8 and all("\n" not in problem for problem in problems)
        assert any("is not below top" in problem for problem in problems)
        assert header["state"]["profile"]["slices"]["drive"]["bottom"] == 0.08
        client.send("x" * (LARGEST_WISH + 1))
        with pytest.raises(Exception, match="1009"):  # message too big, RFC 6455 section 7.4.1
            while True:
                client.recv(timeout=10)
    with link(page) as client:
        until(client, 0)


def test_a_fault_ends_nobodys_work(page: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise RuntimeError("nobody\nforesaw this")

    with link(page) as client, link(page) as silent:  # the other does not even listen
        for number, name in ((1, "ask"), (3, "glance")):
            with monkeypatch.context() as patch:
                patch.setattr(page.server.bench, name, fail)
                wish(client, number, view={"shake": 1.0})
                header, _ = until(client, number)
            assert "a fault of flatten itself (RuntimeError: nobody foresaw this)" in str(header["words"])
            wish(client, number + 1, view={"shake": 1.5})
            header, _ = until(client, number + 1, studied=True)
            assert header["state"]["shake"] == 1.5 and header["words"] == []
        assert silent


def test_save_asks_its_own_page(page: Running) -> None:
    with link(page) as client:
        wish(client, 1, set={"mount.z": 0.8})
        wish(client, 2, save={"name": "rover.yaml"})
        header, _ = until(client, 2)
        assert header["words"][-1]["ask"].startswith("rover.yaml is there already")
        wish(client, 3, save={"name": "higher.yaml"})
        header, _ = until(client, 3)
        assert "saved as" in header["words"][-1]["told"] and header["state"]["file"] == "higher.yaml"
    folder = page.server.bench.folder
    assert (
        Profile.load(folder / "higher.yaml").mount.z == 0.8
        and Profile.load(folder / "rover.yaml").mount.z == 0.78
    )


@pytest.mark.parametrize("headers", [{"Host": "nursery.example"}, {"Origin": "http://nursery.example"}])
def test_other_names_and_sites_are_refused_by_both_doors(page: Running, headers: dict[str, str]) -> None:
    assert page.get("/", **headers)[0] == 403
    with pytest.raises(InvalidStatus) as caught, link(page, additional_headers=headers):
        pass
    assert caught.value.response.status_code in (400, 403)  # 400: two hosts


def test_only_so_many_pages(page: Running) -> None:
    clients = [link(page) for _ in range(MOST_PAGES)]
    with pytest.raises(InvalidStatus) as caught, link(page):
        pass
    assert caught.value.response.status_code == 503
    for client in clients:
        client.close()


def test_the_token_opens_both_doors(tmp_path: Path) -> None:
    with running(bench_in(tmp_path, "aisle.pcd"), "0.0.0.0") as page:
        token = re.fullmatch(rf"http://[^/]+:{page.port}/\?token=([\w-]{{32}})", page.address)
        assert token is not None
        for path in ("/", "/page.css", "/report.html", "/?token=wrong"):
            status, _, content = page.get(path)
            assert status == 403 and b"token" in content and token[1].encode() not in content
        with pytest.raises(InvalidStatus) as caught, link(page):
            pass
        assert caught.value.response.status_code == 403
        status, headers, _ = page.get(f"/?token={token[1]}")
        assert status == 303 and headers["location"] == "/"  # out of the address, into a cookie
        cookie = headers["set-cookie"].partition(";")[0]
        assert page.get("/", Cookie=cookie)[0] == 200
        with link(page, additional_headers={"Cookie": cookie}) as client:
            until(client, 0)


def test_an_address_that_cannot_be_had_is_told_in_one_line(tmp_path: Path) -> None:
    bench = bench_in(tmp_path, "aisle.pcd")
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(PageError, match=rf"^127\.0\.0\.1:{port} is in use by another program"):
            run(Server(bench, "127.0.0.1", port), print)
    for host in ("203.0.113.7", "no.such.host.invalid"):  # RFC 5737, RFC 2606: nobody's
        with pytest.raises(PageError, match="is no address of this machine"):
            run(Server(bench, host, 0), print)
    assert not [thread for thread in threading.enumerate() if thread.name == "page_0" and thread.daemon]
