"""Line source power of one kind of vehicle on one piece of track, through the calculators of this plugin."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

import numpy as np

from lineside.acoustics.bands import N_OCTAVES, Array, thirds_to_octaves
from lineside.acoustics.levels import to_db
from lineside.contracts import Options, SourceCalculator
from lineside.errors import OutOfRangeError
from lineside.scene.model import (
    Air,
    BarrierSegments,
    ClassOrSpectrum,
    Curve,
    FavourableShare,
    GroundAreas,
    JointedStretch,
    Receivers,
    Scene,
    Sections,
    Service,
    Spectrum,
    Stretch,
    TrackForm,
    TrackLine,
    Traffic,
    VehicleType,
)
from lineside_plugins.eu_railway.aerodynamic import Aerodynamic
from lineside_plugins.eu_railway.bridge import Bridge
from lineside_plugins.eu_railway.impact import Impact
from lineside_plugins.eu_railway.law_directivity import SOURCE_HEIGHT_M
from lineside_plugins.eu_railway.rolling import Rolling
from lineside_plugins.eu_railway.squeal import Squeal
from lineside_plugins.eu_railway.traction import Traction

_CALCULATORS: tuple[type[SourceCalculator], ...] = (Rolling, Impact, Squeal, Traction, Aerodynamic, Bridge)


def one_vehicle_scene(
    *,
    form: TrackForm,
    vehicle: VehicleType,
    speed_km_h: float,
    standing: bool = False,
    seconds_per_m: float = 1.0,
    joints_per_m: float = 0.0,
    curve_radius_m: float | None = None,
    section_length_m: float = 100.0,
) -> Scene:
    """A scene of one straight section and one vehicle of one service.

    ``seconds_per_m`` is used where the vehicle stands; a moving one has 3.6 / speed. With a ``curve_radius_m`` the
    whole section lies in a curve of its own length.
    """
    joints = (JointedStretch(0.0, section_length_m, joints_per_m, "joints"),) if joints_per_m > 0.0 else ()
    curves = (Curve(0.0, section_length_m, curve_radius_m, True),) if curve_radius_m is not None else ()
    one, zero = np.ones(1), np.zeros(1, dtype=np.int64)
    track = TrackLine(
        "T1",
        "T1",
        vehicle.kind,
        np.array([0.0, section_length_m]),
        np.array([[0.0, 0.0, 0.0], [section_length_m, 0.0, 0.0]]),
        joints,
        curves,
    )
    return Scene(
        origin=(0.0, 0.0),
        ground_level_m=0.0,
        tracks=(track,),
        stretches=(Stretch(0, 0.0, section_length_m, "T1"),),
        forms=(form,),
        sections=Sections(zero, zero, zero, 0.0 * one, section_length_m * one),
        vehicles=(vehicle,),
        services=(
            Service(
                "S1", "S1", 0, "U1", 1, standing, vehicle.length_m, np.ones(24), 0.0 * one, zero, vehicle.length_m * one
            ),
        ),
        traffic=Traffic(
            service=zero,
            vehicle=zero,
            unit_position=zero,
            standing=np.array([standing]),
            long_stay=np.array([False]),
            speed_km_h=np.array([[0.0 if standing else speed_km_h]]),
            seconds_per_m=np.array([[seconds_per_m if standing else 3.6 / speed_km_h]]),
            accelerating=np.zeros((1, 1)),
        ),
        receivers=Receivers((), np.empty((0, 3))),
        ground=GroundAreas(1.0, np.empty((0, 2)), np.zeros(1, dtype=np.int64), np.empty(0)),
        barriers=BarrierSegments(np.empty((0, 2, 2)), np.empty((0, 2)), np.empty((0, 2)), np.empty(0, dtype=np.int64)),
        air=Air(10.0, 70.0, 101.325),
        favourable=FavourableShare(np.zeros(1), np.full((1, 1), 0.5)),
        period_names=("day",),
        period_of_hour=np.zeros(24, dtype=np.int64),
    )


def line_source_power(
    *,
    rail_roughness: ClassOrSpectrum,
    wheel_roughness: ClassOrSpectrum,
    contact_filter: ClassOrSpectrum,
    vehicle_transfer: ClassOrSpectrum,
    n_axles: int,
    speed_km_h: float,
    sleeper: str | None = None,
    rail_pad: str | None = None,
    track_transfer: Spectrum | None = None,
    superstructure_transfer: ClassOrSpectrum | None = None,
    traction: ClassOrSpectrum | None = None,
    aerodynamic: ClassOrSpectrum | None = None,
    kind: Literal["train", "metro", "tram"] = "train",
    freight: bool = False,
    condition: Literal["moving", "standing"] = "moving",
    vehicles_per_hour: float = 1.0,
    standing_hours: float = 1.0,
    reference_hours: float = 12.0,
    section_length_m: float = 100.0,
    joints_per_m: float = 0.0,
    impact_roughness: ClassOrSpectrum | None = None,
    curve_radius_m: float | None = None,
    bridge: ClassOrSpectrum | None = None,
    phi_deg: float = 90.0,
    psi_deg: float = 0.0,
    options: Mapping[str, object] | None = None,
    without: Sequence[str] = (),
) -> dict[str, Array]:
    """Directional sound power per metre of one kind of vehicle on one piece of track.

    Everything goes through the calculators that a project runs: a scene with one section is built, all six are
    asked for its emission, and directivity and flow are applied as in (2.3.2), (2.3.4) and (2.3.5).

    Parameters
    ----------
    rail_roughness, wheel_roughness, contact_filter, vehicle_transfer, superstructure_transfer, traction, aerodynamic
        Names of tabulated classes, or :class:`~lineside.scene.model.Spectrum` of that kind.
    n_axles : int
        Axles per vehicle.
    speed_km_h : float
        True speed. [km/h]
    sleeper, rail_pad, track_transfer
        The track, by its classes or by a spectrum that replaces them.
    condition : {"moving", "standing"}
        Moving: ``vehicles_per_hour`` is the flow Q of (2.3.2). Standing: ``standing_hours`` is the total T_idle of
        (2.3.4) within ``reference_hours`` and ``section_length_m``.
    joints_per_m, impact_roughness
        Density n_l of joints, and the spectrum of one joint per 100 m.
    curve_radius_m
        The section is a curve of this radius. [m]
    bridge
        Class or spectrum of the bridge below the track. With the option ``bridge_constant_db`` any class will do: it
        only says that there is a bridge.
    phi_deg, psi_deg : float
        Horizontal angle to the track (90 = abeam) and vertical angle, up positive. [deg]
    options : mapping, optional
        Fields of the options models, such as ``edition``; each goes to all calculators that have it.
    without : sequence of str
        Names of calculators to leave out.

    Returns
    -------
    dict
        ``"A"`` (0.5 m) and ``"B"`` (4.0 m): levels in octaves 63 Hz to 8 kHz, (8,). [dB re 1 pW/m]

    Raises
    ------
    OutOfRangeError
        If an option is known to no calculator, or a class to no table.

    Examples
    --------
    A coach with four axles and disc brakes at 80 km/h, ten per hour:

    >>> power = line_source_power(
    ...     rail_roughness="average_network", wheel_roughness="disc", contact_filter="load_50kn_wheel_920mm",
    ...     vehicle_transfer="wheel_920mm", sleeper="monoblock", rail_pad="medium", n_axles=4, speed_km_h=80.0,
    ...     vehicles_per_hour=10.0,
    ... )
    >>> [round(float(level), 1) for level in power["A"]]
    [62.2, 65.2, 68.5, 68.6, 67.1, 61.4, 58.5, 56.0]
    """
    form = TrackForm("ballast", sleeper, rail_pad, track_transfer, rail_roughness, impact_roughness, bridge, None)
    vehicle = VehicleType(
        "V1",
        kind,
        freight,
        25.0,
        n_axles,
        speed_km_h,
        wheel_roughness,
        contact_filter,
        vehicle_transfer,
        superstructure_transfer,
        traction,
        aerodynamic,
    )
    standing = condition == "standing"
    scene = one_vehicle_scene(
        form=form,
        vehicle=vehicle,
        speed_km_h=speed_km_h,
        standing=standing,
        seconds_per_m=standing_hours * 3600.0 / section_length_m,
        joints_per_m=joints_per_m,
        curve_radius_m=curve_radius_m,
        section_length_m=section_length_m,
    )
    passes_per_second = 1.0 / (reference_hours * 3600.0) if standing else vehicles_per_hour / 3600.0
    vehicles_per_m = float(scene.traffic.seconds_per_m[0, 0]) * passes_per_second
    phi, psi = np.array(phi_deg, dtype=np.float64), np.array(psi_deg, dtype=np.float64)
    energy = {height: np.zeros(N_OCTAVES) for height in SOURCE_HEIGHT_M.values()}
    for calculator, its_options in _with_options(dict(options or {}), without):
        for source, power in calculator.emission(scene, its_options).items():
            factor = 1.0 if source.gain is None else source.gain(phi, psi)
            energy[source.height_m] += thirds_to_octaves(power[0, 0] * factor * vehicles_per_m)
    return {name.upper(): to_db(energy[height]) for name, height in SOURCE_HEIGHT_M.items()}


def _with_options(given: dict[str, object], without: Sequence[str]) -> list[tuple[SourceCalculator, Options]]:
    calculators = [calculator() for calculator in _CALCULATORS]
    known = {field for calculator in calculators for field in calculator.options_model.model_fields}
    strange = sorted(set(given) - known) + sorted(set(without) - {calculator.name for calculator in calculators})
    if strange:
        raise OutOfRangeError(f"No calculator of the EU method knows {', '.join(strange)}.")
    return [
        (c, c.options_model(**{k: v for k, v in given.items() if k in c.options_model.model_fields}))
        for c in calculators
        if c.name not in without
    ]
