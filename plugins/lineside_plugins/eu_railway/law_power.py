"""Sound power of the wheel-rail contact, and how it is spread over a scene.

References
----------
.. [1] Directive 2002/49/EC, Annex II, section 2.3, as amended by (EU) 2021/1226, equations (2.3.8) to
   (2.3.12).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from lineside.acoustics.bands import N_THIRDS, Array
from lineside.acoustics.levels import to_energy
from lineside.scene.model import BoolArray, Scene, TrackForm, VehicleType
from lineside_plugins.eu_railway.law_joints import section_joint_density_per_m
from lineside_plugins.eu_railway.law_options import ContactOptions, RoughnessOptions
from lineside_plugins.eu_railway.law_roughness import (
    REFERENCE_JOINTS_PER_M,
    SPEED_SLACK,
    effective_roughness_energy,
    impact_roughness_energy,
    minimum_speed_km_h,
)
from lineside_plugins.eu_railway.law_tables import (
    DEFAULT_IMPACT,
    DEFAULT_SUPERSTRUCTURE,
    band_spectrum,
    track_transfer,
    wavelength_spectrum,
)

#: power(form, vehicle, speeds (n,)) -> energy re 1 pW, (n, 24)
Power = Callable[[TrackForm, VehicleType, Array], Array]


def moving(scene: Scene) -> BoolArray:
    """Where a vehicle runs through a section, (n_rows, n_sections)."""
    traffic = scene.traffic
    return (traffic.seconds_per_m > 0.0) & (traffic.speed_km_h > 0.0) & ~traffic.standing[:, np.newaxis]


def standing(scene: Scene) -> BoolArray:
    """Where a vehicle stands in a section, (n_rows, n_sections)."""
    return (scene.traffic.seconds_per_m > 0.0) & scene.traffic.standing[:, np.newaxis]


def fast_enough_for_impact(scene: Scene, at_any_speed: bool) -> BoolArray:
    """Where the speed is high enough for impact noise, section 2.3 of [1], (n_rows, n_sections)."""
    if at_any_speed:
        return np.ones(scene.traffic.speed_km_h.shape, dtype=np.bool_)
    limits = np.array([minimum_speed_km_h(vehicle.kind) for vehicle in scene.vehicles])
    return scene.traffic.speed_km_h >= limits[scene.traffic.vehicle][:, np.newaxis] * (1.0 - SPEED_SLACK)


def spread(scene: Scene, where: BoolArray, power: Power) -> Array:
    """Evaluate ``power`` once per track form, vehicle and different speed, and spread it over the scene.

    Parameters
    ----------
    scene : Scene
    where : ndarray of bool, (n_rows, n_sections)
        Cells to fill; the others stay silent.
    power : callable
        Sound power of one vehicle.

    Returns
    -------
    ndarray, (n_rows, n_sections, 24)
        Energy re 1 pW.
    """
    energy = np.zeros((*where.shape, N_THIRDS))
    for v in np.unique(scene.traffic.vehicle[where.any(axis=1)]):
        rows = np.flatnonzero(scene.traffic.vehicle == v)
        for f in np.unique(scene.sections.form[where[rows].any(axis=0)]):
            sections = np.flatnonzero(scene.sections.form == f)
            in_rows, in_sections = np.nonzero(where[np.ix_(rows, sections)])
            if in_rows.size == 0:
                continue
            at = rows[in_rows], sections[in_sections]
            speeds, inverse = np.unique(scene.traffic.speed_km_h[at], return_inverse=True)
            energy[at] = power(scene.forms[f], scene.vehicles[v], speeds)[inverse]
    return energy


def roughness_speed_km_h(vehicle: VehicleType, speed_km_h: Array, options: RoughnessOptions) -> Array:
    """Speed at which roughness is taken: the true one, but not below the floor of the law."""
    if not options.speed_floor:
        return speed_km_h
    return np.maximum(speed_km_h, minimum_speed_km_h(vehicle.kind))


def total_roughness(form: TrackForm, vehicle: VehicleType, speed_km_h: Array, options: RoughnessOptions) -> Array:
    """Total effective roughness of a vehicle on a track, (2.3.7) of [1], (n, 24). [energy re (1 um)^2]"""
    return effective_roughness_energy(
        wavelength_spectrum("rail_roughness", form.rail_roughness),
        wavelength_spectrum("wheel_roughness", vehicle.wheel_roughness),
        wavelength_spectrum("contact_filter", vehicle.contact_filter),
        roughness_speed_km_h(vehicle, speed_km_h, options),
        options.wavelength_mapping,
    )


def single_impact_roughness(
    form: TrackForm, vehicle: VehicleType, speed_km_h: Array, options: RoughnessOptions
) -> Array:
    """Impact roughness for one joint per 100 m, (n, 24). [energy re (1 um)^2]"""
    impact = wavelength_spectrum("impact_roughness", form.impact_roughness or DEFAULT_IMPACT)
    speed_km_h = roughness_speed_km_h(vehicle, speed_km_h, options)
    return impact_roughness_energy(impact, speed_km_h, options.wavelength_mapping)


def has_superstructure(vehicle: VehicleType, options: ContactOptions) -> bool:
    return vehicle.freight or options.superstructure_for == "all"


def transfer_energy(form: TrackForm, vehicle: VehicleType, options: ContactOptions) -> Array:
    """Power per unit roughness of the whole vehicle, sum of (2.3.8) to (2.3.10) of [1], (24,). [energy re 1 pW]"""
    per_axle = to_energy(track_transfer(form)) + to_energy(band_spectrum("vehicle_transfer", vehicle.vehicle_transfer))
    if has_superstructure(vehicle, options):
        superstructure = vehicle.superstructure_transfer or DEFAULT_SUPERSTRUCTURE
        per_axle = per_axle + to_energy(band_spectrum("superstructure_transfer", superstructure))
    return per_axle * vehicle.n_axles


def rolling_energy(scene: Scene, options: ContactOptions, where: BoolArray) -> Array:
    """Rolling noise from the roughness of rail and wheel alone, (n_rows, n_sections, 24). [energy re 1 pW]"""

    def power(form: TrackForm, vehicle: VehicleType, speed_km_h: Array) -> Array:
        return total_roughness(form, vehicle, speed_km_h, options) * transfer_energy(form, vehicle, options)

    return spread(scene, where & moving(scene), power)


def impact_energy(scene: Scene, options: ContactOptions, at_any_speed: bool, where: BoolArray) -> Array:
    """What joints add to rolling noise, (n_rows, n_sections, 24). [energy re 1 pW]

    Powers are linear in the energy of roughness: with (2.3.11) of [1] in (2.3.8) to (2.3.10), rolling and
    impact noise together are the sum of :func:`rolling_energy` and this.
    """
    density = section_joint_density_per_m(scene) / REFERENCE_JOINTS_PER_M
    where = where & moving(scene) & fast_enough_for_impact(scene, at_any_speed) & (density > 0.0)

    def power(form: TrackForm, vehicle: VehicleType, speed_km_h: Array) -> Array:
        return single_impact_roughness(form, vehicle, speed_km_h, options) * transfer_energy(form, vehicle, options)

    return spread(scene, where, power) * density[:, np.newaxis]
