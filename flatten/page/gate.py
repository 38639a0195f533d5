"""Who may come in: a token where the page is not on the loopback, and no other site's pages anywhere."""

from __future__ import annotations

import hmac
import ipaddress
import re
import secrets
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs, urlsplit

LOCAL = re.compile(r"(localhost|127\.0\.0\.1|\[::1\])(:\d{1,5})?", re.ASCII)
"""What the loopback is called in `Host`."""


def is_loopback(host: str) -> bool:
    """Tell whether only this machine reaches a host's address."""
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host == "localhost"


@dataclass
class Gate:
    """Looks at requests, of pages and of sockets alike.

    On the loopback the `Host` must be the loopback's, so that no name that somebody else owns can be made to
    point here. Elsewhere the token is wanted: once in the address, from then on in a cookie.
    """

    host: str
    port: int = 0
    token: str = field(init=False)
    """"" on the loopback."""

    def __post_init__(self) -> None:
        self.token = "" if is_loopback(self.host) else secrets.token_urlsafe(24)

    @property
    def cookie(self) -> str:
        """Name of the cookie: cookies of two ports are not kept apart by browsers."""
        return f"flatten-{self.port}"

    def refusal(self, path: str, host: str, cookies: str, origin: str | None) -> str:
        """Say why a request may not come in; "" where it may.

        `origin` is what the browser names as the page that asks, None where it names none.
        """
        if origin is not None and urlsplit(origin).netloc != host:
            return "asked for by another site's page"
        if not self.token:
            return "" if LOCAL.fullmatch(host) else "not asked for by this machine's own name"
        if self.has_token(path) or self._matches(self._cookie_of(cookies)):
            return ""
        return "the token is missing or wrong: open the address that `flatten page` printed when it began"

    def has_token(self, path: str) -> bool:
        """Tell whether an address holds the token."""
        return bool(self.token) and self._matches(parse_qs(urlsplit(path).query).get("token", [""])[0])

    def set_cookie(self) -> str:
        """Give the header's value that makes a browser keep the token, out of reach of scripts."""
        return f"{self.cookie}={self.token}; Path=/; HttpOnly; SameSite=Strict"

    def _cookie_of(self, cookies: str) -> str:
        try:
            found = SimpleCookie(cookies).get(self.cookie)
        except CookieError:
            return ""
        return "" if found is None else found.value

    def _matches(self, given: str) -> bool:
        return bool(self.token) and hmac.compare_digest(given.encode(), self.token.encode())
