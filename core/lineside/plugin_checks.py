"""Holds a calculator or criterion to what it declares: for lineside's own tests and for those of other plugins.

>>> class Unfinished(Criterion):
...     name, title, version = "unfinished", "", "1"
...     place = valid_from = nature = "nowhere"
...     def checks(self, receiver, options):
...         return NotApplicable("not yet")
>>> check_offer(Unfinished())
Traceback (most recent call last):
    ...
lineside.errors.PluginError: unfinished breaks its contract:
- title is empty
- it names no source, and its options ask for none
- statement() is empty
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import hashlib
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, get_args

import numpy as np
from pydantic import ValidationError

from lineside.acoustics.bands import N_OCTAVES, N_THIRDS, Array
from lineside.contracts import (
    Criterion,
    LimitCheck,
    MeasuredRoughness,
    NotApplicable,
    Note,
    Offer,
    Options,
    PropagationCalculator,
    RailRun,
    RailStateCalculator,
    RailWork,
    ReceiverUse,
    ReportSection,
    SourceCalculator,
    SourceClass,
    Validity,
    Verification,
)
from lineside.doubt_checks import path_doubt_problems, source_doubt_problems
from lineside.engine.bounds import nearest_m
from lineside.errors import PluginError
from lineside.measure_checks import dose_effect_problems, measure_problems
from lineside.measures import DoseEffect, Measure
from lineside.project.site import Receiver
from lineside.project.vocabulary import ATTRIBUTES
from lineside.results.model import Results
from lineside.scene.model import Receivers, Scene, SourceConditions, SourcePoints, Traffic
from lineside.small_scene import small_points, small_powers, small_scene

QUANTITIES = ("lden_db", "lday_db", "levening_db", "lnight_db", "laeq_db", "lafmax_db")
FORMS = ("ballast", "slab", "embedded")
#: The same question in another order may differ in the last digits of a sum.
SAME = 1e-9


def check_offer(offer: Offer, options: Options | None = None, scene: Scene | None = None) -> None:
    """Check an object that a plugin registers.

    Parameters
    ----------
    offer : Offer
        A source, propagation or rail state calculator, a criterion, a measure or a relation of doses and effects.
    options : Options, optional
        What it is called with; needed where its options have required fields.
    scene : Scene, optional
        What a calculator is called with; by default the scene of :mod:`lineside.small_scene` with its own vocabulary.

    Raises
    ------
    PluginError
        If a promise is broken; the message lists all that were found.
    """
    if options is None:
        try:
            options = offer.options_model()
        except ValidationError as error:
            raise PluginError(f"{offer.name}: options have required fields; give check_offer the options") from error
    broken = [*_declaration(offer), *_statement(offer, options)]
    if isinstance(offer, SourceCalculator):
        broken += _source(offer, options, scene or small_scene(offer.vocabulary))
        broken += _vocabulary(offer, options)
        broken += source_doubt_problems(offer, options)
    elif isinstance(offer, PropagationCalculator):
        broken += _propagation(offer, options, scene or small_scene())
        broken += path_doubt_problems(offer, options)
    elif isinstance(offer, RailStateCalculator):
        broken += _rail_state(offer, options)
    elif isinstance(offer, Criterion):
        broken += _criterion(offer, options)
    elif isinstance(offer, Measure):
        broken += measure_problems(offer, options)
    elif isinstance(offer, DoseEffect):
        broken += dose_effect_problems(offer)
    if broken:
        raise PluginError(f"{offer.name} breaks its contract:\n- " + "\n- ".join(broken))


def check_section(section: ReportSection, results: Results | None = None) -> None:
    """Check a section of the report that a plugin registers.

    Parameters
    ----------
    section : ReportSection
        What it declares and its template are checked.
    results : Results, optional
        With results, what it prints of them is checked too.

    Raises
    ------
    PluginError
        If a rule is broken; the message lists what was found.
    """
    from lineside.report.sections import faults, rendered

    broken = list(faults(section))
    if broken:
        raise PluginError(f"report section {section.name!r} breaks its contract:\n- " + "\n- ".join(broken))
    if results is not None:
        rendered(section, results.model_dump(mode="json"))


def fingerprint(value: object) -> str:
    """A hash over all arrays and plain values inside, to tell whether something was changed."""
    digest = hashlib.sha256()

    def feed(part: object) -> None:
        if isinstance(part, np.ndarray):
            digest.update(f"{part.dtype}{part.shape}".encode() + np.ascontiguousarray(part).tobytes())
        elif dataclasses.is_dataclass(part):
            for field in dataclasses.fields(part):
                feed(getattr(part, field.name))
        elif isinstance(part, Mapping):
            for key in part:
                feed(key)
                feed(part[key])
        elif isinstance(part, Sequence) and not isinstance(part, str):
            for entry in part:
                feed(entry)
        else:
            digest.update(repr(part).encode())

    feed(value)
    return digest.hexdigest()


def _declaration(offer: Offer) -> Iterator[str]:
    if not re.fullmatch(r"[a-z][a-z0-9_]*", offer.name):
        yield f"name {offer.name!r} must be lower-case letters, digits and underscores"
    texts = ["title", "version"]
    if isinstance(offer, SourceCalculator):
        texts.append("mechanism")
    if isinstance(offer, Criterion):
        texts += ["place", "valid_from", "nature"]
    yield from (f"{text} is empty" for text in texts if not str(getattr(offer, text, "")).strip())
    required = {name for name, field in offer.options_model.model_fields.items() if field.is_required()}
    if not offer.sources and "source" not in required:
        yield "it names no source, and its options ask for none"
    if isinstance(offer, SourceCalculator) and not {"", offer.mechanism}.isdisjoint(m.strip() for m in offer.builds_on):
        yield "builds_on must name other mechanisms"
    for citation in offer.sources:
        if not (citation.key and citation.title and citation.issuer and citation.year > 1800):
            yield f"the source {citation.key or citation.title!r} lacks key, title, issuer or year"
    if offer.verification is not Verification.NOT_VERIFIED and not offer.verification_note.strip():
        yield f"verification is {offer.verification.value!r}, but verification_note does not say what was compared"
    yield from _options(offer.options_model)
    for data in offer.data_files():
        if not re.fullmatch(r"[0-9a-f]{64}", data.sha256) or not (data.name and data.title and data.source):
            yield f"the data file {data.name!r} lacks its title, source or sha256"
    for limit in getattr(offer, "validity", ()):
        if not isinstance(limit, Validity) or not limit.low < limit.high or not limit.reason.strip():
            yield f"the range of validity {limit!r} needs low < high and a reason"


def _options(model: type[Options]) -> Iterator[str]:
    if model.model_config.get("extra") != "forbid" or not model.model_config.get("frozen"):
        yield f"{model.__name__} must refuse unknown keys and be frozen, as lineside.contracts.Options is"
    schema = model.model_json_schema()
    for title, part in [(model.__name__, schema), *schema.get("$defs", {}).items()]:
        for name, field in part.get("properties", {}).items():
            if not field.get("description"):
                yield f"option {name} of {title} has no description"


def _statement(offer: Offer, options: Options) -> Iterator[str]:
    said = offer.statement(options)
    if not said.strip():
        yield "statement() is empty"
    if said != offer.statement(options):
        yield "statement() changes from call to call"


def _source(offer: SourceCalculator, options: Options, scene: Scene) -> Iterator[str]:
    others = small_powers(scene, offer.builds_on)
    before = fingerprint((scene, others))
    first, second = (offer.emission_beside(scene, options, others) for _ in range(2))
    for track in scene.tracks:
        cuts = offer.cuts(track, options)
        if cuts.ndim != 1 or not np.all(np.isfinite(cuts)):
            yield f"cuts() for track {track.id} must be finite chainages, (n,)"
    yield from _notes(offer.notes(scene, options))
    if fingerprint((scene, others)) != before:
        yield "it changes the scene or the powers that it builds on"
        return
    shape = (len(scene.traffic), len(scene.sections), N_THIRDS)
    for source_class, power in first.items():
        yield from _energy(f"emission of {source_class.name!r}", power, shape)
        yield from _gain(source_class)
    if first.keys() != second.keys() or any(not np.array_equal(first[k], second[k]) for k in first):
        yield "emission() changes from call to call"
    order = np.arange(len(scene.traffic))[::-1]
    other_way = dataclasses.replace(scene, traffic=_rows(scene.traffic, order))
    turned = offer.emission_beside(other_way, options, small_powers(other_way, offer.builds_on))
    if any(not np.allclose(turned[k], first[k][order], rtol=SAME, atol=0) for k in first):
        yield "emission() depends on the order of the traffic rows"
    if not offer.by_rail_condition:
        wet = dataclasses.replace(scene, conditions=SourceConditions(rail="wet"))
        soaked = offer.emission_beside(wet, options, others)
        if any(not np.array_equal(soaked[k], first[k]) for k in first):
            yield "emission() depends on the condition of the rails, but by_rail_condition says that it does not"


def _gain(source_class: SourceClass) -> Iterator[str]:
    if source_class.gain is None:
        return
    phi, psi = np.meshgrid(np.linspace(0.0, 180.0, 7), np.linspace(-60.0, 90.0, 6))
    yield from _energy(f"gain of {source_class.name!r}", source_class.gain(phi, psi), (*phi.shape, N_THIRDS))


def _vocabulary(offer: SourceCalculator, options: Options) -> Iterator[str]:
    for attribute, terms in offer.vocabulary.items():
        if attribute not in ATTRIBUTES:
            yield f"vocabulary: no attribute is called {attribute!r}; there are {', '.join(ATTRIBUTES)}"
            continue
        if len({term.name for term in terms}) != len(terms):
            yield f"vocabulary: {attribute} has one name twice"
        for term in terms:
            if not term.meaning.strip():
                yield f"vocabulary: {attribute} {term.name!r} has no meaning"
            scene = small_scene({**offer.vocabulary, attribute: (term,)})
            for power in offer.emission_beside(scene, options, small_powers(scene, offer.builds_on)).values():
                yield from _energy(f"emission with {attribute} {term.name!r}", power)


def _propagation(offer: PropagationCalculator, options: Options, scene: Scene) -> Iterator[str]:
    points, heights, receivers = small_points(scene), np.array([0.5, 4.0]), scene.receivers
    before = fingerprint((scene, points, heights))
    first = offer.path_loss(scene, points, heights, receivers, options)
    second = offer.path_loss(scene, points, heights, receivers, options)
    yield from _notes(offer.notes(scene, options))
    if fingerprint((scene, points, heights)) != before:
        yield "it changes the scene, the points or the heights"
        return
    if not first.states or first.states != offer.states:
        yield f"states of path_loss() are {first.states}, declared are {offer.states}"
    shape = (len(receivers), len(points), heights.size, len(offer.states), N_OCTAVES)
    broken = list(_energy("transfer", first.transfer, shape))
    yield from broken
    if not broken:
        if not np.array_equal(first.transfer, second.transfer):
            yield "path_loss() changes from call to call"
        r, p, h = np.ix_(*(np.arange(n)[::-1] for n in shape[:3]))
        turned = offer.path_loss(scene, _points(points, p.ravel()), heights[::-1], _receivers(receivers), options)
        if not np.allclose(turned.transfer, first.transfer[r, p, h], rtol=SAME, atol=0):
            yield "path_loss() depends on the order of receivers, points or heights"
    share = offer.state_share(np.array([0.0, 0.3, 1.0]))
    if share.shape != (3, len(offer.states)) or np.any(share < 0) or not np.allclose(share.sum(axis=-1), 1.0):
        yield "state_share() must give shares of at least 0 that sum to 1, (..., n_states)"
    ground = {f"source_ground_g({form!r})": offer.source_ground_g(form) for form in FORMS}
    ground |= {f"surface {name!r}": g for name, (g, _) in offer.surfaces().items()}
    yield from (f"{what}: G must lie between 0 and 1" for what, g in ground.items() if not 0 <= g <= 1)
    yield from (f"surface {n!r} has no meaning" for n, (_, said) in offer.surfaces().items() if not said.strip())
    if not 0 < offer.max_piece_ratio(options) <= 1:
        yield "max_piece_ratio() must be above 0, 1 at most"
    yield from _most_transfer(offer, options, scene)


def _most_transfer(offer: PropagationCalculator, options: Options, scene: Scene) -> Iterator[str]:
    """No pair of point and receiver may pass on more than the bound, if there is one."""
    distance = np.geomspace(0.01, 1e4, 200)
    bound = offer.most_transfer(scene, distance, options)
    if bound is None:
        return
    broken = list(_energy("most_transfer()", bound, (distance.size, N_OCTAVES)))
    yield from broken
    if broken:
        return
    if np.any(np.diff(bound, axis=0) > 0):
        yield "most_transfer() rises with distance"
    rng = np.random.default_rng(1)
    points = _points(small_points(scene), rng.integers(0, len(scene.sections), 40))
    points = dataclasses.replace(points, length_m=rng.uniform(0.1, 5.0, len(points)))
    bearing, far = rng.uniform(0.0, 2 * np.pi, 60), 10.0 ** rng.uniform(0.0, 3.5, 60)
    xy = points.xyz_m[rng.integers(0, len(points), 60), :2] + (far * [np.cos(bearing), np.sin(bearing)]).T
    z = scene.ground_level_m + 10.0 ** rng.uniform(0.0, 1.5, 60)
    receivers = Receivers(tuple(map(str, range(60))), np.concatenate([xy, z[:, None]], axis=1))
    heights = np.array([0.01, 0.5, 4.0])
    found = offer.path_loss(scene, points, heights, receivers, options)
    total = found.transfer.copy()
    if found.reflected is not None:
        way = found.reflected
        np.add.at(total, (way.receiver, way.point), way.transfer)
    nearest = np.stack([nearest_m(points, r) for r in receivers.xyz_m])
    most = offer.most_transfer(scene, nearest, options)
    if most is None or most.shape != (*nearest.shape, N_OCTAVES):
        yield "most_transfer() must give (..., 8) for any shape of distances"
    elif np.any(total.max(axis=(2, 3)) > most * (1.0 + SAME)):
        over = 10 * np.log10((total.max(axis=(2, 3)) / most).max())
        yield f"path_loss() passes on up to {over:.2f} dB more than the bound of most_transfer()"


def _rail_state(offer: RailStateCalculator, options: Options) -> Iterator[str]:
    yield from _options(offer.work_model)
    base = np.array([10.0, 30.0, 100.0]), np.array([-2.0, 1.0, 4.0])
    try:
        work = RailWork(dt.date(2026, 3, 1), "grinding", offer.work_model())
    except ValidationError:
        yield f"{offer.work_model.__name__} has required fields: works without details must be possible"
        return
    seen = MeasuredRoughness(dt.date(2026, 5, 4), np.array([10.0, 25.0]), np.array([3.0, 8.0]), "a check")
    runs = [
        RailRun(*base, (), 0.05, np.inf),
        RailRun(*base, (work,), 0.05, 300.0),
        RailRun(*base, (work,), 0.05, 300.0, (seen,)),
    ]
    dates = [dt.date(2026, 2, 1), dt.date(2026, 3, 1), dt.date(2026, 8, 1)]
    before = fingerprint((base, runs))
    yield from _notes(offer.notes(runs, options))
    n_draws = 20
    first, second = (offer.roughness(runs, dates, options, n_draws, seed=1) for _ in range(2))
    tones = [tone for when in dates for run in runs for tone in offer.tones(run, when, options)]
    if fingerprint((base, runs)) != before:
        yield "it changes the runs"
        return
    shape = (len(runs), len(dates), 1 + n_draws, first.wavelength_mm.size)
    if first.level_db.shape != shape or first.worn_in_db.shape != (shape[0], shape[3]):
        yield f"roughness() has the shape {first.level_db.shape}, {shape} is asked for"
        return
    if not (np.all(np.isfinite(first.level_db)) and np.all(np.isfinite(first.worn_in_db))):
        yield "roughness() must be finite levels"
    if not np.array_equal(first.level_db, second.level_db):
        yield "roughness() changes from call to call"
    if np.any(first.level_db[0] != first.level_db[0, :1, :1]):
        yield "roughness() changes where there was no work"
    if not np.allclose(first.level_db[1, 0], first.level_db[0, 0], atol=SAME):
        yield "roughness() is not the base roughness before the first work"
    turned = offer.roughness(runs[::-1], dates[::-1], options, n_draws, seed=1)
    if not np.array_equal(turned.level_db[::-1, ::-1], first.level_db):
        yield "roughness() depends on the order of runs or dates"
    likely = offer.roughness(runs, dates, options)
    if not np.array_equal(likely.level_db, first.level_db[:, :, :1]):
        yield "roughness() without draws is not the first of those with draws"
    if any(not (tone.pitch_mm > 0 and tone.orders and min(tone.orders) >= 1) for tone in tones):
        yield "tones() must have a pitch above 0 and orders from 1"
    numbers = [(*t.margin_db, *(t.other_db or ()), t.smear_ratio, t.needed_margin_db) for t in tones]
    if not all(np.isfinite(row).all() for row in numbers):
        yield "tones() must have finite levels and ratios"


def _criterion(offer: Criterion, options: Options) -> Iterator[str]:
    uses = get_args(Receiver.model_fields["use"].annotation)
    areas = ("residential", "mixed", "commercial", None)
    for receiver in (ReceiverUse("R1", use, area) for use in uses for area in areas):
        where = f"use {receiver.use}, area {receiver.area}"
        answer = offer.checks(receiver, options)
        if answer != offer.checks(receiver, options):
            yield f"{where}: checks() changes from call to call"
        if isinstance(answer, NotApplicable):
            if not answer.reason.strip():
                yield f"{where}: NotApplicable without a reason"
            continue
        if not answer:
            yield f"{where}: checks() gives nothing; give a NotApplicable with its reason"
        for check in answer:
            yield from (f"{where}: {problem}" for problem in _limit(check))


def _limit(check: LimitCheck) -> Iterator[str]:
    if check.quantity not in QUANTITIES:
        yield f"unknown quantity {check.quantity!r}; there are {', '.join(QUANTITIES)}"
    if (check.window is not None) != (check.quantity == "laeq_db"):
        yield f"{check.quantity}: a window belongs to laeq_db, and only there"
    if not np.isfinite([check.limit_db, check.adjustment_db]).all() or not check.label.strip():
        yield f"{check.quantity}: needs a finite limit and a label"


def _energy(what: str, energy: Array, shape: tuple[int, ...] | None = None) -> Iterator[str]:
    if shape is not None and energy.shape != shape:
        yield f"{what} has the shape {energy.shape}, {shape} is asked for"
    elif energy.dtype != np.float64:
        yield f"{what} is {energy.dtype}, float64 is asked for"
    elif not np.all(np.isfinite(energy)) or np.any(energy < 0):
        yield f"{what} must be finite and at least 0 everywhere"


def _notes(notes: Sequence[Note]) -> Iterator[str]:
    yield from ("notes() gives a note without text" for note in notes if not note.text.strip())


def _rows(traffic: Traffic, order: Any) -> Traffic:
    given = {f.name: getattr(traffic, f.name) for f in dataclasses.fields(traffic)}
    return dataclasses.replace(traffic, **{name: a[order] for name, a in given.items() if a is not None})


def _points(points: SourcePoints, order: Any) -> SourcePoints:
    return SourcePoints(**{f.name: getattr(points, f.name)[order] for f in dataclasses.fields(points)})


def _receivers(receivers: Receivers) -> Receivers:
    wall = None if receivers.wall is None else receivers.wall[::-1]
    return Receivers(receivers.ids[::-1], receivers.xyz_m[::-1], wall)
