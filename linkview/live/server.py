"""The small server behind the live page: a few files, one socket, nothing from outside.

`websockets` alone answers both: it is one dependency-free library with wheels for every system, and
its socket sends a pose on in about a millisecond.
"""

from __future__ import annotations

import asyncio
import html
import json
import os
import socket
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from http import HTTPStatus
from importlib.resources import files
from pathlib import Path
from string import Template
from urllib.parse import urlsplit

from websockets.asyncio.server import ServerConnection, serve
from websockets.datastructures import Headers
from websockets.exceptions import ConnectionClosed
from websockets.http11 import Request, Response

from linkview import __version__
from linkview.errors import LinkviewError
from linkview.export.cautions import CAUTIONS
from linkview.live.client import Client
from linkview.live.desk import Desk
from linkview.live.gate import COOKIE, LOOPBACK, Gate, Pass, key_in
from linkview.plates.profiles import ShopProfile
from linkview.scene.colours import SEE_THROUGH, Paint

LARGEST_MESSAGE = 4_000_000
_DULL = (Paint.TYRE, Paint.SHELL, Paint.PAD)
_TYPES = {".js": "text/javascript", ".css": "text/css", ".html": "text/html"}
# Name on the page -> where the file lies.
_FILES = {
    "three.js": ("linkview.export", "three.js"),
    "stage.js": ("linkview.export", "stage.js"),
    "words.js": ("linkview.live", "words.js"),
    "wire.js": ("linkview.live", "wire.js"),
    "view3d.js": ("linkview.live", "view3d.js"),
    "sheets.js": ("linkview.live", "sheets.js"),
    "matters.js": ("linkview.live", "matters.js"),
    "joints.js": ("linkview.live", "joints.js"),
    "files.js": ("linkview.live", "files.js"),
    "meshplace.js": ("linkview.live", "meshplace.js"),
    "mesh.js": ("linkview.live", "mesh.js"),
    "outline.js": ("linkview.live", "outline.js"),
    "dropped.js": ("linkview.live", "dropped.js"),
    "start.js": ("linkview.live", "start.js"),
    "live.js": ("linkview.live", "live.js"),
    "live.css": ("linkview.live", "live.css"),
}


@dataclass(frozen=True)
class Address:
    """host: what to listen on; anything but loopback needs the key of the gate. port 0: free."""

    host: str = "127.0.0.1"
    port: int = 0

    @property
    def loopback(self) -> bool:
        return self.host in LOOPBACK


async def run(
    address: Address,
    model: Path | None,
    variant: str,
    shop: ShopProfile,
    ready: Callable[[str, str], None],
) -> None:
    """Serves until cancelled. ready: called with the builder's link and the one for looking."""
    desk: Desk | None = None
    bound = _bound(address)
    gate = _gate(address, bound.getsockname()[1])

    def refuse(connection: ServerConnection, request: Request) -> Response | None:
        return _answer(gate, connection, request, desk)

    async def page(connection: ServerConnection) -> None:
        assert desk is not None
        await _page(desk, gate, connection)

    try:
        desk = Desk(shop)
        if model is not None:
            await desk.open(model, variant)
        server = await serve(
            page,
            sock=bound,
            process_request=refuse,
            compression=None,
            max_size=LARGEST_MESSAGE,
            server_header=None,
        )
        async with server:
            ready(*_links(gate))
            await server.serve_forever()
    finally:
        bound.close()
        if desk is not None:
            desk.close()


def _bound(address: Address) -> socket.socket:
    family = socket.AF_INET6 if ":" in address.host else socket.AF_INET
    bound = socket.socket(family, socket.SOCK_STREAM)
    if os.name == "posix":  # a crashed server's port is free again at once, so its pages come back
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        bound.bind((address.host.strip("[]"), address.port))
    except (OSError, OverflowError) as error:
        bound.close()
        raise LinkviewError(
            f"cannot listen on {address.host}, port {address.port} "
            f"({getattr(error, 'strerror', None) or error}); leave --port off for a free one"
        ) from None
    return bound


def _gate(address: Address, port: int) -> Gate:
    if address.loopback:
        return Gate(port)
    names = {address.host, socket.gethostname(), *LOOPBACK}
    with suppress(OSError):
        names |= set(socket.gethostbyname_ex(socket.gethostname())[2])
    return Gate(port, tuple(sorted(names)), keyed=True)


def _links(gate: Gate) -> tuple[str, str]:
    host = next((h for h in gate.hosts if h not in LOOPBACK and h != "0.0.0.0"), "127.0.0.1")
    base = f"http://{host}:{gate.port}/"
    if not gate.keyed:
        return base, ""
    return f"{base}?key={gate.change_key}", f"{base}?key={gate.look_key}"


def _answer(
    gate: Gate, connection: ServerConnection, request: Request, desk: Desk | None
) -> Response | None:
    """A file, a refusal, or None where the socket itself was asked for."""
    headers = {name.lower(): value for name, value in request.headers.raw_items()}
    given = gate.judge(request.path, headers)
    path = urlsplit(request.path).path
    if given is Pass.REFUSED:
        return _response(HTTPStatus.FORBIDDEN, "text/plain", "refused: not asked from this page\n")
    if path == "/socket":
        if "origin" not in headers:
            return _response(HTTPStatus.FORBIDDEN, "text/plain", "refused: no origin\n")
        connection.passed = given  # type: ignore[attr-defined]
        return None
    if path == "/":
        key = key_in(request.path)
        extra = {}
        if gate.keyed and key:
            extra["Set-Cookie"] = f"{COOKIE}={key}; HttpOnly; SameSite=Strict; Path=/"
        return _response(HTTPStatus.OK, "text/html", _page_text(gate, headers["host"]), extra)
    name = path.removeprefix("/")
    if name in _FILES:
        package, file = _FILES[name]
        text = (files(package) / "web" / file).read_text(encoding="utf-8")
        return _response(HTTPStatus.OK, _TYPES[Path(file).suffix], text)
    parts = path.split("/")
    made = (
        desk.made(parts[2]) if desk is not None and parts[1] == "made" and len(parts) > 2 else None
    )
    if made is not None and made.is_file():
        extra = {"Content-Disposition": f'attachment; filename="{made.name}"'}
        return _response(HTTPStatus.OK, "application/octet-stream", made.read_bytes(), extra)
    return _response(HTTPStatus.NOT_FOUND, "text/plain", "there is nothing here\n")


def _page_text(gate: Gate, host: str) -> str:
    web = files("linkview.live") / "web"
    paints = {
        p.name: {"hex": p.hex, "alpha": SEE_THROUGH.get(p, 1.0), "dull": p in _DULL} for p in Paint
    }
    data = {"paints": paints, "axles": [], "version": __version__, "cautions": list(CAUTIONS)}
    words = json.dumps(data, ensure_ascii=False).replace("<", "\\u003c").replace("&", "\\u0026")
    return Template((web / "live.html").read_text(encoding="utf-8")).substitute(
        data=words,
        version=html.escape(__version__),
        caution=html.escape(f"{CAUTIONS[0]} {CAUTIONS[1]}"),
    )


def _response(
    status: HTTPStatus, kind: str, content: str | bytes, extra: dict[str, str] | None = None
) -> Response:
    body = content.encode() if isinstance(content, str) else content
    policy = (
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
        "img-src 'self' data: blob:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )
    headers = Headers(
        {
            "Content-Type": f"{kind}; charset=utf-8" if kind.startswith("text/") else kind,
            "Content-Length": str(len(body)),
            "Content-Security-Policy": policy,
            "Cross-Origin-Resource-Policy": "same-origin",
            "Cross-Origin-Opener-Policy": "same-origin",
            "X-Content-Type-Options": "nosniff",
            "Referrer-Policy": "no-referrer",
            "Cache-Control": "no-store",
            "Connection": "close",
            **(extra or {}),
        }
    )
    return Response(status.value, status.phrase, headers, body)


async def _page(desk: Desk, gate: Gate, connection: ServerConnection) -> None:
    given = getattr(connection, "passed", Pass.LOOK)
    client = Client(connection, writable=given is Pass.CHANGE)
    works = [asyncio.ensure_future(w) for w in (desk.serve(client), client.send_all())]
    try:
        async for message in connection:
            if isinstance(message, bytes):  # nothing else comes as bytes
                client.take({"do": "mesh part", "bytes": message})
                continue
            with suppress(json.JSONDecodeError, UnicodeDecodeError, RecursionError):
                given_words = json.loads(message)
                if isinstance(given_words, dict):
                    client.take(given_words)
    except ConnectionClosed:
        pass
    finally:
        for work in works:
            work.cancel()
        for work in works:
            with suppress(asyncio.CancelledError, ConnectionClosed):
                await work
