"""One page that is connected: what it has asked for last, and what it is still to be told.

Both ways only the newest of each kind is kept, so that a slow page or a fast hand builds no queue.
"""

from __future__ import annotations

import asyncio
import json
import struct
from collections import deque
from collections.abc import Callable
from typing import Any, Protocol

from linkview.live.jobs import Shapes
from linkview.live.moving import Inputs

Json = dict[str, Any]
NEWEST_ONLY = ("edit", "pose", "read", "curves")  # in this order; anything else is done one by one
MOST_COMMANDS = 32


class Socket(Protocol):
    async def send(self, message: str | bytes) -> None: ...


class Client:
    """writable: may change the document. keys: of the meshes it holds, by slot. joints,
    whole: whether it shows the joints' axes, and every axle."""

    def __init__(self, socket: Socket, *, writable: bool) -> None:
        self.writable = writable
        self.axle = ""
        self.inputs = Inputs()
        self.asked = Inputs()
        self.stops = True
        self.ghost = True
        self.joints = self.whole = False
        self._socket = socket
        self._keys: dict[str, frozenset[str]] = {}
        self._out: dict[str, Callable[[], str | bytes]] = {}
        self._commands: deque[Json] = deque()
        self._newest: dict[str, Json] = {}
        self._in, self._outgoing = asyncio.Event(), asyncio.Event()

    # --- what it asks ---------------------------------------------------------------------------

    def take(self, message: Json) -> None:
        """Keeps a message; an older one of its kind that was not begun is forgotten."""
        kind = str(message.get("do"))
        if kind in NEWEST_ONLY:
            self._newest[kind] = message
        elif len(self._commands) < MOST_COMMANDS:
            self._commands.append(message)
        self._in.set()

    async def wanted(self) -> Json:
        """The next message to answer."""
        while True:
            if self._commands:
                return self._commands.popleft()
            for kind in NEWEST_ONLY:
                if kind in self._newest:
                    return self._newest.pop(kind)
            self._in.clear()
            await self._in.wait()

    # --- what it is told ------------------------------------------------------------------------

    def tell(self, key: str, words: Json) -> None:
        """Sends words soon; older ones of the same key that did not leave yet are dropped."""
        self._put(key, lambda: json.dumps(words, separators=(",", ":"), allow_nan=False))

    def show(self, stamp: int, shapes: Shapes, places: Json) -> None:
        """Sends shapes, leaving out the meshes that the page has by then."""
        self._put(f"shapes {shapes.slot}", lambda: self._with_meshes(stamp, shapes, places))

    def _put(self, key: str, make: Callable[[], str | bytes]) -> None:
        self._out.pop(key, None)
        self._out[key] = make
        self._outgoing.set()

    def _with_meshes(self, stamp: int, shapes: Shapes, places: Json) -> bytes:
        held = self._keys.get(shapes.slot, frozenset())
        headers, body = {}, bytearray()
        for key, (header, content) in shapes.meshes.items():
            if key in held:
                continue
            headers[key] = {**header, "start": len(body)}
            body += content + b"\0" * (-len(content) % 4)
        self._keys[shapes.slot] = frozenset(shapes.meshes)
        words = {
            "kind": "shapes",
            "stamp": stamp,
            "axle": shapes.axle,
            "slot": shapes.slot,
            "actors": shapes.stage,
            "frame": shapes.frame,
            "meshes": headers,
            "places": places,
        }
        head = json.dumps(words, separators=(",", ":"), allow_nan=False).encode()
        head += b" " * (-(len(head) + 4) % 4)
        return struct.pack("<I", len(head)) + head + bytes(body)

    async def send_all(self) -> None:
        """Sends what is to be told, one after the other, for ever."""
        while True:
            while self._out:
                key = next(iter(self._out))
                await self._socket.send(self._out.pop(key)())
            self._outgoing.clear()
            await self._outgoing.wait()
