"""Measures between wheel and rail in curves, and at joints and turnouts."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Annotated, Any, ClassVar, Literal, cast

import numpy as np
from pydantic import Field, model_validator

from lineside.contracts import Options
from lineside.measures import Known, Lack, Measure, Unit
from lineside.project.model import Project, SpectrumInput, SpectrumRef
from lineside.project.types import IsoDate
from lineside.scene.model import Spectrum
from lineside_plugins.measures_catalogue.common import (
    OnTrack,
    PlaceOptions,
    anywhere,
    lowered,
    only_de,
    pieces,
    place,
    spectrum_of,
    track_of,
    with_de_stretch,
    with_options,
    with_spectra,
    with_works,
    work_at,
)
from lineside_plugins.measures_catalogue.facts import facts_of, sources_of

#: Calculator of squeal by shares of passes, which knows friction management.
SQUEAL = "squeal_passes"


class FrictionOptions(PlaceOptions):
    """Options of friction management."""

    until: Annotated[dt.date, IsoDate] | None = Field(
        default=None, description="First day on which it has ended, YYYY-MM-DD. Default null: it lasts"
    )


class Lubrication(OnTrack):
    """Grease at the gauge face: acts through the shares of passes that squeal, where the project has them."""

    name = "gauge_lubrication"
    title = "Lubrication of the gauge face in curves"
    sources = sources_of(name)
    acts_on: ClassVar[tuple[str, ...]] = ("squeal",)
    stage = 20
    on_friction = True
    options_model = FrictionOptions
    kind: Literal["lubrication", "friction_modifier"] = "lubrication"
    managed = "gauge_lubrication"

    def apply(self, project: Project, options: Options, known: Known) -> Project:
        options = cast(FrictionOptions, options)
        return with_works(project, [work_at(options, project, known, self.kind, until=options.until)])

    def without_effect(self, project: Project, options: Options, known: Known) -> str:
        if SQUEAL not in known.running:
            return (
                "the method's rule for squeal knows no friction management; squeal by counted passes (squeal_passes) "
                "would, with the share of passes that squeal with it"
            )
        given = project.calculation.options.get(SQUEAL, {})
        knows = any(row.get("friction", "any") in (self.managed, "both") for row in given.get("shares", ()))
        if knows or self.managed in given.get("level_reduction_db", {}):
            return ""
        return f"the shares of squeal_passes say nothing about {self.managed}"

    def warnings(self, project: Project, options: Options, known: Known) -> Sequence[str]:
        return ("It reduces flange noise, but does not fully prevent squeal.",)


class ModifierOptions(FrictionOptions):
    """Options of a top-of-rail friction modifier."""

    published_effect: bool = Field(
        default=True,
        description="Where squeal_passes has neither shares nor a reduction with friction modifier: lower the level of "
        "passes that squeal by the published range, 6.3, 12, 22.8 dB(A). Default true",
    )


class FrictionModifier(Lubrication):
    """German method: the law's credit. Squeal by passes: shares of the project, else the published range."""

    name = "friction_modifier"
    title = "Friction modifier on the rail head in curves"
    sources = sources_of(name)
    acts_on = ("squeal", "trains")
    options_model = ModifierOptions
    kind = "friction_modifier"
    managed = "friction_modifier"

    def apply(self, project: Project, options: Options, known: Known) -> Project:
        options = cast(ModifierOptions, options)
        project = with_de_stretch(project, options, known, squeal_prevented=True)
        project = super().apply(project, options, known)
        squeals = SQUEAL in known.running and bool(project.calculation.options.get(SQUEAL, {}).get("shares"))
        if not (options.published_effect and squeals and self._nothing_said(project)):
            return project
        (effect,) = (e for e in facts_of(self.name).effects if e.typical_db is not None and e.low_db != e.high_db)
        assert effect.citation is not None
        reduction = {
            "low": effect.low_db,
            "likely": effect.typical_db,
            "high": effect.high_db,
            "source": f"{effect.citation.title}, {effect.citation.issuer} {effect.citation.year}",
        }
        given = project.calculation.options[SQUEAL].get("level_reduction_db", {})
        return with_options(
            project, SQUEAL, {"level_reduction_db": {**given, "friction_modifier": reduction, "both": reduction}}
        )

    def _nothing_said(self, project: Project) -> bool:
        given = project.calculation.options.get(SQUEAL, {})
        rows = [row.get("friction", "any") for row in given.get("shares", ())]
        return not {"friction_modifier", "both"} & {*rows, *given.get("level_reduction_db", {})}

    def without_effect(self, project: Project, options: Options, known: Known) -> str:
        if only_de(known):
            return ""
        if SQUEAL in known.running and cast(ModifierOptions, options).published_effect:
            return ""
        return super().without_effect(project, options, known)

    def warnings(self, project: Project, options: Options, known: Known) -> Sequence[str]:
        return (
            "Published sizes are means over sites with working applicators; a German project takes the credit of "
            "3 dB only where squeal is prevented for good.",
        )


class JointRemoval(OnTrack):
    """Joints welded: no impact noise of joints any more."""

    name = "joint_removal"
    title = "Removal of rail joints"
    sources = sources_of(name)
    acts_on = ("impact",)
    stage = 20

    def apply(self, project: Project, options: Options, known: Known) -> Project:
        options = cast(PlaceOptions, options)
        return with_works(project, [work_at(options, project, known, "joint_removal")])

    def without_effect(self, project: Project, options: Options, known: Known) -> str:
        return "the regulation has no value for rail joints" if only_de(known) else ""

    def fits(self, project: Project, known: Known) -> bool:
        return not only_de(known) and anywhere(project, known, "joints_per_100_m", (0.0, None))

    def amounts(self, project: Project, options: Options, known: Known) -> Mapping[Unit, float]:
        """Pieces are joints."""
        options = cast(PlaceOptions, options)
        here = pieces(project, options, known, ("joints_per_100_m",))
        joints = sum(0.01 * (to_m - from_m) * values["joints_per_100_m"] for from_m, to_m, values in here)
        return {**super().amounts(project, options, known), "piece": joints}


class TurnoutOptions(PlaceOptions):
    """Options of new turnouts; the impact of the new turnout is the user's value."""

    impact_reduction_db: float | None = Field(
        default=None, gt=0, le=40, description="Lower impact roughness of the new turnouts [dB], above 0 to 40"
    )
    impact_roughness: str | None = Field(
        default=None, description="Instead: id of a spectrum of kind impact_roughness for the new turnouts"
    )
    rail_roughness: str | None = Field(
        default=None, description="Class of the rail roughness between from_m and to_m afterwards. Default null"
    )
    source: str = Field(
        min_length=3, max_length=300, description="Who measured or warrants the value of the new turnout; printed"
    )

    @model_validator(mode="after")
    def _one(self) -> TurnoutOptions:
        if (self.impact_reduction_db is None) == (self.impact_roughness is None):
            raise ValueError("needs either impact_reduction_db or impact_roughness")
        return self


class TurnoutRenewal(OnTrack):
    """New turnouts with less impact, by the value that the user has for them."""

    name = "turnout_renewal"
    title = "Renewal of turnouts"
    sources = sources_of(name)
    acts_on = ("impact", "rolling")
    stage = 20
    options_model = TurnoutOptions

    def apply(self, project: Project, options: Options, known: Known) -> Project:
        options = cast(TurnoutOptions, options)
        works: list[dict[str, Any]] = []
        spectra: list[SpectrumInput] = []
        for from_m, to_m, here in pieces(project, options, known, ("impact_roughness",)):
            name = options.impact_roughness
            if name is None:
                base = self._impact(project, known, here["impact_roughness"])
                if base is None:
                    continue
                assert options.impact_reduction_db is not None
                lower = np.full(base.axis.shape, options.impact_reduction_db)
                made = lowered(
                    base, lower, f"{self.name} {base.id}", f"{base.source or base.id}, less {options.source}"
                )
                spectra.append(made)
                name = made.id
            changes: dict[str, Any] = {"impact_roughness": {"spectrum": name}}
            if options.rail_roughness is not None:
                changes["rail_roughness"] = options.rail_roughness
            given = work_at(options, project, known, "turnout_renewal", changes=changes)
            works.append({**given, "from_m": from_m, "to_m": to_m})
        return with_works(with_spectra(project, spectra), works)

    def _impact(self, project: Project, known: Known, value: str | SpectrumRef | None) -> Spectrum | None:
        if isinstance(value, SpectrumRef):
            return spectrum_of(project, known, value.spectrum)
        return known.tabulated("impact_roughness", value or "")

    def lacks(self, project: Project, options: Options, known: Known) -> Sequence[Lack]:
        found = list(super().lacks(project, options, known))
        options = cast(TurnoutOptions, options)
        if options.impact_roughness is not None and options.impact_roughness not in {s.id for s in project.spectra}:
            found.append(Lack("impact_roughness", "there is no spectrum with this id"))
        return found

    def without_effect(self, project: Project, options: Options, known: Known) -> str:
        return "the regulation has no value for turnouts" if only_de(known) else ""

    def fits(self, project: Project, known: Known) -> bool:
        return not only_de(known) and any(track.turnouts for track in project.tracks)

    def amounts(self, project: Project, options: Options, known: Known) -> Mapping[Unit, float]:
        """Pieces are turnouts."""
        options = cast(PlaceOptions, options)
        from_m, to_m = place(options, known)
        n = sum(from_m <= t.chainage_m <= to_m for t in track_of(project, options.track).turnouts)
        return {**super().amounts(project, options, known), "piece": float(n)}


def measures() -> tuple[Measure, ...]:
    return (Lubrication(), FrictionModifier(), JointRemoval(), TurnoutRenewal())
