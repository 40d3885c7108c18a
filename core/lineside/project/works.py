"""Track works and measurements of rails with their dates, as a project file describes them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field

from lineside.project.track import (
    Bridge,
    Form,
    Friction,
    ImpactRoughness,
    Joints,
    PadStiffness,
    Partial,
    RailPad,
    RailRoughness,
    Sleeper,
    SourceGround,
    TrackTransfer,
)
from lineside.project.types import Chainage, Id, IsoDate, Part, Text

WorkKind = Literal[
    "grinding",
    "milling",
    "rail_renewal",
    "tamping",
    "joint_removal",
    "turnout_renewal",
    "lubrication",
    "friction_modifier",
    "rail_dampers",
    "rail_pads",
    "other",
]


class WorkChanges(Partial):
    """Attributes of the track that are others from the date of a work on; only the keys that are written change."""

    form: Form | None = None
    sleeper: Sleeper = None
    rail_pad: RailPad = None
    rail_pad_stiffness_mn_m: PadStiffness = None
    rail_roughness: RailRoughness | None = None
    track_transfer: TrackTransfer = None
    impact_roughness: ImpactRoughness = None
    joints_per_100_m: Joints | None = None
    bridge: Bridge | None = None
    source_ground_g: SourceGround = None
    friction: Friction | None = None


#: Attributes that a work of each kind may change: what it physically changes and nothing else. The roughness that
#: grinding, milling and new rail leave is a matter of the rail state. Works move no track and set no speed.
MAY_CHANGE: Mapping[WorkKind, tuple[str, ...]] = {
    "grinding": (),
    "milling": (),
    "rail_renewal": ("joints_per_100_m", "sleeper", "rail_pad", "rail_pad_stiffness_mn_m", "track_transfer"),
    "tamping": (),
    "joint_removal": ("joints_per_100_m",),
    "turnout_renewal": ("impact_roughness", "joints_per_100_m", "rail_roughness"),
    "lubrication": ("friction",),
    "friction_modifier": ("friction",),
    "rail_dampers": ("track_transfer",),
    "rail_pads": ("rail_pad", "rail_pad_stiffness_mn_m", "track_transfer"),
    "other": tuple(WorkChanges.model_fields),
}
_MAY_CHANGE_WORDS = "; ".join(
    f"{kind}: {'any' if kind == 'other' else ', '.join(keys)}" for kind, keys in MAY_CHANGE.items() if keys
)
#: What a work changes of itself, where ``changes`` is not written.
OF_ITSELF: Mapping[str, Mapping[str, Any]] = {
    "joint_removal": {"joints_per_100_m": 0.0},
    "lubrication": {"friction": "gauge_lubrication"},
    "friction_modifier": {"friction": "friction_modifier"},
}
#: Kinds whose change may end on a date.
MAY_END: tuple[WorkKind, ...] = ("lubrication", "friction_modifier", "other")
#: Kinds that leave a new running surface, so that it matters which of two on one day came last.
NEW_SURFACE: frozenset[str] = frozenset({"grinding", "milling", "rail_renewal"})


class Work(Part):
    """Track work with its date: printed, and counted from that date on.

    Grinding, milling and rail renewal act on the roughness of the rails, which is computed if `calculation.rail_state`
    is set. Joint removal, lubrication and friction modifiers change the track of themselves; rail pads and dampers
    need `changes`; turnout renewal, rail renewal and other works change what `changes` says. Tamping is recorded only:
    it changes no input of the methods.
    """

    date: Annotated[dt.date, IsoDate] = Field(description="Day of the work, YYYY-MM-DD")
    kind: WorkKind = Field(description="Kind of work; what it acts on depends on it")
    track: Id = Field(description="Id of the track")
    from_m: Chainage = Field(description="Start of the work [m chainage]")
    to_m: Chainage = Field(description="End of the work [m chainage], beyond from_m")
    until: Annotated[dt.date, IsoDate] | None = Field(
        default=None,
        description="For lubrication, friction_modifier and other: first day on which what the work changed is again "
        "as it was before, YYYY-MM-DD, after date. Default null: it lasts",
    )
    changes: WorkChanges = Field(
        default=WorkChanges(),
        description="Attributes of the track that are others between from_m and to_m from date on, as far as the kind "
        f"may change them ({_MAY_CHANGE_WORDS}). Later works lie on top of earlier ones, and all on top of stretches. "
        "Default: joint_removal takes the joints away, lubrication and friction_modifier join the friction that is "
        "there, other kinds change nothing",
    )
    details: dict[str, Any] = Field(
        default={}, description="What is known about it, as the calculator of the rail state understands it"
    )
    description: Text = Field(default="", description="Free text, printed. Default empty")

    def sets(self) -> dict[str, Any]:
        """The attributes that this work changes, by name: those that are written, else what its kind does of itself."""
        return self.changes.written() or dict(OF_ITSELF.get(self.kind, {}))

    def holds(self, date: dt.date) -> bool:
        """Whether what the work changes is so on a date: from the day of the work up to the day before ``until``."""
        return self.date <= date and (self.until is None or date < self.until)

    def onto(self, attributes: Mapping[str, Any]) -> dict[str, Any]:
        """The attributes of a track with this work done.

        Friction that a kind of work changes of itself joins what is there; a new pad has no known stiffness unless
        the work gives one.
        """
        new = self.sets()
        if "rail_pad" in new:
            new.setdefault("rail_pad_stiffness_mn_m", None)
        before = attributes["friction"]
        if "friction" in new and not self.changes.written() and before not in ("none", new["friction"]):
            new["friction"] = "both"
        return {**attributes, **new}


class RailMeasurement(Part):
    """Roughness of the rails as it was measured on a date; it counts if `calculation.rail_state` is set."""

    date: Annotated[dt.date, IsoDate] = Field(description="Day of the measurement, YYYY-MM-DD")
    track: Id = Field(description="Id of the track")
    from_m: Chainage = Field(description="Start of the measured rails [m chainage]")
    to_m: Chainage = Field(description="End of the measured rails [m chainage], beyond from_m")
    spectrum: Id = Field(description="Id of an entry of `spectra` of kind rail_roughness: what was measured")
    note: Text = Field(default="", description="Free text. Default empty")
