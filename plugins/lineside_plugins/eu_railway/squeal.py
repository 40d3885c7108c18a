"""Curve squeal: an excess on rolling and impact noise in tight curves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import ClassVar, Literal, cast

import numpy as np
from pydantic import Field

from lineside.acoustics.bands import Array
from lineside.acoustics.levels import to_energy
from lineside.contracts import DataFile, Doubt, Note, Options, SourceCalculator, SourceClass, Standing, Verification
from lineside.scene.model import Curve, Scene, TrackLine
from lineside_plugins.eu_railway.law_doubts import SQUEAL
from lineside_plugins.eu_railway.law_joints import joint_cuts_m
from lineside_plugins.eu_railway.law_notes import directivity_words, edition_words, listed
from lineside_plugins.eu_railway.law_options import BRIDGE_CONSTANT, ContactOptions, Edition, JointOptions
from lineside_plugins.eu_railway.law_power import impact_energy, moving, rolling_energy
from lineside_plugins.eu_railway.law_tables import (
    CONTACT_ATTRIBUTES,
    CONTACT_TABLES,
    EMISSION_CASES,
    SOURCES,
    data_files,
    vocabulary,
)

#: Largest radius for which the law knows squeal; a fixed excess of the options counts up to it. [m]
LARGEST_RADIUS_M = 500.0
#: Shortest curve in which trains squeal by the table of the law. [m]
SHORTEST_CURVE_M = 50.0
#: Curves with a smaller gap than this touch. [m]
TOUCH_M = 1.0


class SquealOptions(ContactOptions, JointOptions):
    """Options of curve squeal. Those on roughness and joints should be those of eu_rolling and eu_impact."""

    metro_squeal_rule: Literal["train", "tram"] = Field(
        "train",
        description="Rule of the law for vehicles of kind metro. It has rules for trains and for trams only; train "
        "is the louder one but in curves shorter than 50 m.",
    )
    squeal_excess_db: float | None = Field(
        None,
        ge=0.0,
        le=40.0,
        description="Excess in dB from measurements, which the law prefers, for all vehicles in all curves and "
        "turnouts with a radius of 500 m or less, whatever their length, instead of the table. 0: no squeal.",
    )
    bridge_constant_db: float | None = BRIDGE_CONSTANT


def bend_length_m(curve: Curve, curves: Sequence[Curve], largest_radius_m: float) -> float:
    """Length of the bend that a curve belongs to: it and all that touch it with a radius up to the largest one. [m]

    The l_track of the law. Two stretches of 40 m with 290 and 295 m are one bend of 80 m.
    """
    low, high = curve.from_m, curve.to_m
    bends = sorted((c for c in curves if not c.turnout and c.radius_m <= largest_radius_m), key=lambda c: c.from_m)
    for c in bends:
        if c.from_m <= high + TOUCH_M and c.to_m > high:
            high = c.to_m
    for c in reversed(bends):
        if c.to_m >= low - TOUCH_M and c.from_m < low:
            low = c.from_m
    return high - low


def squeal_excess_db(curve: Curve, kind: str, edition: Edition = "amended_2021", curves: Sequence[Curve] = ()) -> float:
    """Excess of the law for a curve, the same in all bands; Annex II, section 2.3, curve squeal.

    Parameters
    ----------
    curve : Curve
        A curve, or a turnout passed on its diverging route.
    kind : {"train", "tram"}
        Which rule applies. The edition of 2015 has one rule for all.
    edition : {"amended_2021", "original_2015"}
    curves : sequence of Curve
        The curves of its track: those that touch it count for its length.

    Returns
    -------
    float
        0, 5 or 8. [dB]

    Examples
    --------
    >>> curve = Curve(from_m=0.0, to_m=120.0, radius_m=280.0, given=True)
    >>> squeal_excess_db(curve, "train"), squeal_excess_db(curve, "tram")
    (8.0, 0.0)
    """
    if edition == "amended_2021" and kind == "tram":
        return 5.0 if curve.radius_m <= 200.0 else 0.0
    if curve.turnout:
        return 8.0 if edition == "amended_2021" and curve.radius_m <= 300.0 else 0.0

    def long_enough(largest_radius_m: float) -> bool:  # 1e-6: chainages are rounded differences
        return bend_length_m(curve, curves, largest_radius_m) >= SHORTEST_CURVE_M - 1e-6

    if curve.radius_m <= 300.0 and long_enough(300.0):
        return 8.0
    beyond = curve.radius_m > LARGEST_RADIUS_M or (edition == "original_2015" and curve.radius_m >= LARGEST_RADIUS_M)
    return 0.0 if beyond or not long_enough(LARGEST_RADIUS_M) else 5.0


class Squeal(SourceCalculator):
    """Curve squeal at 0.5 m as the excess power over rolling and impact noise."""

    name = "eu_squeal"
    title = "Curve squeal (EU common method)"
    version = "1.0"
    mechanism = "squeal"
    sources = (*SOURCES, EMISSION_CASES)
    verification = Verification.PUBLISHED
    verification_note = (
        "The stored cases of the Commission's emission workbook with an excess of 8 dB are reproduced within 0.01 dB "
        "in every octave. They have it only with a track of 0 dB; the rules by radius were read in the law and are "
        "tested against its words."
    )
    options_model = SquealOptions
    vocabulary: ClassVar = vocabulary(*CONTACT_ATTRIBUTES, "impact_roughness")

    def data_files(self) -> tuple[DataFile, ...]:
        return data_files(*CONTACT_TABLES, "impact_roughness")

    def emission(self, scene: Scene, options: Options) -> Mapping[SourceClass, Array]:
        options = cast(SquealOptions, options)
        excess = to_energy(excess_by_cell_db(scene, options)) - 1.0
        if options.bridge_constant_db is not None:
            on_bridge = np.array([form.bridge is not None for form in scene.forms], dtype=np.bool_)[scene.sections.form]
            excess = excess * np.where(on_bridge, to_energy(options.bridge_constant_db), 1.0)
        where = excess > 0.0
        base = rolling_energy(scene, options, where) + impact_energy(scene, options, options.impact_at_any_speed, where)
        return {options.class_a(): base * excess[:, :, np.newaxis]}

    def cuts(self, track: TrackLine, options: Options) -> Array:
        ends = [end for curve in track.curves for end in (curve.from_m, curve.to_m)]
        return np.unique(np.concatenate([joint_cuts_m(track), np.array(ends, dtype=np.float64)]))

    def doubt(self, options: Options) -> Doubt | None:
        return SQUEAL

    def statement(self, options: Options) -> str:
        options = cast(SquealOptions, options)
        if options.squeal_excess_db is not None:
            rule = (
                f"an excess of {options.squeal_excess_db:g} dB, given in the project, in all curves and turnouts with "
                f"a radius of {LARGEST_RADIUS_M:g} m or less"
            )
        elif options.edition == "original_2015":
            rule = "5 dB below 500 m radius and 8 dB up to 300 m, for curves at least 50 m long"
        else:
            rule = (
                "for trains 8 dB up to 300 m radius and 5 dB up to 500 m, for curves at least 50 m long, and 8 dB "
                "for turnouts passed on a diverging route of 300 m radius or less; for trams 5 dB up to 200 m; metro "
                f"by the rule for {options.metro_squeal_rule}s"
            )
        return (
            f"Curve squeal follows {edition_words(options)}, section 2.3: an excess in all bands over rolling and "
            f"impact noise, {rule}. What the excess adds is shown as curve squeal, at 0.5 m above the rail heads, "
            f"with {directivity_words(options)}. The table is a flat, average allowance: it says nothing about "
            "weather, rail condition or tones. The law prefers measured values and asks for verification on site."
        )

    def notes(self, scene: Scene, options: Options) -> Sequence[Note]:
        options = cast(SquealOptions, options)
        excess = np.where(moving(scene), excess_by_cell_db(scene, options), 0.0)
        if not (excess > 0.0).any():
            return ()
        notes = [
            Note(
                "assumption",
                _where_words(scene, excess, options),
                Standing.USER if options.squeal_excess_db else Standing.LAW,
            )
        ]
        kinds = [scene.vehicles[int(v)].kind for v in scene.traffic.vehicle[(excess > 0.0).any(axis=1)]]
        if "metro" in kinds and options.squeal_excess_db is None and options.edition == "amended_2021":
            other = "the louder of the two" if options.metro_squeal_rule == "train" else "the quieter of the two"
            text = (
                "The law has rules of squeal for trains and for trams; metro vehicles are rated by the one for "
                f"{options.metro_squeal_rule}s, {other} (option metro_squeal_rule)."
            )
            notes.append(Note("assumption", text, Standing.ASSUMPTION))
        return notes


def excess_by_cell_db(scene: Scene, options: SquealOptions) -> Array:
    """Squeal excess of every vehicle in every section, (n_rows, n_sections). [dB]"""
    rule_of = {"train": "train", "tram": "tram", "metro": options.metro_squeal_rule}
    rules = ("train", "tram")
    by_rule = np.zeros((len(rules), len(scene.sections)))
    for s, place in enumerate(scene.sections.mid_m):
        track = scene.tracks[int(scene.sections.track[s])]
        for curve in track.curves_at(float(place)):
            for k, rule in enumerate(rules):
                by_rule[k, s] = max(by_rule[k, s], _excess_db(curve, rule, track, options))
    row_rule = np.array(
        [rules.index(rule_of[scene.vehicles[int(v)].kind]) for v in scene.traffic.vehicle], dtype=np.int64
    )
    return by_rule[row_rule]


def _excess_db(curve: Curve, rule: str, track: TrackLine, options: SquealOptions) -> float:
    if options.squeal_excess_db is None:
        return squeal_excess_db(curve, rule, options.edition, track.curves)
    return options.squeal_excess_db if curve.radius_m <= LARGEST_RADIUS_M else 0.0


def _where_words(scene: Scene, excess: Array, options: SquealOptions) -> str:
    places: dict[tuple[str, float, float], str] = {}
    for s in np.flatnonzero((excess > 0.0).any(axis=0)):
        track = scene.tracks[int(scene.sections.track[s])]
        values = sorted(set(excess[:, s][excess[:, s] > 0.0].tolist()))
        here = [c for c in track.curves_at(float(scene.sections.mid_m[s])) if c.radius_m <= LARGEST_RADIUS_M]
        curve = min(here, key=lambda c: c.radius_m)
        what = "turnout" if curve.turnout else "curve"
        places[track.id, curve.from_m, curve.to_m] = (
            f"{what} on {track.id} at {curve.from_m:.0f} to {curve.to_m:.0f} m (radius {curve.radius_m:.0f} m, "
            f"{' or '.join(f'{v:g}' for v in values)} dB)"
        )
    origin = "given in the project" if options.squeal_excess_db else "from the table of the law, not measured here"
    return (
        f"Curve squeal is counted with an excess {origin}: {listed([places[k] for k in sorted(places)])}. Verify it on "
        "site, above all for trams and where measures against squeal exist; in dry or damp weather single passes can "
        "be far louder or free of squeal."
    )
