"""What stops an axle first, as found: records with their words for a builder."""

from __future__ import annotations

from dataclasses import dataclass

from linkview.model.parts import Axle, Side

REACH = "edge of reach"


@dataclass(frozen=True)
class Stop:
    """One limit met. sides: whose; rack_mm, travel_mm: where, to 0.01 mm; value in `unit`.

    point: the hard point it sits at; for the edge of reach what gives out, in words.
    """

    name: str
    point: str
    sides: tuple[Side, ...]
    value: float
    unit: str
    rack_mm: float
    travel_mm: float

    @property
    def what(self) -> str:
        """'tie rod outer rod end misalignment at 12.0 deg, left wheel'."""
        wheels = " and ".join(side.value for side in self.sides)
        at = f": {self.point}" if self.name == REACH else f" at {self.value:.1f} {self.unit}"
        return f"{self.name}{at}, {wheels} wheel{'s' if len(self.sides) > 1 else ''}"


@dataclass(frozen=True)
class RowStops:
    """One travel: the first stop steering left and right, None where the grid ends before any.

    already: limits exceeded with the rack centred at this travel, left out of the search.
    """

    travel_mm: float
    left: Stop | None
    right: Stop | None
    already: tuple[Stop, ...]


@dataclass(frozen=True)
class FirstStops:
    """What comes first on an axle.

    already: limits exceeded at ride height, rack centred. ride: the locks at ride height, None
    where nothing steers. rows: the same at every travel of the grid. bump, droop: along travel with
    the rack centred, None where the grid ends before any stop. spring_loose: where the springs come
    loose in droop, which stops nothing. safe_rack_mm: the largest rack, each way, that meets no
    limit at any travel of the grid between droop and bump stops (a damper or spring at its end
    moves the wheel, not the rack, and bounds travel alone); None where there is
    none, or none can be named: no_safe_rack then says why.
    """

    axle: Axle
    already: tuple[Stop, ...]
    ride: RowStops | None
    rows: tuple[RowStops, ...]
    bump: Stop | None
    droop: Stop | None
    spring_loose: Stop | None
    safe_rack_mm: float | None
    no_safe_rack: str

    @property
    def words(self) -> tuple[str, ...]:
        """The summary, one line each; limits already exceeded come first."""
        out = [f"ALREADY EXCEEDED at ride height: {stop.what}" for stop in self.already]
        if self.ride is not None:
            for lock, stop in (("left", self.ride.left), ("right", self.ride.right)):
                found = (
                    f"{stop.what}, rack {stop.rack_mm:+.1f} mm" if stop else "no limit in the grid"
                )
                out.append(f"{lock} lock: {found}")
            if self.safe_rack_mm is None:
                out.append(f"no safe rack setting: {self.no_safe_rack}")
            else:
                out.append(
                    "rack inside every limit given, at the travels looked at: "
                    f"{self.safe_rack_mm:.1f} mm each way"
                )
        for way, stop in (("bump", self.bump), ("droop", self.droop)):
            found = (
                f"{stop.what}, travel {stop.travel_mm:+.1f} mm" if stop else "no limit in the grid"
            )
            out.append(f"{way}: {found}")
        if self.spring_loose:
            out.append(f"springs loose from travel {self.spring_loose.travel_mm:+.1f} mm in droop")
        return tuple(out)


def limit_shortfalls(axle: Axle, stops: FirstStops) -> list[str]:
    """Limits met inside the working rack or inside the travel range."""
    out = [f"{axle.name}: {stop.what}, already at ride height" for stop in stops.already]
    rack = axle.left.rack
    if stops.ride is not None and rack is not None:
        for lock, stop in (("left", stops.ride.left), ("right", stops.ride.right)):
            if stop is not None and abs(stop.rack_mm) < rack.working_mm - 0.01:
                out.append(
                    f"{axle.name} {lock} lock: {stop.what} at rack {stop.rack_mm:+.1f} mm, inside "
                    f"the working {rack.working_mm:g} mm"
                )
    ends = {"bump": (stops.bump, axle.left.travel.bump_mm)}
    ends["droop"] = (stops.droop, axle.left.travel.droop_mm)
    for way, (stop, end) in ends.items():
        if stop is not None and abs(stop.travel_mm) < abs(end) - 0.01:
            out.append(f"{axle.name} {way}: {_before(stop, end)}")
    return out


def _before(stop: Stop, end_mm: float) -> str:
    return f"{stop.what} at travel {stop.travel_mm:+.1f} mm, before {end_mm:+g} mm"
