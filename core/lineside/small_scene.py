"""A small scene without a project file, for checking calculators."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from lineside.acoustics.bands import N_THIRDS, Array
from lineside.contracts import SourceClass, Term
from lineside.scene.model import (
    Air,
    BarrierSegments,
    Curve,
    FavourableShare,
    GroundAreas,
    JointedStretch,
    Receivers,
    Scene,
    Sections,
    Service,
    SourcePoints,
    Stretch,
    TrackForm,
    TrackLine,
    Traffic,
    VehicleType,
)


def small_scene(vocabulary: Mapping[str, Sequence[Term]] | None = None) -> Scene:
    """Two tracks, five sections, two vehicles, moving and standing, three receivers, water and a barrier.

    Parameters
    ----------
    vocabulary : mapping, optional
        Attribute -> classes, of which the first is used; an attribute without classes has the name ``any``, or is
        left out where it may be.
    """
    names = {attribute: terms[0].name for attribute, terms in (vocabulary or {}).items() if terms}
    chainage = np.array([0.0, 200.0, 400.0])
    xy = np.array([[-200.0, 0.0, 0.5], [0.0, 0.0, 0.5], [200.0, 0.0, 0.5]])
    joints = (JointedStretch(100.0, 150.0, 0.03, "joints"), JointedStretch(300.0, 300.0, 0.01, "turnout"))
    curve = Curve(50.0, 120.0, 180.0, given=True)
    tracks = (
        TrackLine("T1", "Towards the hill", "metro", chainage, xy, joints, (curve,)),
        TrackLine("T2", "Towards the river", "train", chainage, xy + np.array([0.0, 8.0, 0.0]), (), ()),
    )
    track = np.array([0, 0, 0, 1, 1])
    from_m, to_m = np.array([0.0, 50.0, 120.0, 0.0, 200.0]), np.array([50.0, 120.0, 400.0, 200.0, 400.0])
    return Scene(
        origin=(0.0, 0.0),
        ground_level_m=0.0,
        tracks=tracks,
        stretches=tuple(Stretch(int(k), float(a), float(b), "") for k, a, b in zip(track, from_m, to_m, strict=True)),
        forms=(_form(names, bridge=False), _form(names, bridge=True)),
        sections=Sections(
            track=track,
            stretch=np.arange(5),
            form=np.array([0, 0, 0, 0, 1]),
            from_m=from_m,
            to_m=to_m,
        ),
        vehicles=(_vehicle("car", "metro", names), _vehicle("wagon", "train", names)),
        services=(_service("S1", 0, 1, np.array([0, 0])), _service("S2", 1, -1, np.array([1, 1]))),
        traffic=_traffic(track),
        receivers=Receivers(("R1", "R2", "R3"), np.array([[0.0, 25.0, 4.0], [-120.0, 60.0, 1.5], [90.0, -40.0, 8.0]])),
        ground=GroundAreas(
            default_g=1.0,
            xy_m=np.array([[-60.0, 15.0], [60.0, 15.0], [60.0, 40.0], [-60.0, 40.0]]),
            start=np.array([0, 4]),
            g=np.array([0.0]),
        ),
        barriers=BarrierSegments(
            xy_m=np.array([[[-50.0, 12.0], [50.0, 12.0]]]),
            top_z_m=np.array([[2.5, 2.5]]),
            base_z_m=np.array([[0.0, 0.0]]),
            barrier=np.array([0]),
        ),
        air=Air(temperature_deg_c=10.0, humidity_pct=70.0, pressure_kpa=101.325),
        favourable=FavourableShare(np.array([0.0]), np.array([[0.5], [0.75], [1.0]])),
        period_names=("day", "evening", "night"),
        period_of_hour=np.array([2] * 7 + [0] * 12 + [1] * 4 + [2]),
    )


def small_powers(scene: Scene, mechanisms: Iterable[str]) -> dict[str, dict[SourceClass, Array]]:
    """Sound power of other mechanisms, for calculators that build on them: two source classes, louder with speed."""
    loud = np.where(scene.traffic.seconds_per_m > 0, 1e6 * (1.0 + scene.traffic.speed_km_h), 0.0)
    power = loud[:, :, np.newaxis] * np.arange(1.0, N_THIRDS + 1.0)
    return {name: {SourceClass("low", 0.5): power, SourceClass("high", 4.0): power} for name in mechanisms}


def small_points(scene: Scene) -> SourcePoints:
    """One source point in the middle of every section of the small scene's straight tracks."""
    sections = scene.sections
    xyz = np.array(
        [
            [np.interp(s, scene.tracks[t].chainage_m, scene.tracks[t].xyz_m[:, axis]) for axis in range(3)]
            for t, s in zip(sections.track, sections.mid_m, strict=True)
        ]
    )
    along = np.array([scene.tracks[t].xyz_m[-1, :2] - scene.tracks[t].xyz_m[0, :2] for t in sections.track])
    return SourcePoints(
        section=np.arange(len(sections)),
        xyz_m=xyz,
        direction=along / np.linalg.norm(along, axis=1, keepdims=True),
        length_m=sections.length_m,
        ground_g=np.linspace(0.0, 1.0, len(sections)),
    )


def _form(names: Mapping[str, str], bridge: bool) -> TrackForm:
    return TrackForm(
        form="slab" if bridge else "ballast",
        sleeper=names.get("sleeper", "any"),
        rail_pad=names.get("rail_pad", "any"),
        track_transfer=None,
        rail_roughness=names.get("rail_roughness", "any"),
        impact_roughness=names.get("impact_roughness"),
        bridge=names.get("bridge") if bridge else None,
        source_ground_g=None,
    )


def _vehicle(id: str, kind: str, names: Mapping[str, str]) -> VehicleType:
    return VehicleType(
        id=id,
        kind=kind,
        freight=kind == "train",
        length_m=18.0,
        n_axles=4,
        max_speed_km_h=300.0,
        wheel_roughness=names.get("wheel_roughness", "any"),
        contact_filter=names.get("contact_filter", "any"),
        vehicle_transfer=names.get("vehicle_transfer", "any"),
        superstructure_transfer=names.get("superstructure_transfer"),
        traction=names.get("traction"),
        aerodynamic=names.get("aerodynamic"),
    )


def _service(id: str, track: int, direction: int, vehicle_type: Any) -> Service:
    return Service(
        id=id,
        name="",
        track=track,
        unit="pair",
        direction=direction,
        calls=direction > 0,
        train_length_m=36.0,
        trains_per_hour=np.full(24, 4.0),
        vehicle_offset_m=np.array([9.0, -9.0]),
        vehicle_type=vehicle_type,
        vehicle_length_m=np.array([18.0, 18.0]),
    )


def _traffic(track_of_section: Any) -> Traffic:
    """Two moving and one standing row of the first service, one moving row of the second."""
    speed = np.where(track_of_section == 0, [[60.0], [45.0], [0.0], [0.0]], [[0.0], [0.0], [0.0], [250.0]])
    seconds = np.divide(3.6, speed, out=np.zeros_like(speed), where=speed > 0)
    seconds[2, 1] = 25.0 / 18.0
    return Traffic(
        service=np.array([0, 0, 0, 1]),
        vehicle=np.array([0, 0, 0, 1]),
        unit_position=np.array([0, 1, 0, 0]),
        standing=np.array([False, False, True, False]),
        long_stay=np.zeros(4, dtype=bool),
        speed_km_h=speed,
        seconds_per_m=seconds,
        accelerating=np.where(speed > 0, 0.25, 0.0),
        permitted_km_h=1.5 * speed,
    )
