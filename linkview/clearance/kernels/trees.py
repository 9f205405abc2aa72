"""Boxes round a mesh's triangles, halved at the middle triangle, and lines against them."""

from __future__ import annotations

import numpy as np

from linkview.clearance.kernels.jit import DEEPEST, Array, Index, inner, kernel
from linkview.clearance.kernels.lines import along, segment_triangle

_LEAF = 4  # triangles


@kernel
def build_tree(triangles: Array, order: Index, boxes: Array, links: Index) -> int:
    """Fills order (f,), boxes (m, 6) = middle and half-size, links (m, 3) = first, count, skip.

    Nodes stand in the order of a walk: a node's first child follows it, `skip` is where the walk
    goes on past it; count 0 is no leaf. Returns how many nodes there are.
    """
    f = len(triangles)
    middles = np.empty((f, 3))
    for t in range(f):
        order[t] = t
        for i in range(3):
            middles[t, i] = triangles[t, 0, i] + triangles[t, 1, i] + triangles[t, 2, i]
    stack = np.empty((DEEPEST, 3), dtype=np.int64)
    stack[0, 0], stack[0, 1], stack[0, 2] = 0, f, -1
    top, made = 1, 0
    while top > 0:
        top -= 1
        first, last, parent = stack[top, 0], stack[top, 1], stack[top, 2]
        node = made
        made += 1
        if parent >= 0:
            links[parent, 2] = node  # the second child, mended below
        low, high = np.full(3, np.inf), np.full(3, -np.inf)
        from_, to = np.full(3, np.inf), np.full(3, -np.inf)
        for t in range(first, last):
            tri = triangles[order[t]]
            for i in range(3):
                for k in range(3):
                    low[i] = min(low[i], tri[k, i])
                    high[i] = max(high[i], tri[k, i])
                from_[i] = min(from_[i], middles[order[t], i])
                to[i] = max(to[i], middles[order[t], i])
        for i in range(3):
            boxes[node, i] = 0.5 * (low[i] + high[i])
            boxes[node, 3 + i] = 0.5 * (high[i] - low[i])
        links[node, 0], links[node, 1], links[node, 2] = first, 0, -1
        if last - first <= _LEAF:
            links[node, 1] = last - first
            continue
        axis = int(np.argmax(to - from_))
        half = (first + last) // 2
        _divide(order, middles, first, last, half, axis)
        stack[top, 0], stack[top, 1], stack[top, 2] = half, last, node
        stack[top + 1, 0], stack[top + 1, 1], stack[top + 1, 2] = first, half, -1
        top += 2
    return made


@inner
def _divide(order: Index, middles: Array, first: int, last: int, half: int, axis: int) -> None:
    """Orders so that none before `half` is beyond any after it (Hoare's selection)."""
    low, high = first, last - 1
    while low < high:
        pivot = middles[order[(low + high) // 2], axis]
        i, j = low, high
        while i <= j:
            while middles[order[i], axis] < pivot:
                i += 1
            while middles[order[j], axis] > pivot:
                j -= 1
            if i <= j:
                order[i], order[j] = order[j], order[i]
                i += 1
                j -= 1
        if half <= j:
            high = j
        elif half >= i:
            low = i
        else:
            return


@inner
def line_to_box(a: Array, b: Array, box: Array) -> float:
    """A bound under the distance of a segment and a box: the plane square to the shortest way from
    the segment to the box's middle holds the segment on one side."""
    middle = box[:3]
    t = along(middle, a, b)
    size, fall = 0.0, 0.0
    for i in range(3):
        way = middle[i] - (a[i] + t * (b[i] - a[i]))
        size += way * way
        fall += abs(way) * box[3 + i]
    size = np.sqrt(size)
    return size - fall / size if size > 0.0 else 0.0


@kernel
def line_to_mesh(
    line: Array,
    triangles: Array,
    boxes: Array,
    links: Index,
    gap: Array,
    on_line: Array,
    on_mesh: Array,
) -> None:
    """Lines (n, k, 3) in the mesh's frame against its triangles, in the tree's order."""
    stack = np.empty(DEEPEST, dtype=np.int64)
    bounds = np.empty(DEEPEST)
    room = np.empty((4, 3))
    held = 0
    for n in range(len(line)):
        best = np.inf
        for i in range(max(line.shape[1] - 1, 1)):
            a, b = line[n, i], line[n, min(i + 1, line.shape[1] - 1)]
            best = segment_triangle(a, b, triangles[held], best, on_line[n], on_mesh[n], room)
            stack[0], bounds[0] = 0, -1.0
            top = 1
            while top > 0:
                top -= 1
                if bounds[top] > 0.0 and bounds[top] ** 2 >= best:
                    continue
                node = stack[top]
                count = links[node, 1]
                if count:
                    for t in range(links[node, 0], links[node, 0] + count):
                        less = segment_triangle(
                            a, b, triangles[t], best, on_line[n], on_mesh[n], room
                        )
                        if less < best:
                            best, held = less, t
                    continue
                one, two = node + 1, links[node, 2]
                d1, d2 = line_to_box(a, b, boxes[one]), line_to_box(a, b, boxes[two])
                if d1 < d2:
                    one, two, d1, d2 = two, one, d2, d1
                stack[top], bounds[top] = one, d1
                stack[top + 1], bounds[top + 1] = two, d2
                top += 2
        gap[n] = np.sqrt(best)
