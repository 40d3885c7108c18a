r"""From the level of a pass at 7.5 m to the sound power of a vehicle.

The train of length L is a line of incoherent sources without directivity, of power W per vehicle length l, above a
plane that reflects all sound (twice the energy). With the slant distance r between source and microphone, the
mean-square pressure at a moment when the train's middle is abeam is

    p^2 = 2 W/l int_{-L/2}^{L/2} dx / (4 pi (r^2 + x^2)) = W arctan(L / (2 r)) / (pi l r),                        (1)

the largest of the pass (``lafmax``; the time weighting F is taken to follow it). The exposure of the whole pass at
speed v is that of L / l vehicles, int 2 W / (4 pi (r^2 + v^2 t^2)) dt = W / (2 r v) each; related to the time L / v
that the train takes to pass (``laeq_tp``)

    p^2 = W / (2 r l),                                                                                              (2)

which is (1) for an endless train. Energies are re 1 pW and (20 uPa)^2, whose references fit within 0.1 dB. Absorption
by the air is left out; of the assumed spectrum it takes about 0.3 dB of the pass at 7.5 m. All of the train is taken to
be in the curve and to squeal, with the same power per metre. No source: the geometry is elementary; 7.5 m and 1.2 m are
the positions of ISO 3095 (from memory), the height of the source is that of rolling noise in the EU method.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from lineside.acoustics.bands import A_WEIGHTING_OCTAVE_DB, N_THIRDS, THIRD_OCTAVES_HZ, Array
from lineside.acoustics.levels import to_db, to_energy
from lineside_plugins.squeal_passes.options import SQUEAL_HZ, Band

#: Horizontal distance of the microphone from the centre line, and its height above the rail heads. [m]
DISTANCE_M, MICROPHONE_M = 7.5, 1.2
#: Height of the source above the rail heads. [m]
SOURCE_M = 0.5
#: Distance between source and microphone. [m]
SLANT_M = float(np.hypot(DISTANCE_M, MICROPHONE_M - SOURCE_M))
#: A-weighting of each third octave as the rest of lineside has it: that of its octave, (24,). [energy]
A_WEIGHTS = np.repeat(to_energy(A_WEIGHTING_OCTAVE_DB), 3)


def pressure_per_power(quantity: str, vehicle_length_m: ArrayLike, train_length_m: ArrayLike) -> Array:
    """Mean-square pressure at 7.5 m for unit power of a vehicle, equations (1) and (2)."""
    length = np.asarray(vehicle_length_m, dtype=np.float64)
    if quantity == "lafmax":
        seen = np.arctan(np.asarray(train_length_m, dtype=np.float64) / (2.0 * SLANT_M))
        return np.asarray(seen / (np.pi * length * SLANT_M))
    return np.asarray(np.broadcast_to(1.0 / (2.0 * SLANT_M * length), np.broadcast(length, train_length_m).shape))


def spectrum_shape(bands: Sequence[Band]) -> Array:
    """Energy of each third octave for an A-weighted sum of 1, (24,)."""
    shape = np.zeros(N_THIRDS)
    for frequency, level in [(b.frequency_hz, b.level_db) for b in bands] or [(f, 0.0) for f in SQUEAL_HZ]:
        shape[frequency == THIRD_OCTAVES_HZ] = to_energy(level)
    return np.asarray(shape / (shape @ A_WEIGHTS))


def power_from_level(
    level_db: float,
    quantity: str,
    vehicle_length_m: ArrayLike,
    train_length_m: ArrayLike,
    spectrum: Sequence[Band] = (),
) -> Array:
    """Sound power of one vehicle of a squealing train.

    Parameters
    ----------
    level_db : float
        A-weighted level at 7.5 m. [dB re 20 uPa]
    quantity : {"laeq_tp", "lafmax"}
    vehicle_length_m, train_length_m : array_like, (n,)
        [m]
    spectrum : sequence of Band
        Shape; empty: equal levels from 400 to 5000 Hz.

    Returns
    -------
    ndarray, (n, 24)
        [energy re 1 pW]
    """
    a_weighted = to_energy(level_db) / pressure_per_power(quantity, vehicle_length_m, train_length_m)
    return np.asarray(a_weighted[..., np.newaxis] * spectrum_shape(spectrum))


def level_at_7_5m(power: Array, quantity: str, vehicle_length_m: ArrayLike, train_length_m: ArrayLike) -> Array:
    """A-weighted level at 7.5 m of a train whose vehicles have this power (n, 24); undoes :func:`power_from_level`."""
    return to_db((power @ A_WEIGHTS) * pressure_per_power(quantity, vehicle_length_m, train_length_m))
