"""Who may come in: on the loopback only this machine's own pages, elsewhere only who has the token."""

from __future__ import annotations

import pytest

from flatten.page.gate import Gate, is_loopback

OPEN, CLOSED = Gate("127.0.0.1", 8400), Gate("0.0.0.0", 8400)
COOKIE = CLOSED.set_cookie().partition(";")[0]


@pytest.mark.parametrize("host", ["127.0.0.1:8400", "localhost:9000", "localhost", "[::1]:8400", "[::1]"])
def test_this_machine_needs_no_token(host: str) -> None:
    assert OPEN.token == "" and OPEN.refusal("/", host, "", None) == ""
    assert OPEN.refusal("/link", host, "", f"http://{host}") == ""


@pytest.mark.parametrize(
    "host",
    [
        "nursery.example:8400",
        "",
        "127.0.0.1.nursery.example",
        "localhost.example:8400",
        "127.0.0.1:8400, nursery.example",
        "localhost:1\n",
    ],
)
def test_a_name_that_others_own_is_no_way_in(host: str) -> None:
    """A page elsewhere may let its own name point to 127.0.0.1."""
    assert OPEN.refusal("/", host, "", None) and OPEN.refusal("/link", host, "", f"http://{host}")


@pytest.mark.parametrize(
    "origin", ["http://nursery.example", "null", "http://127.0.0.1:9999", "http://localhost:8400"]
)
def test_other_sites_do_not_get_in(origin: str) -> None:
    assert OPEN.refusal("/link", "127.0.0.1:8400", "", origin)
    assert CLOSED.refusal(f"/link?token={CLOSED.token}", "127.0.0.1:8400", COOKIE, origin)


def test_elsewhere_the_token_is_wanted() -> None:
    assert len(CLOSED.token) >= 32 and CLOSED.token != Gate("0.0.0.0").token
    host = "rover:8400"
    assert CLOSED.refusal(f"/?token={CLOSED.token}", host, "", None) == ""
    assert CLOSED.refusal("/link", host, COOKIE, "http://rover:8400") == ""
    for path, cookies in (
        ("/", ""), ("/?token=", ""), (f"/?token={CLOSED.token[:-1]}", ""), ("/?token=ä", ""),
        ("/", COOKIE[:-1]), ("/", COOKIE.replace("8400", "8401")), ("/", "\0;;=,"),
        ("/", f"x={CLOSED.token}"),
    ):  # fmt: skip
        why = CLOSED.refusal(path, host, cookies, None)
        assert "token" in why and CLOSED.token not in why
    assert all(word in CLOSED.set_cookie() for word in ("HttpOnly", "SameSite=Strict"))


def test_loopbacks() -> None:
    assert all(map(is_loopback, ("127.0.0.1", "127.8.9.1", "::1", "[::1]", "localhost")))
    assert not any(map(is_loopback, ("0.0.0.0", "::", "192.168.1.7", "rover", "", "localhost.example")))
