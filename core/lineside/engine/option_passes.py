"""Largest levels of single passes with chosen options, from the moving train itself."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import numpy as np

from lineside.acoustics.bands import Array
from lineside.engine.combine import OptionKey
from lineside.engine.mixing import MixedEmission, aligned, mixed_emission, source_mix, surroundings
from lineside.engine.option_run import Considered, plan_with
from lineside.engine.option_states import other_way
from lineside.engine.passby import pass_history
from lineside.engine.plan import Plan
from lineside.engine.select import Selection
from lineside.engine.transfer import Transfer, compute_transfer
from lineside.scene.model import Receivers, Scene
from lineside.scene.points import source_points


def largest_passes(
    considered: Considered, selection: Selection, keys: Sequence[OptionKey], receivers: Sequence[int]
) -> dict[OptionKey, Array]:
    """Largest mean square with time weighting F of any train that runs, in the loudest of all states.

    Parameters
    ----------
    keys : sequence of OptionKey
        Options whose levels are known; () is the project as it is.
    receivers : sequence of int
        Indices of the receivers for which it is wanted.

    Returns
    -------
    dict
        Option -> (len(receivers),), re (20 uPa)^2.
    """
    base, prepared = considered.evaluation.plan, considered.prepared
    plans: dict[OptionKey, Plan] = {}
    for key in keys:
        loaded = prepared.loaded_of(key)
        if not isinstance(loaded, str):
            same = loaded is prepared.loaded
            plans[key] = base if same else plan_with(base, loaded, prepared.selection_of(loaded))
    emissions = {key: _emission(base, plan, prepared.date) for key, plan in plans.items()}
    own = {key for key, plan in plans.items() if other_way(plan.scenes.loaded.project, prepared.loaded.project)}
    out = {key: np.zeros(len(receivers)) for key in plans}
    for n, r in enumerate(receivers):
        receiver = base.task.scene.receivers.part(r, r + 1)
        known = _transfers(base, base, selection, receiver)
        for key, plan in plans.items():
            transfers = _transfers(base, plan, selection, receiver) if key in own else known
            out[key][n] = _largest(emissions[key], transfers)
    return out


def _emission(base: Plan, plan: Plan, date: dt.date) -> MixedEmission:
    """What is heard in each state of the sources on a date, with the source classes of the project as it is."""
    by_rail = any(c.by_rail_condition for c, _ in plan.sources)
    mix = source_mix(plan.scenes, plan.scenes.state(date), base.situation.choices, by_rail)

    def finish(scene: Scene) -> Scene:
        return plan.rails.at(scene, date)

    found, classes = mixed_emission(plan.scenes, mix, plan.sources, finish), base.task.emission.mean.classes
    return MixedEmission(aligned(found.mean, classes), tuple((b, aligned(e, classes)) for b, e in found.states))


def _transfers(base: Plan, plan: Plan, selection: Selection, receiver: Receivers) -> list[Transfer]:
    """Transfer in each state of the way of the sound."""
    task, propagation, options = base.task, selection.propagation, selection.propagation_options
    points = source_points(task.scene, receiver, propagation.max_piece_ratio(options), propagation.source_ground_g)
    around = task.around
    if plan is not base:
        around = surroundings(plan.scenes, plan.built.scene, base.situation.choices)
    classes = task.emission.mean.classes
    return [compute_transfer(a.scene, propagation, options, classes, receiver, points) for a in around]


def _largest(emission: MixedEmission, transfers: Sequence[Transfer]) -> float:
    most = 0.0
    for built, of_state in emission.states:
        for transfer in transfers:
            for k, run in enumerate(built.runs):
                if built.scene.services[k].trains_per_hour.any():
                    history = pass_history(built.scene, run, k, of_state, transfer)
                    most = max(most, float(history.lafmax_energy().max()))
    return most
