"""Gaps between single pairs of bodies, each against a truth that linkview did not write.

Second engines: python-fcl and coal mesh trees (a core polygon turned into a fine mesh stands for
a rounded solid of revolution: the gap to the core less the rounding is the gap to the solid),
shapely for meridian sections, scipy's bounded least squares for segments, closed forms.
"""

from __future__ import annotations

import itertools

import fcl
import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike
from scipy.optimize import lsq_linear

from linkview.clearance.answers import GapState, PairGap
from linkview.clearance.bodies import RevolvedSolid, Solid, TubeSolid, placed
from linkview.clearance.compiled import compile_all, kernels
from linkview.clearance.distance import (
    GAP,
    SEGMENT_TOLERANCE_MM,
    SURFACE_TOLERANCE_MM,
    pair_gap,
)
from linkview.clearance.meshes import MeshSolid, solid_of
from linkview.clearance.revolved import own_frame, piece_of
from linkview.clearance.winding import winding_number, wrapped
from linkview.errors import UnknownName
from linkview.geometry import Array, apply, inverse, length, rigid, rotation_from_vector
from linkview.model.bodies import Anchor, Box, Profile, Revolved, Tube

ROUNDING_MM = 1e-9
TYRE = Profile(np.array([[-84.0, 233.0], [84.0, 233.0], [84.0, 289.0], [-84.0, 289.0]]), 28.0)
RIM = tuple(
    Profile(np.array(corners, dtype=float))
    for corners in (
        [[-108, 205], [-108, 200], [108, 200], [108, 205]],
        [[-108, 205], [-108, 232], [-100, 232], [-100, 205]],
        [[100, 205], [100, 232], [108, 232], [108, 205]],
        [[20, 60], [30, 60], [30, 200], [20, 200]],
    )
)


# --- bodies and poses to measure --------------------------------------------------------------


def tube(*points: ArrayLike, radius: float = 10.0, part: str = "arm", name: str = "") -> TubeSolid:
    anchors = tuple(Anchor(part, np.asarray(p, dtype=float)) for p in points)
    solid = placed(Tube(name or f"tube {part}", part, anchors, radius))
    assert isinstance(solid, TubeSolid)
    return solid


def turned(*profiles: Profile, part: str = "wheel", axis: ArrayLike = (0, 1, 0)) -> RevolvedSolid:
    body = Revolved(f"turned {part}", part, np.zeros(3), np.asarray(axis, dtype=float), profiles)
    solid = placed(body)
    assert isinstance(solid, RevolvedSolid)
    return solid


def box(lo: ArrayLike, hi: ArrayLike, part: str = "body", name: str = "box") -> MeshSolid:
    solid = placed(Box(name, part, np.asarray(lo, dtype=float), np.asarray(hi, dtype=float)))
    assert isinstance(solid, MeshSolid)
    return solid


def bumpy(rng: np.random.Generator, radius: float, part: str = "body") -> MeshSolid:
    """A closed ball of 320 triangles pushed in and out, so that it is not convex."""
    ball = trimesh.creation.icosphere(subdivisions=2, radius=radius)
    scale = rng.uniform(0.6, 1.3, len(ball.vertices))[:, None]
    return solid_of(
        f"bumpy {part}", part, np.array(ball.vertices) * scale, np.array(ball.faces), ()
    )


def random_moves(rng: np.random.Generator, n: int, spread_mm: float) -> Array:
    return rigid(rotation_from_vector(rng.normal(size=(n, 3))), rng.normal(size=(n, 3)) * spread_mm)


def still(n: int = 1) -> Array:
    return np.tile(np.eye(4), (n, 1, 1))


def one(a: Solid, b: Solid) -> PairGap:
    """The pair at the reference pose."""
    return pair_gap(a, b, {part: still() for part in ("arm", "wheel", "knuckle")})


# --- second engines ---------------------------------------------------------------------------


def fcl_gap(a: Array, b: Array, moves: Array) -> Array:
    """Triangles a (f, 3, 3) fixed, b moved: the library's own distance, pose by pose."""
    models = []
    for triangles in (a, b):
        model = fcl.BVHModel()
        model.beginModel(len(triangles), 3 * len(triangles))
        model.addSubModel(triangles.reshape(-1, 3), np.arange(3 * len(triangles)).reshape(-1, 3))
        model.endModel()
        models.append(fcl.CollisionObject(model, fcl.Transform()))
    out = []
    for move in moves:
        models[1].setTransform(fcl.Transform(move[:3, :3], move[:3, 3]))
        out.append(fcl.distance(*models, fcl.DistanceRequest(), fcl.DistanceResult()))
    return np.array(out)


def coal_gap(a: Array, b: Array, moves: Array) -> Array:
    """The same by coal; only its BVHModelOBBRSS, its other trees are known to be slow."""
    coal = pytest.importorskip("coal")
    models = []
    for triangles in (a, b):
        model = coal.BVHModelOBBRSS()
        model.beginModel(len(triangles), 3 * len(triangles))
        points, faces = coal.StdVec_Vec3s(), coal.StdVec_Triangle()
        for corner in triangles.reshape(-1, 3):
            points.append(corner)
        for i in range(len(triangles)):
            faces.append(coal.Triangle(3 * i, 3 * i + 1, 3 * i + 2))
        model.addSubModel(points, faces)
        model.endModel()
        models.append(model)
    out = []
    for move in moves:
        place = coal.Transform3s(move[:3, :3], move[:3, 3])
        result = coal.DistanceResult()
        request = coal.DistanceRequest()
        out.append(coal.distance(models[0], coal.Transform3s(), models[1], place, request, result))
    return np.array(out)


def core_mesh(profile: Profile, sections: int = 1500) -> Array:
    """The core polygon about the y axis as triangles; at 300 mm its chords sag 0.0007 mm."""
    angle = np.linspace(0, 2 * np.pi, sections, endpoint=False)
    along, radius = profile.corners.T
    ring = np.stack(
        [
            radius[:, None] * np.cos(angle),
            np.broadcast_to(along[:, None], (len(along), sections)),
            radius[:, None] * np.sin(angle),
        ],
        axis=-1,
    )
    nxt = np.roll(ring, -1, axis=1)
    up, up_nxt = np.roll(ring, -1, axis=0), np.roll(nxt, -1, axis=0)
    return np.concatenate(
        [
            np.stack([ring, nxt, up], 2).reshape(-1, 3, 3),
            np.stack([nxt, up_nxt, up], 2).reshape(-1, 3, 3),
        ]
    )


def section_distance(profiles: tuple[Profile, ...], points: Array) -> Array:
    """Signed distance to a solid about the y axis by shapely, in its meridian section."""
    at = shapely.points(points[:, 1], np.hypot(points[:, 0], points[:, 2]))
    out = np.full(len(points), np.inf)
    for profile in profiles:
        polygon = shapely.Polygon(profile.corners)
        inside = shapely.contains(polygon, at)
        edge = shapely.distance(polygon.exterior, at)
        out = np.minimum(out, np.where(inside, -edge, edge) - profile.rounding_mm)
    return out


@pytest.fixture(scope="module", autouse=True)
def _compiled() -> None:
    """So that no single example waits for the compiler."""
    compile_all()


# --- segments ---------------------------------------------------------------------------------

DEPTH_TOLERANCE_MM = 0.1


def between_segments(a0: Array, a1: Array, b0: Array, b1: Array) -> tuple[float, Array, Array]:
    gap, on_a, on_b = np.empty(1), np.empty((1, 3)), np.empty((1, 3))
    kernels().lines_apart(np.array([[a0, a1]]), np.array([[b0, b1]]), gap, on_a, on_b)
    return float(gap[0]), on_a[0], on_b[0]


def segment_to_triangle(start: Array, end: Array, triangle: Array) -> tuple[float, Array, Array]:
    on_s, on_t = np.empty(3), np.empty(3)
    apart = kernels().line_to_triangle(np.array([start, end]), triangle.copy(), on_s, on_t)
    return apart, on_s, on_t


def test_skew_lines_of_a_textbook() -> None:
    # Truth: Stewart, Calculus: lines (1+t, -2+3t, 4-t) and (2s, 3+s, -3+4s) are 8/sqrt(230) apart,
    # at t = 2.026087, s = 1.286957.
    a0, along_a = np.array([1.0, -2.0, 4.0]), np.array([1.0, 3.0, -1.0])
    b0, along_b = np.array([0.0, 3.0, -3.0]), np.array([2.0, 1.0, 4.0])
    apart, on_a, on_b = between_segments(a0, a0 + 3 * along_a, b0, b0 + 3 * along_b)
    assert apart == pytest.approx(8 / np.sqrt(230), abs=1e-12)
    assert on_a == pytest.approx(a0 + 2.026087 * along_a, abs=5e-6)
    assert on_b == pytest.approx(b0 + 1.286957 * along_b, abs=5e-6)
    # On [0, 1] both clamp at 1: sqrt(13).
    apart, _, _ = between_segments(a0, a0 + along_a, b0, b0 + along_b)
    assert apart == pytest.approx(np.sqrt(13), abs=1e-12)


def test_crossed_segments_of_known_height() -> None:
    # Truth: check by hand; the lines are square to each other, 2.4 apart along y.
    apart, _, _ = between_segments(
        np.zeros(3), np.array([1.0, 0, 0]), np.array([0, 2.4, -1.0]), np.array([0, 2.4, 3.0])
    )
    assert apart == pytest.approx(2.4, abs=1e-15)


@given(st.integers(0, 2**32 - 1), st.sampled_from([1.0, 1e-3, 1e-7, 0.0]))
def test_segments_against_bounded_least_squares(seed: int, tilt: float) -> None:
    # Truth: scipy's lsq_linear on |a0 + s u - b0 - t v| with 0 <= s, t <= 1; tilt 0 is parallel.
    rng = np.random.default_rng(seed)
    a0, b0, u = rng.normal(size=(3, 3)) * 100
    v = u + tilt * rng.normal(size=3) * 100
    apart, on_a, on_b = between_segments(a0, a0 + u, b0, b0 + v)
    truth = lsq_linear(np.stack([u, -v], axis=1), b0 - a0, bounds=(0, 1), tol=1e-14)
    assert apart <= np.sqrt(2 * truth.cost) + 1e-6
    assert apart >= np.sqrt(2 * truth.cost) - 1e-4  # the other engine stops short by up to this
    assert length(on_a - on_b) == pytest.approx(apart, abs=1e-12)


def test_segments_of_no_length_are_points() -> None:
    p, q = np.array([0.0, 0, 0]), np.array([3.0, 4, 0])
    assert between_segments(p, p, q, q)[0] == pytest.approx(5.0)
    assert between_segments(p, p, np.array([3.0, -9, 0]), np.array([3.0, 9, 0]))[0] == 3.0


@pytest.mark.parametrize(
    ("start", "end", "truth"),
    [
        ((1, 1, 5), (1, 1, 2), 2.0),  # end above the face
        ((1, 1, 5), (1, 1, -2), 0.0),  # through the face
        ((-3, 1, -4), (-3, 1, 4), 3.0),  # past the edge x = 0
        ((-3, -4, 0), (-3, -4, 9), 5.0),  # past the corner
        ((1, 1, 7), (2, 2, 7), 7.0),  # parallel to the face
        ((-5, 1, 0), (50, 1, 0), 0.0),  # in the plane of the face, across it
    ],
)
def test_segment_to_triangle_by_hand(start: ArrayLike, end: ArrayLike, truth: float) -> None:
    triangle = np.array([[0.0, 0, 0], [10, 0, 0], [0, 10, 0]])
    apart, on_s, on_t = segment_to_triangle(
        np.asarray(start, dtype=float), np.asarray(end, dtype=float), triangle
    )
    assert apart == pytest.approx(truth, abs=1e-12)
    assert length(on_s - on_t) == pytest.approx(truth, abs=1e-12)


# --- tube to tube -----------------------------------------------------------------------------


def test_tubes_side_by_side_and_overlapping() -> None:
    a = tube((0, 0, 0), (100, 0, 0), radius=10)
    near = tube((0, 30, 0), (100, 30, 0), radius=5, part="body")
    found = one(a, near)
    assert found.gap_mm[0] == pytest.approx(15.0, abs=ROUNDING_MM)
    deep = one(a, tube((50, 12, -90), (50, 12, 90), radius=5, part="body"))
    assert deep.gap_mm[0] == pytest.approx(-3.0, abs=ROUNDING_MM)
    assert deep.state[0] == GapState.MEASURED


def test_tubes_whose_centre_lines_cross_are_contact_at_least_both_radii_deep() -> None:
    found = one(
        tube((-50, 0, 0), (50, 0, 0), radius=10),
        tube((0, -50, 0), (0, 50, 0), radius=5, part="body"),
    )
    assert found.state[0] == GapState.CONTACT
    assert found.gap_mm[0] == pytest.approx(-15.0, abs=ROUNDING_MM)


def test_a_tube_on_two_parts_follows_both() -> None:
    anchors = (Anchor("body", np.zeros(3)), Anchor("arm", np.array([100.0, 0, 0])))
    spring = placed(Tube("spring", "strut", anchors, 10.0))
    post = tube((80, 60, -50), (80, 60, 50), radius=10, part="body")
    up = np.stack([np.eye(4), rigid(np.eye(3), [-20.0, 60.0, 0.0])])
    found = pair_gap(spring, post, {"arm": up})
    # Truth by hand: first 60 - 20; then the far end stands on the post's centre line.
    assert found.gap_mm[0] == pytest.approx(40.0, abs=ROUNDING_MM)
    assert found.state[1] == GapState.CONTACT


# --- solids of revolution ---------------------------------------------------------------------


@example(0.0, 0.0, 2.2250738585e-313, 1.0)  # a number too small to divide by
@given(st.floats(-200, 200), st.floats(-400, 400), st.floats(-400, 400), st.floats(1, 60))
def test_ball_against_a_ring(x: float, y: float, z: float, radius: float) -> None:
    # Truth: closed form of the torus: |(|p| across the axis - R, along the axis)| - r.
    ring = turned(Profile(np.array([[0.0, 250.0]]), 40.0), axis=(1, 0, 0))
    found = one(ring, tube((x, y, z), radius=radius, part="arm"))
    truth = np.hypot(np.hypot(y, z) - 250.0, x) - 40.0 - radius
    assert found.gap_mm[0] == pytest.approx(truth, abs=ROUNDING_MM)
    if truth > 0:
        assert length(found.on_a - found.on_b)[0] == pytest.approx(truth, abs=1e-6)


@given(st.integers(0, 2**32 - 1))
def test_no_point_of_a_ring_is_nearer_than_found(seed: int) -> None:
    # Truth: signed distances of points strewn over the other solid's skin, which the search, with
    # its hulls of ring patches, never sees. None may be nearer than the least it found.
    rng = np.random.default_rng(seed)
    disc = turned(
        Profile(np.array([[-9.0, 60], [9, 60], [9, 170], [-9, 170]])), axis=(0, 1, 0), part="body"
    )
    can = turned(Profile(np.array([[-40.0, 5], [40, 5], [40, 30], [-40, 30]]), 4.0), part="arm")
    move = random_moves(rng, 1, 150.0)
    found = pair_gap(disc, can, {"arm": move})
    corners = can.pieces[0].corners
    edge, share = rng.integers(0, 4, 3000), rng.uniform(0, 1, 3000)[:, None]
    meridian = corners[edge] * (1 - share) + np.roll(corners, -1, axis=0)[edge] * share
    turn = rng.uniform(0, 2 * np.pi, 3000)
    u, rho = meridian.T
    own = np.stack([u, rho * np.cos(turn), rho * np.sin(turn)], axis=1)
    skin = apply(inverse(disc.home), apply(move[0], apply(can.home, own)))
    values = np.min([piece.distance(skin)[0] for piece in disc.pieces], axis=0) - 4.0
    if values.min() > 0:
        assert found.gap_mm[0] <= values.min() + SURFACE_TOLERANCE_MM
    else:
        assert found.gap_mm[0] <= SURFACE_TOLERANCE_MM  # which one's depth it is, is left open


@pytest.mark.parametrize("profiles", [(TYRE,), RIM], ids=["tyre", "rim"])
def test_tube_against_wheel_by_dense_sampling(profiles: tuple[Profile, ...]) -> None:
    # Truth: shapely's section distance at 20,001 places along each of 40 random tubes. Sampling
    # is never below the least by construction, and above it by half a step (0.02 mm) at most.
    rng = np.random.default_rng(7)
    wheel = turned(*profiles)
    ends = rng.uniform(-450, 450, (40, 2, 3)) * [1, 0.5, 1]
    for start, end in ends:
        found = one(wheel, tube(start, end, radius=12.0))
        line = start + np.linspace(0, 1, 20_001)[:, None] * (end - start)
        sampled = section_distance(profiles, line).min() - 12.0
        step = length(end - start) / 20_000
        inside = found.state[0] == GapState.CONTACT
        over = DEPTH_TOLERANCE_MM if inside else SEGMENT_TOLERANCE_MM
        assert inside == (sampled < -12.0)
        assert sampled - step / 2 - 1e-6 <= found.gap_mm[0] <= sampled + over


def test_tube_inside_a_tyre_is_contact_and_never_deeper_than_said() -> None:
    found = one(turned(TYRE), tube((261, 0, -5), (261, 0, 5), radius=8.0))
    assert found.state[0] == GapState.CONTACT
    assert found.gap_mm[0] < -8.0 - 28.0


def test_a_ball_joint_in_the_bore_of_the_rim_is_not_contact() -> None:
    # Truth by hand: bore radius 200, ball centre 120 off the axis, ball 25.
    found = one(turned(*RIM), tube((120, -40, 0), radius=25.0))
    assert found.state[0] == GapState.MEASURED
    assert found.gap_mm[0] == pytest.approx(
        min(200 - 120, 20 + 40) - 25.0, abs=SEGMENT_TOLERANCE_MM
    )


def test_a_solid_cylinder_is_solid_on_its_axis() -> None:
    drum = turned(Profile(np.array([[-30.0, 0], [30, 0], [30, 50], [-30, 50]])))
    on_axis = one(drum, tube((0, 0, 0), radius=0.0))
    assert on_axis.state[0] == GapState.CONTACT
    assert on_axis.gap_mm[0] == pytest.approx(-30.0)
    beyond_the_end = one(drum, tube((0, 40, 0), radius=4.0))
    assert beyond_the_end.gap_mm[0] == pytest.approx(6.0)


def test_a_dented_profile_is_refused() -> None:
    dented = np.array([[0.0, 50], [10, 50], [5, 52], [10, 60], [0, 60]])
    with pytest.raises(ValueError, match="convex"):
        piece_of(Profile(dented))


@pytest.mark.parametrize("engine", [fcl_gap, coal_gap])
def test_tyre_against_meshes_by_a_mesh_engine(engine: object) -> None:
    # Truth: the engine's distance from the tyre's core, as a mesh, less the rounding. Tolerances:
    # 0.005 mm of the search, 0.0007 mm of the chords.
    rng = np.random.default_rng(11)
    wheel, rail = turned(TYRE), box((-150, -20, -30), (150, 20, 30))
    for body in (rail, bumpy(rng, 60.0)):
        moves = rigid(
            rotation_from_vector(rng.normal(size=(25, 3))),
            rng.normal(size=(25, 3)) * [250.0, 150.0, 250.0],
        )
        truth = engine(core_mesh(TYRE), body.triangles, moves) - 28.0  # type: ignore[operator]
        found = pair_gap(wheel, _on(body, "arm"), {"wheel": still(25), "arm": moves})
        core_apart = truth > -28.0 + 0.01
        outside = core_apart & (found.state == GapState.MEASURED)
        assert outside.sum() >= 8
        assert np.abs(found.gap_mm - truth)[core_apart].max() < SURFACE_TOLERANCE_MM + 0.001
        assert (found.state[~core_apart] == GapState.CONTACT).all()


def _on(mesh: MeshSolid, part: str) -> MeshSolid:
    return MeshSolid(mesh.name, part, mesh.triangles, mesh.closed, mesh.members)


@pytest.mark.parametrize("engine", [fcl_gap, coal_gap])
def test_rim_against_a_turned_can_by_a_mesh_engine(engine: object) -> None:
    # Truth: least over the pieces' fine meshes; 0.005 mm of the search, 0.0007 + 0.0001 of chords.
    rng = np.random.default_rng(5)
    can = Profile(np.array([[-40.0, 5], [40, 5], [40, 30], [-40, 30]]), 4.0)
    moves = random_moves(rng, 12, 150.0)
    found = pair_gap(turned(*RIM), turned(can, part="arm"), {"wheel": still(12), "arm": moves})
    truth = np.min(
        [engine(core_mesh(piece), core_mesh(can, 400), moves) for piece in RIM],  # type: ignore[operator]
        axis=0,
    )
    apart = truth > 0.01
    assert apart.sum() >= 6
    assert np.abs(found.gap_mm + 4.0 - truth)[apart].max() < SURFACE_TOLERANCE_MM + 0.002
    assert (found.gap_mm[~apart] < 0).all()


def test_a_can_swallowed_by_a_drum_is_contact() -> None:
    drum = turned(Profile(np.array([[-90.0, 0], [90, 0], [90, 150], [-90, 150]])))
    can = turned(Profile(np.array([[-10.0, 0], [10, 0], [10, 20], [-10, 20]])), part="arm")
    for a, b in ((drum, can), (can, drum)):
        assert one(a, b).state[0] == GapState.CONTACT
        assert one(a, b).gap_mm[0] < 0


def test_flat_sides_facing_each_other() -> None:
    # Truth by hand: tyre side at 112 off its centre plane, box face at 130.
    found = one(turned(TYRE), box((-400, 130, -400), (400, 160, 400)))
    assert found.gap_mm[0] == pytest.approx(18.0, abs=SURFACE_TOLERANCE_MM)
    # Tread at 317, box face at x = 320: a whole line of nearest points.
    found = one(turned(TYRE), box((320, -200, -200), (330, 200, 200)))
    assert found.gap_mm[0] == pytest.approx(3.0, abs=SURFACE_TOLERANCE_MM)
    # 2 mm into the tread.
    found = one(turned(TYRE), box((315, -200, -200), (330, 200, 200)))
    assert found.gap_mm[0] == pytest.approx(-2.0, abs=DEPTH_TOLERANCE_MM)
    assert found.state[0] == GapState.CONTACT


# --- meshes -----------------------------------------------------------------------------------


@pytest.mark.parametrize("engine", [fcl_gap, coal_gap])
def test_tube_against_a_bumpy_mesh_by_a_mesh_engine(engine: object) -> None:
    # Truth: the engine's distance from the centre line, given as a triangle folded flat.
    rng = np.random.default_rng(3)
    mesh = bumpy(rng, 60.0)
    start, end = np.array([-70.0, 0, 0]), np.array([70.0, 0, 0])
    moves = random_moves(rng, 60, 90.0)
    folded = np.stack([start, end, end])[None]
    truth = engine(mesh.triangles, folded, moves)  # type: ignore[operator]
    found = pair_gap(mesh, tube(start, end, radius=8.0), {"arm": moves})
    apart = (truth > 0.01) & (found.state == GapState.MEASURED)
    assert apart.sum() > 20
    assert np.abs(found.gap_mm + 8.0 - truth)[apart].max() < 1e-6
    crossing = truth <= 0
    assert crossing.sum() > 3
    assert (found.state[crossing] == GapState.CONTACT).all()


def test_bent_tube_against_a_mesh_by_sampling() -> None:
    # Truth: trimesh's closest points at 6,003 places along the tube; half a step is 0.03 mm.
    rng = np.random.default_rng(4)
    mesh = bumpy(rng, 60.0)
    points = np.array([[-150.0, 120, 10], [20, 95, -20], [60, 100, 150]])
    found = one(mesh, tube(*points, radius=6.0))
    line = np.concatenate(
        [p + np.linspace(0, 1, 3001)[:, None] * (q - p) for p, q in itertools.pairwise(points)]
    )
    best = np.inf
    for triangle in mesh.triangles:
        each = np.broadcast_to(triangle, (len(line), 3, 3))
        best = min(best, length(line - trimesh.triangles.closest_point(each, line)).min())
    assert best - 6.0 - 0.03 <= found.gap_mm[0] <= best - 6.0 + ROUNDING_MM
    assert length(found.on_a - found.on_b)[0] == pytest.approx(found.gap_mm[0], abs=1e-9)


def test_meshes_by_coal_and_by_hand() -> None:
    rng = np.random.default_rng(9)
    a, b = bumpy(rng, 40.0), bumpy(rng, 50.0, part="arm")
    moves = random_moves(rng, 40, 100.0)
    found = pair_gap(a, b, {"arm": moves})
    truth = coal_gap(a.triangles, b.triangles, moves)
    apart = truth > 0.01
    assert 10 < apart.sum() < 40
    assert np.abs(found.gap_mm - truth)[apart].max() < 1e-6
    assert (found.state[~apart] == GapState.CONTACT).all()
    # Truth by hand: parallel faces 7 mm apart.
    side = one(box((0, 0, 0), (10, 10, 10)), box((17, 2, 2), (20, 4, 4), part="arm"))
    assert side.gap_mm[0] == pytest.approx(7.0, abs=1e-9)
    assert side.on_a[0, 0] == pytest.approx(10.0)
    assert side.on_b[0, 0] == pytest.approx(17.0)


def test_touching_meshes_are_contact_without_a_depth() -> None:
    found = one(box((0, 0, 0), (10, 10, 10)), box((5, 5, 5), (20, 20, 20), part="arm"))
    assert found.state[0] == GapState.CONTACT
    assert np.isnan(found.gap_mm[0])


SWALLOWED = [
    box((-5, -5, -5), (5, 5, 5), part="arm"),
    tube((-5, 0, 0), (5, 0, 0), radius=3.0),
    turned(Profile(np.array([[-2.0, 8], [2, 8], [2, 10], [-2, 10]]), 1.0), part="wheel"),
]


@pytest.mark.parametrize("inner", SWALLOWED, ids=["box", "tube", "ring"])
def test_a_body_swallowed_by_a_closed_mesh_is_contact(inner: Solid) -> None:
    shell = box((-60, -60, -60), (60, 60, 60))
    for found in (one(shell, inner), one(inner, shell)):
        assert found.state[0] == GapState.CONTACT
        assert found.gap_mm[0] < 0


def test_one_member_of_a_mesh_swallowed_is_contact() -> None:
    ball = trimesh.creation.icosphere(subdivisions=1, radius=5.0)
    far = ball.copy()
    far.apply_translation([300.0, 0, 0])
    both = trimesh.util.concatenate([far, ball])
    pair = solid_of("two balls", "arm", np.array(both.vertices), np.array(both.faces), ())
    assert len(pair.members) == 2
    found = one(box((-60, -60, -60), (60, 60, 60)), pair)
    assert found.state[0] == GapState.CONTACT


def test_an_open_mesh_is_contact_unknown_or_measured_by_how_far_it_wraps() -> None:
    ball = trimesh.creation.icosphere(subdivisions=3, radius=100.0)
    height = ball.triangles_center[:, 2]
    vertices, faces = np.array(ball.vertices), np.array(ball.faces)
    inner = tube((0, 0, -1), (0, 0, 1), radius=5.0)
    wanted = {90.0: GapState.CONTACT, 30.0: GapState.UNKNOWN, -40.0: GapState.MEASURED}
    for cut, state in wanted.items():
        bowl = solid_of("bowl", "body", vertices, faces[height < cut], ())
        assert not bowl.closed
        found = one(bowl, inner)
        assert found.state[0] == state
        assert any("open surface" in note for note in found.notes)
    assert np.isnan(
        one(solid_of("bowl", "body", vertices, faces[height < 30.0], ()), inner).gap_mm[0]
    )


def test_winding_number_of_a_box_and_the_reach_of_one_answer() -> None:
    # Truth: 1 inside, 0 outside; a cube without one face, seen from its centre, 5/6 by symmetry.
    cube = box((-10, -10, -10), (10, 10, 10))
    at = np.array([[0.0, 0, 0], [9.9, 9.9, 9.9], [10.1, 0, 0], [30, 40, 50]])
    assert winding_number(at, cube.triangles) == pytest.approx([1, 1, 0, 0], abs=1e-12)
    lid = (cube.triangles[:, :, 2] == 10).all(axis=1)
    assert winding_number(at[:1], cube.triangles[~lid])[0] == pytest.approx(5 / 6, abs=1e-12)
    clear = np.array([10.0, 0.1, 0.1, 40.0])
    assert wrapped(at, clear, cube.triangles) == pytest.approx([1, 1, 0, 0], abs=1e-12)
    # A ring of 50 with a 10 thick wire, inscribed: its hole lies within its box but is outside.
    ring = np.array(trimesh.creation.torus(50.0, 10.0).triangles)
    at = np.array([[50.0, 0, 0], [0, 0, 0], [0, -52, 2], [20, 5, 0]])
    clear = np.array([9.0, 39.0, 7.0, 18.0])
    assert wrapped(at, clear, ring) == pytest.approx([1, 0, 1, 0], abs=1e-9)


# --- what holds for every pair ----------------------------------------------------------------

RNG = np.random.default_rng(2)
KINDS: dict[str, tuple[Solid, Solid]] = {
    "tube": (
        tube((-80, 20, 0), (90, 0, 10), part="arm"),
        tube((0, 0, 0), (50, 60, 70), part="wheel"),
    ),
    "turned": (turned(TYRE, part="arm"), turned(*RIM, part="wheel")),
    "mesh": (bumpy(RNG, 50.0, part="arm"), bumpy(RNG, 70.0, part="wheel")),
}
ALL_PAIRS = [(a, b) for i, a in enumerate(KINDS) for b in list(KINDS)[i:]]


def test_the_table_has_every_pair_of_types() -> None:
    for a, b in ALL_PAIRS:
        types = (type(KINDS[a][0]), type(KINDS[b][1]))
        assert types in GAP or types[::-1] in GAP


@pytest.mark.parametrize(("kind_a", "kind_b"), ALL_PAIRS)
@settings(max_examples=6, deadline=None, phases=(Phase.generate,))
@given(seed=st.integers(0, 2**32 - 1))
def test_moving_both_bodies_together_changes_no_gap_nor_does_their_order(
    kind_a: str, kind_b: str, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    a, b = KINDS[kind_a][0], KINDS[kind_b][1]
    poses = {"arm": still(8), "wheel": random_moves(rng, 8, 200.0)}
    common = random_moves(rng, 1, 300.0)
    before = pair_gap(a, b, poses)
    after = pair_gap(a, b, {part: common @ move for part, move in poses.items()})
    swapped = pair_gap(b, a, poses)
    touching = before.state == GapState.CONTACT
    # Each search may stop anywhere within its tolerance, which is coarser for the depth.
    tolerance = np.where(touching, DEPTH_TOLERANCE_MM, SURFACE_TOLERANCE_MM)
    for other in (after, swapped):
        assert (other.state == before.state).all()
        assert (np.isnan(other.gap_mm) == np.isnan(before.gap_mm)).all()
        assert not (np.abs(other.gap_mm - before.gap_mm) > tolerance).any()
    apart = before.gap_mm > 0.1
    between = length(before.on_a - before.on_b)
    assert between[apart] == pytest.approx(before.gap_mm[apart], abs=1e-6)
    assert swapped.on_a[apart].shape == before.on_b[apart].shape


@pytest.mark.parametrize(("kind_a", "kind_b"), ALL_PAIRS)
def test_poses_out_of_reach_are_unknown_never_clear(kind_a: str, kind_b: str) -> None:
    a, b = KINDS[kind_a][0], KINDS[kind_b][1]
    moves = random_moves(np.random.default_rng(1), 5, 200.0)
    moves[1], moves[3, 0, 3] = np.nan, np.nan  # one number missing is a pose missing
    found = pair_gap(a, b, {"arm": still(5), "wheel": moves})
    assert (found.state[[1, 3]] == GapState.UNKNOWN).all()
    assert np.isnan(found.gap_mm[[1, 3]]).all()
    assert (found.state[[0, 2, 4]] != GapState.UNKNOWN).all()
    nowhere = pair_gap(a, b, {"arm": still(2), "wheel": np.full((2, 4, 4), np.nan)})
    assert (nowhere.state == GapState.UNKNOWN).all()


def test_bodies_that_ride_together_are_measured_once_and_carried_along() -> None:
    moves = random_moves(np.random.default_rng(6), 30, 200.0)
    a, b = turned(TYRE), tube((100, 150, 0), (300, 160, 20), part="knuckle")
    found = pair_gap(a, b, {"wheel": moves, "knuckle": moves})
    assert found.constant
    assert np.ptp(found.gap_mm) == 0
    alone = one(a, b)
    assert found.gap_mm[0] == pytest.approx(alone.gap_mm[0], abs=2 * SEGMENT_TOLERANCE_MM)
    assert found.on_b == pytest.approx(apply(moves, alone.on_b), abs=0.5)
    assert not pair_gap(a, b, {"wheel": moves, "knuckle": moves[::-1]}).constant


def test_a_part_without_poses_is_named() -> None:
    with pytest.raises(UnknownName, match="no poses for part 'wheel'; did you mean 'wheels'"):
        pair_gap(turned(TYRE), tube((0, 0, 0)), {"wheels": still(), "arm": still()})


def test_own_frame_is_a_rotation_with_x_along_the_axis() -> None:
    frame = own_frame(np.array([1.0, 2, 3]), np.array([0, 2.0, 1.0]))
    assert frame[:3, :3] @ frame[:3, :3].T == pytest.approx(np.eye(3), abs=1e-12)
    assert np.linalg.det(frame[:3, :3]) == pytest.approx(1.0)
    assert frame[:3, 0] == pytest.approx(np.array([0, 2, 1]) / np.sqrt(5))
