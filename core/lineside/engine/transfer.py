"""Transfer: from the sound power of source points to levels at receivers, apart from all traffic."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import N_OCTAVES, N_THIRDS, Array
from lineside.contracts import Options, PathLoss, PropagationCalculator, SourceClass
from lineside.errors import PluginError
from lineside.scene.model import Receivers, Scene, SourcePoints
from lineside.scene.points import source_points


@dataclass(frozen=True, eq=False)
class Transfer:
    """Energy ratios between sound power (re 1 pW) and mean-square pressure (re 20 uPa).

    ``energy`` (n_receivers, n_points, n_classes, n_states, 24)
        Directivity included; per watt of a point, not per metre.
    ``share`` (n_receivers, n_points, n_periods, n_states)
        Share of time of each propagation state in each period; sums to 1 over states.
    """

    points: SourcePoints
    states: tuple[str, ...]
    energy: Array
    share: Array

    dims = ("receiver", "source_point", "source_class", "state", "band")

    def long_term_by_section(self, n_sections: int, state: str | None = None) -> Array:
        """Mixture of the states per period, times the length of the points, summed per section.

        Parameters
        ----------
        state : str, optional
            One propagation state that prevails all the time, instead of the mixture.

        Returns
        -------
        ndarray, (n_receivers, n_sections, n_classes, n_periods, 24)
            Mean-square pressure (re 20 uPa) per unit of sound power per metre (re 1 pW/m). [m]
        """
        share = self.share
        if state is not None:
            share = np.broadcast_to(np.array([s == state for s in self.states], dtype=np.float64), share.shape)
        weight = share * self.points.length_m[:, None, None]
        mixed = np.einsum("rpkst,rpns->rpknt", self.energy, weight, optimize=True)
        start = np.flatnonzero(np.diff(self.points.section, prepend=-1))
        out = np.zeros((len(mixed), n_sections, *mixed.shape[2:]))
        out[:, self.points.section[start]] = np.add.reduceat(mixed, start, axis=1)
        return out


def compute_transfer(
    scene: Scene,
    propagation: PropagationCalculator,
    options: Options,
    classes: tuple[SourceClass, ...],
    receivers: Receivers,
) -> Transfer:
    """Transfer from all tracks to a group of receivers.

    Raises
    ------
    PluginError
        If the propagation calculator gives the wrong shape, or energies that are negative or not finite.
    """
    points = source_points(scene, receivers, propagation.max_piece_ratio(options), propagation.source_ground_g)
    heights = np.array(sorted({c.height_m for c in classes}))
    loss = _path_loss(scene, propagation, options, points, heights, receivers)
    step = receivers.xyz_m[:, None, :] - points.xyz_m[None, :, :]
    distance = np.maximum(np.hypot(step[..., 0], step[..., 1]), 1e-9)
    along = np.abs(step[..., 0] * points.direction[:, 0] + step[..., 1] * points.direction[:, 1]) / distance
    phi = np.degrees(np.arccos(np.clip(along, 0.0, 1.0)))
    energy = np.empty((len(receivers), len(points), len(classes), len(loss.states), N_THIRDS))
    for k, source_class in enumerate(classes):
        height = int(np.flatnonzero(heights == source_class.height_m)[0])
        thirds = np.repeat(loss.transfer[:, :, height], 3, axis=-1)
        if source_class.gain is None:
            energy[:, :, k] = thirds
        else:
            psi = np.degrees(np.arctan2(step[..., 2] - source_class.height_m, distance))
            gain = source_class.gain(phi, psi)
            if gain.shape != (*phi.shape, N_THIRDS) or not np.all(np.isfinite(gain)) or np.any(gain < 0):
                raise PluginError(f"source class {source_class.name!r}: its gain must be finite, at least 0, (..., 24)")
            energy[:, :, k] = thirds * gain[:, :, None, :]
    bearing = np.degrees(np.arctan2(step[..., 0], step[..., 1]))
    favourable = np.moveaxis(scene.favourable.at(bearing), 0, -1)
    share = propagation.state_share(favourable)
    if share.shape != (*favourable.shape, len(loss.states)) or not np.allclose(share.sum(axis=-1), 1.0):
        raise PluginError(f"{propagation.name}: the shares of its states must add up to 1")
    return Transfer(points=points, states=loss.states, energy=energy, share=share)


def _path_loss(
    scene: Scene,
    propagation: PropagationCalculator,
    options: Options,
    points: SourcePoints,
    heights: Array,
    receivers: Receivers,
) -> PathLoss:
    """Ask the calculator, unless all sources are silent, and check what it gives."""
    shape = (len(receivers), len(points), len(heights), len(propagation.states), N_OCTAVES)
    if not heights.size:
        return PathLoss(states=propagation.states, transfer=np.zeros(shape))
    loss = propagation.path_loss(scene, points, heights, receivers, options)
    if loss.transfer.shape != shape or loss.states != propagation.states:
        raise PluginError(f"{propagation.name}: shape {loss.transfer.shape}, where {shape} is asked for")
    if not np.all(np.isfinite(loss.transfer)) or np.any(loss.transfer < 0):
        raise PluginError(f"{propagation.name}: transfer must be finite and at least 0")
    return loss
