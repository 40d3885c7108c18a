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

    ``a_boundary_db`` is A_ground or A_dif, ``a_reflection_db`` what walls take off the image source's power by
    absorption and retrodiffraction, ``a_db`` the whole attenuation. Edges, path difference and the two sides are there
    only if at least one band counts as diffracted (``diffraction``).
    """

    a_boundary_db: Array
    a_reflection_db: Array
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
            terms[f"source_correction_{state}"] = -t.a_reflection_db
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
    walls: Sequence[tuple[float, float, float | Sequence[float] | Array]] = (),
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
    walls : (w, 3)
        Walls that reflect, in the unfolded cut (x, z of the top, absorption of all octaves or of each). [m]
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
    points, not under a building, at which the ground bends downward. ``a_atm_db`` belongs to the straight distance d.
    With walls the source is the image source; see :func:`..kernels.reflection` on rays that pass above their tops.

    References
    ----------
    .. [1] Directive 2002/49/EC, Annex II, section 2.5, as amended by (EU) 2021/1226.

    Examples
    --------
    >>> cut = vertical_cut((0, 0.5), (50, 4), [(0, 0), (50, 0)], [(0, 50, 0)], source_ground_g=0)
    >>> cut.homogeneous.a_boundary_db.round(2).tolist()
    [-3.0, -3.0, -3.0, -3.0, -3.0, -3.0, -3.0, -3.0]
    """

    (xs, zs), (xr, zr) = map(float, source), map(float, receiver)
    if not xr > xs:
        raise OutOfRangeError(f"the receiver (x = {xr:g} m) must lie to the right of the source (x = {xs:g} m)")
    if not 0.0 <= favourable_share <= 1.0:
        raise OutOfRangeError(f"share of favourable propagation {favourable_share:g}: must be between 0 and 1")
    line = _terrain(terrain, xs, xr)
    path = _Path(line, _ground(ground, xs, xr), _objects(line, barriers, buildings, xr - xs, xs), _walls(walls, xs, xr))
    d = float(np.hypot(xr - xs, zr - zs))
    a_div = 20.0 * np.log10(d) + 11.0
    a_atm = air_absorption_db_per_km(temperature_deg_c, humidity_pct, pressure_kpa) * d / 1000.0
    states = [
        _state(path, curved, xs, zs, xr - xs, zr, float(source_ground_g), a_div + a_atm) for curved in (False, True)
    ]
    level, laeq = None, None
    if power_db is not None:
        shares = np.array([1.0 - favourable_share, favourable_share])
        energy = shares @ np.stack([to_energy(np.asarray(power_db) - t.a_db) for t in states])  # (2.5.9)
        level, laeq = to_db(energy), float(to_db(a_weighted_energy(energy)))
    return VerticalCut(d, float(a_div), a_atm, states[0], states[1], level, laeq)


@dataclass(frozen=True, eq=False)
class _Path:
    """Rows of one path as the kernels take them, distances from the source: see ``VerticalCuts``."""

    profile: Array
    ground: Array
    edge: Array
    walls: tuple[Array, Array]  # rows of ``mirror``, absorption


def _state(
    path: _Path, curved: bool, xs: float, zs: float, length: float, zr: float, g_s: float, free_db: Array
) -> StateTerms:
    """One weather state by the kernels of the calculator."""
    from lineside_plugins.eu_propagation import kernels

    room = len(path.profile) + 2 * len(path.edge) + 4
    px, pz, ex, ez = np.empty((4, room))
    above, straight, found = np.zeros((3, room), dtype=np.int64)
    work = np.empty((kernels.N_WORK, room))
    n_profile, n_edges = kernels.lay_out(path.profile, path.edge, np.empty((room, 3)), work, above, px, pz, ex, ez)
    n_above = kernels.edges_above(ex, ez, n_edges, zs, length, zr, above)
    n = kernels.hull(ex, ez, above, n_above, zs, length, zr, 0.0, straight)
    gamma = 0.0
    if curved:
        gamma = kernels.ray_radius(float(np.hypot(length, zr - zs)))
        n = kernels.hull(ex, ez, straight, n, zs, length, zr, gamma, found)
    else:
        found = straight
    t, band, count = kernels.tile(), kernels.band_table(), np.zeros(4, dtype=np.int64)
    items = np.zeros((kernels.TILE, kernels.N_COLUMNS), dtype=np.int64)
    info, factors, out = np.zeros((3, 8)), np.ones((kernels.TILE, 2, 8)), np.zeros((1, 1, 8))
    n = kernels.boundary(
        t, band, items, count, px, pz, n_profile, path.ground, ex, ez, n_edges, zs, length, zr, g_s, gamma, n, True,
        found, np.full((1 + 2 * room, 3), -1.0), info,
    )  # fmt: skip
    kernels.reflection(band, *path.walls, ex, ez, found, n, zs, length, zr, factors[0])
    t[kernels.DISTANCE] = t[kernels.SHARES] = 1.0
    count[kernels.ITEMS] = count[kernels.NEARS] = 1
    kernels.flush(t, band, items, count, factors, out, out[:0])
    diffracted = (items[0, kernels.BANDS] >> np.arange(8)) & 1 > 0
    a_boundary = -to_db(out[0, 0] / kernels.SPREADING)
    a_reflection = -to_db(np.where(diffracted, factors[0, 1], factors[0, 0]))
    whole, before, behind = (Stretch(*map(float, row[:4])) for row in info)
    terms = StateTerms(a_boundary, a_reflection, free_db + a_boundary + a_reflection, diffracted, whole)
    if not n:
        return terms
    used = tuple((round(float(ex[i]) + xs, 9), float(ez[i])) for i in found[:n])
    return replace(terms, edges_m=used, delta_m=float(t[kernels.DELTA]), source_side=before, receiver_side=behind)


def _terrain(terrain: Sequence[Sequence[float]], xs: float, xr: float) -> Array:
    """Ground from source to receiver, (n, 2), distances from the source."""
    line = np.array(terrain, dtype=np.float64)
    if line.ndim != 2 or line.shape[1] != 2 or len(line) < 2 or np.any(np.diff(line[:, 0]) < 0.0):
        raise OutOfRangeError("terrain: needs two or more points (x, z) with x not falling")
    if line[0, 0] > xs + ROUNDING_M or line[-1, 0] < xr - ROUNDING_M:
        raise OutOfRangeError("terrain: must reach from the source to the receiver")
    line[0, 0], line[-1, 0] = min(line[0, 0], xs), max(line[-1, 0], xr)
    inner = line[(line[:, 0] > xs) & (line[:, 0] < xr)]
    ends = [[x, np.interp(x, line[:, 0], line[:, 1])] for x in (xs, xr)]
    return np.concatenate([ends[:1], inner, ends[1:]]) - [xs, 0.0]


def _ground(ground: Sequence[Sequence[float]], xs: float, xr: float) -> Array:
    """Pieces of ground as (distance of their end from the source, G), (n, 2)."""
    pieces = np.asarray(ground, dtype=np.float64)
    if pieces.ndim != 2 or pieces.shape[1] != 3:
        raise OutOfRangeError("ground: needs pieces (from x, to x, G)")
    pieces = pieces[np.argsort(pieces[:, 0], kind="stable")]
    open_end = pieces[0, 0] > xs + ROUNDING_M or pieces[-1, 1] < xr - ROUNDING_M
    if open_end or np.any(np.abs(pieces[1:, 0] - pieces[:-1, 1]) > ROUNDING_M):
        raise OutOfRangeError("ground: pieces must follow each other without gap or overlap from source to receiver")
    if np.any((pieces[:, 2] < 0.0) | (pieces[:, 2] > 1.0)):
        raise OutOfRangeError("ground: G must be between 0 and 1")
    ends = np.append(pieces[1:, 0], max(pieces[-1, 1], xr))
    return np.ascontiguousarray(np.stack([ends - xs, pieces[:, 2]], axis=1)[ends > xs])


def _objects(
    line: Array, barriers: Sequence[Sequence[float]], buildings: Sequence[Sequence[float]], length: float, xs: float
) -> Array:
    """Edges of barriers that rise above the terrain and of buildings, (n, 7), as in ``VerticalCuts.edge``."""
    from lineside.scene.cuts import BARRIER, BUILDING

    rows = []
    for x, top in barriers:
        if not 0.0 < x - xs < length:
            raise OutOfRangeError(f"barrier at {x:g} m: must stand between source and receiver")
        if top > np.interp(x - xs, line[:, 0], line[:, 1]):
            rows.append([x - xs, top, 0.0, 1.0, 0.0, BARRIER, 0.0])
    for k, (x1, x2, top) in enumerate(buildings):
        if not 0.0 < x1 - xs < x2 - xs < length:
            raise OutOfRangeError(f"building from {x1:g} to {x2:g} m: must stand between source and receiver")
        rows += [[x - xs, top, x2 - x1, 1.0, 0.0, BUILDING, k] for x in (x1, x2)]
    return np.array(sorted(rows, key=lambda row: row[0]), dtype=np.float64).reshape(-1, 7)


def _walls(
    walls: Sequence[tuple[float, float, float | Sequence[float] | Array]], xs: float, xr: float
) -> tuple[Array, Array]:
    """Reflecting walls as rows of ``VerticalCuts.mirror``, (n, 6), endless downward; their absorption, (n, 8)."""
    mirror, absorption = np.zeros((len(walls), 6)), np.zeros((len(walls), 8))
    for k, (x, top, alpha) in enumerate(walls):
        if not xs < x < xr:
            raise OutOfRangeError(f"wall at {x:g} m: must stand between image source and receiver")
        absorption[k] = alpha
        if np.any((absorption[k] < 0.0) | (absorption[k] >= 1.0)):
            raise OutOfRangeError(f"wall at {x:g} m: absorption must be at least 0 and below 1")
        mirror[k, :3], mirror[k, 5] = (x - xs, top, -np.inf), k
    return mirror, absorption
