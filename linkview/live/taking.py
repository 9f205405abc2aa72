"""Files made for taking away: what can be, what is asked, the helper that makes them."""

from __future__ import annotations

import secrets
import shutil
from collections.abc import Callable
from pathlib import Path

from linkview.live.as_variant import with_edits
from linkview.live.asking import checked, offers_json
from linkview.live.client import Client
from linkview.live.helper import Helper
from linkview.live.jobs import MakeJob, OutlineJob
from linkview.live.room import Command, Json, Room
from linkview.live.works import file_works
from linkview.plates.profiles import ShopProfile


class Taking:
    """outlined: told what became of a drawing that was to be checked.

    commands: those of a page that may write.
    """

    def __init__(self, room: Room, shop: ShopProfile) -> None:
        self._room, self._shop = room, shop
        self._makes = Helper(file_works, self._heard_there, behind=10)
        self._made: dict[str, Path] = {}
        self._making = False
        self._checking: set[str] = set()
        self.outlined: Callable[[Json], None] = lambda words: None
        self.commands: dict[str, Command] = {
            "offers": self._offers,
            "make": self._make,
            "cancel make": self._cancel_make,
        }

    def close(self) -> None:
        """Ends the helper and takes away the files that were made."""
        self._makes.close()
        for path in self._made.values():
            shutil.rmtree(path.parent, ignore_errors=True)

    def made(self, token: str) -> Path | None:
        """A file made for taking away, by the token that its page was told."""
        return self._made.get(token)

    def ask_outline(self, job: OutlineJob) -> None:
        """A drawing to be checked; `outlined` is told."""
        self._checking.add(job.token)
        self._makes.ask("outline", self._room.opened.generation, job)

    async def _offers(self, client: Client, message: Json) -> None:
        """The files that can be made of the car, for the axle looked at."""
        document = self._room.opened
        axle = document.car.axles[self._room.axle_named(message["axle"])]
        offers = await self._room.run(lambda: offers_json(document, axle))
        client.tell("offers", {"kind": "offers", "axle": axle.name, "offers": offers})

    async def _make(self, client: Client, message: Json) -> None:
        document, what = self._room.opened, str(message["what"])
        name = self._room.axle_named(message.get("axle", client.axle))
        axle, fields = document.car.axles[name], message.get("given")
        given = await self._room.run(lambda: checked(what, fields, document, axle))
        file, variant = with_edits(document.file, document.edits)
        job = MakeJob(
            what, file, variant, document.car, document.found, self._shop, name,
            client.inputs, given,
        )  # fmt: skip
        self._making = True
        self._makes.ask("make", document.generation, job)

    async def _cancel_make(self, client: Client, message: Json) -> None:
        self._makes.cancel("make")
        self._room.tell_all("make", {"kind": "make", "cancelled": True})

    # --- from the helper ------------------------------------------------------------------------

    def _heard_there(self, words: Json) -> None:
        self._room.loop.call_soon_threadsafe(self._heard, words)

    def _heard(self, words: Json) -> None:
        if words.get("ended"):
            self._ended()
        elif "outline" in words:
            self._checking.discard(words["outline"])
            self.outlined(self._with_link(words))
        elif "superseded" not in words:
            told = {"kind": "make", **self._with_link(words)}
            self._making = not {"link", "fault", "cancelled"} & set(told)
            self._room.tell_all("make", told)

    def _with_link(self, words: Json) -> Json:
        """The same with a link in the place of where a file made lies."""
        told = {k: v for k, v in words.items() if k != "made"}
        if "made" in words:
            token = secrets.token_urlsafe(12)
            self._made[token] = Path(words["made"])
            told["link"] = f"/made/{token}/{words['name']}"
        return told

    def _ended(self) -> None:
        self._makes.restart()
        why = "the helper for files ended, as when memory runs out; ask for it again"
        if self._making:
            self._making = False
            self._room.tell_all("make", {"kind": "make", "fault": why})
        lost, self._checking = self._checking, set()
        for token in lost:
            self.outlined({"outline": token, "fault": why})
