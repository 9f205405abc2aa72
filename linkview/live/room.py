"""What all who work on the live page share: the document, the pages, one thread for both.

Everything that touches the document runs on one thread, one thing after the other.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

from linkview.errors import LinkviewError
from linkview.live.client import Client
from linkview.live.document import Document
from linkview.model.parts import Car

Json = dict[str, Any]
Command = Callable[[Client, Json], Awaitable[None]]
T = TypeVar("T")


class Room:
    """document: None until a file is open. Must be made inside a running event loop."""

    def __init__(self) -> None:
        self.document: Document | None = None
        self.clients: set[Client] = set()
        self.loop = asyncio.get_running_loop()
        self._alone = ThreadPoolExecutor(1, thread_name_prefix="desk")

    async def run(self, work: Callable[[], T]) -> T:
        """Does work on the document's thread."""
        return await self.loop.run_in_executor(self._alone, work)

    @property
    def opened(self) -> Document:
        """The document; raises LinkviewError where no file is open."""
        if self.document is None:
            raise LinkviewError("no file is open; open one first")
        return self.document

    @property
    def ghost_car(self) -> Car:
        """What the present car is compared with: the pinned state, else the car as found."""
        document = self.opened
        return document.pinned or document.found

    def axle_named(self, name: object) -> str:
        """An axle's name as a page gave it; raises LinkviewError where there is none."""
        axle = str(name)
        if axle not in self.opened.car.axles:
            raise LinkviewError(f"no axle '{axle[:40]}'")
        return axle

    def tell_all(self, key: str, words: Json) -> None:
        """Tells every page; see `Client.tell`."""
        for client in self.clients:
            client.tell(key, words)

    def close(self) -> None:
        """Ends the document's thread."""
        self._alone.shutdown(wait=False, cancel_futures=True)
