"""Measures at services: speeds, times and ways of running."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import Any, Literal, cast

import numpy as np
from pydantic import Field, model_validator

from lineside.contracts import Options
from lineside.measures import Known, Lack, Measure, MeasureOptions
from lineside.project.model import Calls, Project, Service, TrainsPerPeriod, TrainTimes
from lineside.project.traffic import SpeedRestriction as Restriction
from lineside.scene.model import IntArray
from lineside_plugins.measures_catalogue.common import (
    PERIOD_NAMES,
    Catalogued,
    Ids,
    PlaceOptions,
    place,
    place_lacks,
    unknown,
)
from lineside_plugins.measures_catalogue.facts import sources_of

Period = Literal["day", "evening", "night"]
#: Ids of services are no longer.
LONGEST_ID = 60


class SpeedOptions(PlaceOptions):
    """Options of a speed restriction."""

    speed_km_h: float = Field(ge=1, le=500, description="Highest speed at the place [km/h], 1 to 500")
    periods: tuple[Period, ...] = Field(
        default=("day", "evening", "night"), min_length=1, description="Periods in which it holds. Default: all"
    )
    services: tuple[str, ...] = Field(
        default=(), max_length=200, description="Ids of the services that it holds for. Default: all on the track"
    )


class SpeedRestriction(Catalogued):
    """Trains of some services run slower at a place, always or in some periods."""

    name = "speed_restriction"
    title = "Speed restriction by place, period and service"
    sources = sources_of(name)
    side = "source"
    acts_on = ("all",)
    near_track = True
    options_model = SpeedOptions

    def apply(self, project: Project, options: Options, known: Known) -> Project:
        """Where it holds in some periods only, the trains of these become a service of their own."""
        options = cast(SpeedOptions, options)
        from_m, to_m = place(options, known)
        slow = {"from_m": from_m, "to_m": to_m, "speed_km_h": options.speed_km_h}
        services: list[Service] = []
        for service in project.services:
            if not self._holds(service, options):
                services.append(service)
                continue
            parts = split_by_period(service, options.periods, project, known)
            for part, inside in parts:
                given = (
                    (*part.speed_restrictions, Restriction.model_validate(slow)) if inside else part.speed_restrictions
                )
                services.append(part.model_copy(update={"speed_restrictions": given}))
        return with_services(project, services)

    def _holds(self, service: Service, options: SpeedOptions) -> bool:
        named = not options.services or any(is_part_of(service.id, name) for name in options.services)
        return service.track == options.track and named

    def lacks(self, project: Project, options: Options, known: Known) -> Sequence[Lack]:
        options = cast(SpeedOptions, options)
        here = [s.id for s in project.services if s.track == options.track]
        found = place_lacks(project, options, known)
        return [*found, *unknown("services", options.services, here, "service on this track")]

    def warnings(self, project: Project, options: Options, known: Known) -> Sequence[str]:
        return ("Slower trains pass for longer, and slow trains in tight curves may squeal more often.",)


def part_id(service: str, periods: Sequence[str]) -> str:
    """Id of the trains of a service in some periods, unique and no longer than ids may be.

    >>> part_id("S", ["night", "evening"])
    'S, evening+night'
    """
    name = f"{service}, {'+'.join(sorted(periods))}"
    if len(name) <= LONGEST_ID:
        return name
    digest = hashlib.sha256(service.encode()).hexdigest()[:8]
    ending = f" {digest}, {'+'.join(sorted(periods))}"
    return service[: LONGEST_ID - len(ending)] + ending


def is_part_of(service: str, whole: str) -> bool:
    """Whether a service is another one, or the trains of it in some periods, split off by an earlier measure.

    >>> is_part_of("S", "S"), is_part_of("S, night", "S"), is_part_of("S, east", "S")
    (True, True, False)
    """
    while service != whole:
        head, comma, last = service.rpartition(", ")
        if not comma or not set(last.split("+")) <= set(PERIOD_NAMES):
            return False
        if service == part_id(whole, last.split("+")):
            return True
        service = head
    return True


def split_by_period(
    service: Service, periods: Sequence[Period], project: Project, known: Known
) -> list[tuple[Service, bool]]:
    """A service, or its trains outside and inside some periods, each with whether it is inside."""
    if set(periods) == set(PERIOD_NAMES):
        return [(service, True)]
    inner, outer = part_id(service.id, periods), service.id
    trains = service.trains
    if isinstance(trains, TrainsPerPeriod):
        given = {p: getattr(trains, p) for p in PERIOD_NAMES}
        within: Any = trains.model_copy(update={p: given[p] if p in periods else 0.0 for p in PERIOD_NAMES})
        without: Any = trains.model_copy(update={p: 0.0 for p in periods})
        n_inside, n_outside = (sum(getattr(t, p) for p in PERIOD_NAMES) for t in (within, without))
    else:
        minutes = known.times.get(service.id, np.empty(0, dtype=np.int64)) if trains.times is None else _minutes(trains)
        hours = np.array([_in_periods(int(m) // 60, periods, project) for m in minutes], dtype=np.bool_)
        within, without = _times(minutes[hours]), _times(minutes[~hours])
        n_inside, n_outside = int(hours.sum()), int((~hours).sum())
    if not n_outside:
        return [(service, True)]
    if not n_inside:
        return [(service, False)]
    return [
        (service.model_copy(update={"id": outer, "trains": without}), False),
        (service.model_copy(update={"id": inner, "trains": within}), True),
    ]


def _minutes(trains: TrainTimes) -> IntArray:
    clock = [text.strip().split(":") for text in trains.times or ()]
    return np.array([60 * int(t[0]) + int(t[1]) for t in clock], dtype=np.int64)


def _times(minutes: IntArray) -> TrainTimes:
    texts = tuple(f"{int(m) // 60:02d}:{int(m) % 60:02d}" for m in np.sort(minutes))
    return TrainTimes(kind="times", times=texts)


def _in_periods(hour: int, periods: Sequence[str], project: Project) -> bool:
    for period in periods:
        first, last = getattr(project.site.periods, period)
        if (hour - first) % 24 < (last - first - 1) % 24 + 1:
            return True
    return False


def with_services(project: Project, services: Sequence[Service]) -> Project:
    """The project with other services; states of the timetable hold for the parts of one that was split."""
    update: dict[str, Any] = {"services": tuple(services)}
    old = {s.id for s in project.services}
    new = [s.id for s in services if s.id not in old]
    if new and project.conditions is not None and project.conditions.timetable:
        states = []
        for state in project.conditions.timetable:
            more = {n: change for n in new for of, change in state.services.items() if n.startswith(f"{of}, ")}
            states.append(state.model_copy(update={"services": {**state.services, **more}}))
        update["conditions"] = project.conditions.model_copy(update={"timetable": tuple(states)})
    return project.model_copy(update=update)


class TimesOptions(MeasureOptions):
    """Options of trains at other times."""

    service: str = Field(description="Id of the service", min_length=1, max_length=60)
    later_min: int | None = Field(
        default=None,
        ge=-720,
        le=720,
        description="Services with a table of times: minutes by which their trains run later, -720 to 720",
    )
    before: str | None = Field(
        default=None, description="With later_min: only trains before this time of day, HH:MM. Default null: all"
    )
    from_period: Period | None = Field(default=None, description="Services by period: period that trains leave")
    to_period: Period | None = Field(default=None, description="Services by period: period that they move to")
    trains: float | None = Field(
        default=None, gt=0, le=10_000, description="Services by period: how many trains move. Default: all"
    )

    @model_validator(mode="after")
    def _one(self) -> TimesOptions:
        if (self.later_min is None) == (self.from_period is None) or (self.from_period is None) != (
            self.to_period is None
        ):
            raise ValueError("needs either later_min, or from_period and to_period")
        return self


class OtherTimes(Catalogued):
    """Trains at other times, for example positioning runs later in the morning."""

    name = "other_times"
    title = "Timetable: trains at other times"
    sources = sources_of(name)
    side = "source"
    acts_on = ("all",)
    stage = 30
    options_model = TimesOptions

    def apply(self, project: Project, options: Options, known: Known) -> Project:
        options = cast(TimesOptions, options)
        services = []
        for service in project.services:
            if is_part_of(service.id, options.service):
                service = service.model_copy(update={"trains": self._moved(service, options, known)})
            services.append(service)
        return project.model_copy(update={"services": tuple(services)})

    def _moved(self, service: Service, options: TimesOptions, known: Known) -> TrainsPerPeriod | TrainTimes:
        trains = service.trains
        if isinstance(trains, TrainsPerPeriod):
            assert options.from_period is not None and options.to_period is not None
            there = getattr(trains, options.from_period)
            n = there if options.trains is None else min(options.trains, there)
            moved: dict[str, float] = {options.from_period: there - n}
            moved[options.to_period] = moved.get(options.to_period, getattr(trains, options.to_period)) + n
            return trains.model_copy(update=moved)
        minutes = known.times[service.id] if trains.times is None else _minutes(trains)
        last = 24 * 60 if options.before is None else _clock(options.before)
        later = np.where(minutes < last, (minutes + (options.later_min or 0)) % (24 * 60), minutes)
        return _times(later)

    def lacks(self, project: Project, options: Options, known: Known) -> Sequence[Lack]:
        options = cast(TimesOptions, options)
        found = unknown("service", [options.service], [s.id for s in project.services], "service")
        if found:
            return found
        service = next(s for s in project.services if s.id == options.service)
        timed = isinstance(service.trains, TrainTimes)
        if timed != (options.later_min is not None):
            wanted = "later_min" if timed else "from_period"
            return [Lack("service", f"has {'a table of times' if timed else 'numbers by period'}: give {wanted}")]
        if options.before is not None and _clock(options.before) < 0:
            return [Lack("before", "is not a time of day", "HH:MM from 00:00 to 23:59")]
        return []


def _clock(text: str) -> int:
    """Minutes since midnight; -1 where the text is no time of day."""
    parts = text.strip().split(":")
    if len(parts) != 2 or not all(p.isdigit() and p.isascii() for p in parts):
        return -1
    hour, minute = (int(p) for p in parts)
    return 60 * hour + minute if hour < 24 and minute < 60 else -1


class OtherTrackOptions(MeasureOptions):
    """Options of trains on another track."""

    service: str = Field(description="Id of the service", min_length=1, max_length=60)
    track: str = Field(description="Id of the track that its trains use instead", min_length=1, max_length=60)
    direction: Literal["rising", "falling"] | None = Field(
        default=None, description="Way along that track. Default null: as the service says"
    )


class OtherTrack(Catalogued):
    """All trains of a service on another track."""

    name = "other_track"
    title = "Timetable: trains on another track"
    sources = sources_of(name)
    side = "source"
    acts_on = ("all",)
    stage = 30
    options_model = OtherTrackOptions

    def apply(self, project: Project, options: Options, known: Known) -> Project:
        options = cast(OtherTrackOptions, options)
        services = []
        for service in project.services:
            if is_part_of(service.id, options.service):
                update: dict[str, Any] = {"track": options.track}
                if options.direction is not None:
                    update["direction"] = options.direction
                if service.track != options.track:
                    update["speed_restrictions"] = ()
                service = service.model_copy(update=update)
            services.append(service)
        return project.model_copy(update={"services": tuple(services)})

    def lacks(self, project: Project, options: Options, known: Known) -> Sequence[Lack]:
        options = cast(OtherTrackOptions, options)
        found = unknown("service", [options.service], [s.id for s in project.services], "service")
        found += unknown("track", [options.track], [t.id for t in project.tracks], "track")
        if found:
            return found
        service = next(s for s in project.services if s.id == options.service)
        if isinstance(service.pattern, Calls):
            here = {s.id for s in project.stops if any(p.track == options.track for p in s.at)}
            gone = [name for name in service.pattern.at if name not in here]
            found = [Lack("track", f"stop {name} of the service does not lie on this track") for name in gone]
        return found

    def fits(self, project: Project, known: Known) -> bool:
        return len(project.tracks) > 1


class DrivingOptions(MeasureOptions):
    """Options of an instruction to drivers."""

    services: Ids = Field(description="Ids of the services that are driven otherwise")
    acceleration_factor: float = Field(
        default=1.0, ge=0.2, le=2, description="Times the acceleration from stops, 0.2 to 2. Default 1"
    )
    braking_factor: float = Field(
        default=1.0, ge=0.2, le=2, description="Times the braking before stops, 0.2 to 2. Default 1"
    )
    speed_km_h: float | None = Field(
        default=None, ge=1, le=500, description="Highest speed that is driven [km/h], 1 to 500. Default null"
    )


class DrivingInstruction(Catalogued):
    """Gentler starting and braking, lower top speed."""

    name = "driving_instruction"
    title = "Driving instruction"
    sources = sources_of(name)
    side = "source"
    acts_on = ("all",)
    stage = 30
    options_model = DrivingOptions

    def apply(self, project: Project, options: Options, known: Known) -> Project:
        options = cast(DrivingOptions, options)
        services = tuple(
            self._driven(s, options) if any(is_part_of(s.id, name) for name in options.services) else s
            for s in project.services
        )
        return project.model_copy(update={"services": services})

    def _driven(self, service: Service, options: DrivingOptions) -> Service:
        update: dict[str, Any] = {}
        if isinstance(service.pattern, Calls):
            pattern = {
                "acceleration_m_s2": min(
                    3.0, max(0.02, service.pattern.acceleration_m_s2 * options.acceleration_factor)
                ),
                "braking_m_s2": min(4.0, max(0.02, service.pattern.braking_m_s2 * options.braking_factor)),
            }
            update["pattern"] = service.pattern.model_copy(update=pattern)
        if options.speed_km_h is not None:
            given = service.speed_km_h
            update["speed_km_h"] = options.speed_km_h if given is None else min(given, options.speed_km_h)
        return service.model_copy(update=update)

    def lacks(self, project: Project, options: Options, known: Known) -> Sequence[Lack]:
        services = cast(DrivingOptions, options).services
        return unknown("services", services, [s.id for s in project.services], "service")


def measures() -> tuple[Measure, ...]:
    return (SpeedRestriction(), OtherTimes(), OtherTrack(), DrivingInstruction())
