"""Where pages, the document and the helpers meet: takes messages, answers, tells all pages.

Everything that touches the document runs on one thread, one thing after the other.
"""

from __future__ import annotations

import asyncio
import secrets
import shutil
from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

from linkview.errors import LinkviewError, near_miss
from linkview.export.page import differs
from linkview.live.client import Client
from linkview.live.document import Document, state_json
from linkview.live.edits import Edits, How, own_corner, place, wheel_value
from linkview.live.gapwork import GapJob, gap_works
from linkview.live.helper import Helper
from linkview.live.making import WHATS, MakeJob, making_works
from linkview.live.moving import (
    Inputs,
    axle_json,
    curves_json,
    moment_at,
    moment_json,
    moment_stopped,
    places_json,
    quantities_json,
    readings_json,
    swept_at,
)
from linkview.live.shapework import ShapeJob, Shapes, shape_works
from linkview.model.parts import Axle, Car
from linkview.plates.profiles import ShopProfile
from linkview.study import spoken

Json = dict[str, Any]
SETTLE_S = 0.35  # after the last edit, before the slower work is asked for


class Desk:
    """document: None until a file is open. Must be made inside a running event loop."""

    def __init__(self, shop: ShopProfile) -> None:
        self.document: Document | None = None
        self.clients: set[Client] = set()
        self._shop = shop
        self._loop = asyncio.get_running_loop()
        self._alone = ThreadPoolExecutor(1, thread_name_prefix="desk")
        self._gaps = Helper(gap_works, self._from("gaps"))
        self._shapes = Helper(shape_works, self._from("shapes"))
        self._makes = Helper(making_works, self._from("files"))
        self._made: dict[str, Path] = {}
        self._shown: dict[str, tuple[int, Shapes]] = {}
        self._known: dict[str, Json] = {}
        self._later: asyncio.TimerHandle | None = None
        self._fresh = False
        self._tasks: set[asyncio.Future[None]] = set()
        self._commands: dict[str, Callable[[Client, Json], Awaitable[None]]] = {
            "hello": self._hello,
            "pose": self._pose,
            "edit": self._edit,
            "read": self._read,
            "curves": self._curves,
            "undo": self._undo,
            "redo": self._redo,
            "variant": self._variant,
            "pin": self._pin,
            "unpin": self._unpin,
            "discard": self._discard,
            "reopen": self._reopen,
            "save": self._save,
            "gaps": self._gap_pose,
            "measure": self._measure,
            "cancel": self._cancel,
            "make": self._make,
            "cancel make": self._cancel_make,
        }

    async def open(self, path: Path, variant: str) -> None:
        """Opens a file; raises LinkviewError and keeps what was open."""
        self.document = await self._run(lambda: Document.opened(path, variant))
        self._shown.clear()
        self._known.clear()
        for client in list(self.clients):
            await self._hello(client, {})
        # What is seen first comes first: the other work would take its processor time.
        for name, axle in self.document.car.axles.items():
            generation = self.document.generation
            self._shapes.ask(f"shapes {name}", generation, ShapeJob(self.document.car, name, name))
            if differs(axle, self._ghost_car.axles[name]):
                job = ShapeJob(self._ghost_car, name, f"ghost {name}")
                self._shapes.ask(f"ghost {name}", generation, job)
        self._fresh = True

    def close(self) -> None:
        """Ends the helpers; what was not saved stays kept."""
        if self._later is not None:
            self._later.cancel()
        self._gaps.close()
        self._shapes.close()
        self._makes.close()
        for path in self._made.values():
            shutil.rmtree(path.parent, ignore_errors=True)
        self._alone.shutdown(wait=False, cancel_futures=True)

    async def _run(self, work: Callable[[], Any]) -> Any:
        return await self._loop.run_in_executor(self._alone, work)

    @property
    def _open(self) -> Document:
        if self.document is None:
            raise LinkviewError("no file is open; open one first")
        return self.document

    # --- one page -------------------------------------------------------------------------------

    async def serve(self, client: Client) -> None:
        """Answers a page until its connection ends and cancels this."""
        self.clients.add(client)
        try:
            while True:
                message = await client.wanted()
                await self._answer(client, message)
        finally:
            self.clients.discard(client)

    async def _answer(self, client: Client, message: Json) -> None:
        kind = str(message.get("do"))
        command = self._commands.get(kind)
        looks = kind in ("hello", "pose", "read", "curves", "gaps")
        try:
            if command is None:
                raise LinkviewError(f"the page asked for '{kind[:40]}', which is not known here")
            if not looks and not client.writable:
                raise LinkviewError("this page may only look; ask the builder for the other link")
            await command(client, message)
        except Exception as fault:  # one bad message must not end the page's service
            words = _told(fault)
            client.tell(
                f"refused {kind}",
                {"kind": "refused", "of": kind, "seq": message.get("seq"), "words": words},
            )

    def _tell_all(self, key: str, words: Json) -> None:
        for client in self.clients:
            client.tell(key, words)

    # --- looking --------------------------------------------------------------------------------

    async def _hello(self, client: Client, message: Json) -> None:
        if self.document is None:
            client.tell("start", {"kind": "start", "writable": client.writable})
            return
        document = self.document
        if client.axle not in document.car.axles:
            client.axle = next(iter(document.car.axles))
        client.tell("car", await self._run(lambda: self._car_json(client)))
        await self._tell_pose(client, None)
        for stamp, shapes in list(self._shown.values()):
            await self._show(client, stamp, shapes)
        for key, words in self._known.items():
            client.tell(key, words)

    def _car_json(self, client: Client) -> Json:
        document = self._open
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
                    "differs": differs(a, self._ghost_car.axles[a.name]),
                }
                for a in car.axles.values()
            ],
            "quantities": quantities_json(),
            "notes": list(car.notes),
            "files": WHATS,
        }

    @property
    def _ghost_car(self) -> Car:
        document = self._open
        return document.pinned or document.found

    async def _pose(self, client: Client, message: Json) -> None:
        document = self._open
        axle = str(message["axle"])
        if axle not in document.car.axles:
            raise LinkviewError(f"no axle '{axle[:40]}'")
        if axle != client.axle:
            client.axle, client.inputs = axle, Inputs()
        client.stops = bool(message.get("stop", True))
        client.ghost = bool(message.get("ghost", True))
        client.asked = Inputs(*(float(message[k]) for k in ("rack", "travel", "roll")))
        if not all(abs(v) < 1e5 for v in vars(client.asked).values()):
            raise ValueError("rack, travel and roll must be numbers")
        await self._tell_pose(client, message.get("seq"))

    async def _tell_pose(self, client: Client, seq: object) -> None:
        words = await self._run(lambda: self._pose_json(client))
        client.tell("pose", {"kind": "pose", "seq": seq, "axle": client.axle, **words})
        client.take({"do": "read"})  # the numbers follow, unless a newer pose comes first

    def _pose_json(self, client: Client) -> Json:
        document = self._open
        axle = document.car.axles[client.axle]
        go = moment_stopped if client.stops else moment_at
        moment = go(axle, document.car, client.inputs, client.asked)
        client.inputs = moment.inputs
        words = moment_json(moment, self._actors(client.axle), client.asked)
        words["generation"] = document.generation
        ghost = self._actors(f"ghost {client.axle}")
        if client.ghost and ghost:
            words["ghost"] = _placed(self._ghost_car.axles[client.axle], moment.inputs, ghost)
        return words

    async def _read(self, client: Client, message: Json) -> None:
        client.tell("read", await self._run(lambda: self._read_json(client)))

    def _read_json(self, client: Client) -> Json:
        document, ghost = self._open, self._ghost_car
        axle = document.car.axles[client.axle]
        words = readings_json(axle, document.car, client.inputs)
        words |= {"kind": "read", "axle": client.axle, "generation": document.generation}
        before = ghost.axles[client.axle]
        if client.ghost and differs(axle, before):
            words["foundReadings"] = readings_json(before, ghost, client.inputs)["readings"]
        return words

    def _actors(self, slot: str) -> Any:
        return self._shown[slot][1].actors if slot in self._shown else ()

    async def _curves(self, client: Client, message: Json) -> None:
        words = await self._run(lambda: self._curves_json(client))
        client.tell("curves", {"kind": "curves", "axle": client.axle, **words})

    def _curves_json(self, client: Client) -> Json:
        document = self._open
        car, ghost = document.car, self._ghost_car
        now = curves_json(car.axles[client.axle], car, client.inputs)
        same = not differs(car.axles[client.axle], ghost.axles[client.axle])
        before = None if same else curves_json(ghost.axles[client.axle], ghost, client.inputs)
        return {"now": now, "before": before, "generation": document.generation}

    async def _gap_pose(self, client: Client, message: Json) -> None:
        job = GapJob(self._open.car, client.axle, client.inputs)
        self._gaps.ask("posed", self._open.generation, job)

    # --- changing -------------------------------------------------------------------------------

    async def _edit(self, client: Client, message: Json) -> None:
        document = self._open
        axle, how = str(message["axle"]), How(message["how"])
        if axle not in document.car.axles:
            raise LinkviewError(f"no axle '{axle[:40]}'")
        gesture = str(message.get("gesture", ""))[:80]
        if "wheel" in message:
            key = str(message["wheel"])
            value = wheel_value(key, message["value"])

            def edit(edits: Edits) -> Edits:
                return edits.with_wheel(axle, key, value)
        else:
            name, at = str(message["point"]), place(message["at"])
            if name not in document.car.axles[axle].left.points:
                raise LinkviewError(f"no hard point '{name[:60]}' on the {axle} axle")

            def edit(edits: Edits) -> Edits:
                return edits.with_point(axle, how, name, at)

        await self._run(lambda: document.change(edit, gesture))
        await self._changed(axle)
        client.tell("edited", {"kind": "edited", "seq": message.get("seq")})

    async def _changed(self, axle: str) -> None:
        """Tells every page of a changed car: numbers at once, shapes and gaps as they come."""
        generation = self._open.generation
        self._known.clear()
        self._shapes.ask(f"shapes {axle}", generation, ShapeJob(self._open.car, axle, axle))
        self._gaps.ask("sampled", generation, GapJob(self._open.car, axle))
        for client in list(self.clients):
            client.tell("car", await self._run(partial(self._car_json, client)))
            client.asked = client.inputs
            await self._tell_pose(client, None)
            if client.axle == axle:
                await self._curves(client, {})
        self._settle()

    async def _all_changed(self) -> None:
        for axle in self._open.car.axles:
            await self._changed(axle)
        self._ask_all()

    def _settle(self) -> None:
        if self._later is not None:
            self._later.cancel()
        self._later = self._loop.call_later(SETTLE_S, self._ask_slow)

    def _ask_all(self) -> None:
        document = self._open
        for name in document.car.axles:
            job = ShapeJob(document.car, name, name)
            self._shapes.ask(f"shapes {name}", document.generation, job)
        self._ask_ghosts()
        self._ask_slow()

    def _ask_ghosts(self) -> None:
        document, ghost = self._open, self._ghost_car
        for name in document.car.axles:
            job = ShapeJob(ghost, name, f"ghost {name}")
            self._shapes.ask(f"ghost {name}", document.generation, job)

    def _ask_slow(self) -> None:
        """What may come a second later: plates, maps, ghosts that have begun to differ, gaps."""
        document = self.document
        if document is None:
            return
        for name, axle in document.car.axles.items():
            if f"ghost {name}" not in self._shown and differs(axle, self._ghost_car.axles[name]):
                self._shapes.ask(
                    f"ghost {name}",
                    document.generation,
                    ShapeJob(self._ghost_car, name, f"ghost {name}"),
                )
            job = ShapeJob(document.car, name, name, self._shop)
            self._shapes.ask(f"whole {name}", document.generation, job)
        axle_now = next((c.axle for c in self.clients if c.axle), next(iter(document.car.axles)))
        self._gaps.ask("sampled", document.generation, GapJob(document.car, axle_now))
        self._certify(axle_now)

    def _certify(self, axle: str) -> None:
        document = self._open
        job = GapJob(document.car, axle, shop=self._shop)
        self._gaps.ask("certified", document.generation, job)

    async def _undo(self, client: Client, message: Json) -> None:
        if await self._run(lambda: self._open.step(-1)):
            await self._all_changed()

    async def _redo(self, client: Client, message: Json) -> None:
        if await self._run(lambda: self._open.step(1)):
            await self._all_changed()

    async def _variant(self, client: Client, message: Json) -> None:
        name = str(message["name"])
        await self._run(lambda: self._open.start_on(name))
        await self._all_changed()

    async def _discard(self, client: Client, message: Json) -> None:
        base = self._open.edits.base
        await self._run(lambda: self._open.start_on(base))
        self._open.restored = False
        await self._all_changed()

    async def _pin(self, client: Client, message: Json) -> None:
        document = self._open
        changes = sum(len(c.points) + len(c.wheel) for c in document.edits.changes)
        more = f" with {changes} change{'s' if changes != 1 else ''}" if changes else ""
        document.pin(f"{spoken(document.edits.base)}{more}")
        await self._compare_anew()

    async def _unpin(self, client: Client, message: Json) -> None:
        self._open.unpin()
        await self._compare_anew()

    async def _compare_anew(self) -> None:
        for slot in [s for s in self._shown if s.startswith("ghost ")]:
            del self._shown[slot]
        self._ask_ghosts()
        for client in list(self.clients):
            client.tell("car", await self._run(partial(self._car_json, client)))
            await self._curves(client, {})

    async def _reopen(self, client: Client, message: Json) -> None:
        document = self._open
        await self.open(document.file.path, document.edits.base)

    async def _save(self, client: Client, message: Json) -> None:
        document = self._open
        name, title = str(message["name"]).strip(), str(message.get("title", ""))
        if message.get("into") == "file":
            if message.get("agreed") is not True:
                raise LinkviewError("the original is not written without asking; nothing was done")
            path = await self._run(lambda: document.save_into_file(name, title))
        else:
            target = str(message["file"]).strip()
            path = await self._run(lambda: document.save_as_file(target, name, title))
        await self._run(lambda: document.saved(path, name))
        client.tell("saved", {"kind": "saved", "path": str(path), "name": name})
        await self._all_changed()

    async def _measure(self, client: Client, message: Json) -> None:
        document, axle = self._open, str(message["axle"])
        if axle not in document.car.axles:
            raise LinkviewError(f"no axle '{axle[:40]}'")
        self._gaps.ask("sampled", document.generation, GapJob(document.car, axle))
        self._certify(axle)

    async def _cancel(self, client: Client, message: Json) -> None:
        self._gaps.cancel("certified")
        words = {"kind": "certified", "axle": client.axle, "cancelled": True}
        self._tell_all("progress", words)

    async def _make(self, client: Client, message: Json) -> None:
        document, what = self._open, str(message["what"])
        if what not in WHATS:
            raise LinkviewError(f"no files '{what[:40]}'; {near_miss(what, WHATS)}")
        job = MakeJob(what, document.file, document.car, document.found, self._shop)
        self._makes.ask("make", document.generation, job)

    async def _cancel_make(self, client: Client, message: Json) -> None:
        self._makes.cancel("make")
        self._tell_all("make", {"kind": "make", "cancelled": True})

    def made(self, token: str) -> Path | None:
        """A file made for taking away, by the token that its page was told."""
        return self._made.get(token)

    def _heard_made(self, words: Json) -> None:
        told = {"kind": "make", **{k: v for k, v in words.items() if k != "made"}}
        if "made" in words:
            token = secrets.token_urlsafe(12)
            self._made[token] = Path(words["made"])
            told["link"] = f"/made/{token}/{words['name']}"
        self._tell_all("make", told)

    # --- from the helpers -----------------------------------------------------------------------

    def _from(self, which: str) -> Callable[[Json], None]:
        def heard(words: Json) -> None:
            self._loop.call_soon_threadsafe(self._heard, which, words)

        return heard

    def _heard(self, which: str, words: Json) -> None:
        if words.get("ended"):
            self._helper_ended(which)
        elif "shapes" in words:
            shapes = words["shapes"]
            if self.document is None or words["stamp"] < self._shown.get(shapes.slot, (0,))[0]:
                return
            self._shown[shapes.slot] = words["stamp"], shapes
            for client in self.clients:
                task = asyncio.ensure_future(self._show(client, words["stamp"], shapes))
                self._tasks.add(task)
                task.add_done_callback(self._tasks.discard)
            if self._fresh:
                self._fresh = False
                self._gaps.ask("warm", 0)
                self._settle()
        elif words["job"] == "make":
            if "superseded" not in words:
                self._heard_made(words)
        elif "superseded" not in words:
            self._pass_on(words)

    def _pass_on(self, words: Json) -> None:
        kind = words["job"].split(" ")[0]
        key = f"{words['job']} {words.get('axle', '')}"
        generation = self.document.generation if self.document else -1
        if kind != "warm" and words["stamp"] != generation:
            return
        told = {"kind": kind, **words}
        if "done" in words or "compiling" in words:
            self._tell_all("progress", told)
            return
        if kind != "posed":
            self._known[key] = told
        self._tell_all(key, told)

    async def _show(self, client: Client, stamp: int, shapes: Shapes) -> None:
        places = await self._run(lambda: self._places_of(client, shapes))
        client.show(stamp, shapes, places)

    def _places_of(self, client: Client, shapes: Shapes) -> Json:
        document = self._open
        car = self._ghost_car if shapes.slot.startswith("ghost ") else document.car
        inputs = client.inputs if shapes.axle == client.axle else Inputs()
        return _placed(car.axles[shapes.axle], inputs, shapes.actors)

    def _helper_ended(self, which: str) -> None:
        helpers = {"gaps": self._gaps, "shapes": self._shapes, "files": self._makes}
        helper = helpers[which]
        helper.restart()
        words = f"the helper for {which} ended and was started again"
        self._tell_all("notice", {"kind": "notice", "words": words})
        if self.document is not None:
            self._ask_all()


def _told(fault: Exception) -> str:
    if isinstance(fault, LinkviewError | ValueError):
        return str(fault)
    return f"the page asked for something that could not be answered ({type(fault).__name__})"


def _placed(axle: Axle, inputs: Inputs, actors: Any) -> Json:
    sweep = swept_at(axle, [inputs])
    return places_json(actors, {c.corner.side: c for c in sweep.corners})
