"""One path from a point source to a receiver, with every term."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array
from lineside.acoustics.levels import energy_sum_db, to_db
from lineside.errors import OutOfRangeError
from lineside.tables import load_table
from lineside_plugins.de_propagation.given import (
    XY,
    Wall,
    corners_of,
    edges_of,
    mirrors_of,
    profile_of,
    rows_of,
    water_of,
    way_of,
)


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
    together: D_Omega - A, what is added to the sound power level and its directivity to give the level. For a path by
    way of walls it holds their losses ``walls_db`` (8,), ``inf`` in a band in which one does not reflect.
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
    walls_db: Array | None = None
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
        if self.walls_db is not None:
            terms["D_rho"] = self.walls_db
        if self.level_db is not None:
            terms |= {"L_pA": self.level_db, "L_pAeq": self.laeq_db}
        return terms


def air_absorption_db_per_km() -> Array:
    """Absorption of air of the law, octaves 63 Hz to 8 kHz, (8,); 16. BImSchV, Annex 2, Table 17. [dB/km]

    >>> air_absorption_db_per_km().tolist()
    [0.1, 0.4, 1.0, 1.9, 3.7, 9.7, 32.8, 117.0]
    """
    return load_table("lineside_plugins.de_propagation", "air_absorption")["alpha_db_per_km"]


def least_dimension_m(d_so_m: float, d_or_m: float, incidence_deg: float = 0.0) -> Array:
    """Smallest dimension above which a wall reflects, (8,); 16. BImSchV, Annex 2, Gl. 27. [m]

    Parameters
    ----------
    d_so_m, d_or_m : float
        From the (image) source to the wall, from the wall to the receiver. [m]
    incidence_deg : float
        Between the path and the normal of the wall.

    Examples
    --------
    >>> least_dimension_m(10, 30).round(1).tolist()
    [9.0, 6.4, 4.5, 3.2, 2.3, 1.6, 1.1, 0.8]
    """
    from lineside_plugins.de_propagation import kernels

    angle = math.cos(math.radians(incidence_deg))
    return np.array([kernels.least_dimension(angle, d_so_m, d_or_m, w) for w in kernels.wavelengths_m()])


def propagation_path(
    source: XY,
    receiver: XY,
    terrain: Sequence[Sequence[float]],
    *,
    along_m: float = 0.0,
    water: Sequence[Sequence[float]] = (),
    edges: Sequence[Sequence[float]] = (),
    parallel: bool = True,
    buildings: Sequence[Sequence[float]] = (),
    ground_screens: bool = False,
    side_ways: Sequence[Sequence[Sequence[float]]] = (),
    walls: Sequence[Wall] = (),
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
    buildings : (j, 3)
        Blocks (from x, to x, z of the top) with an edge on each side, strictly between source and receiver. [m]
    ground_screens : bool
        Whether ground that rises above the straight line is an edge, too.
    side_ways : sequence of (k, 2)
        Ways round the sides of obstacles, each as its vertical edges (x, y) in order, the source at y = 0 and the
        receiver at ``along_m``. They count only where the top edges block the straight line. [m]
    walls : sequence of Wall
        Walls by way of which the path goes; all else is then given in the unfolded cross-section.
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
    Without ``ground_screens`` terrain alone screens nothing: where it does, give its breaks as edges. The segment of
    track of which the point is the middle and its directivity (Gl. 8) belong to the caller.

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
    share = water_of(water, xs, xr)
    along = float(along_m)
    d_p = float(np.hypot(xr - xs, along))
    stretch = d_p / (xr - xs)
    profile = profile_of(terrain, xs, xr) * [stretch, 1.0]
    tops = edges_of(edges, xs, xr)
    if buildings:
        tops = edges_of(sorted([*map(tuple, tops.tolist()), *corners_of(buildings)]), xs, xr)
    local = np.zeros((len(tops) + len(profile) + 1, 7))
    local[: len(tops)] = rows_of(tops, xs, stretch, (xr - xs) / d_p if parallel else 1.0, 10.0 ** (d_refl_db / 10.0))
    ways = np.array([way_of(corners, xs, xr, along) for corners in side_ways]).reshape(-1, 3)
    order, used = np.zeros(len(local), dtype=np.int64), np.zeros(len(local) + 1, dtype=np.int64)
    work, geo, band = np.zeros((kernels.N_ROWS, 8)), np.zeros(kernels.N_GEO), kernels.wavelengths_m()
    absorption = air_absorption_db_per_km() / 1000.0
    kernels.attenuate(
        band, absorption * kernels.LN10 / 10.0, float(c_2), profile, *kernels.ground_below(profile), share, len(tops),
        local, bool(ground_screens), ways, math.inf, zs, zr, order, used, geo, work,
    )  # fmt: skip
    d, h_m, n = float(geo[kernels.D]), float(geo[kernels.H_M]), int(geo[kernels.N_LOCAL])
    ground = geo[kernels.OPEN_GROUND]
    transfer, top, sides, lost = to_db(work[kernels.RESULT]), None, [], None
    if walls:
        mirror, kept = mirrors_of(walls, xs, xr, stretch)
        kernels.reflect(band, mirror, kept, local, n, zs, d_p, zr, order, used, work)
        lost = -to_db(work[kernels.MIRRORED])
        transfer = transfer - lost
    if n:
        order[:] = np.arange(len(order))
        blocked = kernels.over_top(band, 0, 8, float(c_2), ground, local, order, n, zs, d_p, zr, used, geo, work)
        met = local[used[: max(blocked, 1)], :2] * [1.0 / stretch, 1.0] + [xs, 0.0]
        top = _screen(met, geo, work[kernels.SCREEN], band)
        hill = bool(np.any(local[:n, [kernels.SINE, kernels.COSINE]].sum(axis=1) == 0.0))
        for corners, way in zip(side_ways, ways, strict=True) if blocked and not hill else ():
            kernels.round_side(band, 0, 8, float(c_2), ground, way, d_p, zr - zs, geo, work)
            sides.append(_screen(np.asarray(corners, dtype=np.float64), geo, work[kernels.SCREEN], band))
    a_div = float(to_db(4.0 * np.pi * d * d))
    d_omega = float(to_db(kernels.solid_angle(d_p, geo[kernels.H_G], geo[kernels.H_R])))
    a_gr = -float(to_db(ground))
    a_bar = -to_db(work[kernels.TOP]) - a_gr if top is not None else np.zeros(8)
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
        walls_db=lost,
        level_db=level,
        laeq_db=None if level is None else float(energy_sum_db(level)),
    )


def _screen(edges: Array, geo: Array, factors: Array, band: Array) -> Screen:
    from lineside_plugins.de_propagation import kernels

    d_z = np.where(factors < kernels.OPEN, -to_db(factors), -np.inf)
    c_3 = np.array([kernels.c_3(geo[kernels.E], wavelength) for wavelength in band])
    d_s, d_r, e, z, k_met = (float(geo[i]) for i in (kernels.D_S, kernels.D_R, kernels.E, kernels.Z, kernels.K_MET))
    return Screen(tuple((float(a), float(b)) for a, b in edges), d_s, d_r, e, z, k_met, c_3, d_z)
