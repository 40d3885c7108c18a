"""Transfer: from the sound power of source points to levels at receivers, apart from all traffic."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import N_OCTAVES, N_THIRDS, Array
from lineside.contracts import Options, PathLoss, PropagationCalculator, ReflectedPaths, SourceClass
from lineside.errors import PluginError
from lineside.scene.model import IntArray, Receivers, Scene, SourcePoints
from lineside.scene.points import some_of, source_points

#: So many pairs of point and receiver are asked for at a time. What a calculator holds meanwhile is a few kB a pair.
PAIRS_AT_ONCE = 16384


@dataclass(frozen=True, eq=False)
class Transfer:
    """Energy ratios between sound power (re 1 pW) and mean-square pressure (re 20 uPa).

    ``energy`` (n_receivers, n_points, n_classes, n_states, 24)
        Directivity and reflected paths included; per watt of a point, not per metre. 192 bytes for each point, class
        and state.
    ``share`` (n_receivers, n_points, n_periods, n_states)
        Share of time of each propagation state in each period; sums to 1 over states.
    ``left_out`` (n_receivers, n_points)
        Upper bound of the ratio, without directivity, of paths that were not computed; None: all were.
    """

    points: SourcePoints
    states: tuple[str, ...]
    energy: Array
    share: Array
    left_out: Array | None = None

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
        from lineside.engine.kernels import by_section

        weight = share_of(self.share, self.states, state) * self.points.length_m[:, None, None]
        n_receivers, _, n_classes = self.energy.shape[:3]
        out = np.zeros((n_receivers, n_sections, n_classes, self.share.shape[2], N_THIRDS))
        by_section(self.energy, weight, self.points.section, out)
        return out

    def left_out_by_section(self, n_sections: int) -> Array | None:
        """Upper bound of what is missing in :meth:`long_term_by_section`, (n_receivers, n_sections); None: nothing."""
        if self.left_out is None:
            return None
        out = np.zeros((n_sections, len(self.left_out)))
        np.add.at(out, self.points.section, (self.left_out * self.points.length_m).T)
        return out.T


@dataclass(frozen=True, eq=False)
class Angles:
    """Where paths go: ``bearing``, ``phi`` as in :class:`SourceClass`, plan ``distance`` and ``rise`` from the rails.

    All (n_receivers, n_points). [degrees], [m]
    """

    bearing_deg: Array
    phi_deg: Array
    distance_m: Array
    rise_m: Array

    @classmethod
    def of(cls, points: SourcePoints, receivers: Receivers) -> Angles:
        """Of the direct paths."""
        step = receivers.xyz_m[:, None, :] - points.xyz_m[None, :, :]
        distance = np.maximum(np.hypot(step[..., 0], step[..., 1]), 1e-9)
        along = np.abs(step[..., 0] * points.direction[:, 0] + step[..., 1] * points.direction[:, 1]) / distance
        phi = np.degrees(np.arccos(np.clip(along, 0.0, 1.0)))
        return cls(np.degrees(np.arctan2(step[..., 0], step[..., 1])), phi, distance, step[..., 2])


def share_of(share: Array, states: Sequence[str], state: str | None) -> Array:
    """Shares of the states (..., n_states), or those with one state that prevails all the time."""
    if state is None:
        return share
    return np.broadcast_to(np.array([s == state for s in states], dtype=np.float64), share.shape)


def directed(source_class: SourceClass, phi_deg: Array, rise_m: Array, distance_m: Array) -> Array:
    """Directivity towards paths that rise from the rails by so much on so long a way in plan, (..., 24).

    Raises
    ------
    PluginError
        If it is no energy.
    """
    assert source_class.gain is not None
    gain = source_class.gain(phi_deg, np.degrees(np.arctan2(rise_m - source_class.height_m, distance_m)))
    if gain.shape != (*phi_deg.shape, N_THIRDS) or not np.all(np.isfinite(gain)) or np.any(gain < 0):
        raise PluginError(f"source class {source_class.name!r}: its gain must be finite, at least 0, (..., 24)")
    return gain


def state_shares(scene: Scene, propagation: PropagationCalculator, bearing_deg: Array) -> Array:
    """Share of time of each propagation state, (*bearing_deg.shape, n_periods, n_states).

    Raises
    ------
    PluginError
        If the calculator gives shares that do not add up to 1.
    """
    favourable = np.moveaxis(scene.favourable.at(bearing_deg), 0, -1)
    share = propagation.state_share(favourable)
    if share.shape != (*favourable.shape, len(propagation.states)) or not np.allclose(share.sum(axis=-1), 1.0):
        raise PluginError(f"{propagation.name}: the shares of its states must add up to 1")
    return share


def heights_of(classes: Sequence[SourceClass]) -> tuple[Array, IntArray]:
    """The different heights of source classes, rising, and the index among them of each class. [m]"""
    heights = np.array(sorted({c.height_m for c in classes}))
    return heights, np.searchsorted(heights, [c.height_m for c in classes]).astype(np.int64)


def compute_transfer(
    scene: Scene,
    propagation: PropagationCalculator,
    options: Options,
    classes: tuple[SourceClass, ...],
    receivers: Receivers,
    points: SourcePoints | None = None,
) -> Transfer:
    """Transfer from all tracks to a group of receivers.

    Parameters
    ----------
    points : SourcePoints, optional
        Default: as fine as these receivers ask for.

    Raises
    ------
    PluginError
        If the propagation calculator gives the wrong shape, or energies that are negative or not finite.
    """
    if points is None:
        points = source_points(scene, receivers, propagation.max_piece_ratio(options), propagation.source_ground_g)
    heights, height_of = heights_of(classes)
    loss = path_loss(scene, propagation, options, points, heights, receivers)
    angles = Angles.of(points, receivers)
    far = loss.reflected if loss.reflected is not None and loss.reflected.receiver.size else None
    energy = np.empty((len(receivers), len(points), len(classes), len(loss.states), N_THIRDS))
    for k, source_class in enumerate(classes):
        thirds = np.repeat(loss.transfer[:, :, height_of[k]], 3, axis=-1)
        if source_class.gain is not None:
            thirds *= directed(source_class, angles.phi_deg, angles.rise_m, angles.distance_m)[:, :, None, :]
        energy[:, :, k] = thirds
        if far is not None:
            thirds = np.repeat(far.transfer[:, height_of[k]], 3, axis=-1)
            if source_class.gain is not None:
                rise = angles.rise_m[far.receiver, far.point]
                thirds *= directed(source_class, far.phi_deg, rise, far.length_m)[:, None, :]
            np.add.at(energy[:, :, k], (far.receiver, far.point), thirds)
    share = state_shares(scene, propagation, angles.bearing_deg)
    return Transfer(points=points, states=loss.states, energy=energy, share=share, left_out=loss.left_out)


def path_loss(
    scene: Scene,
    propagation: PropagationCalculator,
    options: Options,
    points: SourcePoints,
    heights: Array,
    receivers: Receivers,
) -> PathLoss:
    """Ask the calculator, unless all sources are silent, and check what it gives.

    Raises
    ------
    PluginError
        If it has the wrong shape, or ratios that are negative or not finite.
    """
    if not heights.size:
        shape = (len(receivers), len(points), 0, len(propagation.states), N_OCTAVES)
        return PathLoss(states=propagation.states, transfer=np.zeros(shape))
    at_once = max(1, PAIRS_AT_ONCE // max(len(receivers), 1))
    if len(points) <= at_once:
        return _asked(scene, propagation, options, points, heights, receivers)
    begin = range(0, len(points), at_once)
    parts = [
        _asked(scene, propagation, options, some_of(points, slice(p, p + at_once)), heights, receivers) for p in begin
    ]
    left_out = None
    if any(part.left_out is not None for part in parts):
        none = np.zeros((len(receivers), at_once))
        each = [none if part.left_out is None else part.left_out for part in parts]
        left_out = np.concatenate(each, axis=1)[:, : len(points)]
    return PathLoss(
        states=propagation.states,
        transfer=np.concatenate([part.transfer for part in parts], axis=1),
        reflected=_joined([(p, part.reflected) for p, part in zip(begin, parts, strict=True) if part.reflected]),
        left_out=left_out,
    )


def _joined(parts: Sequence[tuple[int, ReflectedPaths]]) -> ReflectedPaths | None:
    """Reflected paths of blocks of points, each with the index of its first point."""
    if not parts:
        return None
    return ReflectedPaths(
        receiver=np.concatenate([part.receiver for _, part in parts]),
        point=np.concatenate([part.point + first for first, part in parts]),
        phi_deg=np.concatenate([part.phi_deg for _, part in parts]),
        length_m=np.concatenate([part.length_m for _, part in parts]),
        transfer=np.concatenate([part.transfer for _, part in parts]),
    )


def _asked(
    scene: Scene,
    propagation: PropagationCalculator,
    options: Options,
    points: SourcePoints,
    heights: Array,
    receivers: Receivers,
) -> PathLoss:
    loss = propagation.path_loss(scene, points, heights, receivers, options)
    pairs = (len(receivers), len(points))
    of_path = (len(heights), len(propagation.states), N_OCTAVES)
    if loss.transfer.shape != (*pairs, *of_path) or loss.states != propagation.states:
        raise PluginError(f"{propagation.name}: shape {loss.transfer.shape}, where {(*pairs, *of_path)} is asked for")
    if not _energy(loss.transfer):
        raise PluginError(f"{propagation.name}: transfer must be finite and at least 0")
    if loss.left_out is not None and (loss.left_out.shape != pairs or not _energy(loss.left_out)):
        raise PluginError(f"{propagation.name}: left_out must be finite, at least 0, (receivers, points)")
    if loss.reflected is not None:
        _check_reflected(propagation, loss.reflected, pairs, of_path)
    return loss


def _check_reflected(
    propagation: PropagationCalculator, found: ReflectedPaths, pairs: tuple[int, int], of_path: tuple[int, int, int]
) -> None:
    n = len(found.receiver)
    one_each = (found.point, found.phi_deg, found.length_m)
    if any(a.shape != (n,) for a in one_each) or found.transfer.shape != (n, *of_path):
        raise PluginError(f"{propagation.name}: reflected paths must have one row each in all arrays")
    for index, size in zip((found.receiver, found.point), pairs, strict=True):
        if index.dtype.kind != "i" or (n and not (index.min() >= 0 and index.max() < size)):
            raise PluginError(f"{propagation.name}: a reflected path names a receiver or a point that is not asked for")
    if not _energy(found.transfer) or not np.all(np.isfinite(found.phi_deg)) or not np.all(found.length_m > 0):
        raise PluginError(f"{propagation.name}: reflected paths must have finite ratios of at least 0 and a length")


def _energy(array: Array) -> bool:
    return bool(np.all(np.isfinite(array)) and np.all(array >= 0))
