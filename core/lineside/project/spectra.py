"""Spectra of a project: read, and held to the axis that their kind needs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

import numpy as np

from lineside.acoustics.bands import THIRD_OCTAVES_HZ, Array
from lineside.errors import Problem
from lineside.project.model import SpectrumInput
from lineside.project.problems import Loc
from lineside.project.resolve import Resolved, Resolver
from lineside.project.wording import did_you_mean, names, number
from lineside.scene.model import Spectrum

#: Kinds over wavelength; all others are over frequency.
WAVELENGTH_KINDS = frozenset({"rail_roughness", "wheel_roughness", "contact_filter", "impact_roughness"})
_REQUIRED = {"traction": ("source_a_db", "source_b_db"), "aerodynamic": ("source_a_db", "source_b_db")}
_OPTIONAL = {"traction": ("idling_a_db", "idling_b_db")}
_PARAMETERS = ("reference_speed_km_h", "alpha_a", "alpha_b")
_MIN_WAVELENGTHS = 5
#: The largest wavelength of a roughness spectrum is above this in mm, and mostly below it in metres.
_LIKE_METRES = 2.5
#: Beyond these levels a roughness is hardly possible. [dB re 1 um]
_ROUGHNESS_DB = (-40.0, 50.0)
#: Nominal third-octave wavelengths 0.5 mm to 10 m.
_NOMINAL_MM = tuple(
    round(v * 10.0**n, 6) for n in range(-1, 4) for v in (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
)


def resolve_spectra(resolver: Resolver, result: Resolved) -> None:
    """Read every spectrum of the draft into ``result``."""
    for i, given in resolver.draft.readable("spectra").items():
        path: Loc = ("spectra", i)
        parameters = _parameters(path, given, resolver)
        read = _from_file(path, given, resolver) if given.file is not None else _inline(path, given, resolver)
        if read is None or parameters is None:
            continue
        axis, columns, lines = read
        _check_levels(path, given, columns, lines, resolver)
        if _axis_fits(path, given, axis, lines, resolver):
            result.spectra[i] = Spectrum(given.id, given.kind, axis, columns, parameters, given.source)


def _inline(
    path: Loc, given: SpectrumInput, resolver: Resolver
) -> tuple[Array, Mapping[str, Array], Sequence[int]] | None:
    report = resolver.reporter
    required = _REQUIRED.get(given.kind, ())
    wanted, other = ("columns", "levels_db") if required else ("levels_db", "columns")
    ok = True
    if getattr(given, other) is not None:
        report.add((*path, other), f"does not belong to a spectrum of kind {given.kind}", hint=f"use {wanted}")
        ok = False
    for key in ("axis", wanted):
        if getattr(given, key) is None:
            report.add((*path, key), f"{key} is missing (or file)", found="", of_key=True)
            ok = False
    if not ok or given.axis is None:
        return None
    columns = {"level_db": given.levels_db} if given.levels_db is not None else dict(given.columns or {})
    ok = _columns_fit((*path, "columns"), given, list(columns), resolver)
    for name, values in columns.items():
        if values is not None and len(values) != len(given.axis):
            where = (*path, wanted) if wanted == "levels_db" else (*path, wanted, name)
            report.add(where, f"has {len(values)} values, the axis has {len(given.axis)}")
            ok = False
    if not ok:
        return None
    arrays = {name: np.array(values, dtype=np.float64) for name, values in columns.items()}
    return np.array(given.axis, dtype=np.float64), arrays, ()


def _columns_fit(path: Loc, given: SpectrumInput, found: Sequence[str], resolver: Resolver) -> bool:
    required = _REQUIRED.get(given.kind)
    if required is None:
        return True
    known = (*required, *_OPTIONAL.get(given.kind, ()))
    ok = True
    for name in found:
        if name not in known:
            resolver.reporter.add(
                (*path, name),
                f"unknown column {name}",
                allowed=names(known),
                hint=did_you_mean(name, known),
                of_key=True,
            )
            ok = False
    idling = _OPTIONAL.get(given.kind, ()) if any(name.startswith("idling") for name in found) else ()
    for name in (*required, *idling):
        if name not in found:
            resolver.reporter.add(
                (*path, name), f"column {name} is missing", allowed=names(known), found="", of_key=True
            )
            ok = False
    return ok


def _from_file(
    path: Loc, given: SpectrumInput, resolver: Resolver
) -> tuple[Array, Mapping[str, Array], Sequence[int]] | None:
    for key in ("axis", "levels_db", "columns"):
        if getattr(given, key) is not None:
            resolver.reporter.add(
                (*path, key), "stands beside file", hint="give the values here or in the file, not both"
            )
            return None
    assert given.file is not None
    axis_name = "wavelength_mm" if given.kind in WAVELENGTH_KINDS else "frequency_hz"
    required = _REQUIRED.get(given.kind, ("level_db",))
    columns = resolver.columns((*path, "file"), given.file, (axis_name, *required), _OPTIONAL.get(given.kind, ()))
    if columns is None:
        return None
    present = [*required, *(name for name in _OPTIONAL.get(given.kind, ()) if name in columns)]
    if not _columns_fit((*path, "file"), given, present, resolver):
        return None
    axis = resolver.numbers(columns, axis_name, 1e-6, 100_000)
    levels = {name: resolver.numbers(columns, name, -200, 200) for name in present}
    arrays = {name: values for name, values in levels.items() if values is not None}
    return (axis, arrays, columns.lines) if axis is not None and len(arrays) == len(levels) else None


def _parameters(path: Loc, given: SpectrumInput, resolver: Resolver) -> Mapping[str, float] | None:
    known = _PARAMETERS if given.kind == "aerodynamic" else ()
    ok = True
    for name in given.parameters:
        if name not in known:
            resolver.reporter.add(
                (*path, "parameters", name),
                f"parameter {name} does not belong to kind {given.kind}",
                of_key=True,
                allowed=names(known),
                hint=did_you_mean(name, known),
            )
            ok = False
    for name in known:
        if name not in given.parameters:
            resolver.reporter.add(
                (*path, "parameters", name), f"parameter {name} is missing", found="", of_key=True, allowed=names(known)
            )
            ok = False
    if ok and known and not 1 <= given.parameters["reference_speed_km_h"] <= 500:
        resolver.reporter.add(
            (*path, "parameters", "reference_speed_km_h"), "is out of range", allowed="a number in km/h, 1 to 500"
        )
        ok = False
    return dict(given.parameters) if ok else None


def _check_levels(
    path: Loc, given: SpectrumInput, columns: Mapping[str, Array], lines: Sequence[int], resolver: Resolver
) -> None:
    if given.kind not in ("rail_roughness", "wheel_roughness"):
        return
    low, high = _ROUGHNESS_DB
    levels = columns["level_db"]
    for k in np.flatnonzero((levels < low) | (levels > high))[:1]:
        message = f"{number(float(levels[k]))} dB is an implausible level of roughness"
        allowed, hint = f"mostly {low:g} to {high:g} dB", "levels are in dB re 1 µm"
        if given.file is None:
            resolver.reporter.warn((*path, "levels_db", int(k)), message, allowed=allowed, hint=hint)
        else:
            resolver.reporter.put(
                Problem(message, given.file, lines[k], allowed=allowed, hint=hint, severity="warning")
            )


def _axis_fits(path: Loc, given: SpectrumInput, axis: Array, lines: Sequence[int], resolver: Resolver) -> bool:
    def report(k: int | None, message: str, allowed: str = "", hint: str = "", warning: bool = False) -> None:
        severity: Literal["error", "warning"] = "warning" if warning else "error"
        if given.file is None:
            where = (*path, "axis") if k is None else (*path, "axis", k)
            resolver.reporter.add(where, message, allowed=allowed, hint=hint, severity=severity)
        else:
            line, found = (lines[k], number(float(axis[k]))) if k is not None else (None, "")
            resolver.reporter.put(
                Problem(message, given.file, line, found=found, allowed=allowed, hint=hint, severity=severity)
            )

    if given.kind not in WAVELENGTH_KINDS:
        if axis.shape == THIRD_OCTAVES_HZ.shape and np.allclose(axis, THIRD_OCTAVES_HZ, rtol=1e-9):
            return True
        report(
            None,
            f"must be exactly the {THIRD_OCTAVES_HZ.size} third octaves from 50 to 10000 Hz, in rising order",
            allowed=", ".join(number(f) for f in THIRD_OCTAVES_HZ),
        )
        return False
    if len(axis) < _MIN_WAVELENGTHS:
        report(None, f"has {len(axis)} wavelengths", allowed=f"at least {_MIN_WAVELENGTHS}")
        return False
    like_metres = bool(axis.max() <= _LIKE_METRES)
    if like_metres:
        report(
            None,
            f"the largest wavelength is {number(float(axis.max()))} mm: are these metres?",
            hint="give wavelengths in mm: 0.1 m is 100 mm",
            warning=True,
        )
    steps = np.diff(axis)
    if not (np.all(steps > 0) or np.all(steps < 0)):
        sign = np.sign(axis[-1] - axis[0]) or 1.0
        k = int(np.flatnonzero(np.sign(steps) != sign)[0]) + 1
        report(k, "breaks the order of the wavelengths", allowed="strictly rising or strictly falling values")
        return False
    nearest = [min(range(len(_NOMINAL_MM)), key=lambda n: abs(np.log(_NOMINAL_MM[n] / v))) for v in axis]
    off = [k for k, n in enumerate(nearest) if abs(_NOMINAL_MM[n] - axis[k]) > 1e-6 * axis[k]]
    for k in off[:3]:
        report(
            k,
            "is not a nominal third-octave wavelength",
            hint="are these metres? give millimetres"
            if like_metres
            else f"the nearest is {number(_NOMINAL_MM[nearest[k]])} mm",
            allowed="1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8 mm and these times 10, 100, ...",
        )
    gaps = np.flatnonzero(np.abs(np.diff(nearest)) > 1)
    if not off and gaps.size:
        k = int(gaps[0]) + 1
        report(k, "leaves out wavelengths between this value and the one before", warning=True)
    return not off
