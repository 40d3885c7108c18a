"""The source calculator: sound power of all trains of a scene by the regulation."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from lineside.acoustics.bands import A_WEIGHTING_OCTAVE_DB, Array
from lineside.acoustics.levels import to_energy
from lineside.contracts import DataFile, Doubt, Note, Options, SourceCalculator, SourceClass, Standing, Verification
from lineside.scene.model import BoolArray, IntArray, Scene, TrackLine
from lineside_plugins.de_railway.directivity import source_class
from lineside_plugins.de_railway.options import DeRailwayOptions, check_names, section_classes, track_class
from lineside_plugins.de_railway.power import TrackClass, VehicleClass, line_power, railway_speed_km_h, tram_speed_km_h
from lineside_plugins.de_railway.tables import SOURCE, data_files, is_tram

HEIGHTS_M = (0.0, 4.0, 5.0)
#: From this deviation on the regulation asks for vehicles of their own. [dB]
VEHICLES = Doubt(
    2.0,
    Standing.ASSUMPTION,
    "16. BImSchV, Annex 2, No. 9.2.2 calls 2 dB a substantial deviation of a vehicle (read); taken here as how far the "
    "tabulated sound power may be off 9 times in 10 (assumption). The regulation states no uncertainty",
)


class DeRailway(SourceCalculator):
    """No. 3 to 5 of Annex 2: rolling, aerodynamic, aggregate and drive noise, bridges and curves, by height."""

    name = "de_railway"
    title = "Sound power by the German 16. BImSchV, Annex 2"
    version = "1.0"
    mechanism = "trains"
    sources = (SOURCE,)
    options_model = DeRailwayOptions
    verification = Verification.COMPUTED
    verification_note = (
        "107 values of trains, trams, track types, measures and levels beside endless lines against two separate "
        "computations from the wording (power within 0.005 dB, levels within 0.02 dB). The regulation prints no worked "
        "example."
    )

    def data_files(self) -> tuple[DataFile, ...]:
        return data_files()

    def doubt(self, options: Options) -> Doubt | None:
        return VEHICLES

    def cuts(self, track: TrackLine, options: Options) -> Array:
        entries = [entry for entry in checked(options).stretches if entry.track == track.id]
        ends = [end for entry in entries for end in (entry.from_m, entry.to_m) if end is not None]
        return np.array(ends, dtype=np.float64)

    def emission(self, scene: Scene, options: Options) -> Mapping[SourceClass, Array]:
        """Power of one vehicle while it is in a section, so that one pass has the energy that Gl. 1 gives.

        Gl. 1 is for one vehicle unit per hour at the permitted speed: over the time that the vehicle really spends in
        a section its power is L_W' times 3600 s, divided by that time per metre. Standing vehicles have none of their
        own: the speeds of No. 4.3 and 5.3.2 cover stops. Octaves are A-weighted in the regulation; that is taken off
        here, and each octave is spread evenly over its third octaves.

        Raises
        ------
        OutOfRangeError
            If a vehicle that runs has no entry, or the regulation has no value for it on its track.
        """
        opts = checked(options)
        check_names(scene, opts)
        traffic, sections = scene.traffic, scene.sections
        out = {height: np.zeros((len(traffic), len(sections), 24)) for height in HEIGHTS_M}
        freight, along = _freight(scene, opts), section_classes(scene, opts)
        speed = traffic.speed_km_h if traffic.permitted_km_h is None else traffic.permitted_km_h
        known: dict[tuple[VehicleClass, TrackClass, float], dict[float, Array]] = {}
        for row in np.flatnonzero(~traffic.standing):
            vehicle = scene.vehicles[traffic.vehicle[row]]
            entry = opts.vehicles[vehicle.id]
            unit, tram = entry.unit(vehicle), is_tram(entry.category)
            for k in np.flatnonzero(traffic.seconds_per_m[row] > 0.0):
                stretch, radius = along[k]
                form = scene.forms[sections.form[k]].form
                track = track_class(stretch, radius, form, tram, bool(freight[row]))
                v = float(speed[row, k])
                if tram:
                    v = tram_speed_km_h(v, radius, stretch.permanently_slow)
                else:
                    v = railway_speed_km_h(v, stretch.station)
                key = unit, track, round(v, 6)
                if key not in known:
                    known[key] = {h: _thirds(level) for h, level in line_power(unit, v, track).items()}
                factor = entry.units * 3600.0 / traffic.seconds_per_m[row, k]
                for height, energy in known[key].items():
                    out[height][row, k] = factor * energy
        return {source_class(height): power for height, power in out.items()}

    def statement(self, options: Options) -> str:
        return (
            "Each vehicle has the length-related sound power of its data sheet (Supplements 1 and 2) by partial "
            "source, corrected for its axles, speed (Tables 6, 14), track type (Tables 7, 15), monitored track and "
            "measures at the rail (Table 8), bridges (Tables 9, 16) and curves (Table 11, No. 5.3.2), and summed at 0, "
            "4 and 5 m above the rail heads (Gl. 1, 2), with the directivity of Gl. 8. Speeds are the permitted ones "
            "by No. 4.3 and 5.3.2, not those driven. The rail is in average condition: roughness, works and wear have "
            "no effect. No rail bonus is taken off (K_S = 0)."
        )

    def notes(self, scene: Scene, options: Options) -> Sequence[Note]:
        opts = checked(options)
        return [*_assumed(scene, opts), *_left_out(scene, opts)]


def checked(options: Options) -> DeRailwayOptions:
    if isinstance(options, DeRailwayOptions):
        return options
    return DeRailwayOptions.model_validate(options.model_dump(exclude_unset=True))


def _thirds(level_db: Array) -> Array:
    """Unweighted energy per third octave (24,) of A-weighted octave levels (8,)."""
    return np.repeat(to_energy(level_db - A_WEIGHTING_OCTAVE_DB) / 3.0, 3)


def _freight(scene: Scene, options: DeRailwayOptions) -> BoolArray:
    """Whether the train of a row has vehicles of category 10, (n_rows,)."""
    goods = [k for k, s in enumerate(scene.services) if _has_goods(scene, s.vehicle_type, options)]
    return np.isin(scene.traffic.service, goods)


def _has_goods(scene: Scene, vehicles: IntArray, options: DeRailwayOptions) -> bool:
    entries = (options.vehicles.get(scene.vehicles[int(k)].id) for k in vehicles)
    return any(entry is not None and entry.category == 10 for entry in entries)


def _assumed(scene: Scene, options: DeRailwayOptions) -> list[Note]:
    found = [
        Note(
            "assumption",
            "Trains have the sound power of the permitted speed, also where they brake, stand or start. Levels of "
            "single passes are no quantity of the regulation; they follow from this power and the time spent at each "
            "place.",
            Standing.LAW,
        ),
        Note(
            "assumption",
            "The rail is in average condition, whatever roughness the project gives; only specially monitored track "
            "(No. 4.5) is quieter.",
            Standing.LAW,
        ),
    ]
    assumed = [name for name, e in options.vehicles.items() if e.category == 10 and e.tank_share is None]
    if assumed:
        text = "A fifth of the wagons counts as tank wagons, as Table 5 has it where nothing is known: "
        found.append(Note("assumption", f"{text}{', '.join(assumed)}.", Standing.LAW))
    if any(entry.category in (21, 22, 23) for entry in options.vehicles.values()):
        text = "Data of trams and metros are for average newer vehicles; older ones ask for a check by No. 9.1.1."
        found.append(Note("validity", text, Standing.LAW))
    if scene.traffic.permitted_km_h is None:
        found.append(Note("assumption", "Permitted speeds are not known: the driven ones count."))
    return found


def _left_out(scene: Scene, options: DeRailwayOptions) -> list[Note]:
    """Bridges and joints that the project knows by other words."""
    found = []
    along = section_classes(scene, options)
    for index, line in enumerate(scene.tracks):
        mine = np.flatnonzero(scene.sections.track == index)
        plain = [
            k for k in mine if scene.forms[scene.sections.form[k]].bridge is not None and along[k][0].bridge == "none"
        ]
        if plain:
            low, high = scene.sections.from_m[plain].min(), scene.sections.to_m[plain].max()
            text = (
                f"Track {line.id} has a bridge between {low:.0f} and {high:.0f} m that has no bridge type of Tables 9 "
                "and 16 in the options of de_railway: it counts as open track, levels come out too low."
            )
            found.append(Note("validity", text, Standing.USER))
        if any(j.what == "joints" for j in line.joints):
            text = f"Track {line.id} has rail joints, for which the regulation has no value: they have no effect."
            found.append(Note("validity", text, Standing.LAW))
    return found
