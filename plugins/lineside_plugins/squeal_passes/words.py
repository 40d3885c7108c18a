"""What the report says about squeal: the statement, and what was assumed where."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.levels import to_db
from lineside.contracts import Note, Standing
from lineside.scene.conditions import RAIL_CONDITIONS
from lineside.scene.model import BoolArray, Scene
from lineside.tables import Table, load_table
from lineside_plugins.squeal_passes.options import Level, Range, ShareRow, SquealPassesOptions
from lineside_plugins.squeal_passes.passes import pass_average, row_of

CASE_WORDS = {"low": "the low ends", "likely": "the likely values", "high": "the high ends"}
FRICTION_WORDS = {
    "none": "",
    "gauge_lubrication": "gauge lubrication",
    "friction_modifier": "friction modifier",
    "both": "gauge lubrication and friction modifier",
}
#: What no general value of the share means for a reader.
NO_GENERAL_VALUE = "no general value of the share of passes that squeal is published"


def reported_effects() -> Table:
    """Reductions by friction management that publications report."""
    return load_table("lineside_plugins.squeal_passes", "friction_effects")


@dataclass(frozen=True, order=True)
class Place:
    """A curve or turnout in which vehicles of a kind run."""

    track: str
    from_m: float
    to_m: float
    radius_m: float
    turnout: bool
    kind: str
    friction: str

    def words(self) -> str:
        what = "turnout" if self.turnout else "curve"
        managed = f", {FRICTION_WORDS.get(self.friction, self.friction)}" if self.friction != "none" else ""
        return (
            f"{what} on {self.track} at {self.from_m:.0f} to {self.to_m:.0f} m "
            f"(radius {self.radius_m:.0f} m, {self.kind}{managed})"
        )


def places(scene: Scene, options: SquealPassesOptions, moving: BoolArray) -> list[Place]:
    """Every curve within the radii of the table through which vehicles run; of curves that overlap the tightest."""
    found: set[Place] = set()
    for s in np.flatnonzero(moving.any(axis=0)):
        track = scene.tracks[int(scene.sections.track[s])]
        curves = track.curves_at(float(scene.sections.mid_m[s]))
        curve = min(curves, key=lambda c: c.radius_m, default=None)
        if curve is None or curve.radius_m > options.largest_radius_m:
            continue
        kinds = {scene.vehicles[int(v)].kind for v in scene.traffic.vehicle[moving[:, s]]}
        friction = scene.forms[int(scene.sections.form[s])].friction
        found |= {Place(track.id, curve.from_m, curve.to_m, curve.radius_m, curve.turnout, k, friction) for k in kinds}
    return sorted(found)


def statement(options: SquealPassesOptions) -> str:
    """What was computed and how."""
    intro = (
        "Curve squeal is the energy mean over passes of which a share squeals; it is lineside's own model, for "
        "explanations and forecasts. Shares and levels are given in the project with their ranges, because "
        f"{NO_GENERAL_VALUE}. "
    )
    if not options.shares or options.level is None:
        return intro + "The project gives none, so that no squeal is computed."
    return (
        f"{intro}{_how(options.level)} The smallest radius at a place counts, of turnouts that of the diverging route; "
        "the first row of the table that fits radius, vehicle, rail and friction management gives the share, and "
        f"beyond {options.largest_radius_m:g} m nothing squeals. Taken are {CASE_WORDS[options.case]} of the ranges. "
        "Speed, humidity and the state of the wheels are not followed, though squeal is reported to grow with the "
        "crabbing velocity of wheelsets (abstract read). Flange noise is not counted apart."
    )


def _how(level: Level) -> str:
    if level.excess_db is not None:
        return (
            "A squealing pass is louder than rolling noise by the excess given, in all bands; squeal is the share "
            "times what the excess adds. It has the heights and the directivity of rolling noise, and changes with the "
            "roughness of the rails as that does."
        )
    quantity = "mean over the time of the pass" if level.quantity == "laeq_tp" else "largest level"
    shape = "the third octaves given" if level.spectrum else "equal levels from 400 to 5000 Hz, an assumption"
    return (
        f"The level of a squealing pass at 7.5 m ({quantity}) is turned into sound power for a whole train of "
        "incoherent sources without directivity, 0.5 m above the rail heads, over a plane that reflects all sound, "
        f"with the spectrum of {shape}. Rolling noise in that level is not taken off."
    )


def notes(scene: Scene, options: SquealPassesOptions, moving: BoolArray) -> list[Note]:
    """Shares and levels by curve, and where they are missing."""
    if not options.shares or options.level is None:
        text = (
            "Curve squeal is NOT forecast: shares of passes that squeal and their level must be given in the project "
            f"(calculation, options, squeal_passes), because {NO_GENERAL_VALUE}."
        )
        return [Note("validity", text, Standing.ASSUMPTION)]
    used: dict[tuple[int, str], dict[Place, list[str]]] = {}
    missing: dict[tuple[str, ...], list[Place]] = {}
    for place in places(scene, options, moving):
        without = []
        for rail in RAIL_CONDITIONS:
            n = row_of(options.shares, place.radius_m, place.kind, rail, place.friction)
            if n is None:
                without.append(rail)
            else:
                used.setdefault((n, place.friction), {}).setdefault(place, []).append(rail)
        if without:
            missing.setdefault(tuple(without), []).append(place)
    out = [_share_note(options, options.shares[n], friction, used[n, friction]) for n, friction in sorted(used)]
    out += [_missing_note(rails, found) for rails, found in missing.items()]
    return out + _level_notes(options, options.level, {friction for _, friction in used}) if used else out


def _share_note(
    options: SquealPassesOptions, row: ShareRow, friction: str, by_place: Mapping[Place, Sequence[str]]
) -> Note:
    by_rail: dict[str, list[str]] = {}
    for place, rails in by_place.items():
        words = "rail in any state" if len(rails) == len(RAIL_CONDITIONS) else f"{' or '.join(rails)} rail"
        by_rail.setdefault(words, []).append(place.words())
    share = row.share
    where = "; ".join(f"on {rail}, {', '.join(found)}" for rail, found in by_rail.items())
    text = (
        f"Share of passes that squeal {100 * share.likely:g} % ({100 * share.low:g} to {100 * share.high:g} %; "
        f"{row.source}): {where}.{_above_mean(options, share.likely, friction)}"
    )
    return Note("assumption", text, Standing.USER)


def _above_mean(options: SquealPassesOptions, share: float, friction: str) -> str:
    """By how much a squealing pass exceeds the mean over passes, likely values."""
    if options.level is None or share == 0.0:
        return ""
    if options.level.excess_db is None:
        above = -float(to_db(share))
        return f" While a train squeals, squeal is {above:.1f} dB above its mean over passes."
    excess = max(options.level.value.likely - options.reduction_db(friction, "likely"), 0.0)
    above = excess - float(pass_average(share, excess))
    return f" A pass that squeals is {above:.1f} dB above the mean over passes."


def _missing_note(rails: Sequence[str], found: Sequence[Place]) -> Note:
    state = "in any state of the rails" if len(rails) == len(RAIL_CONDITIONS) else f"on {' or '.join(rails)} rail"
    text = (
        f"No share of passes that squeal is given {state} for {', '.join(p.words() for p in found)}: squeal is LEFT "
        "OUT there. Give a row for it, with a share of 0 where nothing squeals."
    )
    return Note("validity", text, Standing.ASSUMPTION)


def _level_notes(options: SquealPassesOptions, level: Level, frictions: Collection[str]) -> list[Note]:
    out = [Note("assumption", _level_words(level), Standing.USER)]
    managed = [name for name in FRICTION_WORDS if name in frictions and name != "none"]
    for friction in managed:
        effect = options.effect(friction)
        if effect is not None:
            text = f"With {FRICTION_WORDS[friction]}, passes that squeal all the same are {_range(effect)} dB quieter"
            out.append(Note("assumption", f"{text} ({effect.source}).", Standing.USER))
    if any(options.effect(friction) is None for friction in managed):
        out.append(Note("assumption", _reported_words(), Standing.READ))
    text = (
        "Where squeal is taken as a mean over passes, so are the levels of single passes: the largest level of a pass "
        "that squeals is higher, that of one that does not is lower."
    )
    return [*out, Note("validity", text, Standing.ASSUMPTION)]


def _level_words(level: Level) -> str:
    if level.excess_db is not None:
        return f"While squealing, a pass is {_range(level.value)} dB above rolling noise ({level.source})."
    name = "A-weighted level" if level.quantity == "laeq_tp" else "largest A-weighted level"
    return f"While squealing, a pass has the {name} {_range(level.value)} dB at 7.5 m ({level.source})."


def _reported_words() -> str:
    table = reported_effects()
    parts = [
        (f"{low:g} to {high:g} dB, mean {mean:g} dB" if low != high else f"{low:g} dB")
        + f", {what} ({source}; {'only its abstract was read' if seen == 'abstract' else 'read'})"
        for low, mean, high, what, source, seen in zip(
            table["low_db"], table["mean_db"], table["high_db"],
            table.text["what"], table.text["source"], table.text["seen"], strict=True,
        )
    ]  # fmt: skip
    return (
        "Where friction is managed, only the share of passes that squeal is taken to change, not their level. Reported "
        f"for friction modifiers at the rail head, for information: {'; '.join(parts)}."
    )


def _range(given: Range) -> str:
    low, high = given.at("low"), given.at("high")
    return f"{given.likely:g}" if low == high else f"{given.likely:g} ({low:g} to {high:g})"
