"""Holds measures and relations of doses and effects to what they declare; see :mod:`lineside.plugin_checks`."""

from __future__ import annotations

from collections.abc import Iterator
from typing import get_args

import numpy as np
from pydantic import ValidationError

from lineside.contracts import Options
from lineside.measures import FRICTION_APPROVAL, TRACK_SAFETY, DoseEffect, Measure, Side, Unit
from lineside.project.model import Project
from lineside.small_project import small_known, small_project

#: Parts of a project that no measure may change.
FIXED = ("site", "receivers", "ground_areas", "stops", "units", "rail_measurements", "criteria", "identity")


def measure_problems(offer: Measure, options: Options) -> Iterator[str]:
    """What a measure does other than it declares, on the small project."""
    if offer.side not in get_args(Side):
        yield f"side {offer.side!r} is none of {', '.join(get_args(Side))}"
    if bool(offer.acts_on) != (offer.side in ("source", "path")):
        yield "acts_on names the mechanisms of measures at the source and on the path, and of no others"
    facts = offer.facts()
    if any(not (e.on.strip() and e.form.strip()) for e in facts.effects):
        yield "an effect needs what it acts on and what its number is"
    if offer.near_track and TRACK_SAFETY not in offer.cautions():
        yield "cautions() must hold what work near the track needs"
    if offer.on_friction and FRICTION_APPROVAL not in offer.approvals():
        yield "approvals() must hold what friction on the rail needs"
    project = small_project()
    known, before = small_known(project), repr(project)
    yield from (
        f"lacks() of the small project: {lack.field}: {lack.message}" for lack in offer.lacks(project, options, known)
    )
    first, second = (offer.apply(project, options, known) for _ in range(2))
    amounts = offer.amounts(project, options, known)
    if repr(project) != before:
        yield "it changes the project that it is given"
        return
    if first != second:
        yield "apply() changes from call to call"
    try:
        if Project.model_validate(first.model_dump(by_alias=True)) != first:
            yield "apply() gives a project that its own file would not give"
    except ValidationError as error:
        yield f"apply() gives a project that cannot be read: {error.errors()[0]['msg']}"
    if offer.side in ("indoors", "waiting") and first != project:
        yield "it changes the project, but says that it does nothing outdoors"
    if offer.side in ("source", "path") and first == project and not offer.without_effect(project, options, known):
        yield "it changes nothing, and without_effect() does not say why"
    fixed = ("site", "receivers", "ground_areas", "stops", "units", "rail_measurements", "criteria", "identity")
    yield from (
        f"apply() changes {part}, which no measure may"
        for part in fixed
        if getattr(first, part) != getattr(project, part)
    )
    if [(t.id, t.alignment) for t in first.tracks] != [(t.id, t.alignment) for t in project.tracks]:
        yield "apply() moves tracks, which no measure may"
    added = {work.kind for work in first.works[len(project.works) :]}
    if added & {"lubrication", "friction_modifier"} and not offer.on_friction:
        yield "it puts something on the rails, but on_friction is not set"
    if (added or (first.barriers, first.banks) != (project.barriers, project.banks)) and not offer.near_track:
        yield "it works on the track, but near_track is not set"
    if not isinstance(offer.fits(project, known), bool):
        yield "fits() must answer True or False"
    if not all(unit in get_args(Unit) and np.isfinite(n) and n >= 0.0 for unit, n in amounts.items()):
        yield "amounts() must be finite, at least 0, by known units"


def dose_effect_problems(offer: DoseEffect) -> Iterator[str]:
    """What is wrong with a relation between levels and effects."""
    level = np.linspace(0.0, 120.0, 121)
    if not offer.effects:
        yield "it names no effect"
    for effect, indicator in offer.effects.items():
        if indicator not in ("lden_db", "lnight_db"):
            yield f"{effect}: follows from {indicator!r}, which is neither lden_db nor lnight_db"
        share, valid = offer.share(effect, level), offer.valid(effect, level)
        if share.shape != level.shape or valid.shape != level.shape or valid.dtype != np.bool_:
            yield f"{effect}: share() and valid() must have the shape of the levels"
        elif not np.all((share >= 0.0) & (share <= 1.0)) or np.any(np.diff(share) < 0.0):
            yield f"{effect}: shares must lie between 0 and 1 and not fall with the level"
