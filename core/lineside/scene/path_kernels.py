"""Plan geometry of propagation paths, compiled: what lies under and across the straight line to a receiver.

No physics stands here. The functions are compiled in this file and give arrays; kernels of plugins take those arrays
and call nothing of this file, since numba's on-disk cache notices changes only of the file that it compiled.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from lineside.acoustics.bands import Array
from lineside.scene.model import IntArray

SHORTEST_M = 1e-6  # an edge nearer than this to either end of a path is no edge
LOST_M = 1e-9  # a corner this near the line lies on it


def _can_cache() -> bool:
    """Whether numba finds a folder for compiled code; an installation may be read-only, and so may a home."""
    try:
        njit(cache=True)(lambda x: x)
    except RuntimeError:
        return False
    return True


_jit = njit(cache=_can_cache(), error_model="numpy")


@_jit
def longer(a: Array, n: int) -> Array:
    """``a`` with room for n numbers and more."""
    if n <= a.size:
        return a
    b = np.empty(2 * n)
    b[: a.size] = a
    return b


@_jit
def crossings(
    xs: float,
    ys: float,
    xr: float,
    yr: float,
    floor_z: float,
    seg_xy: Array,
    seg_z: Array,
    seg_box: Array,
    at: Array,
    top: Array,
    segment: IntArray,
) -> int:
    """Where a path crosses wall segments that rise above ``floor_z``: place (0 to 1) and top, by rising place; n.

    Of two at one place the higher stays.
    """
    dx, dy = xr - xs, yr - ys
    length = math.sqrt(dx * dx + dy * dy)
    x_lo, x_hi, y_lo, y_hi = min(xs, xr), max(xs, xr), min(ys, yr), max(ys, yr)
    n = 0
    for m in range(seg_xy.shape[0]):
        if seg_box[m, 0] > x_hi or seg_box[m, 1] < x_lo or seg_box[m, 2] > y_hi or seg_box[m, 3] < y_lo:
            continue
        ax, ay = seg_xy[m, 0, 0], seg_xy[m, 0, 1]
        bx, by = seg_xy[m, 1, 0] - ax, seg_xy[m, 1, 1] - ay
        cross = dx * by - dy * bx
        if cross == 0.0:  # along the wall
            continue
        t = ((ax - xs) * by - (ay - ys) * bx) / cross
        u = ((ax - xs) * dy - (ay - ys) * dx) / cross
        if u < 0.0 or u > 1.0 or t * length < SHORTEST_M or (1.0 - t) * length < SHORTEST_M:
            continue
        z = seg_z[m, 0] + u * (seg_z[m, 1] - seg_z[m, 0])
        if z <= floor_z:
            continue
        k = n
        while k > 0 and (at[k - 1] - t) * length > SHORTEST_M:
            k -= 1
        if k > 0 and (t - at[k - 1]) * length < SHORTEST_M:
            if z > top[k - 1]:
                top[k - 1] = z
                segment[k - 1] = m
            continue
        for j in range(n, k, -1):
            at[j], top[j], segment[j] = at[j - 1], top[j - 1], segment[j - 1]
        at[k], top[k], segment[k] = t, z, m
        n += 1
    return n


@_jit
def ground_pieces(
    xs: float,
    ys: float,
    xr: float,
    yr: float,
    default_g: float,
    poly_xy: Array,
    poly_start: IntArray,
    poly_box: Array,
    poly_g: Array,
    inside: NDArray[np.bool_],
    cut_poly: IntArray,
    to: Array,
    g: Array,
) -> int:
    """Ground along a path: where each piece ends (0 to 1, the last at 1) and its factor; n.

    A polygon is entered or left wherever one of its sides crosses the path. Crossings of the path's backward
    extension tell whether the path starts inside.
    """
    dx, dy = xr - xs, yr - ys
    square = dx * dx + dy * dy
    x_lo, x_hi, y_lo, y_hi = min(xs, xr), max(xs, xr), min(ys, yr), max(ys, yr)
    n = 0
    for m in range(poly_g.size):
        inside[m] = False
        if poly_box[m, 0] > x_hi or poly_box[m, 1] < x_lo or poly_box[m, 2] > y_hi or poly_box[m, 3] < y_lo:
            continue
        last = poly_start[m + 1] - 1
        px, py = poly_xy[last, 0] - xs, poly_xy[last, 1] - ys
        side_p = dx * py - dy * px
        for v in range(poly_start[m], last + 1):
            qx, qy = poly_xy[v, 0] - xs, poly_xy[v, 1] - ys
            side_q = dx * qy - dy * qx
            if (side_p > 0.0) != (side_q > 0.0):
                f = side_p / (side_p - side_q)
                t = ((px + f * (qx - px)) * dx + (py + f * (qy - py)) * dy) / square
                if t <= 0.0:
                    inside[m] = not inside[m]
                elif t < 1.0:
                    k = n
                    while k > 0 and to[k - 1] > t:
                        to[k] = to[k - 1]
                        cut_poly[k] = cut_poly[k - 1]
                        k -= 1
                    to[k] = t
                    cut_poly[k] = m
                    n += 1
            px, py, side_p = qx, qy, side_q
    for c in range(n + 1):
        g[c] = default_g
        for m in range(poly_g.size - 1, -1, -1):
            if inside[m]:
                g[c] = poly_g[m]
                break
        if c < n:
            inside[cut_poly[c]] = not inside[cut_poly[c]]
    to[n] = 1.0
    return n + 1


@_jit
def way_round(
    xs: float,
    ys: float,
    xr: float,
    yr: float,
    side: float,
    seg_xy: Array,
    seg_wall: IntArray,
    wall_start: IntArray,
    segment: IntArray,
    n_crossed: int,
) -> tuple[float, float]:
    """Shortest way in plan round the corners, left (side +1) or right (-1) of the path, of all walls that it crosses.

    Returns the detour against the straight path and the length between its first and last corner. Gift wrapping:
    from each corner on to the one that leaves all others to the inner side.
    """
    dx, dy = xr - xs, yr - ys
    length = math.sqrt(dx * dx + dy * dy)
    cx, cy = xs, ys
    total, between, first = 0.0, 0.0, True
    for _ in range(2 * seg_xy.shape[0] + 1):
        bx, by, arrived = xr, yr, True
        for k in range(n_crossed):
            wall = seg_wall[segment[k]]
            for m in range(wall_start[wall], wall_start[wall + 1]):
                for end in range(2):
                    vx, vy = seg_xy[m, end, 0], seg_xy[m, end, 1]
                    if side * (dx * (vy - ys) - dy * (vx - xs)) <= LOST_M * length:
                        continue
                    if side * ((bx - cx) * (vy - cy) - (by - cy) * (vx - cx)) > LOST_M * length:
                        bx, by, arrived = vx, vy, False
        step = math.sqrt((bx - cx) ** 2 + (by - cy) ** 2)
        total += step
        if arrived:
            break
        if not first:
            between += step
        first = False
        cx, cy = bx, by
    return max(0.0, total - length), between


@_jit
def width_across(dx: float, dy: float, seg_xy: Array, first: int, last: int) -> float:
    """Extent of a wall's segments first to last - 1 across the direction (dx, dy)."""
    low, high = math.inf, -math.inf
    for m in range(first, last):
        for end in range(2):
            v = dx * seg_xy[m, end, 1] - dy * seg_xy[m, end, 0]
            low, high = min(low, v), max(high, v)
    return (high - low) / math.sqrt(dx * dx + dy * dy)


@_jit
def insert_cut(cuts: Array, n: int, s: float) -> int:
    """Put a cut into the rising list; returns the new number."""
    k = n
    while cuts[k - 1] > s:
        cuts[k] = cuts[k - 1]
        k -= 1
    cuts[k] = s
    return n + 1


@_jit
def split_piece(
    xm: float, ym: float, ux: float, uy: float, half: float, xr: float, yr: float, ends: Array, steps: int, cuts: Array
) -> int:
    """Where a piece of track is cut: where the view past free ends of walls meets it, and into even ``steps``.

    ``cuts`` receives -half, the cuts and +half, rising, counted from the middle (xm, ym) along (ux, uy); returns the
    number of parts. A piece that is screened in part would otherwise count as screened or open as a whole.
    """
    n = 1
    cuts[0] = -half
    for m in range(1, steps):
        n = insert_cut(cuts, n, half * (2.0 * m / steps - 1.0))
    mx, my = xm - xr, ym - yr
    across = mx * uy - my * ux
    for m in range(ends.shape[0]):
        wx, wy = ends[m, 0] - xr, ends[m, 1] - yr
        turn = wx * uy - wy * ux
        if turn * across <= 0.0 or abs(across) <= abs(turn):  # the end is not between receiver and track
            continue
        s = (mx * wy - my * wx) / turn
        if abs(s) < half:
            n = insert_cut(cuts, n, s)
    cuts[n] = half
    return n


@_jit
def walk(
    points: Array,
    direction: Array,
    piece: Array,
    receivers: Array,
    floor_z: float,
    default_g: float,
    poly_xy: Array,
    poly_start: IntArray,
    poly_box: Array,
    poly_g: Array,
    seg_xy: Array,
    seg_z: Array,
    seg_box: Array,
    seg_wall: IntArray,
    wall_start: IntArray,
    ends: Array,
    g_step: float,
    most_steps: int,
    split_ratio: float,
    nearest: float,
    first: IntArray,
) -> tuple[Array, Array, Array]:
    """All paths of all pairs of receiver and point; fills ``first`` (n_pairs + 1,).

    Returns rows one after another, as described at :class:`lineside.scene.paths.PlanPaths`: paths (9 numbers each),
    ground pieces (2), edges (5).
    """
    n_segments, n_corners = seg_xy.shape[0], poly_xy.shape[0]
    at, top, segment = np.empty(n_segments), np.empty(n_segments), np.empty(n_segments, dtype=np.int64)
    inside, cut_poly = np.empty(poly_g.size, dtype=np.bool_), np.empty(n_corners, dtype=np.int64)
    to, g = np.empty(n_corners + 1), np.empty(n_corners + 1)
    cuts = np.empty(ends.shape[0] + most_steps + 2)
    n_pairs = receivers.shape[0] * points.shape[0]
    paths, ground, edges = np.empty(9 * n_pairs), np.empty(2 * n_pairs), np.empty(64)
    n_paths, n_ground, n_edges = 0, 0, 0
    first[0] = 0
    for r in range(receivers.shape[0]):
        xr, yr = receivers[r, 0], receivers[r, 1]
        for p in range(points.shape[0]):
            xm, ym, ux, uy, half = points[p, 0], points[p, 1], direction[p, 0], direction[p, 1], 0.5 * piece[p]
            steps = 1
            if poly_g.size > 0 and half >= 0.5 * split_ratio * math.hypot(xr - xm, yr - ym):
                low, high = 1.0, 0.0
                for side in range(-1, 2):
                    xs, ys = xm + side * half * ux, ym + side * half * uy
                    n = ground_pieces(
                        xs, ys, xr, yr, default_g, poly_xy, poly_start, poly_box, poly_g, inside, cut_poly, to, g
                    )
                    mean, before = 0.0, 0.0
                    for k in range(n):
                        mean += g[k] * (to[k] - before)
                        before = to[k]
                    low, high = min(low, mean), max(high, mean)
                steps = min(most_steps, 1 + int((high - low) / g_step))
            n_parts = split_piece(xm, ym, ux, uy, half, xr, yr, ends, steps, cuts)
            paths = longer(paths, 9 * (n_paths + n_parts))
            for part in range(n_parts):
                share, s = 1.0, 0.0
                if n_parts > 1:
                    share = 0.5 * (cuts[part + 1] - cuts[part]) / half
                    s = 0.5 * (cuts[part + 1] + cuts[part])
                xs, ys = xm + s * ux, ym + s * uy
                plan = math.sqrt((xr - xs) ** 2 + (yr - ys) ** 2)
                xe = xr if plan > SHORTEST_M else xs + 1e-3  # any direction will do on the spot
                dx, dy = xe - xs, yr - ys
                length = max(plan, nearest)
                n = ground_pieces(
                    xs, ys, xe, yr, default_g, poly_xy, poly_start, poly_box, poly_g, inside, cut_poly, to, g
                )
                ground = longer(ground, 2 * (n_ground + n))
                for k in range(n):
                    ground[2 * n_ground] = to[k] * length
                    ground[2 * n_ground + 1] = g[k]
                    n_ground += 1
                crossed = crossings(xs, ys, xe, yr, floor_z, seg_xy, seg_z, seg_box, at, top, segment)
                row = 9 * n_paths
                paths[row + 5 : row + 9] = math.inf
                if crossed > 0:
                    edges = longer(edges, 5 * (n_edges + crossed))
                    for k in range(crossed):
                        m = segment[k]
                        bx, by = seg_xy[m, 1, 0] - seg_xy[m, 0, 0], seg_xy[m, 1, 1] - seg_xy[m, 0, 1]
                        norm = math.sqrt((dx * dx + dy * dy) * (bx * bx + by * by))
                        sine, cosine = (dx * by - dy * bx) / norm, (dx * bx + dy * by) / norm
                        wall = seg_wall[m]
                        edges[5 * n_edges] = at[k] * length
                        edges[5 * n_edges + 1] = top[k]
                        edges[5 * n_edges + 2] = width_across(dx, dy, seg_xy, wall_start[wall], wall_start[wall + 1])
                        edges[5 * n_edges + 3] = abs(sine)
                        edges[5 * n_edges + 4] = cosine if sine >= 0.0 else -cosine
                        n_edges += 1
                    for k in range(2):
                        detour, between = way_round(
                            xs, ys, xe, yr, 1.0 - 2.0 * k, seg_xy, seg_wall, wall_start, segment, crossed
                        )
                        paths[row + 5 + 2 * k] = detour
                        paths[row + 6 + 2 * k] = between
                paths[row] = share
                paths[row + 1] = length
                paths[row + 2] = abs(dx * uy - dy * ux) / math.sqrt(dx * dx + dy * dy)
                paths[row + 3] = n_ground
                paths[row + 4] = n_edges
                n_paths += 1
            first[r * points.shape[0] + p + 1] = n_paths
    return paths[: 9 * n_paths], ground[: 2 * n_ground], edges[: 5 * n_edges]
