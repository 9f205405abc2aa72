"""What goes to the helper processes and what comes back: shapes and gaps."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

from linkview.errors import LinkviewError
from linkview.export.actors import Actor
from linkview.live.client import Client
from linkview.live.helper import Helper
from linkview.live.jobs import GapJob, LookJob, ShapeJob, Shapes
from linkview.live.moving import Inputs, swept_at
from linkview.live.pose_words import places_json
from linkview.live.room import Command, Json, Room
from linkview.live.works import quick_gap_works, shape_works, slow_works
from linkview.model.parts import Axle
from linkview.model.points import differs
from linkview.plates.profiles import ShopProfile

SETTLE_S = 0.6  # after the last edit, before the slower work is asked for


class Traffic:
    """shown: by slot, the stamp and the shapes told last. known: by key, what gaps were told.

    looked: told what was found in a mesh file that was to be looked at.
    """

    def __init__(self, room: Room, shop: ShopProfile) -> None:
        self.shown: dict[str, tuple[int, Shapes]] = {}
        self.known: dict[str, Json] = {}
        self.looked: Callable[[Json], None] = lambda words: None
        self._looking_at: set[str] = set()
        self._room, self._shop = room, shop
        self._shapes = Helper(shape_works, self._from("shapes"), behind=3)
        self._shapes.start()
        self._quick = Helper(quick_gap_works, self._from("gaps"))
        self._slow = Helper(slow_works, self._from("certain gaps"), behind=10)
        self._later: asyncio.TimerHandle | None = None
        self._fresh = False
        self._ended: set[tuple[str, int]] = set()  # which helpers ended on the present car
        self._posed_first: tuple[str, Inputs] | None = None  # asked for before anything is shown
        self._oldest = 0  # the stamp of the file now open when it was opened
        self._tasks: set[asyncio.Future[None]] = set()
        self.commands: dict[str, Command] = {
            "measure": self._measure,
            "cancel": self._cancel,
        }

    def close(self) -> None:
        """Ends the helpers."""
        if self._later is not None:
            self._later.cancel()
        for helper in self._helpers.values():
            helper.close()

    @property
    def _helpers(self) -> dict[str, Helper]:
        return {
            "shapes": self._shapes,
            "gaps": self._quick,
            "certain gaps": self._slow,
        }

    # --- to the helpers -------------------------------------------------------------------------

    def ask_first(self) -> None:
        """What is seen first, of a file just opened; the rest would take its processor time."""
        document, ghost = self._room.opened, self._room.ghost_car
        self._oldest = document.generation
        for name, axle in document.car.axles.items():
            self._ask_shapes(name)
            if differs(axle, ghost.axles[name]):
                self._ask_ghost(name)
        self._fresh, self._posed_first = True, None

    def ask_changed(self, axle: str) -> None:
        """What is wanted at once of an axle that has changed; the slow work on it is in vain."""
        self._slow.cancel("certified")
        self._slow.cancel(f"whole {axle}")
        self._ask_sampled(axle)
        self._ask_shapes(axle)

    def ask_posed(self, axle: str, inputs: Inputs) -> None:
        """The gaps of one pose; of a file just opened, once it is seen."""
        if self._fresh:
            self._posed_first = axle, inputs
            return
        document = self._room.opened
        self._quick.ask(
            "posed", document.generation, GapJob(document.car, axle, self._shop, inputs)
        )

    def ask_all(self) -> None:
        """Everything anew, the slower work too."""
        for name in self._room.opened.car.axles:
            self._ask_shapes(name)
        self.ask_ghosts()
        self._ask_slow()

    def ask_ghosts(self) -> None:
        """The shapes of what the car is compared with."""
        for name in self._room.opened.car.axles:
            self._ask_ghost(name)

    def ask_look(self, token: str, path: Path, track_mm: float) -> None:
        """A mesh file to be looked at; `looked` is told. Beside a car of this track."""
        if self._looking_at:
            raise LinkviewError("another mesh is being read; drop this one again in a moment")
        self._looking_at.add(token)
        self._shapes.ask("mesh", self._room.opened.generation, LookJob(token, path, track_mm))

    def settle(self) -> None:
        """The slower work, when no other edit follows soon."""
        if self._later is not None:
            self._later.cancel()
        self._later = self._room.loop.call_later(SETTLE_S, self._ask_slow)

    def _ask_shapes(self, axle: str) -> None:
        document = self._room.opened
        job = ShapeJob(document.car, axle, axle, self._shop)
        self._shapes.ask(f"shapes {axle}", document.generation, job)

    def _ask_ghost(self, axle: str) -> None:
        job = ShapeJob(self._room.ghost_car, axle, f"ghost {axle}", self._shop)
        self._shapes.ask(f"ghost {axle}", self._room.opened.generation, job)

    def _ask_sampled(self, axle: str) -> None:
        document = self._room.opened
        self._quick.ask("sampled", document.generation, GapJob(document.car, axle, self._shop))

    def _ask_certified(self, axle: str) -> None:
        document = self._room.opened
        job = GapJob(document.car, axle, self._shop)
        self._slow.ask("certified", document.generation, job)

    def _ask_slow(self) -> None:
        """What may come a second later: plates, maps, ghosts that have begun to differ, gaps."""
        document = self._room.document
        if document is None:
            return
        ghost = self._room.ghost_car
        for name, axle in document.car.axles.items():
            if f"ghost {name}" not in self.shown and differs(axle, ghost.axles[name]):
                self._ask_ghost(name)
            job = ShapeJob(document.car, name, name, self._shop)
            self._slow.ask(f"whole {name}", document.generation, job)
        looked_at = (c.axle for c in self._room.clients if c.axle)
        axle_now = next(looked_at, next(iter(document.car.axles)))
        if f"sampled {axle_now}" not in self.known:
            self._ask_sampled(axle_now)
        self._ask_certified(axle_now)

    # --- what a page asks of them ---------------------------------------------------------------

    async def _measure(self, client: Client, message: Json) -> None:
        axle = self._room.axle_named(message["axle"])
        self._ask_sampled(axle)
        self._ask_certified(axle)

    async def _cancel(self, client: Client, message: Json) -> None:
        self._slow.cancel("certified")
        words = {"kind": "certified", "axle": client.axle, "cancelled": True}
        self._room.tell_all("progress", words)

    # --- from the helpers -----------------------------------------------------------------------

    def _from(self, which: str) -> Callable[[Json], None]:
        def heard(words: Json) -> None:
            self._room.loop.call_soon_threadsafe(self._heard, which, words)

        return heard

    def _heard(self, which: str, words: Json) -> None:
        if words.get("ended"):
            self._helper_ended(which)
        elif "mesh" in words:
            self._looking_at.discard(words["mesh"])
            self.looked(words)
        elif "shapes" in words:
            self._heard_shapes(words["stamp"], words["shapes"])
        elif "fault" in words and words["job"].split(" ")[0] in ("shapes", "ghost", "whole"):
            told = {"kind": "notice", "words": f"not drawn anew: {words['fault']}"}
            self._room.tell_all(f"notice {words['job']}", told)
            self._first_seen()
        elif "superseded" not in words:
            self._heard_gaps(words)

    def _heard_shapes(self, stamp: int, shapes: Shapes) -> None:
        newest = self.shown[shapes.slot][0] if shapes.slot in self.shown else self._oldest
        if self._room.document is None or stamp < newest:
            return
        self.shown[shapes.slot] = stamp, shapes
        for client in self._room.clients:
            task = asyncio.ensure_future(self.show(client, stamp, shapes))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)
        self._first_seen()

    def _first_seen(self) -> None:
        """What waited until something of a file just opened is seen, or cannot be."""
        if not self._fresh:
            return
        self._fresh = False
        self._quick.ask("warm", 0)
        if self._posed_first is not None:
            self.ask_posed(*self._posed_first)
        self.settle()

    def _heard_gaps(self, words: Json) -> None:
        kind = words["job"].split(" ")[0]
        key = f"{words['job']} {words.get('axle', '')}"
        document = self._room.document
        generation = document.generation if document else -1
        stale = words["stamp"] != generation
        if stale and kind not in ("warm", "sampled"):
            return  # but what is sampled is shown late rather than never while a point is dragged
        told = {"kind": kind, **words}
        if "done" in words or "compiling" in words:
            self._room.tell_all("progress", told)
            return
        if kind != "posed" and not stale:
            self.known[key] = told
        self._room.tell_all(key, told)

    async def show(self, client: Client, stamp: int, shapes: Shapes) -> None:
        """Shows a page shapes, placed where its inputs have them."""
        places = await self._room.run(lambda: self._places_of(client, shapes))
        client.show(stamp, shapes, places)

    def _places_of(self, client: Client, shapes: Shapes) -> Json:
        document = self._room.opened
        car = self._room.ghost_car if shapes.slot.startswith("ghost ") else document.car
        inputs = client.inputs if shapes.axle == client.axle else Inputs()
        return placed_json(car.axles[shapes.axle], inputs, shapes.actors)

    def _helper_ended(self, which: str) -> None:
        self._helpers[which].restart()
        document = self._room.document
        ended = (which, document.generation if document else -1)
        again = ended in self._ended
        self._ended = {one for one in self._ended if one[1] == ended[1]} | {ended}
        words = f"the helper for {which} ended and was started again"
        if again:  # on the same car: it would for ever
            words = (
                f"the helper for {which} ended twice on this car, as when memory runs out: what it "
                "does is not known now. Take out or thin a large mesh, or change something"
            )
        self._room.tell_all("notice", {"kind": "notice", "words": words})
        lost = set(self._looking_at) if which == "shapes" else set()
        self._looking_at -= lost
        for token in lost:
            fault = "it could not be read with the memory there is; thin it out"
            self.looked({"mesh": token, "fault": fault})
        if document is not None and not again:
            self.ask_all()


@lru_cache(maxsize=8)
def placed_json(axle: Axle, inputs: Inputs, actors: tuple[Actor, ...]) -> Json:
    """Where an axle's actors stand with these inputs; see `places_json`."""
    sweep = swept_at(axle, [inputs])
    return places_json(actors, {c.corner.side: c for c in sweep.corners})
