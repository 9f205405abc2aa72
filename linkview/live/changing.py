"""What a page may change: points, the wheel, variants, history, what is compared, what is saved."""

from __future__ import annotations

from collections.abc import Callable

from linkview.errors import LinkviewError
from linkview.live.client import Client
from linkview.live.edits import Edits, How, edit_of
from linkview.live.looking import Looking
from linkview.live.room import Command, Json, Room
from linkview.live.traffic import Traffic
from linkview.model.wording import spoken


class Changing:
    """commands: those of a page that may write."""

    def __init__(self, room: Room, traffic: Traffic, looking: Looking) -> None:
        self._room, self._traffic, self._looking = room, traffic, looking
        self.commands: dict[str, Command] = {
            "edit": self._edit,
            "undo": self._undo,
            "redo": self._redo,
            "variant": self._variant,
            "pin": self._pin,
            "unpin": self._unpin,
            "discard": self._discard,
            "save": self._save,
        }

    # --- the car --------------------------------------------------------------------------------

    async def _edit(self, client: Client, message: Json) -> None:
        document = self._room.opened
        axle, how = self._room.axle_named(message["axle"]), How(message["how"])
        edit = edit_of(message, document.car.axles[axle], how)
        await self.make(axle, edit, str(message.get("gesture", ""))[:80])
        client.tell("edited", {"kind": "edited", "seq": message.get("seq")})

    async def make(self, axle: str, edit: Callable[[Edits], Edits], gesture: str) -> None:
        """One edit of an axle, told to every page. Raises as `Document.change` does."""
        document = self._room.opened
        await self._room.run(lambda: document.change(edit, gesture))
        await self._changed(axle)

    async def _changed(self, axle: str) -> None:
        """Tells every page of a changed car: numbers at once, shapes and gaps as they come."""
        self._traffic.known.clear()
        self._traffic.ask_changed(axle)
        for client in list(self._room.clients):
            client.asked = client.inputs
            await self._looking.tell_pose(client, None)
            await self._looking.tell_car(client)
            if client.axle == axle:
                client.take({"do": "curves"})  # unless a newer edit comes first
        self._traffic.settle()

    async def _all_changed(self) -> None:
        for axle in self._room.opened.car.axles:
            await self._changed(axle)
        self._traffic.ask_all()

    async def meshes_anew(self) -> None:
        """Where files of meshes put in have gone or come back, the car without or with them."""
        if await self._room.run(self._room.opened.meshes_came_or_went):
            await self._all_changed()

    async def _undo(self, client: Client, message: Json) -> None:
        if await self._room.run(lambda: self._room.opened.step(-1)):
            await self._all_changed()

    async def _redo(self, client: Client, message: Json) -> None:
        if await self._room.run(lambda: self._room.opened.step(1)):
            await self._all_changed()

    async def _variant(self, client: Client, message: Json) -> None:
        name = str(message["name"])
        await self._room.run(lambda: self._room.opened.start_on(name))
        await self._all_changed()

    async def _discard(self, client: Client, message: Json) -> None:
        base = self._room.opened.edits.base
        await self._room.run(lambda: self._room.opened.start_on(base))
        self._room.opened.restored = False
        await self._all_changed()

    # --- what it is compared with ---------------------------------------------------------------

    async def _pin(self, client: Client, message: Json) -> None:
        document = self._room.opened
        changes = document.edits.count
        more = f" with {changes} change{'s' if changes != 1 else ''}" if changes else ""
        document.pin(f"{spoken(document.edits.base)}{more}")
        await self._compare_anew()

    async def _unpin(self, client: Client, message: Json) -> None:
        self._room.opened.unpin()
        await self._compare_anew()

    async def _compare_anew(self) -> None:
        shown = self._traffic.shown
        for slot in [s for s in shown if s.startswith("ghost ")]:
            del shown[slot]
        self._traffic.ask_ghosts()
        for client in list(self._room.clients):
            await self._looking.tell_car(client)
            await self._looking.tell_curves(client)

    # --- saving ---------------------------------------------------------------------------------

    async def _save(self, client: Client, message: Json) -> None:
        document = self._room.opened
        name, title = str(message["name"]).strip(), str(message.get("title", ""))
        if message.get("into") == "file":
            if message.get("agreed") is not True:
                raise LinkviewError("the original is not written without asking; nothing was done")
            path = await self._room.run(lambda: document.save_into_file(name, title))
        else:
            target = str(message["file"]).strip()
            path = await self._room.run(lambda: document.save_as_file(target, name, title))
        await self._room.run(lambda: document.saved(path, name))
        client.tell("saved", {"kind": "saved", "path": str(path), "name": name})
        await self._all_changed()
