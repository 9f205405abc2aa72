"""What a page may ask without changing anything: the car, a pose, its numbers, curves, gaps."""

from __future__ import annotations

from typing import Any

from linkview.kinematics.sensitivity import Sizes
from linkview.live.as_variant import own_corner
from linkview.live.car_words import axle_json, quantities_json, state_json
from linkview.live.client import Client
from linkview.live.mattering import mattering_json
from linkview.live.meshplaces import meshes_json
from linkview.live.moving import Inputs, moment_at, moment_stopped
from linkview.live.outlining import LARGEST_BYTES
from linkview.live.pose_words import curves_json, moment_json, readings_json
from linkview.live.room import Command, Json, Room
from linkview.live.settings import settings_json
from linkview.live.standing import joints_json, others_json
from linkview.live.traffic import Traffic, placed_json
from linkview.model.hardware_faults import LARGEST_MESH_BYTES, MESH_KINDS
from linkview.model.parts import Car
from linkview.model.points import differs


class Looking:
    """commands: those open to a page that may only look."""

    def __init__(self, room: Room, traffic: Traffic) -> None:
        self._room, self._traffic = room, traffic
        self.commands: dict[str, Command] = {
            "hello": self.hello,
            "pose": self._pose,
            "read": self._read,
            "curves": self._curves,
            "gaps": self._gap_pose,
            "matters": self._matters,
        }

    # --- the car --------------------------------------------------------------------------------

    async def hello(self, client: Client, message: Json) -> None:
        """All that a page needs to begin with."""
        document = self._room.document
        if document is None:
            client.tell("start", {"kind": "start", "writable": client.writable})
            return
        if client.axle not in document.car.axles:
            client.axle = next(iter(document.car.axles))
        await self.tell_car(client)
        await self.tell_pose(client, None)
        for stamp, shapes in list(self._traffic.shown.values()):
            await self._traffic.show(client, stamp, shapes)
        for key, words in self._traffic.known.items():
            client.tell(key, words)

    async def tell_car(self, client: Client) -> None:
        """The car as it is now and how it was found."""
        client.tell("car", await self._room.run(lambda: self._car_json(client)))

    def _car_json(self, client: Client) -> Json:
        document = self._room.opened
        car = document.car
        return {
            "kind": "car",
            "writable": client.writable,
            "generation": document.generation,
            "state": state_json(document),
            "axles": [
                {
                    **axle_json(a, own_corner(document.file, a)),
                    "found": {
                        n: [round(float(v), 4) for v in p]
                        for n, p in own_corner(
                            document.file, document.found.axles[a.name]
                        ).points.items()
                    },
                    "parts": list(a.left.layout.parts),
                    "meshes": meshes_json(document, a),
                    "differs": differs(a, self._room.ghost_car.axles[a.name]),
                    **settings_json(
                        a,
                        own_corner(document.file, a),
                        own_corner(document.file, document.unchanged.axles[a.name]),
                    ),
                }
                for a in car.axles.values()
            ],
            "quantities": quantities_json(),
            "notes": list(car.notes),
            "meshKinds": MESH_KINDS,
            "largestMesh": LARGEST_MESH_BYTES,
            "largestDrawing": LARGEST_BYTES,
        }

    # --- a pose ---------------------------------------------------------------------------------

    async def _pose(self, client: Client, message: Json) -> None:
        axle = self._room.axle_named(message["axle"])
        if axle != client.axle:
            client.axle, client.inputs = axle, Inputs()
        client.stops = bool(message.get("stop", True))
        client.ghost = bool(message.get("ghost", True))
        client.joints = bool(message.get("joints"))
        client.whole = bool(message.get("whole"))
        client.asked = Inputs(*(float(message[k]) for k in ("rack", "travel", "roll")))
        if not all(abs(v) < 1e5 for v in vars(client.asked).values()):
            raise ValueError("rack, travel and roll must be numbers")
        await self.tell_pose(client, message.get("seq"))

    async def tell_pose(self, client: Client, seq: object) -> None:
        """Where everything stands with the inputs that the page asked for last."""
        words = await self._room.run(lambda: self._pose_json(client))
        client.tell("pose", {"kind": "pose", "seq": seq, "axle": client.axle, **words})
        client.take({"do": "read"})  # the numbers follow, unless a newer pose comes first

    def _pose_json(self, client: Client) -> Json:
        document = self._room.opened
        axle = document.car.axles[client.axle]
        go = moment_stopped if client.stops else moment_at
        moment = go(axle, document.car, client.inputs, client.asked)
        client.inputs = moment.inputs
        words = moment_json(moment, self._actors(client.axle), client.asked)
        words["generation"] = document.generation
        ghost = self._actors(f"ghost {client.axle}")
        if client.ghost and ghost:
            before = self._room.ghost_car.axles[client.axle]
            words["ghost"] = placed_json(before, moment.inputs, ghost)
        if client.joints:
            words["joints"] = joints_json(moment.sweep)
        if client.whole:
            words["others"] = self._others(client, document.car, "")
            words["otherGhosts"] = self._others(client, self._room.ghost_car, "ghost ")
        return words

    def _others(self, client: Client, car: Car, slot: str) -> Json:
        """Where every other axle stands; `slot`: what its shapes' names begin with."""
        actors = {name: self._actors(f"{slot}{name}") for name in car.axles}
        actors = {name: some for name, some in actors.items() if some}
        return others_json(car, client.axle, client.inputs, actors)

    def _actors(self, slot: str) -> Any:
        shown = self._traffic.shown
        return shown[slot][1].actors if slot in shown else ()

    async def _read(self, client: Client, message: Json) -> None:
        client.tell("read", await self._room.run(lambda: self._read_json(client)))

    def _read_json(self, client: Client) -> Json:
        document, ghost = self._room.opened, self._room.ghost_car
        axle = document.car.axles[client.axle]
        words = {**readings_json(axle, document.car, client.inputs), "kind": "read"}
        words |= {"axle": client.axle, "generation": document.generation}
        before = ghost.axles[client.axle]
        if client.ghost and differs(axle, before):
            words["foundReadings"] = readings_json(before, ghost, client.inputs)["readings"]
        return words

    async def _gap_pose(self, client: Client, message: Json) -> None:
        self._traffic.ask_posed(client.axle, client.inputs)

    async def _matters(self, client: Client, message: Json) -> None:
        sizes = Sizes.KEPT if message.get("sizes") == "kept" else Sizes.FOLLOW
        client.tell("matters", await self._room.run(lambda: self._matters_json(client, sizes)))

    def _matters_json(self, client: Client, sizes: Sizes) -> Json:
        document = self._room.opened
        axle = document.car.axles[client.axle]
        words = mattering_json(axle, document.car, client.inputs, sizes)
        return {"kind": "matters", "generation": document.generation, **words}

    # --- curves ---------------------------------------------------------------------------------

    async def _curves(self, client: Client, message: Json) -> None:
        await self.tell_curves(client)

    async def tell_curves(self, client: Client) -> None:
        """The curves of the axle looked at, now and before."""
        words = await self._room.run(lambda: self._curves_json(client))
        client.tell("curves", {"kind": "curves", "axle": client.axle, **words})

    def _curves_json(self, client: Client) -> Json:
        document = self._room.opened
        car, ghost = document.car, self._room.ghost_car
        now = curves_json(car.axles[client.axle], car, client.inputs)
        same = not differs(car.axles[client.axle], ghost.axles[client.axle])
        before = None if same else curves_json(ghost.axles[client.axle], ghost, client.inputs)
        return {"now": now, "before": before, "generation": document.generation}
