"""Where pages, the document and the helpers meet: takes messages and has them answered."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from pathlib import Path

from linkview.errors import LinkviewError
from linkview.live.changing import Changing
from linkview.live.client import Client
from linkview.live.document import Document
from linkview.live.looking import Looking
from linkview.live.meshing import Meshing
from linkview.live.outlining import Outlining
from linkview.live.room import Command, Json, Room
from linkview.live.shelf import remember
from linkview.live.starting import Starting
from linkview.live.taking import Taking
from linkview.live.traffic import Traffic
from linkview.plates.profiles import ShopProfile

LOOK_AGAIN_S = 2.0  # between two looks at the file on disk


class Desk:
    """Must be made inside a running event loop."""

    def __init__(self, shop: ShopProfile) -> None:
        self._room = Room()
        self._watching: asyncio.Future[None] | None = None
        self._answering: set[asyncio.Future[None]] = set()
        self._traffic = Traffic(self._room, shop)
        self._taking = Taking(self._room, shop)
        self._looking = Looking(self._room, self._traffic)
        self._changing = changing = Changing(self._room, self._traffic, self._looking)
        outlining = Outlining(self._room, self._taking, shop)
        self._meshing = Meshing(self._room, self._traffic, changing, outlining)
        self._commands: dict[str, Command] = {
            **self._looking.commands,
            **changing.commands,
            **self._traffic.commands,
            **self._taking.commands,
            **self._meshing.commands,
            **outlining.commands,
            **Starting(self._room, self.open).commands,
            "reopen": self._reopen,
        }

    async def open(self, path: Path, variant: str) -> None:
        """Opens a file; raises LinkviewError and keeps what was open."""
        document = await self._room.run(lambda: Document.opened(path, variant))
        if self._room.document is not None:  # what helpers still answer of the old one is too old
            document.generation += self._room.document.generation + 1
        self._room.document = document
        self._traffic.shown.clear()
        self._traffic.known.clear()
        self._traffic.ask_first()
        for client in list(self._room.clients):
            await self._looking.hello(client, {})
        remember(document.file.path)
        if self._watching is None:
            self._watching = asyncio.ensure_future(self._watch())

    async def _watch(self) -> None:
        """Tells the pages when the file on disk becomes another than the one that was read, and
        when files of meshes go or come back."""
        told = False
        while True:
            await asyncio.sleep(LOOK_AGAIN_S)
            with suppress(LinkviewError):  # nothing is built of it then; an edit will say why
                await self._changing.meshes_anew()
            document = self._room.document
            changed = document is not None and await self._room.run(document.changed_on_disk)
            if changed != told:
                told = changed
                for client in list(self._room.clients):
                    await self._looking.tell_car(client)

    def close(self) -> None:
        """Ends the helpers; what was not saved stays kept."""
        if self._watching is not None:
            self._watching.cancel()
        self._traffic.close()
        self._taking.close()
        self._room.close()

    def made(self, token: str) -> Path | None:
        """A file made for taking away, by the token that its page was told."""
        return self._taking.made(token)

    async def serve(self, client: Client) -> None:
        """Answers a page until its connection ends and cancels this."""
        self._room.clients.add(client)
        try:
            while True:
                message = await client.wanted()
                # What was begun is finished though the page goes away meanwhile, as one does that
                # is told of another car: else what it has changed would never be drawn.
                answering = asyncio.ensure_future(self._answer(client, message))
                self._answering.add(answering)
                answering.add_done_callback(self._answering.discard)
                await asyncio.shield(answering)
        finally:
            self._room.clients.discard(client)
            self._meshing.left(client)

    async def _answer(self, client: Client, message: Json) -> None:
        kind = str(message.get("do"))
        command = self._commands.get(kind)
        try:
            if command is None:
                raise LinkviewError(f"the page asked for '{kind[:40]}', which is not known here")
            if kind not in self._looking.commands and not client.writable:
                raise LinkviewError("this page may only look; ask the builder for the other link")
            await command(client, message)
        except Exception as fault:  # one bad message must not end the page's service
            words = _told(fault)
            client.tell(
                f"refused {kind}",
                {"kind": "refused", "of": kind, "seq": message.get("seq"), "words": words},
            )

    async def _reopen(self, client: Client, message: Json) -> None:
        document = self._room.opened
        await self.open(document.file.path, document.edits.base)


def _told(fault: Exception) -> str:
    if isinstance(fault, LinkviewError | ValueError):
        return str(fault)
    return f"the page asked for something that could not be answered ({type(fault).__name__})"
