"""All kernels by name, and a run of each on the smallest of inputs."""

from __future__ import annotations

import numpy as np

from linkview.clearance.kernels.drifting import ways_beside, ways_between
from linkview.clearance.kernels.lines import line_to_triangle, lines_apart
from linkview.clearance.kernels.patches import round_to_line
from linkview.clearance.kernels.revolved import piece_distances
from linkview.clearance.kernels.rings import round_to_rings
from linkview.clearance.kernels.round_mesh import round_to_mesh
from linkview.clearance.kernels.swept import swept_field
from linkview.clearance.kernels.trees import build_tree, line_to_mesh

KERNELS = (
    swept_field,
    ways_beside,
    ways_between,
    lines_apart,
    line_to_triangle,
    piece_distances,
    round_to_line,
    round_to_rings,
    build_tree,
    line_to_mesh,
    round_to_mesh,
)


def warm_up() -> None:
    """Runs every kernel once, so that all are compiled, or loaded from the cache."""
    from_, to, n = np.zeros((1, 2, 3)), np.ones((1, 2, 3)), 1
    gap, p, q = np.empty(n), np.empty((n, 3)), np.empty((n, 3))
    lines_apart(from_, to, gap, p, q)
    line_to_triangle(from_[0], np.eye(3), p[0], q[0])
    c = np.array([[-1.0, 1.0, 1.0, 0.0, 2.0], [1.0, 1.0, -1.0, 0.0, 2.0]])
    piece_distances(c, 0.0, p, np.empty((n, 5)))
    starts, roundings = np.array([0, 2]), np.zeros(1)
    moves = np.eye(4)[None] + 0.0
    round_to_line(c, starts, roundings, from_, 0.1, 0.01, gap, p)
    won = np.zeros(n, dtype=np.int64)
    edges = np.array([[5.0, 1.0, 6.0, 1.0]])
    round_to_rings(c, starts, roundings, edges, np.zeros(1), moves, 0.01, gap, p, won)
    triangles = np.array([[[9.0, 0, 0], [9, 1, 0], [9, 0, 1]]])
    order, boxes = np.empty(1, dtype=np.int64), np.empty((2, 6))
    links = np.empty((2, 3), dtype=np.int64)
    build_tree(triangles, order, boxes, links)
    field = np.empty((2, 2, 2))
    swept_field(c, starts, roundings, from_, -1.0, moves, np.zeros(n), 0.1, p[0], 1.0, field)
    line_to_mesh(from_, triangles, boxes, links, gap, p, q)
    round_to_mesh(c, starts, roundings, moves, triangles, boxes, links, 0.01, gap, p)
    three, two = np.zeros((n, 3)), np.zeros((n, 3, 2))
    by, slack, half = np.zeros((n, 2, 3, 2)), np.zeros((n, 2)), np.zeros((n, 2))
    ways_beside(from_, by, slack, three, two, two, half, gap, np.zeros((n, 2)))
    ways_between(from_, won, won, gap)
