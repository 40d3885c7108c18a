"""One path from a point source to a receiver, with every term."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array
from lineside.acoustics.levels import energy_sum_db, to_db
from lineside.errors import OutOfRangeError
from lineside.tables import load_table

ROUNDING_M = 1e-6  # by this much a profile may fall short of the source or the receiver
XY = tuple[float, float]


@dataclass(frozen=True, eq=False)
class Screen:
    """Diffraction along one way. Octaves 63 Hz to 8 kHz, (8,).

    ``edges_m`` are (x, z) of top edges, (x, y) of side edges. ``z_m`` is negative where source and receiver see each
    other. ``d_z_db`` is what Gl. 21 gives, no more than 20 or 25 dB; ``-inf`` where its argument is not positive.
    """

    edges_m: tuple[XY, ...]
    d_s_m: float
    d_r_m: float
    e_m: float
    z_m: float
    k_met: float
    c_3: Array
    d_z_db: Array

    def symbols(self) -> dict[str, object]:
        """All terms under the symbols of the law."""
        return {
            "z": self.z_m,
            "d_s": self.d_s_m,
            "d_r": self.d_r_m,
            "e": self.e_m,
            "edges": len(self.edges_m),
            "K_met": self.k_met,
            "C_3": self.c_3,
            "D_z": self.d_z_db,
        }


@dataclass(frozen=True, eq=False)
class PropagationPath:
    """Attenuation from a point to a receiver. Octaves 63 Hz to 8 kHz, (8,).

    ``a_bar_db`` and ``a_db`` belong to the direct way or the way over the top edges, ``transfer_db`` to all ways
    together: D_Omega - A, what is added to the sound power level and its directivity to give the level.
    """

    d_m: float
    d_p_m: float
    h_m_m: float
    a_div_db: float
    a_atm_db: Array
    a_gr_land_db: float
    a_gr_water_db: float
    a_bar_db: Array
    d_omega_db: float
    a_db: Array
    transfer_db: Array
    top: Screen | None = None
    sides: tuple[Screen, ...] = ()
    level_db: Array | None = None
    laeq_db: float | None = None

    @property
    def a_gr_db(self) -> float:
        """A_gr of Gl. 13. [dB]"""
        return self.a_gr_land_db + self.a_gr_water_db

    def symbols(self) -> dict[str, object]:
        """All terms under the symbols of the law: d, d_p, h_m, A_div, A_atm, A_gr,B, A_gr,W, A_bar, D_Omega, ..."""
        terms: dict[str, object] = {
            "d": self.d_m,
            "d_p": self.d_p_m,
            "h_m": self.h_m_m,
            "A_div": self.a_div_db,
            "A_atm": self.a_atm_db,
            "A_gr,B": self.a_gr_land_db,
            "A_gr,W": self.a_gr_water_db,
            "A_gr": self.a_gr_db,
            "A_bar": self.a_bar_db,
            "D_Omega": self.d_omega_db,
            "A": self.a_db,
            "transfer": self.transfer_db,
        }
        if self.top is not None:
            terms["screen"] = self.top.symbols()
        if self.sides:
            terms["sides"] = [side.symbols() for side in self.sides]
        if self.level_db is not None:
            terms |= {"L_pA": self.level_db, "L_pAeq": self.laeq_db}
        return terms


def air_absorption_db_per_km() -> Array:
    """Absorption of air of the law, octaves 63 Hz to 8 kHz, (8,); 16. BImSchV, Annex 2, Table 17. [dB/km]

    >>> air_absorption_db_per_km().tolist()
    [0.1, 0.4, 1.0, 1.9, 3.7, 9.7, 32.8, 117.0]
    """
    return load_table("lineside_plugins.de_propagation", "air_absorption")["alpha_db_per_km"]


def propagation_path(
    source: XY,
    receiver: XY,
    terrain: Sequence[Sequence[float]],
    *,
    along_m: float = 0.0,
    water: Sequence[Sequence[float]] = (),
    edges: Sequence[Sequence[float]] = (),
    parallel: bool = True,
    side_ways: Sequence[Sequence[Sequence[float]]] = (),
    d_refl_db: float = 0.0,
    c_2: float = 40.0,
    power_a_db: Sequence[float] | Array | None = None,
) -> PropagationPath:
    """Attenuation from a point source to a receiver; [1]_.

    The site is given as a cross-section that is the same all along the track.

    Parameters
    ----------
    source, receiver : (x, z)
        Place across the track and absolute height; the receiver lies to the right. The source is the rail head plus the
        height of the source. [m]
    terrain : (n, 2)
        Ground polyline (x, z), x not falling, at least from source to receiver. [m]
    along_m : float
        How far the receiver lies from the source along the track. [m]
    water : (m, 2)
        Stretches (from x, to x) of open water that do not overlap; all other ground is land. [m]
    edges : (k, 2)
        Top edges (x, z) of obstacles, strictly between source and receiver, x not falling; a low barrier near the
        track with its reduced height (:func:`effective_top_m`). [m]
    parallel : bool
        Whether the edges run along the track (Gl. 25); false: they are not parallel to each other (Gl. 26).
    side_ways : sequence of (k, 2)
        Ways round the sides of obstacles, each as its vertical edges (x, y) in order, the source at y = 0 and the
        receiver at ``along_m``. They count only where the top edges block the straight line. [m]
    d_refl_db : float
        D_refl of Gl. 20: 3 dB for a reflecting barrier within 5 m of the source, less 1 dB per metre of absorbing
        base, not below 0. [dB]
    c_2 : float
        40 for lines, 20 for yards (Gl. 21).
    power_a_db : (8,), optional
        A-weighted sound power level per octave towards the receiver, directivity included. [dB re 1 pW]

    Returns
    -------
    PropagationPath

    Raises
    ------
    OutOfRangeError
        If the receiver is not to the right of the source, the terrain leaves part of the path open, or an edge or
        a stretch of water has no place between source and receiver.

    Notes
    -----
    The area S of Gl. 15 counts negative where the ground lies above the straight line, and is not below 0 in all.
    Terrain alone screens nothing: where it does, give its breaks as edges. The segment of track of which the point is
    the middle, its directivity (Gl. 8) and reflections (Gl. 27, 28) belong to the caller.

    References
    ----------
    .. [1] 16. BImSchV (Verkehrslärmschutzverordnung), Annex 2, No. 3.5 and No. 6.

    Examples
    --------
    >>> path = propagation_path((0, 0), (25, 3.5), [(0, 0), (25, 0)])
    >>> round(path.a_div_db, 2), round(path.a_gr_db, 2), round(path.d_omega_db, 2)
    (39.04, 0.83, 3.01)
    """
    from lineside_plugins.de_propagation import kernels

    (xs, zs), (xr, zr) = (tuple(map(float, point)) for point in (source, receiver))
    if not xr > xs:
        raise OutOfRangeError(f"the receiver (x = {xr:g} m) must lie to the right of the source (x = {xs:g} m)")
    line = _terrain(terrain, xs, xr)
    share = _water(water, xs, xr)
    along = float(along_m)
    d_p = float(np.hypot(xr - xs, along))
    d = float(np.hypot(d_p, zr - zs))
    area = _area(line, xs, zs, xr, zr)
    h_m = max(0.0, area * d_p / (xr - xs)) / d
    h_g, h_r = (max(0.0, z - float(np.interp(x, *line))) for x, z in ((xs, zs), (xr, zr)))
    ground = kernels.ground_factor(h_m, d, share)
    work, geo, band = np.zeros((kernels.N_ROWS, 8)), np.zeros(kernels.N_GEO), kernels.wavelengths_m()
    absorption = air_absorption_db_per_km() / 1000.0
    kernels.spread_and_air(absorption * kernels.LN10 / 10.0, d, work)
    ways, top, sides = np.full(8, ground), None, []
    tops = _edges(edges, xs, xr)
    if len(tops):
        stretch, n = d_p / (xr - xs), len(tops)
        ray = np.array([xr - xs, along]) / d_p
        direction = np.tile([0.0, 1.0] if parallel else [-ray[1], ray[0]], (n, 1))
        used = np.zeros(n + 1, dtype=np.int64)
        found = kernels.over_top(
            band, 0, 8, float(c_2), ground, (tops[:, 0] - xs) * stretch, tops[:, 1].copy(), direction,
            np.full(n, 10.0 ** (d_refl_db / 10.0)), np.arange(n), n, ray[0], ray[1], zs, d_p, zr, used, geo, work,
        )  # fmt: skip
        top = _screen(tops[used[: max(found, 1)]], geo, work[kernels.SCREEN], band)
        ways = work[kernels.TOP].copy()
        for corners in side_ways if found else ():
            at = np.array([[xs, 0.0], *corners, [xr, along]], dtype=np.float64)
            kernels.round_side(band, 0, 8, float(c_2), ground, at, len(at), zr - zs, geo, work)
            sides.append(_screen(at[1:-1], geo, work[kernels.SCREEN], band))
            ways = ways + work[kernels.SIDE]
    a_div, d_omega = float(to_db(4.0 * np.pi * d * d)), float(to_db(kernels.solid_angle(d_p, h_g, h_r)))
    a_gr = -float(to_db(ground))
    a_bar = -to_db(work[kernels.TOP]) - a_gr if top is not None else np.zeros(8)
    transfer = d_omega + to_db(work[kernels.NEAR] * ways)
    level = None if power_a_db is None else np.asarray(power_a_db, dtype=np.float64) + transfer
    return PropagationPath(
        d_m=d,
        d_p_m=d_p,
        h_m_m=h_m,
        a_div_db=a_div,
        a_atm_db=absorption * d,
        a_gr_land_db=float(kernels.ground_db(h_m, d)),
        a_gr_water_db=-3.0 * share,
        a_bar_db=a_bar,
        d_omega_db=d_omega,
        a_db=a_div + absorption * d + a_gr + a_bar,
        transfer_db=transfer,
        top=top,
        sides=tuple(sides),
        level_db=level,
        laeq_db=None if level is None else float(energy_sum_db(level)),
    )


def _screen(edges: Array, geo: Array, factors: Array, band: Array) -> Screen:
    from lineside_plugins.de_propagation import kernels

    d_z = np.where(factors < kernels.OPEN, -to_db(factors), -np.inf)
    c_3 = np.array([kernels.c_3(geo[kernels.E], wavelength) for wavelength in band])
    d_s, d_r, e, z, k_met = (float(geo[i]) for i in (kernels.D_S, kernels.D_R, kernels.E, kernels.Z, kernels.K_MET))
    return Screen(tuple((float(a), float(b)) for a, b in edges), d_s, d_r, e, z, k_met, c_3, d_z)


def _terrain(terrain: Sequence[Sequence[float]], xs: float, xr: float) -> tuple[Array, Array]:
    line = np.asarray(terrain, dtype=np.float64)
    if line.ndim != 2 or line.shape[1] != 2 or len(line) < 2 or np.any(np.diff(line[:, 0]) < 0.0):
        raise OutOfRangeError("terrain: needs two or more points (x, z) with x not falling")
    if line[0, 0] > xs + ROUNDING_M or line[-1, 0] < xr - ROUNDING_M:
        raise OutOfRangeError("terrain: must reach from the source to the receiver")
    return line[:, 0], line[:, 1]


def _area(line: tuple[Array, Array], xs: float, zs: float, xr: float, zr: float) -> float:
    """Area between straight line and ground in the cross-section. [m2]"""
    inner = (line[0] > xs) & (line[0] < xr)
    x = np.concatenate([[xs], line[0][inner], [xr]])
    ground = np.concatenate([[np.interp(xs, *line)], line[1][inner], [np.interp(xr, *line)]])
    return float(np.trapezoid(zs + (zr - zs) * (x - xs) / (xr - xs) - ground, x))


def _water(water: Sequence[Sequence[float]], xs: float, xr: float) -> float:
    """d_w/d_p, the same along and across the cross-section."""
    pieces = np.asarray(sorted(map(tuple, water)), dtype=np.float64).reshape(-1, 2)
    low, high = pieces[:, 0], pieces[:, 1]
    if np.any(low >= high) or np.any(low < xs - ROUNDING_M) or np.any(high > xr + ROUNDING_M):
        raise OutOfRangeError("water: stretches (from x, to x) must lie between source and receiver, from below to")
    if np.any(low[1:] < high[:-1] - ROUNDING_M):
        raise OutOfRangeError("water: stretches must not overlap")
    return min(1.0, float(np.sum(high - low)) / (xr - xs))


def _edges(edges: Sequence[Sequence[float]], xs: float, xr: float) -> Array:
    """Edges by rising x, (n, 2); of several at one place the highest."""
    kept: list[list[float]] = []
    for x, z in edges:
        if not xs < x < xr:
            raise OutOfRangeError(f"edge at {x:g} m: must stand between source and receiver")
        if kept and x < kept[-1][0]:
            raise OutOfRangeError(f"edge at {x:g} m: edges must be in order from source to receiver")
        if kept and x - kept[-1][0] < ROUNDING_M:
            kept[-1][1] = max(kept[-1][1], float(z))
        else:
            kept.append([float(x), float(z)])
    return np.array(kept, dtype=np.float64).reshape(-1, 2)
