"""Terrain and earthworks as the report tabulates and draws them."""

from __future__ import annotations

import numpy as np

from lineside.project.load import LoadedProject
from lineside.project.model import RasterTerrain
from lineside.results import model
from lineside.scene.earthworks import lines_of
from lineside.scene.model import Scene, Terrain
from lineside.scene.terrain import ground_height


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
    )


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
