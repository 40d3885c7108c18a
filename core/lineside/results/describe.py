"""The site as the report tabulates and draws it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from lineside.acoustics.bands import Array
from lineside.project.load import LoadedProject
from lineside.project.model import Calls, EpsgCoordinates, SpectrumRef
from lineside.results import model
from lineside.results.describe_terrain import bank_infos, earthwork_infos, terrain_info
from lineside.results.exposure import occupancy
from lineside.scene.build import BuiltScene
from lineside.scene.buildings import StandingBuilding
from lineside.scene.model import Scene
from lineside.scene.rail_runs import trains_per_period
from lineside.scene.traffic import Run


def site(
    loaded: LoadedProject,
    built: BuiltScene,
    standing: Sequence[StandingBuilding] = (),
    n_receivers: Mapping[str, int] | None = None,
) -> model.Site:
    """Everything that is drawn on the map or listed in the tables of inputs.

    ``standing``: the buildings; ``n_receivers``: how many receivers each has on its facades, by id.
    """
    project, scene = loaded.project, built.scene
    coordinates = project.site.coordinates
    ground = project.site.default_ground
    return model.Site(
        coordinate_system=f"EPSG:{coordinates.code}" if isinstance(coordinates, EpsgCoordinates) else "local, metres",
        ground_level_m=project.site.ground_level_m,
        default_ground=ground.surface or f"G = {ground.g:g}",
        default_g=scene.ground.default_g,
        tracks=[
            model.TrackInfo(
                id=t.id,
                name=t.name,
                kind=t.kind,
                from_m=float(t.chainage_m[0]),
                to_m=float(t.chainage_m[-1]),
                xy=_xy(t.xyz_m[:, :2] + np.array(scene.origin)),
            )
            for t in scene.tracks
        ],
        stretches=stretch_infos(built),
        curves=[
            model.CurveInfo(
                track=t.id, from_m=c.from_m, to_m=c.to_m, radius_m=c.radius_m, given=c.given, turnout=c.turnout
            )
            for t in scene.tracks
            for c in t.curves
        ],
        joints=[
            model.JointInfo(
                track=line.id,
                what="turnout" if j.what == "turnout" else "joints",
                from_m=j.from_m,
                to_m=j.to_m,
                joints_per_100_m=100.0 * j.joints_per_m,
                xy=_xy(along.alignment.between(j.from_m, j.to_m)[:, :2] + np.array(scene.origin)),
            )
            for line, along in zip(scene.tracks, built.alongs, strict=True)
            for j in line.joints
        ],
        stops=_stops(loaded, built),
        services=[_service(loaded, built, run) for run in built.runs],
        barriers=barrier_infos(loaded, scene),
        buildings=_buildings(loaded, standing, n_receivers or {}),
        terrain=terrain_info(loaded),
        earthworks=earthwork_infos(loaded, scene),
        banks=bank_infos(loaded, scene),
        ground=[
            model.GroundInfo(
                id=a.id,
                name=a.name or a.id,
                surface=a.surface or f"G = {a.g:g}",
                g=loaded.ground_g[a.id],
                water=a.surface == "water",
                xy=_xy(loaded.polygons[a.id]),
            )
            for a in project.ground_areas
        ],
        favourable=_favourable(loaded, built),
        works=[
            model.WorkInfo(
                date=w.date.isoformat(),
                kind=w.kind,
                track=w.track,
                from_m=w.from_m,
                to_m=w.to_m,
                until=w.until.isoformat() if w.until is not None else None,
                changes={key: _plain(value) for key, value in w.sets().items()},
                details={key: _plain(value) for key, value in w.details.items()},
                description=w.description,
            )
            for w in sorted(project.works, key=lambda w: (w.date, w.track, w.from_m))
        ],
    )


def barrier_infos(loaded: LoadedProject, scene: Scene) -> list[model.BarrierInfo]:
    """Barriers in the order of the project."""
    return [
        model.BarrierInfo(
            id=b.id,
            name=b.name or b.id,
            height_m=b.height_m,
            height_above=b.height_above,
            top_z_m=_top(scene, k),
            surface=b.surface,
            absorption=None if b.absorption is None else [float(a) for a in np.broadcast_to(b.absorption, 8)],
            xy=_xy(loaded.lines[b.id]),
        )
        for k, b in enumerate(loaded.project.barriers)
    ]


def _top(scene: Scene, barrier: int) -> tuple[float, float] | None:
    """Lowest and highest level of the top of a barrier."""
    top = scene.barriers.top_z_m[scene.barriers.barrier == barrier]
    return (round(float(top.min()), 3), round(float(top.max()), 3)) if top.size else None


def _buildings(
    loaded: LoadedProject, standing: Sequence[StandingBuilding], n_receivers: Mapping[str, int]
) -> list[model.BuildingInfo]:
    dwellings, persons = occupancy(standing, loaded.project.building_files)
    return [
        model.BuildingInfo(
            id=b.data.id,
            name=b.data.name,
            use=b.data.use,
            area=b.data.area,
            height_m=round(b.height_m, 3),
            top_z_m=round(b.top_z_m, 3),
            floors=b.floors,
            absorption=[round(float(a), 4) for a in b.data.absorption],
            dwellings=round(float(dwellings[k]), 6),
            persons=round(float(persons[k]), 6),
            n_receivers=n_receivers.get(b.data.id, 0),
            rings=[_xy(ring) for ring in b.data.outlines],
        )
        for k, b in enumerate(standing)
    ]


def _xy(points: Array) -> list[tuple[float, float]]:
    return [(round(float(x), 3), round(float(y), 3)) for x, y in points]


def _name(value: object) -> str:
    return f"spectrum {value.spectrum}" if isinstance(value, SpectrumRef) else str(value)


def _favourable(loaded: LoadedProject, built: BuiltScene) -> list[model.FavourableInfo]:
    given, names = loaded.favourable, built.scene.period_names
    ends = [*(float(d) for d in given.sector_from_deg[1:]), 360.0]
    return [
        model.FavourableInfo(
            from_deg=round(float(start), 3),
            to_deg=round(end, 3),
            share={name: round(float(given.share[n, k]), 4) for n, name in enumerate(names)},
        )
        for k, (start, end) in enumerate(zip(given.sector_from_deg, ends, strict=True))
    ]


def stretch_infos(built: BuiltScene) -> list[model.StretchInfo]:
    out = []
    for line, along in zip(built.scene.tracks, built.alongs, strict=True):
        for k, value in enumerate(along.values):
            low, high = float(along.at_m[k]), float(along.at_m[k + 1])
            bends = [c for c in line.curves if not c.turnout and min(c.to_m, high) > max(c.from_m, low)]
            sharpest = min(bends, key=lambda c: c.radius_m) if bends else None
            transfer = value["track_transfer"]
            out.append(
                model.StretchInfo(
                    id=f"{line.id}/{k + 1}",
                    track=line.id,
                    from_m=low,
                    to_m=high,
                    label=along.names[k] or line.name,
                    form=value["form"],
                    transfer=_name(transfer)
                    if transfer
                    else ", ".join(p for p in (value["sleeper"], value["rail_pad"]) if p),
                    rail_roughness=_name(value["rail_roughness"]),
                    joints_per_100_m=value["joints_per_100_m"],
                    bridge=_name(value["bridge"]),
                    speed_limit_km_h=value["speed_limit_km_h"],
                    radius_m=sharpest.radius_m if sharpest else None,
                    radius_given=sharpest.given if sharpest else value["curve_radius_m"] is not None,
                )
            )
    return out


def _stops(loaded: LoadedProject, built: BuiltScene) -> list[model.StopInfo]:
    alongs = {a.track.id: a for a in built.alongs}
    origin = np.array(built.scene.origin)
    out = []
    for stop in loaded.project.stops:
        for place in stop.at:
            xy = alongs[place.track].alignment.at(np.array([place.chainage_m]))[:, :2] + origin
            out.append(
                model.StopInfo(
                    id=stop.id,
                    name=stop.name or stop.id,
                    track=place.track,
                    chainage_m=place.chainage_m,
                    xy=_xy(xy)[0],
                )
            )
    return out


def _plain(value: object) -> str | float:
    """A value of a work as it is printed."""
    if isinstance(value, SpectrumRef):
        return value.spectrum
    return value if isinstance(value, int | float) and not isinstance(value, bool) else str(value)


def _service(loaded: LoadedProject, built: BuiltScene, run: Run) -> model.ServiceInfo:
    scene, service = built.scene, run.service
    entry = next(s for s in loaded.project.services if s.id == service.id)
    names = {s.id: s.name or s.id for s in loaded.project.stops}
    pattern = (
        "calls at " + ", ".join(names[i] for i in entry.pattern.at)
        if isinstance(entry.pattern, Calls)
        else "passes at line speed"
    )
    per_period = trains_per_period(loaded, scene)[:, [s.id for s in scene.services].index(service.id)]
    chainage = run.profile.place_m * run.profile.direction
    track = scene.tracks[service.track]
    inside = (chainage >= track.chainage_m[0]) & (chainage <= track.chainage_m[-1])
    order = np.argsort(chainage[inside], kind="stable")
    return model.ServiceInfo(
        id=service.id,
        name=service.name,
        track=track.id,
        direction="rising" if service.direction > 0 else "falling",
        unit=service.unit,
        train_length_m=service.train_length_m,
        n_axles=int(sum(scene.vehicles[k].n_axles for k in service.vehicle_type)),
        pattern=pattern,
        trains={name: round(float(n), 6) for name, n in zip(scene.period_names, per_period, strict=True)},
        profile=model.SpeedProfile(
            chainage_m=[round(float(c), 2) for c in chainage[inside][order]],
            speed_km_h=[round(float(v) * 3.6, 2) for v in run.profile.speed_m_s[inside][order]],
        ),
    )
