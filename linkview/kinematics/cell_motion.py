"""How far points of every part go inside a cell of inputs, beside their straight motion.

For n cells and points of one part: `now` where a point stands at the cell's middle, `by` its exact
rate there, and `slack`: nowhere in the cell is the point further than this from now + by @ q. So
by @ q may be taken off exactly between two parts that move together, and only the slack is added.
All bounds start from `cells.Reach` and hold over the whole cell; where that is not sure they are
infinite. Why each holds stands beside it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from linkview.geometry import Array, apply, dot, length, unit
from linkview.kinematics.cell_rows import farthest
from linkview.kinematics.cells import Inputs, Reach
from linkview.kinematics.corner import origin_of
from linkview.model.layouts import BODY, KNUCKLE, RACK, WHEEL
from linkview.model.parts import Corner

# |u(y + d) - u(y) - P d / |y|| <= 0.578 |d|^2 / least |y|^2 for the direction u of y: half the
# largest second derivative, sqrt(4 c^2 s^2 + s^4) <= sqrt(4 / 3).
_DIRECTION_BEND = 0.578


@dataclass(frozen=True, eq=False)
class Spots:
    """k points in n cells: now (n, k, 3) mm, by (n, k, 3, 2) mm per input, slack (n, k) mm."""

    now: Array
    by: Array
    slack: Array

    def take(self, which: Array) -> Spots:
        return Spots(self.now[which], self.by[which], self.slack[which])


@dataclass(frozen=True, eq=False)
class Field:
    """A rigid velocity field in n cells: at a place x it is shift + turn x (x - at), per input.

    at (n, 3); shift, turn (n, 3, 2).
    """

    at: Array
    shift: Array
    turn: Array

    def rates(self, places: Array) -> Array:
        """(n, k, 3) -> (n, k, 3, 2)."""
        arm = (places - self.at[:, None])[..., None]
        wx, wy, wz = (self.turn[:, None, i] for i in range(3))
        x, y, z = (arm[:, :, i] for i in range(3))
        out = np.stack([wy * z - wz * y, wz * x - wx * z, wx * y - wy * x], axis=2)
        out += self.shift[:, None]
        return np.asarray(out)

    def take(self, which: Array) -> Field:
        return Field(self.at[which], self.shift[which], self.turn[which])


@dataclass(frozen=True, eq=False)
class Motion:
    """One corner in n cells. poses: part -> (n, 4, 4) at the middles."""

    corner: Corner
    inputs: Inputs
    reach: Reach
    poses: Mapping[str, Array]
    _points: dict[str, Spots] = field(default_factory=dict, repr=False)

    # -- points --------------------------------------------------------------------------------

    def point(self, name: str) -> Spots:
        """A hard point, k = 1."""
        if name not in self._points:
            owner = self.corner.layout.owner(name)
            self._points[name] = self.spots(owner, self.corner.points[name][None])
        return self._points[name]

    def spots(self, part: str, at: Array) -> Spots:
        """Points (k, 3) of a part, given at the reference pose."""
        at, n = np.asarray(at, dtype=float), len(self.inputs.rack_mm)
        if part == BODY:
            still = np.broadcast_to(at, (n, *at.shape))
            return Spots(still, np.zeros((n, len(at), 3, 2)), np.zeros((n, len(at))))
        now = apply(self.poses[part][:, None], at)
        if part == RACK:
            return Spots(now, self.field(RACK).rates(now), np.zeros((n, len(at))))
        if (k := self._solved(part)) is not None:
            return self._on_solved(part, k, now)
        if part in self.corner.layout.arms:
            return self._on_arm(part, now)
        return self._on_line(part, at, now)

    def _on_solved(self, part: str, k: int, now: Array) -> Spots:
        """x = by q + d gives v + (exp(w) - 1) r, and |(exp(w) - 1) r - w x r| <= |w|^2 |r| / 2."""
        field, r = self.field(part), self.reach
        arm = length(now - field.at[:, None])
        slack = r.off_mm[:, k, None] + arm * (r.off_rad + 0.5 * r.turn_rad**2)[:, k, None]
        return Spots(now, field.rates(now), slack)

    def _on_arm(self, part: str, now: Array) -> Spots:
        """The arm turns about a fixed line by the angle a that its ball shows.

        radius sin a = tangent . (ball's way) gives |a - a' q| <= slack / radius + |a|^3 / 6, and a
        point at distance rho goes no further from its straight way than rho (that + a^2 / 2).
        """
        pivot, axis, ball, radius, _ = self._hinge(part)
        loose = ball.slack[:, 0]
        angle = self._arm_turn(part)
        off = loose / radius + angle**3 / 6.0
        away = now - pivot
        rho = length(away - dot(away, axis)[..., None] * axis)
        return Spots(now, self.field(part).rates(now), rho * (off + 0.5 * angle**2)[:, None])

    def _on_line(self, part: str, at: Array, now: Array) -> Spots:
        """Rods, spans and struts: a part that stands at one point and looks at another.

        On its own axis a point is start + d u, u the direction to the other end: a share of the
        way where the length is fixed, else bent by no more than _DIRECTION_BEND. Off it, a point
        besides turns with the part; that is not followed, only bounded.
        """
        start, end = self._ends(part)
        a, b = self.point(start), self.point(end)
        points = self.corner.points
        axis = unit(points[end] - points[start])
        d = dot(at - points[start], axis)
        off = length(at - points[start] - d[:, None] * axis)
        y = b.now[:, 0] - a.now[:, 0]
        span = length(y)
        if part in self.corner.layout.rods:
            t = d / self.corner.distance_mm(start, end)
            by = (1.0 - t)[:, None, None] * a.by + t[:, None, None] * b.by
            with np.errstate(invalid="ignore"):  # none of what has no bound: NaN closes no cell
                slack = np.abs(1.0 - t) * a.slack + np.abs(t) * b.slack
        else:
            u = y / span[:, None]
            rate = b.by[:, 0] - a.by[:, 0]
            across = (rate - u[:, :, None] * np.einsum("ni,nij->nj", u, rate)[:, None]) / span[
                :, None, None
            ]
            loose = a.slack[:, 0] + b.slack[:, 0]
            way = farthest(rate, self.inputs.half) + loose
            least = span - way
            with np.errstate(divide="ignore", invalid="ignore"):
                bent = np.where(
                    least > 0, loose / span + _DIRECTION_BEND * (way / least) ** 2, np.inf
                )
            by = a.by + d[:, None, None] * across[:, None]
            slack = a.slack + np.abs(d) * bent[:, None]
        if (off > 0).any():
            with np.errstate(invalid="ignore"):
                turning = np.where(off > 0, off * self.turn_of(part)[:, None], 0.0)
            slack = slack + turning
        return Spots(now, np.broadcast_to(by, (*now.shape, 2)), slack)

    # -- rigid fields ----------------------------------------------------------------------------

    def field(self, part: str) -> Field:
        """The part's exact velocity at the cell's middle (for a rod without its free spin)."""
        n = len(self.inputs.rack_mm)
        none = np.zeros((n, 3, 2))
        if part == BODY:
            return Field(np.zeros((n, 3)), none, none)
        if part == RACK:
            assert self.corner.rack is not None
            shift = none.copy()
            shift[:, :, 0] = self.corner.rack.axis
            return Field(np.zeros((n, 3)), shift, none)
        if (k := self._solved(part)) is not None:
            home = origin_of(self.corner, self.corner.layout.solved[k])
            by = self.reach.by[:, 6 * k : 6 * k + 6]
            return Field(apply(self.poses[part], home), by[:, :3], by[:, 3:])
        if part in self.corner.layout.arms:
            pivot, axis, ball, radius, tangent = self._hinge(part)
            rate = np.einsum("ni,nij->nj", tangent, ball.by[:, 0]) / radius
            return Field(np.broadcast_to(pivot, (n, 3)), none, axis[:, None] * rate[:, None])
        start, end = self._ends(part)
        a, b = self.point(start), self.point(end)
        y = b.now[:, 0] - a.now[:, 0]
        turn = np.cross(y[:, :, None], b.by[:, 0] - a.by[:, 0], axis=1) / dot(y, y)[:, None, None]
        return Field(a.now[:, 0], a.by[:, 0], turn)

    # -- how far things turn, for limits ---------------------------------------------------------

    def turn_of(self, part: str) -> Array:
        """(n,) rad: no pose of the part in the cell is turned further from the middle's.

        A part that looks along a line turns the shortest way from the reference direction u0. That
        turn is a function of the direction alone; along the great circle from one direction to
        another it turns no faster than the direction over cos(t / 2), t the angle from u0.
        """
        if part in (BODY, RACK):
            return np.zeros(len(self.inputs.rack_mm))
        if (k := self._solved(part)) is not None:
            return self.reach.turn_rad[:, k]
        if part in self.corner.layout.arms:
            return self._arm_turn(part)
        start, end = self._ends(part)
        swing = self.swing_of(start, end)
        points = self.corner.points
        straight = unit(points[end] - points[start])
        now = unit(self.point(end).now[:, 0] - self.point(start).now[:, 0])
        away = 2.0 * np.arcsin(np.minimum(0.5 * length(now - straight), 1.0)) + swing
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(away < 3.0, swing / np.cos(np.minimum(away, 3.0) / 2.0), np.inf)

    def swing_of(self, start: str, end: str) -> Array:
        """(n,) rad: how far the direction from one hard point to another can turn in the cell."""
        way = self.apart(start, end)
        span = length(self.point(end).now[:, 0] - self.point(start).now[:, 0])
        share = np.minimum(way / span, 1.0)
        return np.where(share < 1.0, np.arcsin(share), np.inf)

    def apart(self, start: str, end: str) -> Array:
        """(n,) mm: how far one hard point can go as seen from another."""
        a, b = self.point(start), self.point(end)
        way = farthest(b.by[:, 0] - a.by[:, 0], self.inputs.half)
        return np.asarray(way + a.slack[:, 0] + b.slack[:, 0])

    # -- inner things ----------------------------------------------------------------------------

    def _solved(self, part: str) -> int | None:
        """Which of the parts that are solved for it is, the wheel being the knuckle."""
        solved = self.corner.layout.solved
        part = KNUCKLE if part == WHEEL else part
        return solved.index(part) if part in solved else None

    def _ends(self, part: str) -> tuple[str, str]:
        layout = self.corner.layout
        if part in layout.struts:
            return layout.struts[part].top, layout.struts[part].lower
        rod = {**layout.rods, **layout.spans}[part]
        return rod.inner, rod.outer

    def _hinge(self, part: str) -> tuple[Array, Array, Spots, float, Array]:
        """A fixed point and direction (3,), the ball, its distance, its tangent now (n, 3)."""
        arm = self.corner.layout.arms[part]
        pivot, other = (self.corner.points[p] for p in arm.pivots)
        axis, ball = unit(other - pivot), self.point(arm.ball)
        away = ball.now[:, 0] - pivot
        out = away - dot(away, axis)[:, None] * axis
        radius = float(length(np.cross(axis, self.corner.points[arm.ball] - pivot)))
        return pivot, axis, ball, radius, np.cross(axis, unit(out))

    def _arm_turn(self, part: str) -> Array:
        """The chord that the ball covers gives the angle: 2 asin(chord / 2 radius)."""
        _, _, ball, radius, _ = self._hinge(part)
        chord = farthest(ball.by[:, 0], self.inputs.half) + ball.slack[:, 0]
        share = 0.5 * chord / radius
        return np.where(share < 1.0, 2.0 * np.arcsin(np.minimum(share, 1.0)), np.inf)
