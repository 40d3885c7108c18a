"""The tables of Appendix G, and how a project's words lead to them.

An attribute of a track or vehicle is either the name of a tabulated class (a column of our tables without its
unit) or a spectrum from the project file. Nothing lies between two classes: the law gives no interpolation.

References
----------
.. [1] Directive 2002/49/EC, Annex II, Appendix G, as set by Directive (EU) 2015/996 and amended by
   Delegated Directive (EU) 2021/1226, Tables G-1 to G-7.
"""

from __future__ import annotations

from collections.abc import Mapping
from difflib import get_close_matches
from typing import NamedTuple, cast

import numpy as np

from lineside.acoustics.bands import N_THIRDS, THIRD_OCTAVES_HZ, Array
from lineside.contracts import Citation, DataFile, Term
from lineside.errors import OutOfRangeError
from lineside.scene.model import ClassOrSpectrum, Spectrum, TrackForm
from lineside.tables import Table, load_table

PACKAGE = "lineside_plugins.eu_railway"

#: attribute of a project -> (our table, kind of spectrum that may stand instead)
ATTRIBUTES: Mapping[str, tuple[str, str]] = {
    "rail_roughness": ("rail_roughness", "rail_roughness"),
    "wheel_roughness": ("wheel_roughness", "wheel_roughness"),
    "contact_filter": ("contact_filter", "contact_filter"),
    "impact_roughness": ("impact_roughness", "impact_roughness"),
    "track_transfer": ("track_transfer", "track_transfer"),
    "vehicle_transfer": ("vehicle_transfer", "vehicle_transfer"),
    "superstructure_transfer": ("superstructure_transfer", "superstructure_transfer"),
    "bridge": ("bridge_transfer", "bridge_transfer"),
    "traction": ("traction_power", "traction"),
    "aerodynamic": ("aerodynamic_power", "aerodynamic"),
}

#: Class used where the project names none.
DEFAULT_IMPACT = "single_joint"
DEFAULT_SUPERSTRUCTURE = "eu_default"
DEFAULT_AERODYNAMIC = "eu_default"

_SLEEPERS = (
    Term("monoblock", "Mono-block concrete sleepers; needs a rail pad", needs=("rail_pad",)),
    Term("biblock", "Bi-block concrete sleepers; needs a rail pad", needs=("rail_pad",)),
    Term("wooden", "Wooden sleepers; the table has no rail pads for them"),
    Term("direct_fastening_on_bridge", "Rails fastened directly to a bridge; the table has no rail pads for them"),
)
_RAIL_PADS = (
    Term("soft", "Rail pad stiffness 150 to 250 MN/m"),
    Term("medium", "Rail pad stiffness 250 to 800 MN/m"),
    Term("hard", "Rail pad stiffness 800 to 1000 MN/m"),
)
_SLEEPERS_WITH_PAD = ("monoblock", "biblock")

SOURCES = (
    Citation(
        "EU-2015-996",
        "Directive 2002/49/EC, Annex II, as set by Directive (EU) 2015/996",
        "European Commission",
        2015,
        "section 2.3 and Appendix G",
    ),
    Citation(
        "EU-2021-1226",
        "Commission Delegated Directive (EU) 2021/1226 amending Annex II to Directive 2002/49/EC",
        "European Commission",
        2021,
        "section 2.3 and Appendix G",
    ),
)
#: Attributes and tables behind the power of the wheel-rail contact.
CONTACT_ATTRIBUTES = (
    "rail_roughness",
    "sleeper",
    "rail_pad",
    "wheel_roughness",
    "contact_filter",
    "vehicle_transfer",
    "superstructure_transfer",
)
CONTACT_TABLES = (
    "rail_roughness",
    "wheel_roughness",
    "contact_filter",
    "track_transfer",
    "vehicle_transfer",
    "superstructure_transfer",
)
EMISSION_CASES = Citation(
    "EU-EMISSION-CASES",
    "Railway emission test workbook CNOSSOS_RAIL_EMISSION_TEST with the catalogues of vehicles and tracks",
    "European Commission, Joint Research Centre",
    2014,
    "70 of the published cases, reproduced by the tests of this program",
)


class WavelengthSpectrum(NamedTuple):
    """Levels against nominal wavelength, rising. [mm], [dB]"""

    wavelength_mm: Array
    level_db: Array


class AerodynamicData(NamedTuple):
    """Aerodynamic power of one height: level at ``v0_km_h`` and coefficient alpha, (24,) each."""

    level_db: Array
    alpha: Array
    v0_km_h: float


def table(name: str) -> Table:
    return load_table(PACKAGE, name)


def data_files(*names: str) -> tuple[DataFile, ...]:
    return tuple(table(name).data_file for name in names)


def terms(attribute: str) -> tuple[Term, ...]:
    """Names that a project may use for an attribute, with their meaning.

    >>> [term.name for term in terms("wheel_roughness")]
    ['cast_iron_block', 'composite_block', 'disc']
    """
    if attribute == "sleeper":
        return _SLEEPERS
    if attribute == "rail_pad":
        return _RAIL_PADS
    if attribute == "aerodynamic":
        return (Term(DEFAULT_AERODYNAMIC, "Default of the law for trains above 200 km/h, Table G-6"),)
    suffix = "_a_db" if attribute == "traction" else "_db"
    columns = cast(Mapping[str, Mapping[str, str]], table(ATTRIBUTES[attribute][0]).meta["columns"])
    found = [(c.removesuffix(suffix), about["meaning"]) for c, about in columns.items() if c.endswith(suffix)]
    if attribute == "traction":
        found = [(name, meaning.split(", source")[0]) for name, meaning in found]
    return tuple(Term(name, meaning) for name, meaning in found)


def vocabulary(*attributes: str) -> dict[str, tuple[Term, ...]]:
    return {attribute: terms(attribute) for attribute in attributes}


def _check_name(attribute: str, name: str) -> None:
    names = [term.name for term in terms(attribute)]
    if name not in names:
        near = get_close_matches(name, names, 1)
        hint = f" Did you mean {near[0]}?" if near else ""
        raise OutOfRangeError(
            f"{attribute}: the EU method has no class {name!r}.{hint} "
            f"Write one of {', '.join(names)}, or {{spectrum: id}} for a spectrum of your own."
        )


def _check_kind(attribute: str, spectrum: Spectrum) -> None:
    kind = ATTRIBUTES[attribute][1]
    if spectrum.kind != kind:
        raise OutOfRangeError(f"{attribute}: spectrum {spectrum.id!r} is of kind {spectrum.kind}; it must be {kind}.")


def _only_column(spectrum: Spectrum) -> Array:
    if len(spectrum.columns) != 1:
        raise OutOfRangeError(
            f"Spectrum {spectrum.id!r} must have one column of levels, it has {len(spectrum.columns)}."
        )
    return next(iter(spectrum.columns.values()))


def _in_bands(spectrum: Spectrum, level_db: Array) -> Array:
    order = np.argsort(spectrum.axis)
    if spectrum.axis.shape != (N_THIRDS,) or not np.allclose(spectrum.axis[order], THIRD_OCTAVES_HZ):
        raise OutOfRangeError(
            f"Spectrum {spectrum.id!r} must be given in the 24 third octaves 50 Hz to 10 kHz, it has "
            f"{spectrum.axis.size} values from {spectrum.axis.min():g} to {spectrum.axis.max():g}."
        )
    return level_db[order]


def wavelength_spectrum(attribute: str, value: ClassOrSpectrum) -> WavelengthSpectrum:
    """Roughness [dB re 1 um] or contact filter [dB] against wavelength."""
    if isinstance(value, Spectrum):
        _check_kind(attribute, value)
        axis, level_db = value.axis, _only_column(value)
    else:
        _check_name(attribute, value)
        source = table(ATTRIBUTES[attribute][0])
        axis, level_db = source["wavelength_mm"], source[f"{value}_db"]
    order = np.argsort(axis)
    return WavelengthSpectrum(axis[order], level_db[order])


def band_spectrum(attribute: str, value: ClassOrSpectrum) -> Array:
    """Transfer function per axle and unit roughness, (24,). [dB re 1 pW]"""
    if isinstance(value, Spectrum):
        _check_kind(attribute, value)
        return _in_bands(value, _only_column(value))
    _check_name(attribute, value)
    return table(ATTRIBUTES[attribute][0])[f"{value}_db"]


def tabulated(attribute: str, name: str) -> Spectrum | None:
    """A class as a spectrum of the project's kinds; None for an unknown name.

    A track is named by its sleeper, or ``sleeper + rail pad``; the impact without a name is the default one.
    """
    if attribute not in ATTRIBUTES or attribute in ("traction", "aerodynamic"):
        return None
    file, kind = ATTRIBUTES[attribute]
    column = name or (DEFAULT_IMPACT if attribute == "impact_roughness" else "")
    if attribute == "track_transfer":
        sleeper, _, pad = name.partition(" + ")
        column = f"{sleeper}_{pad}" if sleeper in _SLEEPERS_WITH_PAD else sleeper
    source = table(file)
    if f"{column}_db" not in source.columns:
        return None
    axis = "frequency_hz" if "frequency_hz" in source.columns else "wavelength_mm"
    order = np.argsort(source[axis])
    levels = {"level_db": source[f"{column}_db"][order]}
    return Spectrum(id=column, kind=kind, axis=source[axis][order], columns=levels, source=SOURCES[0].title)


def track_transfer_class(form: TrackForm) -> str:
    """Column of the table for sleeper and rail pad of a track form.

    Raises
    ------
    OutOfRangeError
        If the form names no sleeper, an unknown one, or lacks the rail pad that its sleeper needs.
    """
    if form.sleeper is None:
        raise OutOfRangeError(
            f"A track of form {form.form} has neither a sleeper nor a track transfer function. Write sleeper: "
            "(monoblock, biblock, wooden or direct_fastening_on_bridge) and rail_pad: (soft, medium or hard) for the "
            "class that comes nearest, or track_transfer: {spectrum: id} with measured values."
        )
    _check_name("sleeper", form.sleeper)
    if form.sleeper not in _SLEEPERS_WITH_PAD:
        return form.sleeper
    if form.rail_pad is None:
        raise OutOfRangeError(
            f"sleeper: {form.sleeper} needs a rail pad. Write rail_pad: soft (150 to 250 MN/m), medium (250 to 800 "
            "MN/m) or hard (800 to 1000 MN/m)."
        )
    _check_name("rail_pad", form.rail_pad)
    return f"{form.sleeper}_{form.rail_pad}"


def pad_is_ignored(form: TrackForm) -> bool:
    return form.track_transfer is None and form.rail_pad is not None and form.sleeper not in _SLEEPERS_WITH_PAD


def track_transfer(form: TrackForm) -> Array:
    """Transfer function of a track form, L_H,TR, (24,). [dB re 1 pW per axle and unit roughness]"""
    if form.track_transfer is not None:
        return band_spectrum("track_transfer", form.track_transfer)
    return table("track_transfer")[f"{track_transfer_class(form)}_db"]


def traction_power(value: ClassOrSpectrum, height: str, standing: bool) -> Array:
    """Traction power of one vehicle, (24,). [dB re 1 pW]

    The law equates constant speed and idling (Table G-5); a spectrum of the project may tell them apart by
    its columns ``idling_a_db`` and ``idling_b_db``. ``height`` is "a" or "b".
    """
    if not isinstance(value, Spectrum):
        _check_name("traction", value)
        return table("traction_power")[f"{value}_{height}_db"]
    _check_kind("traction", value)
    column = f"idling_{height}_db"
    if not standing or column not in value.columns:
        column = f"source_{height}_db"
    return _in_bands(value, _column(value, column))


def aerodynamic_data(value: ClassOrSpectrum, height: str) -> AerodynamicData:
    """Aerodynamic power of one vehicle at height "a" or "b" (Table G-6; reference speed 300 km/h)."""
    if not isinstance(value, Spectrum):
        _check_name("aerodynamic", value)
        source = table("aerodynamic_power")
        return AerodynamicData(source[f"source_{height}_db"], source[f"alpha_{height}"], 300.0)
    _check_kind("aerodynamic", value)
    missing = [key for key in ("reference_speed_km_h", f"alpha_{height}") if key not in value.parameters]
    if missing:
        raise OutOfRangeError(f"Aerodynamic spectrum {value.id!r} lacks its parameters {', '.join(missing)}.")
    return AerodynamicData(
        _in_bands(value, _column(value, f"source_{height}_db")),
        np.full(N_THIRDS, value.parameters[f"alpha_{height}"]),
        value.parameters["reference_speed_km_h"],
    )


def _column(spectrum: Spectrum, name: str) -> Array:
    try:
        return spectrum.columns[name]
    except KeyError:
        raise OutOfRangeError(
            f"Spectrum {spectrum.id!r} lacks the column {name}; it has {', '.join(spectrum.columns)}."
        ) from None
