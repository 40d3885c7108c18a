"""Sites with terrain for tests: heights made by a function, written as files."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from sites import straight_site

Height = Callable[[Any, Any], Any]


def slope(x: Any, y: Any) -> Any:
    """A gentle plane: bilinear and linear interpolation of it are exact. [m]"""
    return 10.0 + 0.01 * x + 0.03 * y


def grid(height: Height, low: float = -500.0, high: float = 500.0, step_m: float = 5.0) -> tuple[Any, Any]:
    """Axis and heights of a square grid; rows from south to north."""
    axis = np.arange(low, high + 0.5 * step_m, step_m)
    x, y = np.meshgrid(axis, axis)
    return axis, np.broadcast_to(np.asarray(height(x, y), dtype=np.float64), x.shape)


def write_geotiff(
    path: Path,
    z: Any,
    x0: float,
    y0: float,
    step_m: float | tuple[float, float],
    crs: str | None = None,
    nodata: float | None = None,
    **more: Any,
) -> None:
    """Write heights (rows from south to north) whose lower left one stands at (x0, y0)."""
    import rasterio
    from rasterio.transform import Affine

    dx, dy = step_m if isinstance(step_m, tuple) else (step_m, step_m)
    z = np.asarray(z)
    shift = Affine(dx, 0.0, x0 - 0.5 * dx, 0.0, -dy, y0 + dy * (len(z) - 0.5))
    given = {"driver": "GTiff", "count": 1, "dtype": "float64", "crs": crs, "nodata": nodata, "transform": shift}
    path.parent.mkdir(parents=True, exist_ok=True)
    with rasterio.open(path, "w", height=z.shape[0], width=z.shape[1], **{**given, **more}) as out:
        for band in range(out.count):
            out.write(z[::-1].astype(out.dtypes[0]), band + 1)


def ascii_grid(z: Any, x0: float, y0: float, step_m: float, corner: bool = True, nodata: float = -9999.0) -> str:
    """Text of an ASCII grid; heights as above."""
    z = np.where(np.isnan(z), nodata, z)
    at = (x0 - 0.5 * step_m, y0 - 0.5 * step_m) if corner else (x0, y0)
    word = "corner" if corner else "center"
    head = f"ncols {z.shape[1]}\nnrows {z.shape[0]}\nxll{word} {at[0]}\nyll{word} {at[1]}\ncellsize {step_m}\n"
    rows = "\n".join(" ".join(f"{v:.6f}" for v in row) for row in z[::-1])
    return f"{head}NODATA_value {nodata}\n{rows}\n"


def hilly_site(works: Sequence[dict[str, Any]] = (), rail_m: float = 13.0) -> dict[str, Any]:
    """The straight site, 600 m long, on the raster ``dem.tif``, with earthworks."""
    site = straight_site(300.0)
    site["tracks"][0]["alignment"]["points"] = [[-300.0, 0.0, rail_m - 3.0], [300.0, 0.0, rail_m + 3.0]]
    site["site"]["terrain"] = {"kind": "raster", "file": "dem.tif"}
    site["earthworks"] = [dict(work) for work in works]
    return site


WHOLE = {"id": "E", "kind": "embankment", "along": "T", "from_m": 0.0, "to_m": 600.0}
