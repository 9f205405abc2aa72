"""Files from a page, taken piece by piece; meshes looked at, asked about, put in the car."""

from __future__ import annotations

import asyncio
import re
import secrets
from dataclasses import dataclass
from pathlib import Path

from linkview.errors import LinkviewError, MeshFault
from linkview.live.changing import Changing
from linkview.live.client import Client
from linkview.live.edits import Edits
from linkview.live.meshfiles import Coming, gone_meshes, mesh_coming
from linkview.live.meshplaces import placed, require_part, table_of
from linkview.live.outlining import Outlining, drawing_coming, is_drawing
from linkview.live.room import Command, Json, Room
from linkview.live.traffic import Traffic
from linkview.model.hardware_faults import OWN_BODIES
from linkview.model.parts import Axle

_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]{0,59}")


@dataclass
class _Looked:
    """A mesh that has come whole. look: what the helper found in it; None until it has looked."""

    path: Path
    name: str
    asker: Client
    look: Json | None = None


class Meshing:
    """commands: those of a page that may write."""

    def __init__(
        self, room: Room, traffic: Traffic, changing: Changing, outlining: Outlining
    ) -> None:
        self._room, self._traffic, self._changing = room, traffic, changing
        self._outlining = outlining
        self._coming: dict[Client, Coming] = {}
        self._looked: dict[str, _Looked] = {}
        traffic.looked = self._heard
        self.commands: dict[str, Command] = {
            "mesh begin": self._begin,
            "mesh part": self._part,
            "mesh stop": self._stop,
            "mesh put": self._put,
            "mesh place": self._place,
            "mesh out": self._out,
        }

    def left(self, client: Client) -> None:
        """A page that goes away takes what was still coming from it along."""
        coming = self._coming.pop(client, None)
        if coming is not None:
            coming.drop()
        self._looked = {t: one for t, one in self._looked.items() if one.asker is not client}
        self._outlining.left(client)

    # --- on its way -----------------------------------------------------------------------------

    async def _begin(self, client: Client, message: Json) -> None:
        name, size = str(message["name"]), message["size"]
        if not isinstance(size, int):
            raise ValueError("a file's size is a whole number of bytes")
        if self._room.document is None:
            raise LinkviewError("open a car first, then drop the mesh on it")
        self.left(client)
        begin = drawing_coming if is_drawing(name) else mesh_coming
        self._coming[client] = await asyncio.to_thread(begin, name, size)
        client.tell("mesh", {"kind": "mesh", "want": 0})

    async def _part(self, client: Client, message: Json) -> None:
        coming, piece = self._coming.get(client), message.get("bytes")
        if coming is None or not isinstance(piece, bytes):
            raise LinkviewError("a piece of a mesh came that was not asked for; drop it again")
        try:
            whole = await asyncio.to_thread(coming.take, piece)
        except LinkviewError:
            self._coming.pop(client, None)
            raise
        if not whole:
            client.tell("mesh", {"kind": "mesh", "want": coming.got})
            return
        del self._coming[client]
        if is_drawing(coming.name):
            self._outlining.came(client, await asyncio.to_thread(coming.kept), coming.name)
            return
        gone = gone_meshes(self._room.opened.edits)
        path = await asyncio.to_thread(coming.kept)
        back = [name for (_, name), missed in gone.items() if missed == path]
        if back:  # the very file that one or more meshes have missed
            await self._changing.meshes_anew()
            client.tell("mesh", {"kind": "mesh", "back": back})
            return
        token = secrets.token_urlsafe(9)
        self._looked[token] = _Looked(path, coming.name, client)
        client.tell("mesh", {"kind": "mesh", "reading": True})
        self._traffic.ask_look(token, path, _track_mm(self._axle_of(client)))

    async def _stop(self, client: Client, message: Json) -> None:
        self.left(client)

    def _heard(self, words: Json) -> None:
        """What the helper found, or why it found nothing."""
        token = words["mesh"]
        one = self._looked.get(token)
        if one is None:
            return
        told: Json = {"kind": "mesh", "name": one.name}
        if "fault" in words:
            del self._looked[token]
            one.asker.tell(
                "mesh", {**told, "fault": words["fault"].replace(one.path.name, one.name)}
            )
            return
        one.look = words["look"]
        one.asker.tell("mesh", {**told, "token": token, "look": one.look})

    # --- into the car ---------------------------------------------------------------------------

    async def _put(self, client: Client, message: Json) -> None:
        document = self._room.opened
        axle = document.car.axles[self._room.axle_named(message["axle"])]
        one = self._looked.get(str(message["token"]))
        if one is None or one.look is None:
            raise MeshFault("this mesh is not here any more; drop it again")
        name = str(message["name"]).strip()
        _require_free(name, axle)
        _require_size(one.look, str(message["unit"]), checked=message.get("checked") is True)
        table: Json = {"kind": "mesh", "file": str(one.path), "unit": message["unit"]}
        if message.get("checked") is True:
            table["size_checked"] = True
        await self._make(axle, name, placed(table, message))
        client.tell("mesh", {"kind": "mesh", "put": name})

    async def _place(self, client: Client, message: Json) -> None:
        """A mesh that is in the car placed anew, one of the file's own too."""
        document, name = self._room.opened, str(message["name"])
        axle = document.car.axles[self._room.axle_named(message["axle"])]
        table = await self._room.run(lambda: table_of(document, axle.name, name))
        await self._make(axle, name, placed(table, message))

    async def _make(self, axle: Axle, name: str, table: Json) -> None:
        require_part(axle, table["on"])

        def edit(edits: Edits) -> Edits:
            return edits.with_mesh(axle.name, name, table)

        await self._changing.make(axle.name, edit, "")

    async def _out(self, client: Client, message: Json) -> None:
        axle, name = self._room.axle_named(message["axle"]), str(message["name"])
        if (axle, name) not in self._room.opened.edits.meshes:
            raise LinkviewError(f"no mesh '{name[:60]}' was put in or moved here")
        await self._changing.make(axle, lambda edits: edits.without_meshes([(axle, name)]), "")

    def _axle_of(self, client: Client) -> Axle:
        axles = self._room.opened.car.axles
        return axles[client.axle] if client.axle in axles else next(iter(axles.values()))


def _track_mm(axle: Axle) -> float:
    return 2.0 * abs(float(axle.left.points["wheel_centre"][1]))


def _require_free(name: str, axle: Axle) -> None:
    if not _NAME.fullmatch(name):
        raise MeshFault(
            f"'{name[:60]}' is no name for it; use letters, digits and _, a letter first"
        )
    bodies = {b.name for corner in axle.corners for b in corner.bodies}
    if name in {*OWN_BODIES, *bodies, *axle.plates}:
        raise MeshFault(f"there is a body '{name[:60]}' on this axle already; choose another name")


def _require_size(look: Json, unit: str, *, checked: bool) -> None:
    if unit not in look["units"]:
        raise MeshFault("say what it was drawn in: mm, cm, m or in")
    said = look["units"][unit]
    if said["wrong"]:
        raise MeshFault(said["wrong"])
    if said["odd"] and not checked:
        raise MeshFault(f"{said['odd']}. Choose the other unit, or say that it is that size")
