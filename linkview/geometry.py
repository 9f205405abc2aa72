"""Vectors, angles, rotations and rigid moves in plain numpy.

Frame: right-handed, x forward, y left, z up (ISO 8855:2011 directions); millimetres, radians.
Vectors are (..., 3); rigid moves are (..., 4, 4) and act on column vectors, so that
`apply(move, point)` is where a point of the car as measured has gone.

Complex numbers pass through where a reading's derivative is wanted: with an imaginary part i h d on
what goes in, the imaginary part of what comes out is h times the derivative along d, exact to
rounding for a tiny h. Source: W. Squire and G. Trapp, "Using Complex Variables to Estimate
Derivatives of Real Functions", SIAM Review 40 (1998) 110-112.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array: TypeAlias = NDArray[np.float64]
Index: TypeAlias = NDArray[np.intp]
Flags: TypeAlias = NDArray[np.bool_]

X = np.array([1.0, 0.0, 0.0])
Y = np.array([0.0, 1.0, 0.0])
Z = np.array([0.0, 0.0, 1.0])
for _axis in (X, Y, Z):
    _axis.flags.writeable = False


def frozen(values: ArrayLike) -> Array:
    """A read-only float copy; frozen dataclasses do not freeze the arrays inside them."""
    out = np.array(values, dtype=float)
    out.flags.writeable = False
    return out


def numbers(v: ArrayLike) -> Array:
    """An array of floats, or the complex one it is."""
    out = np.asarray(v)
    return out if out.dtype.kind == "c" else np.asarray(out, dtype=float)


def length(v: ArrayLike) -> Array:
    """Length of (..., 3) vectors. Returns (...)."""
    v = numbers(v)
    return np.asarray(np.sqrt(_summed(v * v)))


def _summed(v: Array) -> Array:
    """Sums along the last axis; numpy's own take five times as long along one so short."""
    out = v[..., 0]
    for k in range(1, v.shape[-1]):
        out = out + v[..., k]
    return out


def unit(v: ArrayLike) -> Array:
    """(..., 3) vectors scaled to length 1; a zero vector gives NaN."""
    v = numbers(v)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(v / length(v)[..., None])


def dot(a: ArrayLike, b: ArrayLike) -> Array:
    """Scalar product along the last axis. (..., 3), (..., 3) -> (...)."""
    return np.asarray(_summed(numbers(a) * numbers(b)))


def cross(a: Array, b: Array) -> Array:
    """Cross products of arrays (..., 3), complex ones too; numpy's own takes five times as long
    for the few vectors of one pose.
    """
    ax, ay, az, bx, by, bz = *(a[..., k] for k in range(3)), *(b[..., k] for k in range(3))
    out = np.empty((*np.broadcast_shapes(a.shape, b.shape)[:-1], 3), np.result_type(a, b))
    out[..., 0] = ay * bz - az * by
    out[..., 1] = az * bx - ax * bz
    out[..., 2] = ax * by - ay * bx
    return out


def arctan2(y: ArrayLike, x: ArrayLike) -> Array:
    """numpy's arctan2; of complex numbers with its derivative in the imaginary part."""
    y, x = numbers(y), numbers(x)
    if y.dtype.kind != "c" and x.dtype.kind != "c":
        return np.asarray(np.arctan2(y, x))
    real = np.arctan2(y.real, x.real)
    turn = (x.real * y.imag - y.real * x.imag) / (x.real**2 + y.real**2)
    return np.asarray(real + 1j * turn)


def magnitude(x: ArrayLike) -> Array:
    """The size of real numbers; of complex ones with its derivative in the imaginary part."""
    x = numbers(x)
    return np.asarray(np.where(x.real < 0.0, -x, x))


def angle_between(a: ArrayLike, b: ArrayLike) -> Array:
    """Angle between two directions of any length, radians in [0, pi]. Returns (...).

    Source: W. Kahan, "How Futile Are Mindless Assessments of Roundoff", sect. 12;
    unlike arccos it keeps its digits near 0 and pi.
    """
    ua, ub = unit(a), unit(b)
    return np.asarray(2.0 * np.arctan2(length(ua - ub), length(ua + ub)))


def perpendicular(v: ArrayLike) -> Array:
    """Some unit vector square to each (..., 3) direction; stable, never zero."""
    u = unit(v)
    least = np.argmin(np.abs(u.real), axis=-1)
    return unit(cross(u, np.eye(3)[least]))


def rotation_from_vector(w: ArrayLike) -> Array:
    """Rotation matrices (..., 3, 3) of rotation vectors (..., 3) in radians (Rodrigues)."""
    w = np.asarray(w, dtype=float)
    angle2 = np.sum(w * w, axis=-1)
    angle = np.sqrt(angle2)
    small = angle2 < 1e-8
    safe = np.where(small, 1.0, angle)
    a = np.where(small, 1.0 - angle2 / 6.0, np.sin(safe) / safe)
    b = np.where(small, 0.5 - angle2 / 24.0, 2.0 * (np.sin(safe / 2.0) / safe) ** 2)
    k = skew(w)
    return np.asarray(np.eye(3) + a[..., None, None] * k + b[..., None, None] * (k @ k))


def skew(w: ArrayLike) -> Array:
    """Matrices (..., 3, 3) with skew(w) @ v = w x v."""
    w = numbers(w)
    out = np.zeros((*w.shape[:-1], 3, 3), dtype=w.dtype)
    out[..., 0, 1], out[..., 0, 2], out[..., 1, 2] = -w[..., 2], w[..., 1], -w[..., 0]
    out[..., 1, 0], out[..., 2, 0], out[..., 2, 1] = w[..., 2], -w[..., 1], w[..., 0]
    return out


def turn_between(a: ArrayLike, b: ArrayLike) -> Array:
    """The smallest rotation (..., 3, 3) that takes direction a to direction b.

    Opposite directions have no single smallest turn; any half turn is returned.
    """
    ua, ub = np.broadcast_arrays(unit(a), unit(b))
    axis = cross(ua, ub)
    s = length(axis)
    angle = np.arctan2(s, dot(ua, ub))
    flip = (s < 1e-12) & (dot(ua, ub) < 0)
    axis = np.where(flip[..., None], perpendicular(ua), axis)
    s = np.where(flip, 1.0, s)
    safe = np.where(s > 0, s, 1.0)
    return rotation_from_vector(axis / safe[..., None] * angle[..., None])


def turn_angle_rad(turn: Array) -> Array:
    """How far rotations (..., 3, 3) turn, about whatever axis: (...), 0 to pi."""
    cosine = (np.trace(turn, axis1=-2, axis2=-1) - 1.0) / 2.0
    return np.asarray(np.arccos(np.clip(cosine, -1.0, 1.0)))


def smallest_turn(a: Array, b: Array) -> Array:
    """The smallest rotation (n, 3, 3) that takes unit vectors a to b (n, 3), complex ones too.

    c I + [w] + w w' / (1 + c) for the cross product w and cosine c; not for nearly half a turn.
    """
    w, c = cross(a, b), dot(a, b)
    with np.errstate(invalid="ignore"):  # NaN beyond reach
        out = w[..., :, None] * (w / (1.0 + c)[..., None])[..., None, :]
    return np.asarray(out + skew(w) + c[..., None, None] * np.eye(3))


def smallest_turn_rate(a: Array, a_rate: Array, b: Array) -> Array:
    """How fast that rotation changes (n, 3, 3) while a goes on at a_rate (n, 3) and b stays."""
    w, c = np.cross(a, b), dot(a, b)[..., None, None]
    dw, dc = np.cross(a_rate, b), dot(a_rate, b)[..., None, None]
    with np.errstate(invalid="ignore"):  # NaN beyond reach
        both = dw[..., :, None] * w[..., None, :]
        square = w[..., :, None] * w[..., None, :]
        out = (both + np.swapaxes(both, -1, -2) - square * dc / (1.0 + c)) / (1.0 + c)
    return np.asarray(out + skew(dw) + dc * np.eye(3))


def unit_rate(v: Array, v_rate: Array) -> Array:
    """How fast the unit vector along v (..., 3) changes."""
    u = unit(v)
    return np.asarray((v_rate - u * dot(u, v_rate)[..., None]) / length(v)[..., None])


def quaternions_of(turn: Array) -> Array:
    """Rotations (..., 3, 3) as unit quaternions (..., 4) x, y, z, w of either sign; NaN stays NaN.

    Four times the products of every two of x, y, z, w are sums of the matrix's elements; they are
    divided by the largest of the four. Source: S. W. Shepperd, Journal of Guidance and Control 1
    (1978) 223 (from memory); checked against scipy, which takes 0.2 s to load.
    """
    t = np.moveaxis(np.asarray(turn, dtype=float), (-2, -1), (0, 1))
    (xx, xy, xz), (yx, yy, yz), (zx, zy, zz) = t
    products = np.array(
        [
            [1.0 + xx - yy - zz, xy + yx, xz + zx, zy - yz],
            [xy + yx, 1.0 - xx + yy - zz, yz + zy, xz - zx],
            [xz + zx, yz + zy, 1.0 - xx - yy + zz, yx - xy],
            [zy - yz, xz - zx, yx - xy, 1.0 + xx + yy + zz],
        ]
    )
    largest = np.argmax(products[range(4), range(4)], axis=0)
    out = np.take_along_axis(products, largest[None, None], axis=0)[0]
    return np.asarray(np.moveaxis(out / np.sqrt((out * out).sum(axis=0)), 0, -1))


def turn_of(quaternion: Array) -> Array:
    """The rotations (..., 3, 3) of quaternions (..., 4) x, y, z, w of any length."""
    unit_of = quaternion / np.sqrt((quaternion * quaternion).sum(axis=-1))[..., None]
    v, w = unit_of[..., :3], unit_of[..., 3, None, None]
    k = skew(v)
    return np.asarray(np.eye(3) + 2.0 * (w * k + k @ k))


def rigid(rotation: ArrayLike, position: ArrayLike) -> Array:
    """Rigid moves (..., 4, 4) from rotations (..., 3, 3) and translations (..., 3)."""
    rotation, position = np.asarray(rotation, dtype=float), np.asarray(position, dtype=float)
    shape = np.broadcast_shapes(rotation.shape[:-2], position.shape[:-1])
    out = np.zeros((*shape, 4, 4))
    out[..., :3, :3], out[..., :3, 3], out[..., 3, 3] = rotation, position, 1.0
    return out


def turn_about(rotation: ArrayLike, pivot: ArrayLike, to: ArrayLike) -> Array:
    """The rigid move that rotates the car's space and takes `pivot` to `to`."""
    rotation, pivot = np.asarray(rotation, dtype=float), np.asarray(pivot, dtype=float)
    return rigid(rotation, np.asarray(to, dtype=float) - np.einsum("...ij,...j", rotation, pivot))


def apply(move: ArrayLike, point: ArrayLike) -> Array:
    """Points (..., 3) carried by rigid moves (..., 4, 4); leading shapes broadcast."""
    move, point = numbers(move), numbers(point)
    return np.asarray(np.einsum("...ij,...j->...i", move[..., :3, :3], point) + move[..., :3, 3])


def apply_direction(move: ArrayLike, direction: ArrayLike) -> Array:
    """Directions (..., 3) turned by rigid moves (..., 4, 4), not shifted."""
    move = numbers(move)
    return np.asarray(np.einsum("...ij,...j->...i", move[..., :3, :3], np.asarray(direction)))


def inverse(move: ArrayLike) -> Array:
    """The move back; exact for rigid moves."""
    move = np.asarray(move, dtype=float)
    back = np.swapaxes(move[..., :3, :3], -1, -2)
    return rigid(back, -np.einsum("...ij,...j->...i", back, move[..., :3, 3]))


def best_fit(given: ArrayLike, wanted: ArrayLike) -> tuple[Array, Array]:
    """The rigid move (4, 4) that takes points given (n, 3) nearest to wanted (n, 3), n >= 3.

    Least squares, never a mirror image; and how far each point ends from its mark, (n,). Source:
    W. Kabsch, Acta Crystallographica A32 (1976) 922 (from memory); checked against scipy.
    """
    a, b = np.asarray(given, dtype=float), np.asarray(wanted, dtype=float)
    from_, to = a.mean(axis=0), b.mean(axis=0)
    u, _, vt = np.linalg.svd((b - to).T @ (a - from_))
    turn = u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt
    move = rigid(turn, to - turn @ from_)
    return move, length(apply(move, a) - b)


def best_scale(given: ArrayLike, wanted: ArrayLike) -> float:
    """How many times larger wanted (n, 3) is than given (n, 3), as the best fit of both shows.

    Least squares over turn, shift and scale. Source: S. Umeyama, IEEE Transactions on Pattern
    Analysis and Machine Intelligence 13 (1991) 376 (from memory); checked against a published case.
    """
    a, b = np.asarray(given, dtype=float), np.asarray(wanted, dtype=float)
    a, b = a - a.mean(axis=0), b - b.mean(axis=0)
    u, s, vt = np.linalg.svd(b.T @ a)
    s[-1] *= np.sign(np.linalg.det(u @ vt))
    return float(s.sum() / np.sum(a * a))


def mirrored(v: ArrayLike) -> Array:
    """Points or directions (..., 3) mirrored left to right (y changes sign)."""
    return np.asarray(numbers(v) * np.array([1.0, -1.0, 1.0]))


def mirrored_move(move: ArrayLike) -> Array:
    """The rigid move (..., 4, 4) that the mirrored part makes."""
    m = np.diag([1.0, -1.0, 1.0, 1.0])
    return np.asarray(m @ np.asarray(move, dtype=float) @ m)
