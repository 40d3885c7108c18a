"""Terrain and earthworks as the report tabulates and draws them."""

from __future__ import annotations

import numpy as np

from lineside.acoustics.bands import Array
from lineside.project.load import LoadedProject
from lineside.project.model import RasterTerrain
from lineside.results import model
from lineside.results.model import XY
from lineside.scene.earthworks import lines_of
from lineside.scene.model import Raster, Scene, Terrain
from lineside.scene.terrain import ground_height, raster_height

#: Intervals of lines of equal height. [m]
INTERVALS_M = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0)
#: At most so many levels around the receivers, and in all.
MOST_NEAR, MOST_LEVELS = 8, 30
#: Points along the longer side at which heights are looked up.
POINTS = 200
#: Lines go on around what stands at the site, by this and by this share of its size. [m]
MARGIN_M, MARGIN = 60.0, 0.1


def terrain_info(loaded: LoadedProject) -> model.TerrainInfo | None:
    """Where the heights of the ground come from; None for a plain."""
    given, raster = loaded.project.site.terrain, loaded.raster
    if given is None or raster is None:
        return None
    return model.TerrainInfo(
        kind=given.kind,
        files=[given.file] if isinstance(given, RasterTerrain) else list(given.files),
        step_m=round(raster.step_m, 4),
        low_m=round(float(raster.z_m.min()), 2),
        high_m=round(float(raster.z_m.max()), 2),
        contours=height_contours(raster, *_rectangles(loaded)),
    )


def _rectangles(loaded: LoadedProject) -> tuple[XY, XY, XY, XY]:
    """Around tracks, receivers and barriers, and around the receivers alone."""
    receivers = np.array([r.position for r in loaded.project.receivers], dtype=np.float64).reshape(-1, 2)
    every = np.concatenate([*(xyz[:, :2] for _, xyz in loaded.alignments.values()), *loaded.lines.values(), receivers])
    found: list[XY] = []
    for points in (every, receivers if len(receivers) else every):
        low, high = points.min(axis=0), points.max(axis=0)
        margin = MARGIN_M + MARGIN * float((high - low).max())
        found += [tuple((low - margin).tolist()), tuple((high + margin).tolist())]
    return found[0], found[1], found[2], found[3]


def height_contours(raster: Raster, low: XY, high: XY, near_low: XY, near_high: XY) -> list[model.HeightContour]:
    """Lines of equal height of the ground within a rectangle.

    Their interval is the smallest round one that leaves no more than ``MOST_NEAR`` levels in the inner rectangle and
    ``MOST_LEVELS`` in the whole. Heights are taken from points no closer than a ``POINTS``-th of the longer side, so
    that lines of a fine raster show the lie of the land and not every furrow.

    Parameters
    ----------
    low, high, near_low, near_high : (x, y)
        Corners of the rectangle and of the inner one, in the coordinates of the raster.
    """
    from contourpy import LineType, contour_generator

    step = max(raster.step_m, max(high[0] - low[0], high[1] - low[1]) / POINTS)
    x, y = (np.linspace(low[k], high[k], max(2, int((high[k] - low[k]) / step) + 1)) for k in (0, 1))
    gx, gy = np.meshgrid(x, y)
    z = raster_height(raster, np.column_stack([gx.ravel(), gy.ravel()])).reshape(gx.shape)
    near = z[(gx >= near_low[0]) & (gx <= near_high[0]) & (gy >= near_low[1]) & (gy <= near_high[1])]
    near = near if near.size else z
    interval = next((i for i in INTERVALS_M if np.ptp(near) / i <= MOST_NEAR and np.ptp(z) / i <= MOST_LEVELS), None)
    if interval is None:
        return []
    generator = contour_generator(x, y, z, name="serial", line_type=LineType.Separate)
    out = []
    for level in np.arange(np.floor(z.min() / interval) + 1, np.ceil(z.max() / interval)) * interval:
        lines = [simplified(np.asarray(line), 0.1 * step) for line in generator.lines(float(level))]
        lines = [line for line in lines if len(line) > 1]
        if lines:
            out.append(model.HeightContour(level_m=round(float(level), 3), lines=lines))
    return out


def simplified(line: Array, tolerance_m: float) -> list[XY]:
    """A line with fewer points, to the decimetre."""
    from shapely import LineString, get_coordinates

    points = get_coordinates(LineString(line).simplify(tolerance_m))
    return [(round(float(x), 1), round(float(y), 1)) for x, y in points]


def earthwork_infos(loaded: LoadedProject, scene: Scene) -> list[model.EarthworkInfo]:
    """Earthworks with their outline, and how far their formation lies above the ground without them."""
    terrain = scene.terrain
    if terrain is None:
        return []
    natural = Terrain(level_m=terrain.level_m, raster=terrain.raster)
    out = []
    for k, work in enumerate(loaded.project.earthworks):
        lines = lines_of(terrain.breaks, k)
        edges = np.concatenate([lines[1], lines[-2]])
        above = edges[:, 2] - ground_height(natural, edges[:, :2])
        outline = np.concatenate([lines[0], lines[-1][::-1]])[:, :2] + np.array(scene.origin)
        out.append(
            model.EarthworkInfo(
                id=work.id,
                name=work.name or work.id,
                kind=work.kind,
                along=work.along,
                tracks=list(work.all_tracks),
                from_m=work.from_m,
                to_m=work.to_m,
                ballast_half_width_m=work.ballast_half_width_m,
                ballast_below_rail_m=work.ballast_below_rail_m,
                ballast_slope_ratio=work.ballast_slope_ratio,
                ballast_g=work.ballast_g,
                formation_edge_m=work.formation_edge_m,
                formation_below_rail_m=work.formation_below_rail_m,
                left_ratio=work.slope_ratio("left"),
                right_ratio=work.slope_ratio("right"),
                low_m=round(float(above.min()), 2),
                high_m=round(float(above.max()), 2),
                xy=[(round(float(x), 2), round(float(y), 2)) for x, y in outline],
            )
        )
    return out


def bank_infos(loaded: LoadedProject, scene: Scene) -> list[model.BankInfo]:
    """Banks with their outline."""
    terrain, origin, first = scene.terrain, np.array(scene.origin), len(loaded.project.earthworks)
    out = []
    for k, bank in enumerate(loaded.project.banks if terrain is not None else ()):
        assert terrain is not None
        left, *crest, right = lines_of(terrain.breaks, first + k)
        top = np.concatenate(crest)[:, 2]
        outline = np.concatenate([left, right[::-1]])[:, :2] + origin
        out.append(
            model.BankInfo(
                id=bank.id,
                name=bank.name or bank.id,
                height_m=bank.height_m,
                crest_width_m=bank.crest_width_m,
                slope_ratio=bank.slope_ratio,
                g=bank.g,
                top_z_m=(round(float(top.min()), 2), round(float(top.max()), 2)),
                line=[(round(x, 2), round(y, 2)) for x, y in bank.line],
                xy=[(round(float(x), 2), round(float(y), 2)) for x, y in outline],
            )
        )
    return out
