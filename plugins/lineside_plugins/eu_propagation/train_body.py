"""Sound thrown to and fro between a train and a barrier beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array
from lineside.acoustics.levels import to_db
from lineside.errors import OutOfRangeError


@dataclass(frozen=True, eq=False)
class BarrierBesideTrain:
    """The equivalent source that stands for a train beside a barrier. Octaves 63 Hz to 8 kHz, (8,).

    ``gain_db`` is L_W,eq - L_W, ``n_images`` the number of image sources in it. ``geo_db`` (n_images,), ``dif_db``,
    ``abs_db``, ``ref_db`` and ``retrodif_db`` (n_images, 8) are the terms of the images n = 1, 2, ... that Delta L_n
    consists of.
    """

    gain_db: Array
    n_images: int
    geo_db: Array
    dif_db: Array
    abs_db: Array
    ref_db: Array
    retrodif_db: Array


def barrier_beside_train(
    source_height_m: float,
    barrier: tuple[float, float],
    receiver: tuple[float, float],
    absorption: float | Sequence[float] | Array,
    *,
    body_reflection: float = 1.0,
    n_images: int | None = None,
) -> BarrierBesideTrain:
    """Equivalent source of a train beside a barrier; [1]_.

    Parameters
    ----------
    source_height_m : float
        Height of the source above the rail heads, h_s. [m]
    barrier : (d_B, h_B)
        Distance from the nearest rail head, where the train's side is, and height above the rail heads. [m]
    receiver : (distance, height)
        From the same rail head and above the rail heads, behind the barrier: d_B + d_R, h_R. [m]
    absorption : float or (8,)
        Share of sound energy that the side of the barrier towards the train absorbs.
    body_reflection : float
        C_ref: 1 as a rule, 0 for open flat wagons.
    n_images : int, optional
        Number of image sources; by default as many as add 0.01 dB or more to an octave.

    Returns
    -------
    BarrierBesideTrain

    Raises
    ------
    OutOfRangeError
        If the barrier does not stand between train and receiver, or a share lies outside 0 to 1.

    Notes
    -----
    A section at right angles to the track. There is no interaction if d_B > 5 h_B, nor in octaves in which more than
    0.8 is absorbed. The law does not speak of sources higher than the barrier, of which no ray meets it; for them
    delta' of (2.5.36) is taken as positive, so that little comes back.

    References
    ----------
    .. [1] Directive 2002/49/EC, Annex II, section 2.5.6 as amended by (EU) 2021/1226, barriers beside trains; the
       formulas from memory.

    Examples
    --------
    >>> barrier_beside_train(0.5, (4, 2), (25, 4), 0.2, n_images=5).gain_db[3].round(2).item()
    4.84
    """
    from lineside_plugins.eu_propagation import kernels

    (d_b, h_b), (x_r, h_r) = map(float, barrier), map(float, receiver)
    alpha = np.broadcast_to(np.asarray(absorption, dtype=np.float64), (8,)).copy()
    if not 0.0 < d_b < x_r:
        raise OutOfRangeError(f"barrier {d_b:g} m from the rail: must stand between train and receiver ({x_r:g} m)")
    if np.any((alpha < 0.0) | (alpha > 1.0)) or not 0.0 <= body_reflection <= 1.0:
        raise OutOfRangeError("absorption and reflection of the train: shares must be between 0 and 1")
    band, gain = kernels.band_table(), np.empty(8)
    most = kernels.MOST_IMAGES if n_images is None else n_images
    n = kernels.train_body(
        band, alpha, d_b, h_b, float(source_height_m), x_r, h_r, body_reflection, most, n_images is not None, gain
    )
    direct, walls = np.empty(8), np.empty(8)
    kernels.body_image(band, 0, d_b, h_b, float(source_height_m), x_r, h_r, direct, walls)
    geo, edge, lost = np.empty(n), np.empty((n, 8)), np.empty((n, 8))
    for m in range(n):
        geo[m] = kernels.body_image(band, m + 1, d_b, h_b, float(source_height_m), x_r, h_r, edge[m], lost[m])
    order = np.arange(1, n + 1)[:, np.newaxis]
    return BarrierBesideTrain(
        gain_db=to_db(gain),
        n_images=n,
        geo_db=to_db(geo),
        dif_db=to_db(direct / edge),
        abs_db=order * to_db(1.0 - alpha),
        ref_db=order * to_db(np.full(8, body_reflection)),
        retrodif_db=-to_db(lost),
    )
