"""Options that several calculators of the EU method share; equal names mean the same everywhere."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from lineside.contracts import Options, SourceClass
from lineside_plugins.eu_railway.law_directivity import source_class

Edition = Literal["amended_2021", "original_2015"]
VerticalForm = Literal["amended_2021", "original_2015", "none"]


class EuOptions(Options):
    """Options of every source calculator of the EU method.

    ``edition`` chooses the rules, never the tables: these are always the current ones. Set it alike for all
    calculators of a run.
    """

    edition: Edition = Field(
        "amended_2021",
        description="Text of the law whose rules apply: amended_2021 (in force) or original_2015 (superseded). 2015 "
        "changes the vertical directivity, the radius rules of curve squeal, and bridges (a constant instead of a "
        "source).",
    )
    horizontal_directivity: bool = Field(True, description="Apply the horizontal dipole of equation (2.3.15).")
    vertical_directivity: VerticalForm | None = Field(
        None,
        description="Form of the vertical directivity at 0.5 m, equation (2.3.16): amended_2021, original_2015 "
        "(absolute value, both signs of the angle) or none. Not given: the form of the edition.",
    )

    @property
    def vertical_form(self) -> VerticalForm:
        return self.vertical_directivity or self.edition

    def class_a(self) -> SourceClass:
        """Line source at 0.5 m with the directivity of these options."""
        return source_class("a", self.horizontal_directivity, self.vertical_form)

    def class_b(self, aerodynamic: bool = False) -> SourceClass:
        """Line source at 4.0 m: no vertical directivity but for aerodynamic noise."""
        vertical = "aerodynamic" if aerodynamic and self.vertical_form != "none" else "none"
        return source_class("b", self.horizontal_directivity, vertical)


class RoughnessOptions(EuOptions):
    """Options of the calculators that start from roughness."""

    speed_floor: bool = Field(
        True,
        description="Take roughness at 50 km/h (trains) or 30 km/h (metro, trams) where the vehicle runs slower, as "
        "the law says. The published emission cases do not.",
    )
    wavelength_mapping: Literal["level", "energy_mean"] = Field(
        "level",
        description="How roughness over wavelength becomes roughness over frequency. level: interpolate the level of "
        "each spectrum, as the published emission cases do. energy_mean: mean of the energies of the total effective "
        "roughness, as the words of the law say.",
    )


class ContactOptions(RoughnessOptions):
    """Options of the calculators that radiate through track, wheel and superstructure."""

    superstructure_for: Literal["freight", "all"] = Field(
        "freight",
        description="Vehicles with a superstructure contribution, equation (2.3.10): freight only, as the law says, "
        "or all.",
    )


class JointOptions(RoughnessOptions):
    """Options about rail joints."""

    impact_at_any_speed: bool = Field(
        False,
        description="Count impact noise below 50 km/h (trains) or 30 km/h (metro, trams) too. The law leaves it out "
        "there; the published emission cases do not.",
    )


BRIDGE_CONSTANT = Field(
    None,
    ge=0.0,
    le=30.0,
    description="Superseded form of 2015: constant in dB on rolling and impact noise in sections on a bridge, with its "
    "directivity, instead of a separate source. Give it alike to eu_bridge and eu_squeal.",
)
