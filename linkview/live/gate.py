"""Who may ask: the check before anything is answered, for pages and sockets alike.

Binding to 127.0.0.1 is not enough: any page in the builder's browser could ask this server too,
by its address or by a name made to point here. So the Host asked for must be one of ours, and an
Origin, where the browser sends one, must be our own. Where another address was asked for, a random
key must come with it: one for the builder, one for those who may only look.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs, urlsplit

LOOPBACK = ("127.0.0.1", "localhost", "[::1]")
COOKIE = "linkview_key"


class Pass(Enum):
    """What one who asks may do."""

    REFUSED = "refused"
    LOOK = "look"
    CHANGE = "change"


@dataclass(frozen=True)
class Gate:
    """hosts: names this server answers to, without port. keyed: whether a key is needed."""

    port: int
    hosts: tuple[str, ...] = LOOPBACK
    keyed: bool = False
    change_key: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    look_key: str = field(default_factory=lambda: secrets.token_urlsafe(24))

    def judge(self, path: str, headers: Mapping[str, str]) -> Pass:
        """For one request by its path with query, and its headers with lower-case names."""
        ours = {h.lower() for host in self.hosts for h in (host, f"{host}:{self.port}")}
        if headers.get("host", "").lower() not in ours:
            return Pass.REFUSED
        origin = headers.get("origin")
        if origin is not None:
            split = urlsplit(origin)
            if split.scheme != "http" or split.netloc.lower() != headers.get("host", "").lower():
                return Pass.REFUSED
        elsewhere = headers.get("sec-fetch-site") in ("cross-site", "same-site")
        opens = headers.get("sec-fetch-mode") == "navigate" and urlsplit(path).path == "/"
        if elsewhere and not opens:  # a link from elsewhere may open the page itself, no more
            return Pass.REFUSED
        return self._by_key(path, headers) if self.keyed else Pass.CHANGE

    def _by_key(self, path: str, headers: Mapping[str, str]) -> Pass:
        for key in (key_in(path), _cookie(headers)):
            if key and hmac.compare_digest(key.encode(), self.change_key.encode()):
                return Pass.CHANGE
            if key and hmac.compare_digest(key.encode(), self.look_key.encode()):
                return Pass.LOOK
        return Pass.REFUSED


def key_in(path: str) -> str:
    """The key given in a link, or ''."""
    return parse_qs(urlsplit(path).query).get("key", [""])[0]


def _cookie(headers: Mapping[str, str]) -> str:
    try:
        jar = SimpleCookie(headers.get("cookie", ""))
    except CookieError:
        return ""
    return jar[COOKIE].value if COOKIE in jar else ""
