"""Measures to consider, put into projects: one by one and combined, with what excludes what."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from pydantic import ValidationError

from lineside.contracts import Options
from lineside.errors import LinesideError, RequestError
from lineside.measures import Known, Measure, day_of
from lineside.project.load import LoadedProject
from lineside.project.model import MeasureUse, OptionRules, Project

#: Ids of the measures of an option, in the order of the project file; () is the project as it is.
OptionKey = tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Candidate:
    """A measure to consider, with its options in this project."""

    use: MeasureUse
    measure: Measure
    options: Options
    day: dt.date  # from which it works

    @property
    def id(self) -> str:
        return self.use.id

    @property
    def outdoors(self) -> bool:
        """Can it change a level outdoors?"""
        return self.measure.side in ("source", "path")

    def in_place(self, project: Project) -> Candidate:
        """The same from the day on which it can be there: not before the date of the project and its lead time."""
        day = max(self.day, project.identity.date + dt.timedelta(days=self.use.lead_days or 0))
        if day == self.day:
            return self
        dated = "date" in type(self.options).model_fields
        options = self.options.model_copy(update={"date": day}) if dated else self.options
        return replace(self, options=options, day=day)


def candidates(loaded: LoadedProject, measures: Mapping[str, Measure]) -> tuple[Candidate, ...]:
    """The measures that a project lists, in its order."""
    out = []
    for use in loaded.project.measures:
        options = loaded.measure_options[use.id]
        out.append(Candidate(use, measures[use.measure], options, day_of(options, loaded.project)))
    return tuple(out)


def option_keys(given: Sequence[Candidate], rules: OptionRules) -> tuple[list[OptionKey], dict[OptionKey, str]]:
    """Options to compute, single measures first; and pairs that exclude each other, with the reason.

    Measures that change nothing outdoors (windows, waiting) are options by themselves only. What contains a pair left
    out is not named again.

    Raises
    ------
    RequestError
        If the rules ask for more options and pairs than they allow.
    """
    ids = [c.id for c in given]
    kept: list[OptionKey] = [(name,) for name in ids]
    _bounded(kept, {}, ids, rules)
    joined = [c.id for c in given if c.outdoors]
    clash: dict[str, set[str]] = {name: set() for name in ids}
    for group in rules.exclude:
        for name in group:
            clash[name].update(group)
    dropped: dict[OptionKey, str] = {}
    last: list[tuple[int, ...]] = [(n,) for n in range(len(joined))]
    for size in range(2, min(rules.combine_up_to, len(joined)) + 1):
        longer = []
        for key in last:
            excluded = set().union(*(clash[joined[k]] for k in key))
            for n in range(key[-1] + 1, len(joined)):
                new = joined[n]
                if new not in excluded:
                    longer.append((*key, n))
                    kept.append(tuple(joined[k] for k in longer[-1]))
                elif size == 2:
                    dropped[joined[key[0]], new] = f"{joined[key[0]]} and {new} exclude each other"
                _bounded(kept, dropped, ids, rules)
        last = longer
    return kept, dropped


def _bounded(
    kept: Sequence[OptionKey], dropped: Mapping[OptionKey, str], ids: Sequence[str], rules: OptionRules
) -> None:
    if len(kept) + len(dropped) > rules.max_options:
        raise RequestError(
            f"{len(ids)} measures in options of up to {rules.combine_up_to} are more than {rules.max_options} options, "
            "with the pairs that exclude each other: lower options.combine_up_to, exclude some, or raise "
            "options.max_options"
        )


@dataclass(eq=False)
class Changer:
    """Puts measures into a project; each set once.

    Measures are applied in rising order of stage, then of id, so that the order of the project file does not matter.
    ``on``: the situation's date; measures that begin later are left out.
    """

    loaded: LoadedProject
    known: Known
    by_id: Mapping[str, Candidate]
    on: dt.date
    _made: dict[OptionKey, Project | str] = field(default_factory=dict)

    def ordered(self, key: OptionKey) -> OptionKey:
        """The measures of an option that work on the date, in the order in which they are applied."""
        there = [self.by_id[name] for name in key if self.by_id[name].day <= self.on and self.by_id[name].outdoors]
        return tuple(c.id for c in sorted(there, key=lambda c: (c.measure.stage, c.id)))

    def project(self, key: OptionKey) -> Project | str:
        """The project with the measures of an option, or why they do not go together."""
        ordered = self.ordered(key)
        if ordered not in self._made:
            self._made[ordered] = self._make(ordered)
        return self._made[ordered]

    def _make(self, ordered: OptionKey) -> Project | str:
        if not ordered:
            return self.loaded.project
        before = self.project(ordered[:-1])
        if isinstance(before, str):
            return before
        last = self.by_id[ordered[-1]]
        try:
            for lack in last.measure.lacks(before, last.options, self.known):
                return f"{last.id}: {lack.field}: {lack.message}"
            return last.measure.apply(before, last.options, self.known)
        except (LinesideError, ValidationError) as error:
            return f"{last.id}: {str(error).splitlines()[0]}"
