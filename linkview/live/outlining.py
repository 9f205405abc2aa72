"""A drawing from a page, of anybody's: asked about, held against a shop's rules, mended."""

from __future__ import annotations

import secrets
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from linkview.errors import LinkviewError
from linkview.live.client import Client
from linkview.live.fields import Choice, Fields, Number, Text, diameters_mm
from linkview.live.home import home_folder
from linkview.live.jobs import OutlineJob
from linkview.live.meshfiles import Coming
from linkview.live.room import Command, Json, Room
from linkview.live.taking import Taking
from linkview.model.wording import spoken
from linkview.plates.profiles import PROFILES, ShopProfile

LARGEST_BYTES = 20_000_000  # a drawing of one sheet is a hundredth of it


def is_drawing(name: str) -> bool:
    """Whether a file is a drawing by its name."""
    return Path(name).suffix.lower() == ".dxf"


def drawing_coming(name: str, size: int) -> Coming:
    """A drawing on its way. Raises LinkviewError, in a line, for one that will not do."""
    if size <= 0:
        raise LinkviewError(f"{name[:80]}: the file is empty; export it again")
    if size > LARGEST_BYTES:
        raise LinkviewError(
            f"{name[:80]} is {size / 1e6:.0f} MB; a drawing may be {LARGEST_BYTES / 1e6:.0f} MB "
            "here. Take out what is not to be cut; nothing was read"
        )
    return Coming(name, size, home_folder() / "drawings")


@dataclass
class _Drawing:
    path: Path
    name: str
    asker: Client


class Outlining:
    """commands: those of a page that may write. shop: whose rules the page was started with."""

    def __init__(self, room: Room, taking: Taking, shop: ShopProfile) -> None:
        self._room, self._taking, self._shop = room, taking, shop
        self._held: dict[str, _Drawing] = {}
        taking.outlined = self._heard
        self.commands: dict[str, Command] = {"outline": self._outline}

    def came(self, client: Client, path: Path, name: str) -> None:
        """A drawing is here whole: its page is told what is asked of it."""
        token = secrets.token_urlsafe(9)
        self._held[token] = _Drawing(path, name, client)
        fields = [field.json(key) for key, field in self._fields.items()]
        told = {"kind": "mesh", "drawing": token, "name": name, "fields": fields}
        client.tell("mesh", told)

    def left(self, client: Client) -> None:
        """A page that goes away, or takes another file, needs its drawing no more."""
        for token in [t for t, one in self._held.items() if one.asker is client]:
            path = self._held.pop(token).path
            if all(one.path != path for one in self._held.values()):
                with suppress(OSError):
                    path.unlink(missing_ok=True)

    @property
    def _fields(self) -> Fields:
        shops = {name: spoken(name) for name in PROFILES}
        if self._shop not in PROFILES.values():
            shops = {"": f"{self._shop.name}, as linkview was started with", **shops}
        units = {"": "what the file says", "mm": "mm", "cm": "cm", "m": "m", "in": "inches"}
        return {
            "shop": Choice("Rules of", shops),
            "thickness": Number("Thickness of the sheet", "mm", 0.01, 1000.0),
            "unit": Choice("Drawn in", units),
            "layer": Text("One layer alone, by its name", "", 100),
            "join": Number("Ends this near are closed", "mm", 0.0, 100.0, 0.05),
            "arcs": Number("Short lines made arcs within", "mm", 0.0, 10.0, 0.05),
            "bolts": Text("Bolt holes’ diameters, mm, parted by ;", "", 100),
        }

    async def _outline(self, client: Client, message: Json) -> None:
        token = str(message["token"])
        one = self._held.get(token)
        if one is None or one.asker is not client:
            raise LinkviewError("this drawing is not here any more; drop it again")
        values = message.get("given")
        values = values if isinstance(values, dict) else {}
        if values.get("thickness") is None:
            raise LinkviewError("give the thickness of the sheet: the rules hang on it")
        given = {key: field.checked(key, values.get(key)) for key, field in self._fields.items()}
        diameters_mm(given["bolts"])
        shop = PROFILES.get(given["shop"], self._shop)
        self._taking.ask_outline(OutlineJob(token, one.path, one.name, shop, given))

    def _heard(self, words: Json) -> None:
        one = self._held.get(words["outline"])
        if one is not None:
            one.asker.tell("outlined", {**words, "kind": "outlined", "name": one.name})
