"""What can be made of the car for taking away: what is asked before, and why some cannot be."""

from __future__ import annotations

from linkview.errors import LinkviewError, near_miss
from linkview.live.asked import ASKED
from linkview.live.document import Document
from linkview.live.fields import Fields, Json
from linkview.live.jobs import WHATS
from linkview.model.parts import Axle


def offers_json(document: Document, axle: Axle) -> list[Json]:
    """Everything that can be made of the car for an axle, with what is asked and why not."""
    out: list[Json] = []
    for what, words in WHATS.items():
        item: Json = {"what": what, "words": words, "fields": [], "why": ""}
        try:
            item["fields"] = [f.json(key) for key, f in _fields(what, document, axle).items()]
        except LinkviewError as reason:
            item["why"] = str(reason)
        out.append(item)
    return out


def checked(what: str, given: object, document: Document, axle: Axle) -> dict[str, str]:
    """What a page gave for the fields of one of `WHATS`. LinkviewError says what is wrong."""
    if what not in WHATS:
        raise LinkviewError(f"no files '{what[:40]}'; {near_miss(what, WHATS)}")
    values = given if isinstance(given, dict) else {}
    fields = _fields(what, document, axle)
    return {key: field.checked(key, values.get(key)) for key, field in fields.items()}


def _fields(what: str, document: Document, axle: Axle) -> Fields:
    return ASKED[what](document, axle) if what in ASKED else {}
