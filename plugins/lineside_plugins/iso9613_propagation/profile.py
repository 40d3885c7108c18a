"""One path over one profile, with every intermediate term."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array
from lineside.acoustics.levels import a_weighted_energy, to_db, to_energy
from lineside.errors import OutOfRangeError
from lineside_plugins.iso9613_propagation.air import absorption_db_per_km
from lineside_plugins.iso9613_propagation.options import GroundMethod, SideEdges

ROUNDING_M = 1e-6  # by this much a profile may fall short of the source or the receiver


@dataclass(frozen=True)
class Edge:
    """The top edge of an obstacle, where the path crosses it.

    ``width_m`` is the obstacle's extent across the path, ``angle_deg`` the angle in plan between path and edge, 0 to
    180.
    """

    x_m: float
    z_m: float
    width_m: float = math.inf
    angle_deg: float = 90.0


@dataclass(frozen=True, eq=False)
class GroundTerms:
    """Attenuation of the ground, (8,), and what it follows from.

    General method: A_s, A_m, A_r and the ground factors of the three regions; there is no middle region if ``q`` is 0
    (then ``g_m`` is None). Alternative method: the mean height ``h_m_m`` of the path.
    """

    a_gr_db: Array
    a_s_db: Array | None = None
    a_m_db: Array | None = None
    a_r_db: Array | None = None
    g_s: float | None = None
    g_m: float | None = None
    g_r: float | None = None
    q: float | None = None
    h_m_m: float | None = None


@dataclass(frozen=True, eq=False)
class TopTerms:
    """Diffraction over the edge or the two edges that count (for obstacles wider than the shortest wavelength).

    ``z_m`` is negative where the source sees the receiver. ``d_z_db`` (8,) has its cap of 20 or 25 dB; it is ``-inf``
    in a band in which no obstacle counts.
    """

    edges_m: tuple[tuple[float, float], ...]
    z_m: float
    d_ss_m: float
    d_sr_m: float
    e_m: float
    a_m: float
    c_3: Array
    k_met: Array
    d_z_db: Array


@dataclass(frozen=True, eq=False)
class SideTerms:
    """Diffraction round vertical edges; ``d_z_db`` (8,) is ``-inf`` in a band in which it does not count."""

    z_m: float
    e_m: float
    d_z_db: Array


@dataclass(frozen=True, eq=False)
class IsoTerms:
    """All terms of one path. Octaves 63 Hz to 8 kHz, (8,).

    ``a_db`` is A - D_Omega: what is taken off the sound power level under downwind conditions. ``a_bar_db`` contains
    all ways over and round the obstacles.
    """

    d_m: float
    d_p_m: float
    h_s_m: float
    h_r_m: float
    a_div_db: float
    a_atm_db: Array
    ground: GroundTerms
    a_bar_db: Array
    d_omega_db: float
    c_met_db: float
    a_db: Array
    top: TopTerms | None = None
    sides: tuple[SideTerms, ...] = ()
    level_db: Array | None = None
    laeq_db: float | None = None  # downwind, L_AT(DW)
    laeq_long_term_db: float | None = None  # L_AT(LT) = L_AT(DW) - C_met

    def symbols(self) -> dict[str, object]:
        """All terms under the symbols of the standard: d, A_div, A_atm, A_gr, A_s, G_s, q, h_m, D_z, z, C_3, ..."""
        g = self.ground
        terms: dict[str, object] = {"d": self.d_m, "d_p": self.d_p_m, "h_s": self.h_s_m, "h_r": self.h_r_m}
        terms |= {"A_div": self.a_div_db, "A_atm": self.a_atm_db, "A_gr": g.a_gr_db, "A_bar": self.a_bar_db}
        terms |= {"A": self.a_db, "D_Omega": self.d_omega_db, "C_met": self.c_met_db}
        parts = {"A_s": g.a_s_db, "A_m": g.a_m_db, "A_r": g.a_r_db, "G_s": g.g_s, "G_m": g.g_m, "G_r": g.g_r}
        terms |= {name: value for name, value in {**parts, "q": g.q, "h_m": g.h_m_m}.items() if value is not None}
        if self.top is not None:
            t = self.top
            terms |= {"edges": t.edges_m, "z": t.z_m, "d_ss": t.d_ss_m, "d_sr": t.d_sr_m, "e": t.e_m, "a": t.a_m}
            terms |= {"C_3": t.c_3, "K_met": t.k_met, "D_z": t.d_z_db}
        if self.sides:
            terms["sides"] = [{"z": s.z_m, "e": s.e_m, "D_z": s.d_z_db} for s in self.sides]
        if self.level_db is not None:
            terms |= {"L_fT(DW)": self.level_db, "L_AT(DW)": self.laeq_db, "L_AT(LT)": self.laeq_long_term_db}
        return terms


def profile_terms(
    source: tuple[float, float],
    receiver: tuple[float, float],
    terrain: Sequence[Sequence[float]],
    ground: Sequence[Sequence[float]] | None = None,
    *,
    edges: Sequence[Edge | Sequence[float]] = (),
    ways_round: Sequence[Sequence[Sequence[float]]] = (),
    ground_method: GroundMethod = "general",
    ground_gain_behind_barriers: bool = False,
    side_edges: SideEdges = "uncapped",
    c2: float = 20.0,
    c0_db: float = 0.0,
    temperature_deg_c: float = 10.0,
    humidity_pct: float = 70.0,
    pressure_kpa: float = 101.325,
    power_db: Sequence[float] | Array | None = None,
) -> IsoTerms:
    """Attenuation from a point source to a receiver over a profile; [1]_.

    Parameters
    ----------
    source, receiver : (x, z)
        Horizontal place along the path and absolute height; the receiver lies to the right. [m]
    terrain : (n, 2)
        Ground polyline (x, z), x not falling, at least from source to receiver. [m]
    ground : (m, 3), optional
        Pieces (from x, to x, G) without gaps, at least from source to receiver. The general method needs them.
    edges : sequence of Edge or (x, z of the top)
        Obstacles strictly between source and receiver. [m]
    ways_round : up to two sequences of (x, y)
        Ways round the obstacles: vertical edges from source to receiver, x along the path, y beside it. [m]
    ground_method : {"general", "alternative"}
        7.3.1, or 7.3.2 for the A-weighted level.
    ground_gain_behind_barriers : bool
        ``A_bar = D_z - max(A_gr, 0)`` as recommended by [2]_ (from memory), instead of (12), in which an obstacle takes
        the gain of hard ground away.
    side_edges : {"uncapped", "capped", "none"}
        Whether D_z of the ways round has its 20 or 25 dB as well, or they do not count.
    c2 : float
        20, or 40 where reflections by the ground are computed as image sources of their own.
    c0_db : float
        C_0 of the long-term average. [dB]
    temperature_deg_c, humidity_pct, pressure_kpa : float
        State of the air.
    power_db : (8,), optional
        Sound power per octave in the direction of the receiver. [dB re 1 pW]

    Returns
    -------
    IsoTerms

    Raises
    ------
    OutOfRangeError
        If the receiver is not to the right of the source, either lies below the ground, terrain or ground leave part of
        the path open, or an edge has no place between source and receiver.

    Notes
    -----
    Terrain points that rise above the straight ray are edges, too. Heights h_s and h_r are those above the ground below
    source and receiver. Of more than two edges the two with the largest path difference count. The ways round take
    ground, air and divergence of the direct path; all ways together never carry more than the path without obstacle.

    References
    ----------
    .. [1] ISO 9613-2:1996, Acoustics - Attenuation of sound during propagation outdoors - Part 2: General method of
       calculation, clauses 6 to 8.
    .. [2] ISO/TR 17534-3:2015.

    Examples
    --------
    >>> terms = profile_terms((0, 1), (50, 4), [(0, 0), (50, 0)], [(0, 50, 0)])
    >>> terms.ground.a_gr_db.round(2).tolist()
    [-3.0, -3.0, -3.0, -3.0, -3.0, -3.0, -3.0, -3.0]
    """
    from lineside_plugins.iso9613_propagation import kernels

    (xs, zs), (xr, zr) = map(float, source), map(float, receiver)
    if not xr > xs:
        raise OutOfRangeError(f"the receiver (x = {xr:g} m) must lie to the right of the source (x = {xs:g} m)")
    px, pz = _terrain(terrain, xs, xr)
    h_s, h_r = zs - float(np.interp(xs, px, pz)), zr - float(np.interp(xr, px, pz))
    for what, h in (("source", h_s), ("receiver", h_r)):
        if h < -ROUNDING_M:
            raise OutOfRangeError(f"the {what} lies {-h:g} m below the ground")
    if ground is None and ground_method == "general":
        raise OutOfRangeError("ground: the general method needs the ground factors of the path")
    gx, gg = _ground(((xs, xr, 1.0),) if ground is None else ground, xs, xr)
    rows = _edges(edges, px, pz, (xs, zs), (xr, zr))
    ways = _ways(ways_round, xs, xr)
    absorption = absorption_db_per_km(temperature_deg_c, humidity_pct, pressure_kpa)
    alternative, sides = ground_method == "alternative", side_edges != "none"
    rules = kernels.Rules(
        alternative, bool(ground_gain_behind_barriers), float(c2), float(c0_db), sides, side_edges == "capped"
    )
    shapes = np.full((2, 5), -1.0)
    for shape, h in zip(shapes, (h_s, h_r), strict=True):
        kernels.set_height(shape, max(0.0, h))
    found, info, work = np.zeros(len(rows) + 1, dtype=np.int64), np.zeros(kernels.N_INFO), np.zeros((kernels.N_ROWS, 8))
    kernels.attenuate(
        kernels.WAVELENGTH_M, absorption / 1000.0 * (kernels.LN10 / 10.0), rules, px, pz, gx, gg, rows, ways,
        shapes[0], shapes[1], xs, zs, xr, zr, found, info, work,
    )  # fmt: skip
    a_gr, a_bar = -to_db(work[kernels.GROUND]), np.zeros(8)
    top: TopTerms | None = None
    around: tuple[SideTerms, ...] = ()
    if len(rows):
        a_bar = to_db(work[kernels.GROUND]) - to_db(work[kernels.BOUNDARY])
        kernels.find_top(rows, kernels.WAVELENGTH_M[-1], xs, zs, xr, zr, found, info)
        top = _top(rows, info, work)
        parts = ((kernels.Z_LEFT, kernels.E_LEFT, kernels.LEFT), (kernels.Z_RIGHT, kernels.E_RIGHT, kernels.RIGHT))
        around = tuple(
            SideTerms(float(info[z]), float(info[e]), to_db(work[row])) for z, e, row in parts[: len(ways_round)]
        )
    d, d_omega, c_met = (float(info[k]) for k in (kernels.D, kernels.D_OMEGA, kernels.C_MET))
    a_div, a_atm = 20.0 * math.log10(d) + 11.0, absorption * d / 1000.0
    a = -to_db(work[kernels.RESULT]) - c_met
    level, laeq, long_term = None, None, None
    if power_db is not None:
        level = np.asarray(power_db, dtype=np.float64) - a  # (3)
        laeq = float(to_db(a_weighted_energy(to_energy(level))))  # (5)
        long_term = laeq - c_met  # (6)
    return IsoTerms(
        d, xr - xs, max(0.0, h_s), max(0.0, h_r), a_div, a_atm, _ground_terms(alternative, a_gr, info, work), a_bar,
        d_omega, c_met, a, top, around, level, laeq, long_term,
    )  # fmt: skip


def _ground_terms(alternative: bool, a_gr: Array, info: Array, work: Array) -> GroundTerms:
    from lineside_plugins.iso9613_propagation import kernels

    if alternative:
        return GroundTerms(a_gr, h_m_m=float(info[kernels.H_M]))
    g_s, g_m, g_r, q = (float(info[k]) for k in (kernels.G_S, kernels.G_M, kernels.G_R, kernels.Q))
    a_s, a_m, a_r = (work[row].copy() for row in (kernels.A_S, kernels.A_M, kernels.A_R))
    return GroundTerms(a_s + a_m + a_r, a_s, a_m, a_r, g_s, g_m if q > 0.0 else None, g_r, q)


def _top(rows: Array, info: Array, work: Array) -> TopTerms | None:
    from lineside_plugins.iso9613_propagation import kernels

    if info[kernels.N_TOP] == 0:
        return None
    used = dict.fromkeys((int(info[kernels.FIRST]), int(info[kernels.LAST])))
    return TopTerms(
        edges_m=tuple((float(rows[k, 0]), float(rows[k, 1])) for k in used),
        z_m=float(info[kernels.Z_TOP]),
        d_ss_m=float(info[kernels.D_SS]),
        d_sr_m=float(info[kernels.D_SR]),
        e_m=float(info[kernels.E_TOP]),
        a_m=float(info[kernels.A_TOP]),
        c_3=work[kernels.C_3].copy(),
        k_met=work[kernels.K_MET].copy(),
        d_z_db=to_db(work[kernels.TOP]),
    )


def _terrain(terrain: Sequence[Sequence[float]], xs: float, xr: float) -> tuple[Array, Array]:
    """Places and heights of the ground, reaching from source to receiver."""
    line = np.asarray(terrain, dtype=np.float64)
    if line.ndim != 2 or line.shape[1] != 2 or len(line) < 2 or np.any(np.diff(line[:, 0]) < 0.0):
        raise OutOfRangeError("terrain: needs two or more points (x, z) with x not falling")
    if line[0, 0] > xs + ROUNDING_M or line[-1, 0] < xr - ROUNDING_M:
        raise OutOfRangeError("terrain: must reach from the source to the receiver")
    x = line[:, 0].copy()
    x[0], x[-1] = min(x[0], xs), max(x[-1], xr)
    return x, line[:, 1].copy()


def _ground(ground: Sequence[Sequence[float]], xs: float, xr: float) -> tuple[Array, Array]:
    """Borders (n + 1,) and ground factors (n,) of the pieces."""
    pieces = np.asarray(ground, dtype=np.float64)
    if pieces.ndim != 2 or pieces.shape[1] != 3:
        raise OutOfRangeError("ground: needs pieces (from x, to x, G)")
    pieces = pieces[np.argsort(pieces[:, 0], kind="stable")]
    open_end = pieces[0, 0] > xs + ROUNDING_M or pieces[-1, 1] < xr - ROUNDING_M
    if open_end or np.any(np.abs(pieces[1:, 0] - pieces[:-1, 1]) > ROUNDING_M):
        raise OutOfRangeError("ground: pieces must follow each other without gap or overlap from source to receiver")
    if np.any((pieces[:, 2] < 0.0) | (pieces[:, 2] > 1.0)):
        raise OutOfRangeError("ground: G must be between 0 and 1")
    borders = np.append(pieces[:, 0], max(pieces[-1, 1], xr))
    borders[0] = min(borders[0], xs)
    return borders, pieces[:, 2].copy()


def _edges(
    edges: Sequence[Edge | Sequence[float]],
    px: Array,
    pz: Array,
    source: tuple[float, float],
    receiver: tuple[float, float],
) -> Array:
    """Edges of obstacles above the ground, and terrain points above the ray, as the kernels take them; (n, 5)."""
    (xs, zs), (xr, zr) = source, receiver
    ray = zs + (zr - zs) * (px - xs) / (xr - xs)
    hills = (px > xs + ROUNDING_M) & (px < xr - ROUNDING_M) & (pz > ray)
    found = [Edge(float(x), float(z)) for x, z in zip(px[hills], pz[hills], strict=True)]
    for given in edges:
        edge = given if isinstance(given, Edge) else Edge(float(given[0]), float(given[1]))
        if not xs < edge.x_m < xr:
            raise OutOfRangeError(f"edge at {edge.x_m:g} m: must lie between source and receiver")
        if not 0.0 <= edge.angle_deg <= 180.0 or not edge.width_m > 0.0:
            raise OutOfRangeError(f"edge at {edge.x_m:g} m: needs an angle from 0 to 180 degrees and a width above 0")
        if edge.z_m > np.interp(edge.x_m, px, pz):
            found.append(edge)
    highest: list[Edge] = []  # of edges at one place the highest
    for edge in sorted(found, key=lambda e: (e.x_m, -e.z_m)):
        if not highest or edge.x_m - highest[-1].x_m > ROUNDING_M:
            highest.append(edge)
    angle = np.radians([e.angle_deg for e in highest])
    sizes = [(e.x_m, e.z_m, e.width_m) for e in highest]
    return np.column_stack([np.reshape(sizes, (-1, 3)), np.sin(angle), np.cos(angle)])


def _ways(ways_round: Sequence[Sequence[Sequence[float]]], xs: float, xr: float) -> Array:
    """Detour and length between the corners of two ways; (4,)."""
    if len(ways_round) > 2:
        raise OutOfRangeError("ways_round: there are two ways round at most, one on each side")
    found = np.full(4, np.inf)
    for k, way in enumerate(ways_round):
        corners = np.asarray(way, dtype=np.float64)
        if corners.ndim != 2 or corners.shape[1] != 2 or not len(corners):
            raise OutOfRangeError("ways_round: each way needs corners (x, y)")
        steps = np.linalg.norm(np.diff([[xs, 0.0], *corners, [xr, 0.0]], axis=0), axis=1)
        found[2 * k : 2 * k + 2] = steps.sum() - (xr - xs), steps[1:-1].sum()
    return found
