"""The search for the best part of a wall or bank, as the results document holds it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from lineside.acoustics.bands import Array
from lineside.acoustics.indicators import lden_energy
from lineside.acoustics.levels import to_db
from lineside.contracts import Options
from lineside.engine.option_places import direct_energy, place_energies
from lineside.engine.option_run import Considered
from lineside.engine.select import Selection
from lineside.results import options as model
from lineside.results.option_costs import Priced
from lineside.results.option_numbers import Numbers, digits

#: The shortest part is chosen that has so much of what the best one gives.
ENOUGH = 0.9
#: A height of which no part gives as much is not chosen. [dB, times dwellings or receivers]
LEAST = 0.5


def describe_search(
    considered: Considered,
    numbers: Numbers,
    selection: Selection,
    priced: Callable[[Options], Priced],
    progress: Callable[[int, int], None],
) -> model.WallSearch | None:
    """Best parts by height and length; None where the project does not ask.

    Parameters
    ----------
    priced : callable
        Cost of the measure with other options.
    """
    rule = considered.prepared.loaded.project.options.place_search
    if rule is None:
        return None
    found = place_energies(considered, selection, rule, progress)
    weight = numbers.dwellings if numbers.dwellings.any() else np.ones(len(numbers.receivers))
    before = to_db(lden_energy(found.without.sum(axis=-1), numbers.hours))

    def gain(energy: Array) -> float:
        lden = to_db(lden_energy(energy, numbers.hours))
        heard = np.isfinite(lden) & np.isfinite(before)
        return float(weight[heard] @ (before - lden)[heard])

    given = considered.prepared.changer.by_id[rule.measure]

    def cost(height_m: float, begin: float, end: float) -> model.Money | None:
        options = given.measure.part(given.options, considered.prepared.changer.known, height_m, begin, end)
        value = None if options is None else priced(options)
        if value is None or value.value is None:
            return None
        low, likely, high = (round(v, 2) for v in value.value)
        return model.Money(low=low, likely=likely, high=high, currency=value.currency)

    n = found.n_parts
    best: list[model.PlaceOfWall] = []
    chosen: list[model.PlaceOfWall] = []
    for h, height in enumerate(rule.heights_m):
        of_height: list[tuple[float, int, int]] = []
        for length in range(1, n + 1):
            gains = [gain(found.of(h, first, first + length)) for first in range(n - length + 1)]
            first = int(np.argmax(gains))
            of_height.append((gains[first], first, first + length))
        best += [_place(found.edges_m, height, *entry, cost(height, entry[1] / n, entry[2] / n)) for entry in of_height]
        most = max(entry[0] for entry in of_height)
        if most < LEAST:
            continue
        enough = next(k for k, entry in enumerate(of_height) if entry[0] >= ENOUGH * most)
        value, first, last = of_height[enough]
        energy = direct_energy(considered, selection, rule, height, first / n, last / n)
        place = _place(found.edges_m, height, value, first, last, cost(height, first / n, last / n))
        chosen.append(place.model_copy(update={"computed": digits(gain(energy))}))
    gaps = [abs(p.decibel_dwellings - p.computed) / abs(p.computed) for p in chosen if p.computed]
    return model.WallSearch(
        measure=rule.measure,
        length_m=digits(found.edges_m[-1]),
        weighted_by="dwellings" if numbers.dwellings.any() else "receivers",
        best=best,
        chosen=chosen,
        share=ENOUGH,
        least=LEAST,
        largest_gap=digits(max(gaps, default=0.0)),
    )


def _place(
    edges_m: Array, height_m: float, gain: float, first: int, last: int, cost: model.Money | None
) -> model.PlaceOfWall:
    return model.PlaceOfWall(
        height_m=height_m,
        from_m=digits(edges_m[first]),
        to_m=digits(edges_m[last]),
        decibel_dwellings=digits(gain),
        cost=cost,
    )
