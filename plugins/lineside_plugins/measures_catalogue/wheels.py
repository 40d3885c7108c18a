"""Measures at vehicles: their wheels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, cast

from pydantic import Field, model_validator

from lineside.contracts import Options
from lineside.measures import Known, Lack, Measure, MeasureOptions, Unit
from lineside.project.model import Project, SpectrumRef
from lineside.scene.model import Spectrum
from lineside_plugins.measures_catalogue.common import (
    DE,
    Catalogued,
    Ids,
    Octave,
    Reduction,
    lowered,
    octave_reduction,
    only_de,
    spectrum_of,
    unknown,
    with_options,
    with_spectra,
)
from lineside_plugins.measures_catalogue.facts import sources_of


class VehicleOptions(MeasureOptions):
    """Options of a measure at vehicles."""

    vehicles: Ids = Field(description="Ids of the vehicles that are treated")
    n_vehicles: int | None = Field(
        default=None, ge=1, le=100_000, description="How many there are in the fleet, for the cost. Default null"
    )


class AtVehicles(Catalogued):
    """A measure at vehicles, wherever they run."""

    side = "source"
    options_model = VehicleOptions

    def lacks(self, project: Project, options: Options, known: Known) -> Sequence[Lack]:
        vehicles = cast(VehicleOptions, options).vehicles
        return unknown("vehicles", vehicles, [v.id for v in project.vehicles], "vehicle")

    def amounts(self, project: Project, options: Options, known: Known) -> Mapping[Unit, float]:
        n = cast(VehicleOptions, options).n_vehicles
        return {"whole": 1.0, **({"vehicle": float(n)} if n is not None else {})}


class WheelOptions(VehicleOptions):
    """Options of smoother wheels."""

    wheel_roughness: str | None = Field(
        default=None, description="Class of the roughness of the wheels afterwards, e.g. `composite_block`, `disc`"
    )
    spectrum: str | None = Field(
        default=None, description="Instead: id of a spectrum of kind wheel_roughness, measured after truing"
    )
    de_brake: str | None = Field(
        default=None,
        description="German method: brakes afterwards as the data sheet of the category names them. Default null",
    )

    @model_validator(mode="after")
    def _one(self) -> WheelOptions:
        n = sum(value is not None for value in (self.wheel_roughness, self.spectrum))
        if n > 1 or (n == 0 and self.de_brake is None):
            raise ValueError("needs either wheel_roughness or spectrum (with the German method de_brake is enough)")
        return self


class SmootherWheels(AtVehicles):
    """Truing, or brakes that leave wheels smooth: through the roughness of the wheels."""

    name = "smoother_wheels"
    title = "Smoother wheels: truing, or other brakes"
    sources = sources_of(name)
    acts_on = ("rolling", "bridge", "trains")
    options_model = WheelOptions

    def apply(self, project: Project, options: Options, known: Known) -> Project:
        options = cast(WheelOptions, options)
        new: Any = SpectrumRef(spectrum=options.spectrum) if options.spectrum is not None else options.wheel_roughness
        if new is not None:
            vehicles = tuple(
                v.model_copy(update={"wheel_roughness": new}) if v.id in options.vehicles else v
                for v in project.vehicles
            )
            project = project.model_copy(update={"vehicles": vehicles})
        return de_vehicles(project, known, options.vehicles, brake=options.de_brake)

    def lacks(self, project: Project, options: Options, known: Known) -> Sequence[Lack]:
        found = list(super().lacks(project, options, known))
        options = cast(WheelOptions, options)
        if options.spectrum is not None and options.spectrum not in {s.id for s in project.spectra}:
            found.append(Lack("spectrum", "there is no spectrum with this id"))
        wanted = options.wheel_roughness
        if wanted is not None and not only_de(known) and known.tabulated("wheel_roughness", wanted) is None:
            found.append(Lack("wheel_roughness", "no calculator in use knows this class of wheel roughness"))
        return found

    def warnings(self, project: Project, options: Options, known: Known) -> Sequence[str]:
        states = project.conditions.wheels if project.conditions is not None else ()
        kept = sorted({v for s in states for v in s.vehicles} & set(cast(WheelOptions, options).vehicles))
        if not kept:
            return ()
        return (f"States of the wheels in conditions keep their own roughness, also for {', '.join(kept)}.",)

    def without_effect(self, project: Project, options: Options, known: Known) -> str:
        if only_de(known) and cast(WheelOptions, options).de_brake is None:
            return "the regulation knows brakes, not roughness: give de_brake"
        return ""


def de_vehicles(project: Project, known: Known, vehicles: Sequence[str], **changed: Any) -> Project:
    """The project with other entries of vehicles in the German regulation's options."""
    changed = {key: value for key, value in changed.items() if value is not None}
    given = project.calculation.options.get(DE, {}).get("vehicles", {})
    if DE not in known.running or not changed or not set(vehicles) & set(given):
        return project
    entries = {v: {**entry, **changed} if v in vehicles else entry for v, entry in given.items()}
    return with_options(project, DE, {"vehicles": entries})


class WheelDamperOptions(VehicleOptions):
    """Options of dampers on wheels; there is no general value."""

    reduction_db: dict[Octave, Reduction] = Field(
        default={}, description="Reduction of the sound of the wheels by octave [dB], -10 to 30: the user's value"
    )
    source: str = Field(
        default="", max_length=300, description="Where the reduction comes from; needed beside reduction_db"
    )
    de_absorbers: bool = Field(
        default=False,
        description="German method: the trains have the wheel absorbers whose lack the data sheet adds. Default false",
    )

    @model_validator(mode="after")
    def _sourced(self) -> WheelDamperOptions:
        if bool(self.reduction_db) != bool(self.source.strip()):
            raise ValueError("needs reduction_db and source together")
        return self


class WheelDampers(AtVehicles):
    """Dampers on the wheels, through their transfer function."""

    name = "wheel_dampers"
    title = "Dampers on wheels"
    sources = sources_of(name)
    acts_on = ("rolling", "impact", "trains")
    options_model = WheelDamperOptions

    def apply(self, project: Project, options: Options, known: Known) -> Project:
        options = cast(WheelDamperOptions, options)
        lower = octave_reduction(options.reduction_db)
        spectra, vehicles = [], []
        for vehicle in project.vehicles:
            base = self._transfer(project, known, vehicle.vehicle_transfer)
            if vehicle.id not in options.vehicles or base is None or not lower.any():
                vehicles.append(vehicle)
                continue
            made = lowered(base, lower, f"{self.name} {base.id}", f"{base.source or base.id}, less {options.source}")
            spectra.append(made)
            vehicles.append(vehicle.model_copy(update={"vehicle_transfer": SpectrumRef(spectrum=made.id)}))
        if spectra:
            project = with_spectra(project, spectra).model_copy(update={"vehicles": tuple(vehicles)})
        return de_vehicles(project, known, options.vehicles, addition="" if options.de_absorbers else None)

    def _transfer(self, project: Project, known: Known, value: str | SpectrumRef) -> Spectrum | None:
        if isinstance(value, SpectrumRef):
            return spectrum_of(project, known, value.spectrum)
        return known.tabulated("vehicle_transfer", value)

    def without_effect(self, project: Project, options: Options, known: Known) -> str:
        options = cast(WheelDamperOptions, options)
        if only_de(known):
            return "" if options.de_absorbers else "the regulation knows absorbers of named trains only: de_absorbers"
        return "" if options.reduction_db else "no reduction is given; there is no general value"


def measures() -> tuple[Measure, ...]:
    return (SmootherWheels(), WheelDampers())
