"""How both wheels stand at each lock, the leading wheel first.

In a slide the LEADING wheel, on the side steered to, is the outside, loaded wheel (though it is the
inner one of the Ackermann condition): judge camber and trail there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linkview.alignment import steering, wheel
from linkview.alignment.on_road import Seen, seen
from linkview.alignment.posed import (
    ride_moment_arm_mm,
    toggle_deg,
    trail_and_scrub_mm,
)
from linkview.geometry import Array
from linkview.kinematics.sweep import AxleSweep, sweep_axle
from linkview.model.parts import Axle, Car, Side
from linkview.units import to_deg

STEPS = 15
SHORT_OF_THE_EDGE_MM = 1e-3
ROUNDS = 4


@dataclass(frozen=True)
class WheelAtLock:
    """One wheel at lock. trail_reverses_at_rack_mm: where its trail changes sign, None: nowhere."""

    side: Side
    steer_deg: float
    camber_deg: float
    camber_car_axis_deg: float
    trail_mm: float
    scrub_radius_mm: float
    toggle_deg: float
    trail_reverses_at_rack_mm: float | None


@dataclass(frozen=True)
class LockSummary:
    """Both wheels at one lock, ride height. toward: the side steered to.

    rack_mm: the working rack, or where the linkage got to if it does not reach that (reached is
    then False). percent_ackermann NaN where it means nothing.
    """

    toward: Side
    rack_mm: float
    reached: bool
    leading: WheelAtLock
    other: WheelAtLock
    percent_ackermann: float

    @property
    def words(self) -> str:
        """'left lock, rack -70.0 mm: leading wheel 55.3 deg, camber +8.5 deg, trail +93 mm ...'."""
        lead, other = self.leading, self.other
        short = "" if self.reached else " (the working rack is not reached)"
        turns = (
            ""
            if lead.trail_reverses_at_rack_mm is None
            else f", trail reverses at rack {lead.trail_reverses_at_rack_mm:+.1f} mm"
        )
        return (
            f"{self.toward.value} lock, rack {self.rack_mm:+.1f} mm{short}: "
            f"leading ({lead.side.value}) wheel {abs(lead.steer_deg):.1f} deg, "
            f"camber {lead.camber_deg:+.1f} deg, trail {lead.trail_mm:+.0f} mm{turns}; "
            f"other wheel {abs(other.steer_deg):.1f} deg, camber {other.camber_deg:+.1f} deg, "
            f"trail {other.trail_mm:+.0f} mm"
        )


def lock_summaries(
    axle: Axle, car: Car, pivots_over_wheelbase: float | None
) -> tuple[LockSummary, ...]:
    """Right lock, then left; empty where nothing steers or no steering axis can be found."""
    rack = axle.left.rack
    if rack is None or pivots_over_wheelbase is None:
        return ()
    both = []
    for way in (-1.0, 1.0):
        sweeps = _toward_lock(axle, way * rack.working_mm)
        ends = [abs(edge.rack_mm) for sweep in sweeps.corners for edge in sweep.edges]
        if ends:
            sweeps = _toward_lock(axle, way * (min(ends) - SHORT_OF_THE_EDGE_MM))
        left, right = (_wheel(side) for side in seen(sweeps, car))
        turned_left = left.steer_deg + right.steer_deg > 0.0
        lead, other = (left, right) if turned_left else (right, left)
        inner, outer = (np.deg2rad(np.abs(w.steer_deg)) for w in (lead, other))
        percent = steering.percent_ackermann(inner, outer, pivots_over_wheelbase)
        both.append(
            LockSummary(
                lead.side, float(sweeps.left.rack_mm[-1]), not ends, lead, other, float(percent)
            )
        )
    return tuple(sorted(both, key=lambda lock: lock.toward is Side.LEFT))


def _toward_lock(axle: Axle, rack_mm: float) -> AxleSweep:
    return sweep_axle(axle, np.linspace(0.0, rack_mm, STEPS), np.zeros(1))


def _wheel(side_seen: Seen) -> WheelAtLock:
    posed = side_seen.posed
    n, side = posed.spin_axis[-1, 0], posed.corner.side
    trail, scrub = (a[:, 0] for a in trail_and_scrub_mm(posed))
    toggle = np.full(len(trail), np.nan)
    if posed.corner.layout.tie_rod is not None:
        toggle = toggle_deg(posed, ride_moment_arm_mm(posed.corner))[:, 0]
    return WheelAtLock(
        side,
        float(to_deg(wheel.steer_rad(n))),
        float(to_deg(wheel.camber_rad(n, side.outboard))),
        float(to_deg(wheel.camber_car_axis_rad(n, side.outboard))),
        float(trail[-1]),
        float(scrub[-1]),
        float(toggle[-1]),
        _reversal(side_seen, trail),
    )


def _reversal(side_seen: Seen, trail: Array) -> float | None:
    """The rack at which the trail first changes sign on the way to lock, to 1e-5 mm."""
    turns = np.flatnonzero(trail[:-1] * trail[1:] <= 0.0)
    if not turns.size:
        return None
    i, rack_mm = int(turns[0]), side_seen.sweep.rack_mm
    a, b = rack_mm[i], rack_mm[i + 1]
    for _ in range(ROUNDS):  # into 32 parts each, of 5 mm: 5e-6 mm
        rack = np.linspace(a, b, 33)
        inside = side_seen.at_rack(np.full(33, i), np.zeros(33, dtype=np.intp), rack)
        signs = np.sign(trail_and_scrub_mm(inside)[0])
        k = max(int(np.argmax(signs != signs[0])), 1)
        a, b = rack[k - 1], rack[k]
    return float(a + b) / 2.0
