"""The winds of a site, and the share of time with favourable propagation that they make by direction.

The rule is an assumption of ours: a wind makes propagation favourable where its component from the source to the
receiver exceeds a threshold; in calm air a stated share of the time is favourable in all directions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array
from lineside.scene.model import FavourableShare

_SECTOR_DEG = 10.0


@dataclass(frozen=True, eq=False)
class WindRose:
    """Winds of a site.

    ``from_deg`` (n,): middles of evenly spaced sectors from which the wind blows, clockwise from north; several
    classes may share a sector. ``speed_m_s`` (n,), some of it assumed or none. ``share`` (n_periods, n) and ``calm``
    (n_periods,) make up 1.
    """

    from_deg: Array
    sector_deg: float
    speed_m_s: Array
    share: Array
    calm: Array
    speed_assumed: bool = False

    def favourable(self, threshold_m_s: float, inversion_share: Array) -> FavourableShare:
        """Share of time with favourable propagation, for sectors of 10 degrees, each by its middle.

        Parameters
        ----------
        threshold_m_s : float
            Component of the wind from source to receiver above which propagation is favourable. [m/s]
        inversion_share : ndarray, (n_periods,)
            Share of the calm time that is favourable in all directions. Calm are also the winds whose speed is not
            above the threshold.

        Notes
        -----
        A wind of speed v towards psi has the component v cos(psi - theta) along the propagation direction theta; it
        exceeds the threshold t for |psi - theta| < arccos(t / v). Directions are spread evenly over each sector.
        """
        calm = self.speed_m_s <= threshold_m_s
        ratio = np.ones_like(self.speed_m_s)
        np.divide(threshold_m_s, self.speed_m_s, out=ratio, where=~calm)
        reach = np.degrees(np.arccos(ratio))
        start = np.arange(0.0, 360.0, _SECTOR_DEG)
        towards = self.from_deg + 180.0
        off = np.abs(np.mod(towards[:, None] - (start + 0.5 * _SECTOR_DEG) + 180.0, 360.0) - 180.0)
        half = 0.5 * self.sector_deg
        low, high = np.maximum(off - half, -reach[:, None]), np.minimum(off + half, reach[:, None])
        inside = np.clip(high - low, 0.0, None) / self.sector_deg
        still = self.calm + self.share[:, calm].sum(axis=1)
        share = self.share @ inside + (still * inversion_share)[:, None]
        return FavourableShare(sector_from_deg=start, share=np.clip(share, 0.0, 1.0))
