"""Earth banks that stand by themselves, laid on the ground as earthworks are."""

from __future__ import annotations

import numpy as np

from lineside.acoustics.bands import Array
from lineside.project.terrain import Bank
from lineside.scene.alignment import Alignment, chainage_of
from lineside.scene.earthworks import CrossSections, Ground, daylight, normals, stations


def bank_sections(bank: Bank, ground: Ground, origin: Array, step_m: float | None = None) -> CrossSections:
    """Cross-sections of a bank: foot, both edges of the crest, foot.

    Parameters
    ----------
    ground : callable
        Heights of the ground without this bank.
    origin : ndarray, (2,)
        Of the coordinates of ``ground`` in those of the project.
    step_m : float, optional
        Step of the raster that the ground comes from.
    """
    line = np.array(bank.line, dtype=np.float64) - origin
    xyz = np.column_stack([line, np.zeros(len(line))])
    axis = Alignment(chainage_of(xyz), xyz)
    at = stations(axis, axis.from_m, axis.to_m, step_m)
    along, normal, stretch = normals(axis, at)

    def place(offset_m: Array) -> Array:
        return np.asarray(along + normal * (offset_m * stretch)[:, None])

    crest = ground(along) + bank.height_m
    half = np.full(len(at), 0.5 * bank.crest_width_m)
    feet = [daylight(place, sign * half, sign, crest, bank.slope_ratio, ground, step_m) for sign in (1.0, -1.0)]
    (left, z_left, reached_left), (right, z_right, reached_right) = feet
    lines = [(left, z_left), (half, crest), (-half, crest), (right, z_right)]
    return CrossSections(
        at_m=at,
        xyz_m=np.stack([np.column_stack([place(o), z]) for o, z in lines], axis=1),
        g=np.full(3, np.nan if bank.g is None else bank.g),
        reached=np.column_stack([reached_left, reached_right]),
        track_offset_m=np.empty((len(at), 0)),
    )
