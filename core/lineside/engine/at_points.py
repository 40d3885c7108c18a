"""A-weighted long-term levels at many points, for maps: nothing else is kept of what arrives there.

Every point has source points of its own, so that its level depends on nothing but its place. Source points that are
proven to add next to nothing are left out; by how much the level could be higher with them is known.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from lineside.acoustics.bands import A_WEIGHTING_OCTAVE_DB, N_OCTAVES, N_THIRDS, Array
from lineside.acoustics.levels import to_energy
from lineside.contracts import Options, PathLoss, PropagationCalculator
from lineside.engine.bounds import most_directed, most_heard, nearest_m, to_leave_out
from lineside.engine.layers import Layers
from lineside.engine.transfer import Angles, directed, heights_of, path_loss, share_of, state_shares
from lineside.scene.model import BoolArray, IntArray, Receivers, Scene, SourcePoints
from lineside.scene.points import some_of, source_points

#: Source points may be left out as long as they add less than this to the level of any period, by proof. [dB]
TOLERANCE_DB = 0.05
#: Memory for the directivity of paths, which are worked through in batches: the largest arrays here. [bytes]
MEMORY = 16 * 2**20

#: A-weighting per third octave: the value of the octave that holds it, (24,).
A_ENERGY = np.repeat(to_energy(A_WEIGHTING_OCTAVE_DB), 3)


@dataclass(frozen=True, eq=False)
class PointLevels:
    """A-weighted mean square, ``energy`` (n_points, n_rows), re (20 uPa)^2; a row is a period of a layer.

    ``left_out`` (n_points, n_rows): upper bound of what was left out.
    """

    energy: Array
    left_out: Array


@dataclass(frozen=True, eq=False)
class Paths:
    """Direct and reflected paths of some receivers, receiver by receiver.

    ``first`` (n_receivers + 1,): those of receiver ``r`` are ``first[r]`` to ``first[r + 1] - 1``. ``section``,
    ``length_m`` of the piece of track, ``bearing_deg`` of its direct path, ``phi_deg``, ``rise_m`` and ``distance_m``
    of the path itself (n_paths,); ``transfer`` (n_paths, n_heights, n_states, 8).
    """

    first: IntArray
    section: IntArray
    length_m: Array
    bearing_deg: Array
    phi_deg: Array
    rise_m: Array
    distance_m: Array
    transfer: Array


class Listener:
    """Computes levels at points.

    Parameters
    ----------
    layers : Layers
        Situations that are heard at once: the periods of each are so many rows.
    """

    def __init__(
        self,
        layers: Layers,
        propagation: PropagationCalculator,
        options: Options,
    ) -> None:
        self.around, self.propagation, self.options = layers.around, propagation, options
        self.classes = classes = layers.classes
        self.heights, self.height_of = heights_of(classes)
        n_layers, n_periods = layers.power.shape[:2]
        power = layers.power.reshape(n_layers * n_periods, *layers.power.shape[2:])
        self.source = np.ascontiguousarray(np.moveaxis(power * A_ENERGY, 0, 2))
        self.shares = layers.share.reshape(len(layers.around), -1)  # (n_around, n_rows)
        self.period = np.tile(np.arange(n_periods), n_layers)  # (n_rows,)
        self.weather = [state for state in layers.weather for _ in range(n_periods)]  # (n_rows,)
        self.loud = [k for k, c in enumerate(classes) if c.gain is not None]
        self.gain_of = np.array([self.loud.index(k) if k in self.loud else -1 for k in range(len(classes))])
        self.ratio = propagation.max_piece_ratio(options)
        self.sounds: BoolArray = np.asarray(self.source.any(axis=(1, 2, 3)))  # (n_sections,)
        self._most: Array | None = None
        per_path = 8 * N_THIRDS * (len(self.loud) + 4) + 8 * N_OCTAVES * len(self.heights) * len(propagation.states)
        self.paths_at_once = max(1, MEMORY // per_path)

    @property
    def most_power(self) -> Array:
        """Upper bound of the A-weighted power per metre into any direction, (n_sections, n_rows, 8)."""
        if self._most is None:
            gain = np.array([most_directed(c) for c in self.classes]).reshape(len(self.classes), N_THIRDS)
            thirds = np.einsum("ckpt,kt->cpt", self.source, gain)
            self._most = thirds.reshape(*thirds.shape[:2], N_OCTAVES, 3).sum(axis=-1)
        return self._most

    def at(self, receivers: Receivers) -> PointLevels:
        """Levels at points."""
        n_rows = self.source.shape[2]
        out = PointLevels(np.zeros((len(receivers), n_rows)), np.zeros((len(receivers), n_rows)))
        if not self.classes:
            return out
        for batch in self._batches(receivers):
            first = batch[0][0]
            here = slice(first, first + len(batch))
            self._batch(receivers, batch, out.energy[here], out.left_out[here])
        return out

    def _batches(self, receivers: Receivers) -> Iterator[list[tuple[int, SourcePoints]]]:
        """Receivers with their source points, so many at a time that memory is bounded."""
        scene = self.around[0]
        batch: list[tuple[int, SourcePoints]] = []
        held = 0
        for r in range(len(receivers)):
            points = source_points(scene, receivers.only(r), self.ratio, self.propagation.source_ground_g)
            points = points if self.sounds.all() else some_of(points, self.sounds[points.section])
            if batch and held + len(points) > self.paths_at_once:
                yield batch
                batch, held = [], 0
            batch.append((r, points))
            held += len(points)
        if batch:
            yield batch

    def _batch(self, receivers: Receivers, batch: list[tuple[int, SourcePoints]], energy: Array, left: Array) -> None:
        """Fill in energies and bounds of what was left out, (n_receivers, n_rows)."""
        n_rows = energy.shape[1]
        of_points: list[Array] = []  # bound of each point, (n_points, n_rows), by receiver
        now: list[tuple[int, SourcePoints]] = []
        later: list[IntArray] = []
        for r, points in batch:
            most = self._most_heard(points, receivers.only(r))
            of_points.append(most)
            out = to_leave_out(most, TOLERANCE_DB)
            now.append((r, some_of(points, np.setdiff1d(np.arange(len(points)), out)) if out.size else points))
            later.append(out)
        self._add(receivers, now, energy, left)
        again: list[tuple[int, SourcePoints]] = []
        rows = []
        for k, (r, points) in enumerate(batch):
            if not later[k].size:
                continue
            # by what is known now, which can only grow: points in the order of their bounds, from the least
            running = np.cumsum(of_points[k][later[k]], axis=0)
            allowed = energy[k] * (10.0 ** (TOLERANCE_DB / 10.0) - 1.0)
            n_out = int(np.count_nonzero(np.all(running <= allowed, axis=1)))
            if n_out:
                left[k] += running[n_out - 1]
            if n_out < len(later[k]):
                again.append((r, some_of(points, np.sort(later[k][n_out:]))))
                rows.append(k)
        if again:
            more, missing = np.zeros((2, len(again), n_rows))
            self._add(receivers, again, more, missing)
            energy[rows] += more
            left[rows] += missing

    def _most_heard(self, points: SourcePoints, receiver: Receivers) -> Array:
        """Upper bound of what each point adds, (n_points, n_rows); nan where none is known."""
        distance = nearest_m(points, receiver.xyz_m[0])
        n_rows = self.source.shape[2]
        out = np.zeros((len(points), n_rows))
        for scene, share in zip(self.around, self.shares, strict=True):
            most = self.propagation.most_transfer(scene, distance, self.options)
            if most is None:
                return np.full(out.shape, np.nan)
            out += most_heard(most, self.most_power, points) * share
        return out

    def _add(self, receivers: Receivers, batch: list[tuple[int, SourcePoints]], energy: Array, left: Array) -> None:
        """Add what is heard of the given source points, and the bound of what the calculator left out."""
        from lineside.engine.kernels import add_paths

        gains: Array | None = None
        known: Paths | None = None
        for scene, prevails in zip(self.around, self.shares, strict=True):
            found = [self._ask(scene, receivers.only(r), points) for r, points in batch]
            paths = _together(receivers, batch, found)
            if gains is None or known is None or not _same_ways(known, paths):
                gains = self._gains(paths)
            known = paths
            share = state_shares(scene, self.propagation, paths.bearing_deg)[:, self.period]
            for row, state in enumerate(self.weather):
                share[:, row] = share_of(share[:, row], self.propagation.states, state)
            weight = share * prevails[:, None]
            weight = np.ascontiguousarray(weight * paths.length_m[:, None, None])
            heard = np.zeros(energy.shape)
            add_paths(
                paths.first, paths.transfer, self.height_of, gains, self.gain_of, weight, paths.section, self.source,
                heard,
            )  # fmt: skip
            energy += heard
            for k, ((_, points), loss) in enumerate(zip(batch, found, strict=True)):
                if loss.left_out is not None:
                    most = np.repeat(loss.left_out[0][:, None], N_OCTAVES, axis=1)
                    left[k] += most_heard(most, self.most_power, points).sum(axis=0) * prevails

    def _ask(self, scene: Scene, receiver: Receivers, points: SourcePoints) -> PathLoss:
        return path_loss(scene, self.propagation, self.options, points, self.heights, receiver)

    def _gains(self, paths: Paths) -> Array:
        """Directivity of the classes that have one, (n, n_paths, 24)."""
        shape = (len(self.loud), len(paths.section), N_THIRDS)
        out = np.empty(shape)
        for i, k in enumerate(self.loud):
            out[i] = directed(self.classes[k], paths.phi_deg, paths.rise_m, paths.distance_m)
        return out


def _together(receivers: Receivers, batch: Sequence[tuple[int, SourcePoints]], found: Sequence[PathLoss]) -> Paths:
    """All paths of a batch in one set of arrays."""
    parts: list[tuple[Any, ...]] = []
    for (r, points), loss in zip(batch, found, strict=True):
        angles, far = Angles.of(points, receivers.only(r)), loss.reflected
        bearing, phi, distance, rise = (
            a[0] for a in (angles.bearing_deg, angles.phi_deg, angles.distance_m, angles.rise_m)
        )
        parts.append((points.section, points.length_m, bearing, phi, rise, distance, loss.transfer[0]))
        if far is not None and len(far.point):
            at = far.point
            one = (points.section[at], points.length_m[at], bearing[at], far.phi_deg, rise[at], far.length_m)
            whole = (*one, far.transfer)
            parts[-1] = tuple(np.concatenate([a, b]) for a, b in zip(parts[-1], whole, strict=True))
    arrays = [np.concatenate([part[k] for part in parts]) for k in range(7)]
    first = np.concatenate([[0], np.cumsum([len(part[0]) for part in parts])]).astype(np.int64)
    return Paths(first, *arrays)


def _same_ways(a: Paths, b: Paths) -> bool:
    """Whether paths leave and arrive alike, so that they have the same directivity."""
    names = ("phi_deg", "rise_m", "distance_m")
    return all(np.array_equal(getattr(a, name), getattr(b, name)) for name in names)
