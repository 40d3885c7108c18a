"""One path through one vertical cut, with every intermediate term."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lineside.acoustics.bands import Array
from lineside.acoustics.levels import a_weighted_energy, to_db, to_energy
from lineside.errors import OutOfRangeError
from lineside_plugins.eu_propagation.air import air_absorption_db_per_km

ROUNDING_M = 1e-6  # by this much a profile may fall short of the source or the receiver


@dataclass(frozen=True)
class Stretch:
    """Ground between two ends, seen from its mean plane.

    ``z_a_m`` and ``z_b_m`` are the equivalent heights at the end nearer the source and nearer the receiver, ``d_p_m``
    the distance of their feet on the plane, ``g_path`` the mean ground factor in plan.
    """

    z_a_m: float
    z_b_m: float
    d_p_m: float
    g_path: float


@dataclass(frozen=True, eq=False)
class StateTerms:
    """What one weather state does to the path. Octaves 63 Hz to 8 kHz, (8,).

    ``a_boundary_db`` is A_ground or A_dif, ``a_db`` the whole attenuation. Edges, path difference and the two sides are
    there only if at least one band counts as diffracted (``diffraction``).
    """

    a_boundary_db: Array
    a_db: Array
    diffraction: NDArray[np.bool_]
    whole_path: Stretch
    edges_m: tuple[tuple[float, float], ...] = ()
    delta_m: float | None = None
    source_side: Stretch | None = None
    receiver_side: Stretch | None = None


@dataclass(frozen=True, eq=False)
class VerticalCut:
    """Attenuation along one path in both weather states, and levels if a sound power was given."""

    d_m: float
    a_div_db: float
    a_atm_db: Array
    homogeneous: StateTerms
    favourable: StateTerms
    level_db: Array | None = None
    laeq_db: float | None = None

    def symbols(self) -> dict[str, object]:
        """All terms under the symbols of the law: d, A_div, A_atm, A_boundary_H, A_H, z_s, z_o, z_r, d_p, ..."""
        terms: dict[str, object] = {"d": self.d_m, "A_div": self.a_div_db, "A_atm": self.a_atm_db}
        for state, t in (("H", self.homogeneous), ("F", self.favourable)):
            terms[f"A_boundary_{state}"] = t.a_boundary_db
            terms[f"A_{state}"] = t.a_db
            terms[f"diffraction_{state}"] = t.diffraction
            parts = {"whole_path": (t.whole_path, "z_s", "z_r")}
            if t.source_side is not None and t.receiver_side is not None:
                parts["source_side"] = (t.source_side, "z_s", "z_o")
                parts["receiver_side"] = (t.receiver_side, "z_o", "z_r")
                terms[f"edges_{state}"] = t.edges_m
                terms[f"delta_{state}"] = t.delta_m
            for name, (part, a, b) in parts.items():
                terms[f"{name}_{state}"] = {a: part.z_a_m, b: part.z_b_m, "d_p": part.d_p_m, "G_path": part.g_path}
        if self.level_db is not None:
            terms |= {"L_longterm": self.level_db, "L_Aeq_longterm": self.laeq_db}
        return terms


def vertical_cut(
    source: tuple[float, float],
    receiver: tuple[float, float],
    terrain: Sequence[Sequence[float]],
    ground: Sequence[Sequence[float]],
    *,
    source_ground_g: float,
    barriers: Sequence[Sequence[float]] = (),
    buildings: Sequence[Sequence[float]] = (),
    temperature_deg_c: float = 15.0,
    humidity_pct: float = 70.0,
    pressure_kpa: float = 101.325,
    favourable_share: float = 0.5,
    power_db: Sequence[float] | Array | None = None,
) -> VerticalCut:
    """Attenuation from a point source to a receiver through a vertical cut; [1]_.

    Parameters
    ----------
    source, receiver : (x, z)
        Horizontal place along the cut and absolute height; the receiver lies to the right. For a path with
        reflections the cut is the unfolded one. [m]
    terrain : (n, 2)
        Ground polyline (x, z), x not falling, at least from source to receiver. [m]
    ground : (m, 3)
        Pieces (from x, to x, G) without gaps, at least from source to receiver. [m]
    source_ground_g : float
        Ground factor of the source area, G_s: 0 slab track, 1 ballast.
    barriers : (b, 2)
        Thin screens (x, z of the top). [m]
    buildings : (c, 3)
        Boxes (from x, to x, z of the flat top), strictly between source and receiver. [m]
    temperature_deg_c, humidity_pct, pressure_kpa : float
        State of the air; the defaults are those of the law.
    favourable_share : float
        Share of time p with favourable propagation, 0 to 1.
    power_db : (8,), optional
        Sound power per octave in the direction of the receiver. [dB re 1 pW]

    Returns
    -------
    VerticalCut

    Raises
    ------
    OutOfRangeError
        If the receiver is not to the right of the source, or terrain or ground leave part of the path open, or an
        object has no place between source and receiver.

    Notes
    -----
    Edges that may diffract are barrier tops above the terrain, both upper corners of a building and those terrain
    points at which the ground bends downward. ``a_atm_db`` belongs to the straight distance d.

    References
    ----------
    .. [1] Directive 2002/49/EC, Annex II, section 2.5, as amended by (EU) 2021/1226.

    Examples
    --------
    >>> cut = vertical_cut((0, 0.5), (50, 4), [(0, 0), (50, 0)], [(0, 50, 0)], source_ground_g=0)
    >>> cut.homogeneous.a_boundary_db.round(2).tolist()
    [-3.0, -3.0, -3.0, -3.0, -3.0, -3.0, -3.0, -3.0]
    """
    from lineside_plugins.eu_propagation import kernels

    (xs, zs), (xr, zr) = map(float, source), map(float, receiver)
    if not xr > xs:
        raise OutOfRangeError(f"the receiver (x = {xr:g} m) must lie to the right of the source (x = {xs:g} m)")
    if not 0.0 <= favourable_share <= 1.0:
        raise OutOfRangeError(f"share of favourable propagation {favourable_share:g}: must be between 0 and 1")
    profile = _profile(terrain, buildings, xs, xr)
    borders, factors = _ground(ground, xs, xr)
    edges = _edges(np.asarray(terrain, dtype=np.float64), barriers, buildings, xs, xr)
    d = float(np.hypot(xr - xs, zr - zs))
    a_div = 20.0 * np.log10(d) + 11.0
    a_atm = air_absorption_db_per_km(temperature_deg_c, humidity_pct, pressure_kpa) * d / 1000.0
    states = []
    for gamma in (0.0, kernels.ray_radius(d)):
        found = np.zeros(edges.shape[1] + 1, dtype=np.int64)
        info, work = np.zeros((3, 8)), np.zeros((kernels.N_ROWS, 8))
        n, delta = kernels.boundary(
            kernels.band_constants(), profile[0], profile[1], borders, factors, edges[0], edges[1], xs, zs, xr, zr,
            float(source_ground_g), gamma, True, found, info, work,
        )  # fmt: skip
        whole, before, behind = (Stretch(*map(float, row[:4])) for row in info)
        a_boundary = -to_db(work[kernels.RESULT])
        terms = StateTerms(a_boundary, a_div + a_atm + a_boundary, work[kernels.DIFFRACTED] > 0.0, whole)
        if n:
            used = tuple((float(edges[0, i]), float(edges[1, i])) for i in found[:n])
            terms = replace(terms, edges_m=used, delta_m=float(delta), source_side=before, receiver_side=behind)
        states.append(terms)
    level, laeq = None, None
    if power_db is not None:
        shares = np.array([1.0 - favourable_share, favourable_share])
        energy = shares @ np.stack([to_energy(np.asarray(power_db) - t.a_db) for t in states])  # (2.5.9)
        level, laeq = to_db(energy), float(to_db(a_weighted_energy(energy)))
    return VerticalCut(d, float(a_div), a_atm, states[0], states[1], level, laeq)


def _profile(
    terrain: Sequence[Sequence[float]], buildings: Sequence[Sequence[float]], xs: float, xr: float
) -> tuple[Array, Array]:
    """Terrain with buildings on it, (2, n): what the mean planes are laid through."""
    line = np.asarray(terrain, dtype=np.float64)
    if line.ndim != 2 or line.shape[1] != 2 or len(line) < 2 or np.any(np.diff(line[:, 0]) < 0.0):
        raise OutOfRangeError("terrain: needs two or more points (x, z) with x not falling")
    if line[0, 0] > xs + ROUNDING_M or line[-1, 0] < xr - ROUNDING_M:
        raise OutOfRangeError("terrain: must reach from the source to the receiver")
    x, z = line[:, 0].copy(), line[:, 1]
    x[0], x[-1] = min(x[0], xs), max(x[-1], xr)
    for x1, x2, top in sorted(map(tuple, buildings)):
        if not xs < x1 < x2 < xr:
            raise OutOfRangeError(f"building from {x1:g} to {x2:g} m: must stand between source and receiver")
        z1, z2 = np.interp([x1, x2], line[:, 0], line[:, 1])
        left, right = x <= x1, x >= x2
        x = np.concatenate([x[left], [x1, x1, x2, x2], x[right]])
        z = np.concatenate([z[left], [z1, top, top, z2], z[right]])
    return np.ascontiguousarray(x), np.ascontiguousarray(z)


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
    return borders, np.ascontiguousarray(pieces[:, 2])


def _edges(
    terrain: Array, barriers: Sequence[Sequence[float]], buildings: Sequence[Sequence[float]], xs: float, xr: float
) -> Array:
    """Places and heights of all edges that may diffract, (2, n) by rising x."""
    from lineside_plugins.eu_propagation.kernels import insert_edge

    x, z = terrain[:, 0], terrain[:, 1]
    inner = range(1, len(x) - 1)
    corners = [(float(x[i]), float(z[i])) for i in inner if _bends_down(x[i - 1 : i + 2], z[i - 1 : i + 2])]
    for bx, top in barriers:
        if not xs < bx < xr:
            raise OutOfRangeError(f"barrier at {bx:g} m: must stand between source and receiver")
        if top > np.interp(bx, x, z):
            corners.append((float(bx), float(top)))
    for x1, x2, top in buildings:
        corners += [(float(x1), float(top)), (float(x2), float(top))]
    ex, ez, n = np.empty(len(corners)), np.empty(len(corners)), 0
    for cx, cz in corners:
        if xs < cx < xr:
            n = insert_edge(ex, ez, n, cx, cz)
    return np.stack([ex[:n], ez[:n]])


def _bends_down(x: Array, z: Array) -> bool:
    """Whether three neighbouring terrain points form a ridge, shoulder or upper end of a wall."""
    return bool((x[1] - x[0]) * (z[2] - z[1]) - (x[2] - x[1]) * (z[1] - z[0]) < -1e-9)
