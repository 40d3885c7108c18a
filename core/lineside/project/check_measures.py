"""Checks of measures to consider: names and options by what plugins offer, and whether they fit the project."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from pydantic import ValidationError

from lineside.acoustics.bands import Array
from lineside.contracts import Options
from lineside.errors import OutOfRangeError
from lineside.measures import Known, Measure
from lineside.project.draft import Draft
from lineside.project.model import Project
from lineside.project.names import validated
from lineside.project.problems import Loc
from lineside.project.resolve import Resolved
from lineside.project.vocabulary import Vocabulary
from lineside.project.wording import Shape, did_you_mean, names, shown
from lineside.scene.model import IntArray, Spectrum


def known_of(
    alignments: Mapping[str, tuple[Array, Array]],
    spectra: Mapping[str, Spectrum],
    times: Mapping[str, IntArray],
    running: Iterable[str],
    vocabulary: Vocabulary,
) -> Known:
    """What measures may look up in a project with these calculators."""
    calculators = tuple(running)
    tables = [vocabulary.tables[name] for name in calculators if name in vocabulary.tables]

    def tabulated(attribute: str, name: str) -> Spectrum | None:
        return next((found for ask in tables if (found := ask(attribute, name)) is not None), None)

    return Known(alignments, spectra, times, calculators, tabulated)


def check_measures(
    draft: Draft, resolved: Resolved, running: Iterable[str], vocabulary: Vocabulary | None
) -> dict[int, Options]:
    """Report what is wrong with the measures of a project; their options by index."""
    _check_rules(draft, vocabulary)
    found: dict[int, Options] = {}
    if vocabulary is None:
        return found
    for i, use in draft.measures.items():
        measure = vocabulary.measures.get(use.measure)
        if measure is None:
            draft.reporter.add(
                ("measures", i, "measure"),
                "no plugin offers this measure",
                allowed=names(vocabulary.measures),
                hint=did_you_mean(use.measure, vocabulary.measures),
            )
            continue
        options = validated(draft, ("measures", i, "options"), measure.options_model, use.options)
        if options is not None:
            found[i] = options
    known = None
    if draft.project is not None:
        known = _known(draft.project, resolved, running, vocabulary)
        for i, options in found.items():
            measure = vocabulary.measures[draft.measures[i].measure]
            for lack in measure.lacks(draft.project, options, known):
                written = lack.field in draft.measures[i].options
                path: Loc = ("measures", i, "options", lack.field) if written else ("measures", i, "options")
                draft.reporter.add(path, lack.message, allowed=lack.allowed, found=None if written else "")
    _check_search(draft, found, known, vocabulary)
    return found


def _known(project: Project, resolved: Resolved, running: Iterable[str], vocabulary: Vocabulary) -> Known:
    alignments = {project.tracks[i].id: (a.chainage_m, a.xyz_m) for i, a in resolved.alignments.items()}
    spectra = {project.spectra[i].id: s for i, s in resolved.spectra.items()}
    times = {project.services[i].id: t for i, t in resolved.times.items()}
    return known_of(alignments, spectra, times, running, vocabulary)


def _check_rules(draft: Draft, vocabulary: Vocabulary | None) -> None:
    ids = draft.ids("measures")
    currencies = {c.currency for use in draft.measures.values() for c in use.costs}
    for i, use in draft.measures.items():
        for k, cost in enumerate(use.costs):
            first = next(c.currency for u in draft.measures.values() for c in u.costs)
            if len(currencies) > 1 and cost.currency != first:
                draft.reporter.add(
                    ("measures", i, "costs", k, "currency"),
                    f"another currency than {first} of the first cost",
                    hint="costs are added up and compared: give all of them in one currency",
                )
        if use.life is None and any(c.every == "once" for c in use.costs):
            draft.reporter.warn(
                ("measures", i, "costs"),
                "has a cost that is paid once, but no service life: no option with this measure gets a cost",
                found="",
                hint="add life: {years: ..., source: ...}; or every: year, if the cost falls due each year",
            )
    _warn_alike(draft)
    rules = draft.options
    if rules is None:
        return
    for k, group in enumerate(rules.exclude):
        for n, name in enumerate(group):
            if name not in ids:
                draft.reporter.add(
                    ("options", "exclude", k, n),
                    "there is no measure with this id",
                    allowed=names(ids),
                    hint=did_you_mean(name, ids),
                )
            elif name in group[:n]:
                draft.reporter.add(
                    ("options", "exclude", k, n),
                    "this measure is in the group already",
                    hint="a group names measures of which one option has one at most: each of them once",
                )
    if rules.dose_effect is not None and vocabulary is not None and rules.dose_effect not in vocabulary.dose_effects:
        draft.reporter.add(
            ("options", "dose_effect"),
            "no plugin offers this relation",
            allowed=names(vocabulary.dose_effects),
            hint=did_you_mean(rules.dose_effect, vocabulary.dose_effects),
        )


def _warn_alike(draft: Draft) -> None:
    """Ids that differ in the case of letters only are hard to tell apart in a report."""
    first: dict[str, str] = {}
    for i, use in draft.measures.items():
        other = first.setdefault(use.id.casefold(), use.id)
        if other != use.id:
            draft.reporter.warn(
                ("measures", i, "id"),
                f"differs from the measure {shown(other)} in the case of letters only",
                hint="the report names options by these ids: choose one that cannot be mistaken",
            )


def _check_search(
    draft: Draft, found: Mapping[int, Options], known: Known | None, vocabulary: Vocabulary | None
) -> None:
    """Whether the measure of a search has a line, and may have the heights."""
    wanted = draft.options.place_search if draft.options is not None else None
    if wanted is None:
        return
    index = {use.id: i for i, use in draft.measures.items()}
    path: Loc = ("options", "place_search")
    if wanted.measure not in index:
        draft.reporter.add(
            (*path, "measure"),
            "there is no measure with this id",
            allowed=names(index),
            hint=did_you_mean(wanted.measure, index),
        )
        return
    i = index[wanted.measure]
    if vocabulary is None or known is None or i not in found:
        return
    measure = vocabulary.measures[draft.measures[i].measure]
    for k, height in enumerate(wanted.heights_m):
        try:
            part = measure.part(found[i], known, height, 0.0, 1.0)
        except OutOfRangeError as error:
            why, allowed = _why(measure, error)
            draft.reporter.add((*path, "heights_m", k), f"cannot be for {measure.name}: {why}", allowed=allowed)
            continue
        if part is not None and draft.project is not None and not measure.lacks(draft.project, found[i], known):
            for lack in measure.lacks(draft.project, part, known):
                draft.reporter.add(
                    (*path, "heights_m", k), f"cannot be for {measure.name}: {lack.message}", allowed=lack.allowed
                )
        if part is None:
            draft.reporter.add(
                (*path, "measure"),
                f"the measure {measure.name} has no line and height that could be varied",
                hint="name a barrier, a low barrier or a bank",
            )
            return


def _why(measure: Measure, error: OutOfRangeError) -> tuple[str, str]:
    """Why an option cannot be, and what it accepts."""
    cause = error.__cause__
    if not isinstance(cause, ValidationError):
        return str(error), ""
    loc = cause.errors(include_url=False)[0]["loc"]
    key = next((part for part in reversed(loc) if isinstance(part, str)), "")
    shape = Shape(measure.options_model.model_json_schema(mode="validation"))
    node = shape.root
    for part in loc:
        node = shape.step(node, part, None)
    return f"its {key} does not reach so far" if key else "its options do not fit", shape.allowed(node, key, full=True)
