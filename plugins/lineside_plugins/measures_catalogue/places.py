"""Measures on the way of the sound, at bridges, at houses, and waiting."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Literal, cast

import numpy as np
from pydantic import Field, ValidationError, model_validator

from lineside.contracts import Options
from lineside.errors import OutOfRangeError
from lineside.measures import Known, Lack, Measure, MeasureOptions, Unit
from lineside.project.model import Bank, Barrier, Project, SpectrumInput, SpectrumRef
from lineside.scene.alignment import Alignment
from lineside.scene.model import Spectrum
from lineside_plugins.measures_catalogue.common import (
    Catalogued,
    Octave,
    OnTrack,
    PlaceOptions,
    Reduction,
    anywhere,
    de_bridges,
    lowered,
    octave_reduction,
    only_de,
    pieces,
    place,
    place_lacks,
    spectrum_of,
    with_de_stretch,
    with_spectra,
    with_works,
    work_at,
)
from lineside_plugins.measures_catalogue.facts import sources_of

XY = tuple[float, float]
#: No foot of a bank stands nearer to a centre line: half the width of a vehicle, common practice, no source. [m]
CLEAR_M = 2.0
#: So many receivers are named in one message.
MOST_NAMED = 5


class BarrierOptions(MeasureOptions):
    """Options of a wall."""

    id: str = Field(description="Id of the new barrier, unique among the barriers", min_length=1, max_length=60)
    line: Annotated[tuple[XY, ...], Field(min_length=2)] = Field(
        description="Points [x, y] along the barrier, at least two [m]"
    )
    height_m: float = Field(gt=0, le=50, description="Height by height_above [m], above 0 to 50")
    height_above: Literal["ground", "rail"] = Field(
        default="ground", description="What height_m counts from: `ground`, or `rail`, the nearest one. Default ground"
    )
    surface: Literal["absorbing", "reflecting"] = Field(
        default="absorbing", description="Side facing the track: `absorbing` or `reflecting`. Default absorbing"
    )


class NewBarrier(Catalogued):
    """A wall between track and houses."""

    name = "barrier"
    title = "Noise barrier"
    sources = sources_of(name)
    side = "path"
    acts_on = ("all",)
    near_track = True
    options_model = BarrierOptions

    def apply(self, project: Project, options: Options, known: Known) -> Project:
        options = cast(BarrierOptions, options)
        return with_barrier(project, options.id, options.line, options.height_m, options.surface, options.height_above)

    def lacks(self, project: Project, options: Options, known: Known) -> Sequence[Lack]:
        return _taken(project, cast(BarrierOptions, options).id)

    def part(self, options: Options, known: Known, height_m: float, begin: float, end: float) -> Options:
        line = _piece(cast(BarrierOptions, options).line, begin, end)
        return _changed(options, line=line, height_m=height_m)

    def amounts(self, project: Project, options: Options, known: Known) -> Mapping[Unit, float]:
        options = cast(BarrierOptions, options)
        length = _length(options.line)
        return {"m": length, "m2": length * options.height_m, "whole": 1.0}


def with_barrier(
    project: Project, name: str, line: Sequence[XY], height_m: float, surface: str, height_above: str = "ground"
) -> Project:
    given = {"id": name, "line": tuple(line), "height_m": height_m, "surface": surface, "height_above": height_above}
    return project.model_copy(update={"barriers": (*project.barriers, Barrier.model_validate(given))})


def _taken(project: Project, name: str) -> list[Lack]:
    taken = name in _ids(project.barriers)
    return [Lack("id", "the project has a barrier with this id already")] if taken else []


def _ids(given: Sequence[Bank] | Sequence[Barrier]) -> set[str]:
    return {part.id for part in given}


def _changed(options: Options, **changes: Any) -> Options:
    """Options with other values, held to the same bounds."""
    try:
        return type(options).model_validate({**options.model_dump(), **changes})
    except ValidationError as error:
        raise OutOfRangeError(error.errors()[0]["msg"]) from error


def _piece(line: Sequence[XY], begin: float, end: float) -> tuple[XY, ...]:
    """The points of a line between two shares of its length."""
    from shapely import LineString, get_coordinates
    from shapely.ops import substring

    part = substring(LineString(line), begin, end, normalized=True)
    return tuple((round(float(x), 3), round(float(y), 3)) for x, y in get_coordinates(part))


def _length(line: Sequence[XY]) -> float:
    return float(np.linalg.norm(np.diff(np.array(line, dtype=np.float64), axis=0), axis=1).sum())


class BankOptions(MeasureOptions):
    """Options of an earth bank."""

    id: str = Field(description="Id of the new bank, unique among the banks", min_length=1, max_length=60)
    line: Annotated[tuple[XY, ...], Field(min_length=2, max_length=10_000)] = Field(
        description="Points [x, y] along the middle of the crest, at least two [m]"
    )
    height_m: float = Field(gt=0, le=50, description="Height of the crest above the ground [m], above 0 to 50")
    crest_width_m: float = Field(default=1.0, ge=0, le=100, description="Width of the crest [m], 0 to 100. Default 1")
    slope_ratio: float = Field(
        default=1.5, ge=0.1, le=20, description="Both slopes 1 : ratio, horizontal per vertical, 0.1 to 20. Default 1.5"
    )
    g: float | None = Field(
        default=None,
        ge=0,
        le=1,
        description="Ground factor G of its surface, 0 to 1. Default null: by the ground areas",
    )

    def bank(self) -> Bank:
        """As the project writes it."""
        return Bank.model_validate(self.model_dump(exclude={"date"}))


class NewBank(Catalogued):
    """An earth bank between track and houses: it screens by its crest and takes up sound on its slopes."""

    name = "bank"
    title = "Earth bank"
    sources = sources_of(name)
    side = "path"
    acts_on = ("all",)
    near_track = True
    options_model = BankOptions

    def apply(self, project: Project, options: Options, known: Known) -> Project:
        bank = cast(BankOptions, options).bank()
        return project.model_copy(update={"banks": (*project.banks, bank)})

    def part(self, options: Options, known: Known, height_m: float, begin: float, end: float) -> Options:
        line = _piece(cast(BankOptions, options).line, begin, end)
        return _changed(options, line=line, height_m=height_m)

    def lacks(self, project: Project, options: Options, known: Known) -> Sequence[Lack]:
        from shapely import LineString, Point

        options = cast(BankOptions, options)
        bank, line = options.bank(), LineString(options.line)
        out = [Lack("id", "the project has a bank with this id already")] if bank.id in _ids(project.banks) else []
        least = bank.half_width_m + CLEAR_M
        for track, (_, xyz) in known.alignments.items():
            away = float(line.distance(LineString(xyz[:, :2])))
            if away < least:
                message = f"lies {away:.1f} m from the centre line of track {track}: its foot would stand in the way"
                out.append(Lack("line", message, f"at least {least:.1f} m on level ground"))
        covered = [r.id for r in project.receivers if line.distance(Point(r.position)) <= bank.half_width_m]
        if covered:
            named = ", ".join(covered[:MOST_NAMED]) + (", ..." if len(covered) > MOST_NAMED else "")
            message = f"receiver {named} would stand on it: its height would count from there"
            out.append(Lack("line", message, f"more than {bank.half_width_m:.1f} m from receivers on level ground"))
        return out

    def amounts(self, project: Project, options: Options, known: Known) -> Mapping[Unit, float]:
        """Area is that of the cross-section's sides and crest along the bank."""
        options = cast(BankOptions, options)
        length = _length(options.line)
        around = options.crest_width_m + 2.0 * options.height_m * math.hypot(1.0, options.slope_ratio)
        return {"m": length, "m2": length * around, "whole": 1.0}


class CloseBarrierOptions(PlaceOptions):
    """Options of a low wall beside a track."""

    id: str = Field(description="Id of the new barrier, unique among the barriers", min_length=1, max_length=60)
    side: Literal["left", "right"] = Field(description="Side of the track along rising chainage: `left` or `right`")
    offset_m: float = Field(ge=1.0, le=6.0, description="Distance from the track's centre line [m], 1 to 6")
    above_rail_m: float = Field(gt=0, le=2.0, description="Height of the top above the rail heads [m], above 0 to 2")
    surface: Literal["absorbing", "reflecting"] = Field(
        default="absorbing", description="Side facing the track: `absorbing` or `reflecting`. Default absorbing"
    )


class CloseBarrier(Catalogued):
    """A low wall close to the track; its line follows the alignment."""

    name = "close_barrier"
    title = "Low barrier close to the track"
    sources = sources_of(name)
    side = "path"
    acts_on = ("all",)
    near_track = True
    options_model = CloseBarrierOptions

    def apply(self, project: Project, options: Options, known: Known) -> Project:
        options = cast(CloseBarrierOptions, options)
        return with_barrier(
            project, options.id, self._line(options, known), options.above_rail_m, options.surface, "rail"
        )

    def _line(self, options: CloseBarrierOptions, known: Known) -> list[XY]:
        """Points beside the alignment."""
        alignment = Alignment(*known.alignments[options.track])
        from_m, to_m = place(options, known)
        inside = alignment.chainage_m[(alignment.chainage_m > from_m) & (alignment.chainage_m < to_m)]
        at = np.concatenate([[from_m], inside, [to_m]])
        # the direction at a vertex is the mean of the pieces that meet there, so that the line stays at its distance
        before, after = (
            alignment.direction(np.maximum(at - 0.01, from_m)),
            alignment.direction(np.minimum(at, to_m - 0.01)),
        )
        along = before + after
        along /= np.linalg.norm(along, axis=1, keepdims=True)
        cosine = np.clip((before * along).sum(axis=1), 0.5, 1.0)
        normal = np.stack([-along[:, 1], along[:, 0]], axis=1) * (1.0 if options.side == "left" else -1.0)
        points = alignment.at(at)
        xy = points[:, :2] + normal * (options.offset_m / cosine)[:, None]
        return [(round(float(x), 3), round(float(y), 3)) for x, y in xy]

    def part(self, options: Options, known: Known, height_m: float, begin: float, end: float) -> Options:
        options = cast(CloseBarrierOptions, options)
        from_m, to_m = place(options, known)
        here = {"from_m": from_m + begin * (to_m - from_m), "to_m": from_m + end * (to_m - from_m)}
        return _changed(options, **here, above_rail_m=height_m)

    def lacks(self, project: Project, options: Options, known: Known) -> Sequence[Lack]:
        options = cast(CloseBarrierOptions, options)
        return [*place_lacks(project, options, known), *_taken(project, options.id)]

    def amounts(self, project: Project, options: Options, known: Known) -> Mapping[Unit, float]:
        options = cast(CloseBarrierOptions, options)
        length = _length(self._line(options, known))
        return {"m": length, "m2": length * options.above_rail_m, "whole": 1.0}


class FacingOptions(MeasureOptions):
    """Options of a facing."""

    barriers: Annotated[tuple[str, ...], Field(min_length=1, max_length=200)] = Field(
        description="Ids of the barriers that get an absorbing face towards the track"
    )


class AbsorbingFacing(Catalogued):
    """An absorbing face on walls that stand already."""

    name = "absorbing_facing"
    title = "Absorbing facing of barriers"
    sources = sources_of(name)
    side = "path"
    acts_on = ("all",)
    near_track = True
    stage = 60
    options_model = FacingOptions

    def apply(self, project: Project, options: Options, known: Known) -> Project:
        wanted = cast(FacingOptions, options).barriers
        barriers = tuple(
            b.model_copy(update={"surface": "absorbing"}) if b.id in wanted else b for b in project.barriers
        )
        return project.model_copy(update={"barriers": barriers})

    def lacks(self, project: Project, options: Options, known: Known) -> Sequence[Lack]:
        there = [b.id for b in project.barriers]
        return [
            Lack("barriers", f"there is no barrier {name}", ", ".join(there) or "none")
            for name in cast(FacingOptions, options).barriers
            if name not in there
        ]

    def fits(self, project: Project, known: Known) -> bool:
        return any(b.surface == "reflecting" for b in project.barriers)


class BridgeOptions(PlaceOptions):
    """Options of a measure at a bridge."""

    reduction_db: dict[Octave, Reduction] = Field(
        default={}, description="Reduction of the sound of the bridge by octave [dB], -10 to 30: the user's value"
    )
    bridge: str | None = Field(
        default=None, description="Instead: class of the bridge afterwards, or `none`. Default null"
    )
    source: str = Field(
        default="", max_length=300, description="Where the value comes from; needed beside reduction_db or bridge"
    )

    @model_validator(mode="after")
    def _sourced(self) -> BridgeOptions:
        if self.reduction_db and self.bridge is not None:
            raise ValueError("needs either reduction_db or bridge")
        if (bool(self.reduction_db) or self.bridge is not None) != bool(self.source.strip()):
            raise ValueError("needs source beside reduction_db or bridge, and only there")
        return self


class BridgeTreatment(OnTrack):
    """Softer bearings, elastic fastenings or mats. German method: the law's credit; else the user's value."""

    name = "bridge_treatment"
    title = "Elastic fastening, bearings or mats on a bridge"
    sources = sources_of(name)
    acts_on = ("bridge", "trains")
    stage = 20
    options_model = BridgeOptions

    def apply(self, project: Project, options: Options, known: Known) -> Project:
        options = cast(BridgeOptions, options)
        for from_m, to_m in de_bridges(project, options, known):
            there = options.model_copy(update={"from_m": from_m, "to_m": to_m})
            project = with_de_stretch(project, there, known, bridge_measure=True)
        works: list[dict[str, Any]] = []
        spectra: list[SpectrumInput] = []
        for from_m, to_m, here in pieces(project, options, known, ("bridge",)):
            new: Any = options.bridge
            if here["bridge"] == "none" or (new is None and not options.reduction_db):
                continue
            if new is None:
                base = self._bridge(project, known, here["bridge"])
                if base is None:
                    continue
                lower = octave_reduction(options.reduction_db)
                made = lowered(
                    base, lower, f"{self.name} {base.id}", f"{base.source or base.id}, less {options.source}"
                )
                spectra.append(made)
                new = {"spectrum": made.id}
            given = work_at(options, project, known, "other", changes={"bridge": new})
            works.append({**given, "from_m": from_m, "to_m": to_m})
        return with_works(with_spectra(project, spectra), works)

    def _bridge(self, project: Project, known: Known, value: str | SpectrumRef) -> Spectrum | None:
        if isinstance(value, SpectrumRef):
            return spectrum_of(project, known, value.spectrum)
        return known.tabulated("bridge", value)

    def without_effect(self, project: Project, options: Options, known: Known) -> str:
        options = cast(BridgeOptions, options)
        if only_de(known):
            return "" if de_bridges(project, options, known) else "the options of de_railway name no bridge there"
        if options.reduction_db or options.bridge is not None:
            return ""
        return "no reduction and no class is given; there is no general value"

    def fits(self, project: Project, known: Known) -> bool:
        everywhere = [PlaceOptions(track=t.id) for t in project.tracks if t.id in known.alignments]
        if any(de_bridges(project, place, known) for place in everywhere):
            return True
        return not only_de(known) and anywhere(project, known, "bridge", ("none", None))


class InsulationOptions(MeasureOptions):
    """Options of better windows and ventilators."""

    receivers: Annotated[tuple[str, ...], Field(min_length=1, max_length=100_000)] = Field(
        description="Ids of the receivers whose rooms are insulated"
    )
    low_db: float = Field(ge=0, le=40, description="Low improvement against the windows that are there [dB], 0 to 40")
    likely_db: float = Field(ge=0, le=40, description="Likely improvement [dB], 0 to 40")
    high_db: float = Field(ge=0, le=40, description="High improvement [dB], 0 to 40")
    source: str = Field(min_length=3, max_length=300, description="Where the improvement comes from; printed")

    @model_validator(mode="after")
    def _in_order(self) -> InsulationOptions:
        if not self.low_db <= self.likely_db <= self.high_db:
            raise ValueError("needs low_db, likely_db and high_db in rising order")
        return self


class FacadeInsulation(Catalogued):
    """Better windows: quieter rooms, the same level outdoors."""

    name = "facade_insulation"
    title = "Insulation of facades (indoors only)"
    sources = sources_of(name)
    side = "indoors"
    acts_on = ()
    options_model = InsulationOptions

    def apply(self, project: Project, options: Options, known: Known) -> Project:
        return project

    def indoors_db(self, options: Options) -> tuple[float, float, float]:
        options = cast(InsulationOptions, options)
        return options.low_db, options.likely_db, options.high_db

    def lacks(self, project: Project, options: Options, known: Known) -> Sequence[Lack]:
        there = {r.id for r in project.receivers}
        gone = [name for name in cast(InsulationOptions, options).receivers if name not in there]
        return [Lack("receivers", f"there is no receiver {name}") for name in gone[:5]]

    def amounts(self, project: Project, options: Options, known: Known) -> Mapping[Unit, float]:
        """Pieces are dwellings."""
        wanted = set(cast(InsulationOptions, options).receivers)
        return {"whole": 1.0, "piece": float(sum(r.dwellings for r in project.receivers if r.id in wanted))}


class Waiting(Catalogued):
    """Nothing is done: rails wear in, or nothing changes."""

    name = "waiting"
    title = "Doing nothing until worn in"
    sources = sources_of(name)
    side = "waiting"
    acts_on = ()

    def apply(self, project: Project, options: Options, known: Known) -> Project:
        return project


def measures() -> tuple[Measure, ...]:
    return (
        NewBarrier(),
        NewBank(),
        CloseBarrier(),
        AbsorbingFacing(),
        BridgeTreatment(),
        FacadeInsulation(),
        Waiting(),
    )
