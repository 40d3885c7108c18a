"""What the measures of the catalogue share: places, works, spectra with a reduction, and the words of the tables."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, Any, ClassVar, cast

import numpy as np
from pydantic import AfterValidator, Field

from lineside.acoustics.bands import N_OCTAVES, Array
from lineside.contracts import DataFile, Options, Verification
from lineside.measures import Facts, Known, Lack, Measure, MeasureOptions, Unit
from lineside.project.model import Project, SpectrumInput, Track, Work
from lineside.project.types import PERIODS
from lineside.scene.model import Spectrum
from lineside.scene.tracks import changes_at, lay
from lineside_plugins.measures_catalogue.facts import data_files, facts_of

OCTAVES_HZ = (63, 125, 250, 500, 1000, 2000, 4000, 8000)


def _octave(value: int) -> int:
    if value not in OCTAVES_HZ:
        raise ValueError(f"{value} is no octave: {', '.join(map(str, OCTAVES_HZ))}")
    return value


Octave = Annotated[int, AfterValidator(_octave)]
Reduction = Annotated[float, Field(ge=-10, le=30)]
Ids = Annotated[tuple[str, ...], Field(min_length=1, max_length=200)]
PERIOD_NAMES = PERIODS
#: Name of the calculator of the German regulation, whose options know measures of the law by name.
DE = "de_railway"


class Catalogued(Measure):
    """A measure whose facts stand in the tables of the catalogue."""

    version = "1.0"
    verification = Verification.NOT_VERIFIED

    def facts(self) -> Facts:
        return facts_of(self.name)

    def data_files(self) -> tuple[DataFile, ...]:
        return data_files()

    def statement(self, options: Options) -> str:
        return f"{self.title}. Acts on: {', '.join(self.acts_on) or 'nothing outdoors'}."


class PlaceOptions(MeasureOptions):
    """Options of a measure along a track."""

    track: str = Field(description="Id of the track", min_length=1, max_length=60)
    from_m: float | None = Field(default=None, description="Start [m chainage]. Default: start of the track")
    to_m: float | None = Field(default=None, description="End [m chainage]. Default: end of the track")


class OnTrack(Catalogued):
    """A measure along a track."""

    side = "source"
    near_track = True
    options_model: ClassVar[type[Options]] = PlaceOptions

    def lacks(self, project: Project, options: Options, known: Known) -> Sequence[Lack]:
        return place_lacks(project, cast(PlaceOptions, options), known)

    def amounts(self, project: Project, options: Options, known: Known) -> Mapping[Unit, float]:
        from_m, to_m = place(cast(PlaceOptions, options), known)
        return {"m": to_m - from_m, "whole": 1.0}


def track_of(project: Project, track: str) -> Track:
    return next(t for t in project.tracks if t.id == track)


def place(options: PlaceOptions, known: Known) -> tuple[float, float]:
    """The stretch of track, (from, to). [m chainage]"""
    chainage = known.alignments[options.track][0]
    return (
        float(chainage[0]) if options.from_m is None else options.from_m,
        float(chainage[-1]) if options.to_m is None else options.to_m,
    )


def place_lacks(project: Project, options: PlaceOptions, known: Known) -> list[Lack]:
    if options.track not in {t.id for t in project.tracks}:
        return [Lack("track", "there is no track with this id", ", ".join(t.id for t in project.tracks))]
    if options.track not in known.alignments:
        return []  # its alignment is faulty, which has been said
    chainage = known.alignments[options.track][0]
    low, high = float(chainage[0]), float(chainage[-1])
    out = [
        Lack(name, f"lies beyond the alignment of track {options.track}", f"a chainage in m, {low:g} to {high:g}")
        for name, value in (("from_m", options.from_m), ("to_m", options.to_m))
        if value is not None and not low - 0.05 <= value <= high + 0.05
    ]
    from_m, to_m = place(options, known)
    if not out and from_m >= to_m:
        out.append(Lack("to_m", f"must lie beyond from_m, which is {from_m:g} m"))
    return out


def with_works(project: Project, works: Sequence[Mapping[str, Any]]) -> Project:
    """The project with further works, after those that it has."""
    added = tuple(Work.model_validate(work) for work in works)
    return project.model_copy(update={"works": (*project.works, *added)}) if added else project


def work_at(options: PlaceOptions, project: Project, known: Known, kind: str, **more: Any) -> dict[str, Any]:
    """A work of a kind at the place and on the day of a measure."""
    from_m, to_m = place(options, known)
    return {
        "date": options.day(project),
        "kind": kind,
        "track": options.track,
        "from_m": from_m,
        "to_m": to_m,
        **more,
    }


def pieces(
    project: Project, options: PlaceOptions, known: Known, attributes: Sequence[str]
) -> Iterator[tuple[float, float, Mapping[str, Any]]]:
    """Runs of the place along which some attributes are the same on the day of the measure: (from, to, attributes)."""
    from_m, to_m = place(options, known)
    day = options.day(project)
    at_m, values, _ = lay(track_of(project, options.track), changes_at(project.works, options.track, day), from_m, to_m)
    start = 0
    for k in range(1, len(values) + 1):
        if k == len(values) or any(values[k][a] != values[start][a] for a in attributes):
            yield float(at_m[start]), float(at_m[k]), {a: values[start][a] for a in attributes}
            start = k


def anywhere(project: Project, known: Known, attribute: str, nothing: Sequence[Any]) -> bool:
    """Whether some track has an attribute other than ``nothing`` on the first assessment date."""
    return any(
        here[attribute] not in nothing
        for track in project.tracks
        if track.id in known.alignments
        for _, _, here in pieces(project, PlaceOptions(track=track.id), known, (attribute,))
    )


def octave_reduction(reduction_db: Mapping[int, float]) -> Array:
    """Reduction in third octaves (24,), each that of its octave; 0 where none is given. [dB]"""
    octaves = np.zeros(N_OCTAVES)
    for hz, value in reduction_db.items():
        octaves[OCTAVES_HZ.index(hz)] = value
    return np.repeat(octaves, 3)


def lowered(spectrum: Spectrum, reduction_db: Array, what: str, source: str) -> SpectrumInput:
    """A spectrum less a reduction, as an entry of the project; its id follows from its content."""
    columns = {name: np.round(levels - reduction_db, 6) for name, levels in spectrum.columns.items()}
    ((_, level_db),) = columns.items()
    digest = hashlib.sha256(level_db.tobytes() + spectrum.axis.tobytes()).hexdigest()[:8]
    return SpectrumInput.model_validate(
        {
            "id": f"{what[:48]} {digest}",
            "kind": spectrum.kind,
            "source": source[:300],
            "axis": tuple(float(v) for v in spectrum.axis),
            "levels_db": tuple(float(v) for v in level_db),
        }
    )


def with_spectra(project: Project, spectra: Sequence[SpectrumInput]) -> Project:
    """The project with further spectra, each once."""
    ids = {s.id for s in project.spectra}
    new = {s.id: s for s in spectra if s.id not in ids}
    return project.model_copy(update={"spectra": (*project.spectra, *new.values())}) if new else project


def spectrum_of(project: Project, known: Known, spectrum_id: str) -> Spectrum | None:
    """A spectrum of the project, those that a measure added included."""
    for given in project.spectra:
        if given.id == spectrum_id and given.axis is not None and given.levels_db is not None:
            columns = {"level_db": np.array(given.levels_db)}
            return Spectrum(given.id, given.kind, np.array(given.axis), columns, source=given.source)
    return known.spectra.get(spectrum_id)


def with_options(project: Project, calculator: str, changed: Mapping[str, Any]) -> Project:
    """The project with other options of a calculator, beside those that it has."""
    options = {**project.calculation.options}
    options[calculator] = {**options.get(calculator, {}), **changed}
    return project.model_copy(update={"calculation": project.calculation.model_copy(update={"options": options})})


def with_de_stretch(project: Project, options: PlaceOptions, known: Known, **entry: Any) -> Project:
    """The project with a stretch in the words of the German regulation, on top of those that it has."""
    if DE not in known.running:
        return project
    from_m, to_m = place(options, known)
    given = project.calculation.options.get(DE, {}).get("stretches", ())
    added = {"track": options.track, "from_m": from_m, "to_m": to_m, **entry}
    return with_options(project, DE, {"stretches": [*given, added]})


def de_bridges(project: Project, options: PlaceOptions, known: Known) -> list[tuple[float, float]]:
    """Parts of the place that have a bridge in the words of the German regulation. [m chainage]"""
    low, high = place(options, known)
    out = []
    for entry in project.calculation.options.get(DE, {}).get("stretches", ()):
        if entry.get("track") == options.track and entry.get("bridge", "none") != "none":
            from_m, to_m = entry.get("from_m"), entry.get("to_m")
            from_m, to_m = low if from_m is None else max(low, from_m), high if to_m is None else min(high, to_m)
            if from_m < to_m:
                out.append((from_m, to_m))
    return out


def only_de(known: Known) -> bool:
    """Whether trains are computed by the German regulation alone, which knows average track and no works."""
    return DE in known.running and not any(name.startswith("eu_") for name in known.running)


def unknown(field: str, wanted: Sequence[str], known: Sequence[str], what: str) -> list[Lack]:
    return [Lack(field, f"there is no {what} {name}", ", ".join(known)) for name in wanted if name not in known]
