"""Faults of a wheel: its tyre and rim, how far it stands over the ground, what drives it."""

from __future__ import annotations

from collections.abc import Iterator

from linkview.errors import Fault
from linkview.geometry import dot, length
from linkview.model.build import section_of
from linkview.model.parts import floor_radius_mm
from linkview.model.reference import Reference
from linkview.model.schema import AxleTable

CV_OFF_AXIS_MM = 1.0
LEAST_LOADED, MOST_LOADED = 0.8, 1.0  # of the free radius
FLOOR_SLACK = 0.03  # a floor is not flat, nor a wheel centre known to the millimetre


def wheel_faults(where: str, table: AxleTable) -> Iterator[Fault]:
    """Tyre, rim and loaded radius as the file gives them."""
    t = table.wheel.tyre
    sizes = (t.outer_radius, t.inner_radius, t.half_width, t.shoulder_radius)
    if table.wheel.tyre_code is None and any(s is None for s in sizes):
        yield Fault(
            f"{where}.wheel.tyre_code",
            "missing",
            "give a size code such as '225/45R17', or all four of outer_radius, inner_radius, "
            "half_width and shoulder_radius in [wheel.tyre]",
        )
        return
    if table.wheel.tyre_code is None and table.wheel.rim.diameter_in is None:
        yield Fault(f"{where}.wheel.rim.diameter_in", "missing", "give it, or a tyre_code")
    try:
        tyre, _ = section_of(table.wheel)
    except ValueError as fault:
        yield Fault(
            f"{where}.wheel.tyre_code", f"cannot read '{table.wheel.tyre_code}'", str(fault)
        )
        return
    if tyre.inner_radius_mm >= tyre.outer_radius_mm:
        yield Fault(
            f"{where}.wheel.tyre.inner_radius",
            f"{tyre.inner_radius_mm:g} mm is not inside the outer radius "
            f"{tyre.outer_radius_mm:g} mm",
            "measure the two again, as radii, not diameters",
        )
    loaded = table.wheel.loaded_radius
    least, most = (share * tyre.outer_radius_mm for share in (LEAST_LOADED, MOST_LOADED))
    if loaded is not None and not least <= loaded <= most:
        yield Fault(
            f"{where}.wheel.loaded_radius",
            f"{loaded:g} mm does not go with a free radius of {tyre.outer_radius_mm:g} mm",
            "it is wheel centre to ground, a little less than the free radius",
        )


def loaded_faults(where: str, table: AxleTable, reference: Reference) -> Iterator[Fault]:
    """A loaded radius that is taken from the height over z = 0 where that is not the ground.

    reference: at ride height.
    """
    if table.wheel.loaded_radius is not None or reference.loaded_mm is not None:
        return
    try:
        free = section_of(table.wheel)[0].outer_radius_mm
    except ValueError:  # `wheel_faults` tells of it
        return
    centre = reference.points["wheel_centre"]
    over = float(floor_radius_mm(centre, reference.spin_axis)[0])
    if not (LEAST_LOADED - FLOOR_SLACK) * free <= over <= (MOST_LOADED + FLOOR_SLACK) * free:
        yield Fault(
            f"{where}.wheel.loaded_radius",
            f"left out, so it is the wheel centre's height over z = 0, {over:.0f} mm, which does "
            f"not go with a free radius of {free:.0f} mm",
            "give it, wheel centre to ground, where z = 0 is not the ground; else measure the "
            "centre again",
        )


def driveshaft_faults(key: str, table: AxleTable, reference: Reference) -> Iterator[Fault]:
    """A driveshaft without its joints, or its outer one off the spin axis. key: of the points."""
    points = reference.points
    if table.driveshaft is not None and "cv_outer" not in points:
        yield Fault(f"{key}.cv_outer", "missing", "a driveshaft needs cv_inner and cv_outer")
    if "cv_outer" in points:
        arm = points["cv_outer"] - points["wheel_centre"]
        off = float(length(arm - dot(arm, reference.spin_axis) * reference.spin_axis))
        if off > CV_OFF_AXIS_MM:
            yield Fault(
                f"{key}.cv_outer",
                f"{off:.1f} mm off the wheel's spin axis (camber and toe counted)",
                "the outer joint's centre lies on that axis: measure it, the wheel centre, camber "
                "and toe again",
            )
