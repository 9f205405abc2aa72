"""Readings and places as labelled arrays (xarray) and data frames (pandas), with units.

Both libraries are optional: install linkview[tables].
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from linkview.alignment.axle import AxleAlignment
from linkview.alignment.quantities import QUANTITIES, Of, Quantity
from linkview.alignment.sensitivity import Sensitivity
from linkview.errors import LinkviewError
from linkview.geometry import Array
from linkview.kinematics.sweep import AxleSweep, CornerSweep

try:
    import pandas as pd
    import xarray as xr
except ModuleNotFoundError as missing:
    raise LinkviewError(
        f"{missing.name} is not installed; it comes with: python -m pip install 'linkview[tables]'"
    ) from None

SIDES = ("left", "right")


def readings_dataset(alignment: AxleAlignment) -> xr.Dataset:
    """Every alignment reading: dimensions side, rack_mm, travel_mm; units and meaning as attrs.

    The axle's own readings have no side; the contact centre has a dimension axis.
    """
    out = {}
    for q in QUANTITIES:
        if q.of is Of.AXLE:
            value = getattr(alignment, q.name)
            if value is None or np.ndim(value) == 0:
                continue
            out[q.name] = (("rack_mm", "travel_mm"), np.asarray(value), _about(q))
            continue
        both = np.stack([getattr(c, q.name) for c in alignment.corners])
        dims = ("side", "rack_mm", "travel_mm", *(("axis",) if q.parts else ()))
        out[q.name] = (dims, both, _about(q))
    return xr.Dataset(out, coords=_grid(alignment), attrs={"held": alignment.held})


def places_dataset(sweep: AxleSweep) -> xr.DataArray:
    """Where every hard point goes, mm: side, point, rack_mm, travel_mm, axis; NaN beyond reach."""
    names = list(sweep.left.corner.points)
    values = np.stack([_places(corner, names) for corner in sweep.corners])
    coords = {
        "side": list(SIDES),
        "point": names,
        "rack_mm": ("rack_mm", np.asarray(sweep.left.rack_mm), {"units": "mm"}),
        "travel_mm": ("travel_mm", np.asarray(sweep.left.travel_mm), {"units": "mm"}),
        "axis": list("xyz"),
    }
    dims = ("side", "point", "rack_mm", "travel_mm", "axis")
    about = {"units": "mm", "held": sweep.axle.hold.words}
    return xr.DataArray(values, dims=dims, coords=coords, name="place", attrs=about)


def readings_frame(alignment: AxleAlignment) -> pd.DataFrame:
    """One row per side, rack and travel; one column per reading, its unit in `attrs['units']`."""
    flat = readings_dataset(alignment).drop_vars("contact_centre_mm")
    flat = flat.drop_vars("axis", errors="ignore")
    frame = flat.to_dataframe().reset_index()
    frame.attrs["units"] = {q.name: q.unit for q in QUANTITIES}
    frame.attrs["held"] = alignment.held
    return frame


def sensitivity_frame(tables: Sequence[Sensitivity]) -> pd.DataFrame:
    """One row per reading and coordinate: of, reading, point, axis, value, change_per_mm, unit."""
    units = {q.name: q.unit for q in QUANTITIES}
    rows = [
        {
            "moved": "both" if t.side is None else t.side.value,
            "of": "axle" if side is None else side.value,
            "reading": name,
            "point": c.point,
            "axis": "xyz"[c.axis],
            "value": float(t.values[side, name]),
            "change_per_mm": float(slope),
            "unit": units[name],
        }
        for t in tables
        for (side, name), slopes in t.slopes.items()
        if slopes.ndim == 1
        for c, slope in zip(t.coordinates, slopes, strict=True)
    ]
    return pd.DataFrame(rows)


def _grid(alignment: AxleAlignment) -> dict[str, object]:
    return {
        "side": list(SIDES),
        "rack_mm": ("rack_mm", np.asarray(alignment.rack_mm), {"units": "mm"}),
        "travel_mm": ("travel_mm", np.asarray(alignment.travel_mm), {"units": "mm"}),
        "axis": list("xyz"),
    }


def _about(q: Quantity) -> dict[str, str]:
    return {"units": q.unit, "long_name": q.label, "meaning": q.meaning, "formula": q.formula}


def _places(corner: CornerSweep, names: Sequence[str]) -> Array:
    centre = corner.wheel_centre
    return np.stack([centre if n == "wheel_centre" else corner.point(n) for n in names])
