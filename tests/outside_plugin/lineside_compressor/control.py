"""Compressors that start less often while vehicles stand."""

from __future__ import annotations

from collections.abc import Sequence
from typing import cast

from pydantic import Field

from lineside.contracts import Options
from lineside.measures import Facts, Known, Lack, Measure, MeasureOptions
from lineside.project.model import Project

CALCULATOR = "compressor"
#: Share of time standing where the project says nothing: the calculator's default.
DEFAULT_SHARE = 0.5


class ControlOptions(MeasureOptions):
    """Options of the control."""

    standing_share: float = Field(
        ge=0, le=1, description="Share of the time that a compressor runs while the train stands, with the control"
    )
    source: str = Field(min_length=3, max_length=300, description="Who says so; printed")


class CompressorControl(Measure):
    """Changes one option of the calculator, in the project's own words."""

    name = "compressor_control"
    title = "Compressors that start less often at stands"
    version = "0.4"
    side = "source"
    acts_on = (CALCULATOR,)
    options_model = ControlOptions

    def facts(self) -> Facts:
        return Facts(
            cannot=("It changes nothing while trains move.",),
            side_conditions=("Brakes and doors need their pressure at every start.",),
            approval=("The railway undertaking, for each type of vehicle.",),
            prompts=("share of the time that a compressor runs at stands with the control, with source",),
        )

    def apply(self, project: Project, options: Options, known: Known) -> Project:
        share = cast(ControlOptions, options).standing_share
        given = project.calculation.options
        if CALCULATOR not in given:
            return project
        changed = {**given, CALCULATOR: {**given[CALCULATOR], "standing_share": share}}
        return project.model_copy(update={"calculation": project.calculation.model_copy(update={"options": changed})})

    def lacks(self, project: Project, options: Options, known: Known) -> Sequence[Lack]:
        now = project.calculation.options.get(CALCULATOR, {}).get("standing_share", DEFAULT_SHARE)
        if cast(ControlOptions, options).standing_share > now:
            return (Lack("standing_share", "is more than without the measure", f"up to {now:g}"),)
        return ()

    def without_effect(self, project: Project, options: Options, known: Known) -> str:
        return "" if CALCULATOR in known.running else "no compressors are computed (calculation.with: [compressor])"
