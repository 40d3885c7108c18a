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
from lineside_plugins.iso9613_propagation.given import (
    ROUNDING_M,
    Edge,
    Wall,
    edges_of,
    ground_of,
    mirrors_of,
    terrain_of,
    ways_of,
)
from lineside_plugins.iso9613_propagation.options import GroundMethod, SideEdges


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
    all ways over and round the obstacles, ``a_db`` also the losses ``walls_db`` of a path by way of walls, ``inf`` in a
    band in which one does not reflect.
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
    walls_db: Array | None = None
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
        if self.walls_db is not None:
            terms["-10 lg rho"] = self.walls_db
        if self.level_db is not None:
            terms |= {"L_fT(DW)": self.level_db, "L_AT(DW)": self.laeq_db, "L_AT(LT)": self.laeq_long_term_db}
        return terms


def least_dimension_m(d_so_m: float, d_or_m: float, incidence_deg: float = 0.0) -> Array:
    """Smallest dimension above which a surface reflects, (8,); ISO 9613-2:1996, (19), from memory. [m]

    Parameters
    ----------
    d_so_m, d_or_m : float
        From the (image) source to the surface, from the surface to the receiver. [m]
    incidence_deg : float
        Between the path and the normal of the surface.

    Examples
    --------
    >>> least_dimension_m(10, 30).round(1).tolist()
    [9.0, 6.4, 4.5, 3.2, 2.3, 1.6, 1.1, 0.8]
    """
    from lineside_plugins.iso9613_propagation import kernels

    angle = math.cos(math.radians(incidence_deg))
    return np.array([kernels.least_dimension(angle, d_so_m, d_or_m, w) for w in kernels.WAVELENGTH_M])


def profile_terms(
    source: tuple[float, float],
    receiver: tuple[float, float],
    terrain: Sequence[Sequence[float]],
    ground: Sequence[Sequence[float]] | None = None,
    *,
    edges: Sequence[Edge | Sequence[float]] = (),
    buildings: Sequence[Sequence[float]] = (),
    ways_round: Sequence[Sequence[Sequence[float]]] = (),
    walls: Sequence[Wall] = (),
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
    buildings : (j, 3)
        Blocks (from x, to x, z of the top) with an edge on each side, strictly between source and receiver. [m]
    ways_round : up to two sequences of (x, y)
        Ways round the obstacles: vertical edges from source to receiver, x along the path, y beside it. [m]
    walls : sequence of Wall
        Walls by way of which the path goes (7.5); all else is then given along the unfolded path.
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
    Terrain points that rise above the straight ray are edges, too; they take the direction of another edge, and alone
    are crossed at right angles. Heights h_s and h_r are those above the ground below
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
    profile = terrain_of(terrain, xs, xr)
    h_s, h_r = zs - float(profile[0, 1]), zr - float(profile[-1, 1])
    for what, h in (("source", h_s), ("receiver", h_r)):
        if h < -ROUNDING_M:
            raise OutOfRangeError(f"the {what} lies {-h:g} m below the ground")
    if ground is None and ground_method == "general":
        raise OutOfRangeError("ground: the general method needs the ground factors of the path")
    gx, gg = ground_of(((xs, xr, 1.0),) if ground is None else ground, xs, xr)
    given = edges_of(edges, buildings, profile, xs, xr)
    ways = ways_of(ways_round, xs, xr)
    absorption = absorption_db_per_km(temperature_deg_c, humidity_pct, pressure_kpa)
    alternative, sides = ground_method == "alternative", side_edges != "none"
    rules = kernels.Rules(
        alternative, bool(ground_gain_behind_barriers), float(c2), float(c0_db), sides, side_edges == "capped"
    )
    shapes = np.full((2, 5), -1.0)
    for shape, h in zip(shapes, (h_s, h_r), strict=True):
        kernels.set_height(shape, max(0.0, h))
    local = np.zeros((len(given) + len(profile), 7))
    local[: len(given)] = given
    rows = local[: kernels.add_hills(profile, zs, zr, local, len(given))]
    found, info, work = np.zeros(len(rows) + 1, dtype=np.int64), np.zeros(kernels.N_INFO), np.zeros((kernels.N_ROWS, 8))
    kernels.attenuate(
        kernels.WAVELENGTH_M, absorption / 1000.0 * (kernels.LN10 / 10.0), rules, profile, gx - xs, gg, rows, ways,
        shapes[0], shapes[1], zs, zr, found, info, work,
    )  # fmt: skip
    lost: Array | None = None
    if walls:
        mirror, kept = mirrors_of(walls, xs, xr)
        kernels.reflect(kernels.WAVELENGTH_M, mirror, kept, rows, zs, zr, xr - xs, found, work)
        lost = -to_db(work[kernels.MIRRORED])
    a_gr, a_bar = -to_db(work[kernels.GROUND]), np.zeros(8)
    top: TopTerms | None = None
    around: tuple[SideTerms, ...] = ()
    if len(rows):
        a_bar = to_db(work[kernels.GROUND]) - to_db(work[kernels.BOUNDARY])
        kernels.find_top(rows, kernels.WAVELENGTH_M[-1], 0.0, zs, xr - xs, zr, found, info)
        top = _top(rows, xs, info, work)
        parts = ((kernels.Z_LEFT, kernels.E_LEFT, kernels.LEFT), (kernels.Z_RIGHT, kernels.E_RIGHT, kernels.RIGHT))
        around = tuple(
            SideTerms(float(info[z]), float(info[e]), to_db(work[row])) for z, e, row in parts[: len(ways_round)]
        )
    d, d_omega, c_met = (float(info[k]) for k in (kernels.D, kernels.D_OMEGA, kernels.C_MET))
    a_div, a_atm = 20.0 * math.log10(d) + 11.0, absorption * d / 1000.0
    a = -to_db(work[kernels.RESULT]) - c_met + (0.0 if lost is None else lost)
    level, laeq, long_term = None, None, None
    if power_db is not None:
        level = np.asarray(power_db, dtype=np.float64) - a  # (3)
        laeq = float(to_db(a_weighted_energy(to_energy(level))))  # (5)
        long_term = laeq - c_met  # (6)
    return IsoTerms(
        d, xr - xs, max(0.0, h_s), max(0.0, h_r), a_div, a_atm, _ground_terms(alternative, a_gr, info, work), a_bar,
        d_omega, c_met, a, top, around, lost, level, laeq, long_term,
    )  # fmt: skip


def _ground_terms(alternative: bool, a_gr: Array, info: Array, work: Array) -> GroundTerms:
    from lineside_plugins.iso9613_propagation import kernels

    if alternative:
        return GroundTerms(a_gr, h_m_m=float(info[kernels.H_M]))
    g_s, g_m, g_r, q = (float(info[k]) for k in (kernels.G_S, kernels.G_M, kernels.G_R, kernels.Q))
    a_s, a_m, a_r = (work[row].copy() for row in (kernels.A_S, kernels.A_M, kernels.A_R))
    return GroundTerms(a_s + a_m + a_r, a_s, a_m, a_r, g_s, g_m if q > 0.0 else None, g_r, q)


def _top(rows: Array, xs: float, info: Array, work: Array) -> TopTerms | None:
    from lineside_plugins.iso9613_propagation import kernels

    if info[kernels.N_TOP] == 0:
        return None
    used = dict.fromkeys((int(info[kernels.FIRST]), int(info[kernels.LAST])))
    return TopTerms(
        edges_m=tuple((xs + float(rows[k, 0]), float(rows[k, 1])) for k in used),
        z_m=float(info[kernels.Z_TOP]),
        d_ss_m=float(info[kernels.D_SS]),
        d_sr_m=float(info[kernels.D_SR]),
        e_m=float(info[kernels.E_TOP]),
        a_m=float(info[kernels.A_TOP]),
        c_3=work[kernels.C_3].copy(),
        k_met=work[kernels.K_MET].copy(),
        d_z_db=to_db(work[kernels.TOP]),
    )
