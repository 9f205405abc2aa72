"""The keys of a shop profile file, as the builder writes them; `plates/profiles.py` uses them."""

from __future__ import annotations

import tomllib
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, Strict, ValidationError

from linkview.errors import Fault, ModelFaults

Number = Annotated[float, Strict()]
Factor = Annotated[Number, Field(ge=0.0, le=20.0)]
Length = Annotated[Number, Field(ge=0.0, le=200.0)]
Layer = Annotated[str, Field(min_length=1, max_length=31, pattern=r"^[A-Za-z0-9_$-]+$")]
Extent = Annotated[Number, Field(gt=0.0, le=20_000.0)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class RulesTable(_Table):
    """[rules]"""

    hole_per_thickness: Factor
    hole_mm: Length
    slot_per_thickness: Factor
    slot_mm: Length
    web_per_thickness: Factor
    web_mm: Length
    end_per_hole: Factor = 2.0
    edge_per_hole: Factor = 1.5
    ream_mm: Length = 0.0
    kerf_mm: Length
    tolerance: Literal["iso_9013_1", "iso_9013_2", "iso_2768_m", "agreed"]
    tolerance_mm: Length = 0.0
    bend_radius_per_thickness: Factor = 1.0


class DxfTable(_Table):
    """[dxf]"""

    version: Literal["R12", "R2010"] = "R2010"
    contours: Literal["polylines", "loose"] = "polylines"
    cut_layer: Layer = "CUT"
    mark_layer: Layer = "MARK"
    bend_layer: Layer = "BEND"
    marking: bool = True


class SheetsTable(_Table):
    """[sheets]"""

    sizes: tuple[tuple[Extent, Extent], ...] = Field(min_length=1, max_length=20)
    part_gap: Length


class ShopTable(_Table):
    """A whole profile file."""

    name: str = Field(min_length=1, max_length=40)
    process: str = Field(min_length=1, max_length=80)
    rules: RulesTable
    dxf: DxfTable = DxfTable()
    sheets: SheetsTable


def shop_table(text: str, where: str) -> ShopTable:
    """The checked tables of a profile's TOML text. Raises ModelFaults naming file, key and fix."""
    try:
        table = ShopTable.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as fault:
        told = Fault("shop profile", f"is not TOML ({fault})", "mend that line")
        raise ModelFaults(where, [told]) from fault
    except ValidationError as fault:
        raise ModelFaults(where, [_told(e["loc"], e["msg"]) for e in fault.errors()]) from fault
    names = [table.dxf.cut_layer, table.dxf.mark_layer, table.dxf.bend_layer]
    if len({n.upper() for n in names}) < 3:
        what = f"layers {', '.join(names)} are not three different ones"
        raise ModelFaults(where, [Fault("dxf", what, "name the cut, mark and bend layers apart")])
    return table


def _told(at: tuple[int | str, ...], message: str) -> Fault:
    where = ".".join(str(key) for key in at)
    return Fault(where or "shop profile", message, "see `linkview shop laser` for every key")
