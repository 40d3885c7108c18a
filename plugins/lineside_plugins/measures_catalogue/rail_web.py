"""Measures at the web and the support of the rail: dampers, shields, pads."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Literal, cast

from pydantic import Field, model_validator

from lineside.contracts import Options
from lineside.measures import Known, Lack, Measure
from lineside.project.model import Project, SpectrumRef
from lineside.scene.model import Spectrum
from lineside_plugins.measures_catalogue.common import (
    Octave,
    OnTrack,
    PlaceOptions,
    Reduction,
    lowered,
    octave_reduction,
    only_de,
    pieces,
    spectrum_of,
    with_de_stretch,
    with_spectra,
    with_works,
    work_at,
)
from lineside_plugins.measures_catalogue.facts import sources_of


class DamperOptions(PlaceOptions):
    """Options of rail dampers and shields."""

    reduction_db: dict[Octave, Reduction] = Field(
        default={500: 2.0, 1000: 3.0, 2000: 3.0},
        description="Reduction of the sound of the rail by octave [dB], -10 to 30. Default 2, 3, 3 at 500, 1000, 2000 "
        "Hz: the credit of the German regulation for the part of rail roughness, taken over to the transfer function "
        "of the track: an assumption",
    )
    track_transfer: str | None = Field(
        default=None,
        description="Instead: id of a spectrum of kind track_transfer, measured or computed for the damped track",
    )


class ShieldOptions(DamperOptions):
    """Options of rail web shields."""

    reduction_db: dict[Octave, Reduction] = Field(
        default={500: 3.0, 1000: 4.0, 2000: 5.0},
        description="Reduction of the sound of the rail by octave [dB], -10 to 30. Default 3, 4, 5 at 500, 1000, 2000 "
        "Hz: the credit of the German regulation, taken over to the transfer function of the track: an assumption",
    )


class RailDampers(OnTrack):
    """German method: Table 8. Else a transfer function of the track less the credit in each octave."""

    name = "rail_dampers"
    title = "Rail dampers"
    sources = sources_of(name)
    acts_on = ("rolling", "impact", "trains")
    stage = 30
    options_model = DamperOptions
    _kind: Literal["rail_dampers", "other"] = "rail_dampers"
    _de = "dampers"

    def apply(self, project: Project, options: Options, known: Known) -> Project:
        options = cast(DamperOptions, options)
        project = with_de_stretch(project, options, known, rail_measure=self._de)
        if only_de(known):
            return project
        works, spectra = [], []
        for from_m, to_m, here in pieces(project, options, known, ("sleeper", "rail_pad", "track_transfer")):
            name = options.track_transfer
            if name is None:
                base = _transfer(project, known, here)
                if base is None:
                    continue
                source = f"{base.source or base.id}, less the reduction of {self.title.lower()}"
                made = lowered(base, octave_reduction(options.reduction_db), f"{self.name} {base.id}", source)
                spectra.append(made)
                name = made.id
            given = work_at(options, project, known, self._kind, changes={"track_transfer": {"spectrum": name}})
            works.append({**given, "from_m": from_m, "to_m": to_m})
        return with_works(with_spectra(project, spectra), works)

    def lacks(self, project: Project, options: Options, known: Known) -> Sequence[Lack]:
        found = list(super().lacks(project, options, known))
        options = cast(DamperOptions, options)
        if options.track_transfer is not None and options.track_transfer not in {s.id for s in project.spectra}:
            allowed = ", ".join(s.id for s in project.spectra if s.kind == "track_transfer")
            found.append(Lack("track_transfer", "there is no spectrum with this id", allowed or "none"))
        return found

    def without_effect(self, project: Project, options: Options, known: Known) -> str:
        if only_de(known) or cast(DamperOptions, options).track_transfer is not None:
            return ""
        here = pieces(project, cast(DamperOptions, options), known, ("sleeper", "rail_pad", "track_transfer"))
        if any(_transfer(project, known, values) is not None for _, _, values in here):
            return ""
        return "no calculator in use gives the transfer function of this track as a spectrum"

    def warnings(self, project: Project, options: Options, known: Known) -> Sequence[str]:
        out = ["A track that is well damped already gains little: compare its decay rate with that of the trials."]
        pads = {v["rail_pad"] for _, _, v in pieces(project, cast(DamperOptions, options), known, ("rail_pad",))}
        if pads & {"hard"}:
            out.append("The pads here are hard, so that the rail is damped already; the reduction may be too high.")
        return out


class RailShields(RailDampers):
    """German method: Table 8 row 4. Else as dampers, with the credit of shields."""

    name = "rail_shields"
    title = "Rail web shields"
    sources = sources_of(name)
    options_model = ShieldOptions
    _kind = "other"
    _de = "shields"

    def warnings(self, project: Project, options: Options, known: Known) -> Sequence[str]:
        return ()


def _transfer(project: Project, known: Known, here: Mapping[str, Any]) -> Spectrum | None:
    """Transfer function of a track, by its classes or its spectrum."""
    given = here["track_transfer"]
    if isinstance(given, SpectrumRef):
        return spectrum_of(project, known, given.spectrum)
    words = [str(here[name]) for name in ("sleeper", "rail_pad") if here[name] is not None]
    return known.tabulated("track_transfer", " + ".join(words))


class PadOptions(PlaceOptions):
    """Options of other rail pads."""

    rail_pad: str | None = Field(default=None, description="Class of the new pads, e.g. `hard`")
    track_transfer: str | None = Field(
        default=None, description="Instead: id of a spectrum of kind track_transfer for the track with the new pads"
    )
    rail_pad_stiffness_mn_m: float | None = Field(
        default=None, gt=0, le=5000, description="True stiffness of the new pads [MN/m], recorded. Default null"
    )

    @model_validator(mode="after")
    def _one(self) -> PadOptions:
        if (self.rail_pad is None) == (self.track_transfer is None):
            raise ValueError("needs either rail_pad or track_transfer")
        return self


class RailPads(OnTrack):
    """Softer or stiffer pads, through the transfer function of the track."""

    name = "rail_pads"
    title = "Stiffer or softer rail pads"
    sources = sources_of(name)
    acts_on = ("rolling", "impact")
    stage = 20
    options_model = PadOptions

    def apply(self, project: Project, options: Options, known: Known) -> Project:
        options = cast(PadOptions, options)
        changes: dict[str, Any] = (
            {"rail_pad": options.rail_pad, "track_transfer": None}
            if options.rail_pad is not None
            else {"track_transfer": {"spectrum": options.track_transfer}}
        )
        if options.rail_pad_stiffness_mn_m is not None:
            changes["rail_pad_stiffness_mn_m"] = options.rail_pad_stiffness_mn_m
        works = []
        for from_m, to_m, here in pieces(project, options, known, ("sleeper",)):
            if here["sleeper"] is None and options.rail_pad is not None:
                continue  # without a sleeper's class the pad's class says nothing
            works.append(
                {
                    **work_at(options, project, known, "rail_pads", changes=changes),
                    "from_m": from_m,
                    "to_m": to_m,
                }
            )
        return with_works(project, works)

    def lacks(self, project: Project, options: Options, known: Known) -> Sequence[Lack]:
        found = list(super().lacks(project, options, known))
        options = cast(PadOptions, options)
        if options.track_transfer is not None and options.track_transfer not in {s.id for s in project.spectra}:
            found.append(Lack("track_transfer", "there is no spectrum with this id"))
        if not found and options.rail_pad is not None and not only_de(known):
            for _, _, here in pieces(project, options, known, ("sleeper",)):
                name = f"{here['sleeper']} + {options.rail_pad}"
                if here["sleeper"] is not None and known.tabulated("track_transfer", name) is None:
                    found.append(Lack("rail_pad", f"no calculator in use knows the track {name}"))
                    break
        return found

    def without_effect(self, project: Project, options: Options, known: Known) -> str:
        return "the regulation has no value for rail pads" if only_de(known) else ""

    def fits(self, project: Project, known: Known) -> bool:
        return not only_de(known)


def measures() -> tuple[Measure, ...]:
    return (RailDampers(), RailShields(), RailPads())
