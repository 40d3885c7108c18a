"""The contract check of what calculators say about how far they may be off."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from lineside.contracts import Options, PathDoubt, PropagationCalculator, SourceCalculator

#: Distances and mean heights that a propagation calculator is asked about. [m]
DISTANCES_M, HEIGHTS_M = np.array([5.0, 50.0, 500.0, 5000.0]), np.array([1.0, 4.0, 10.0, 40.0])


def source_doubt_problems(offer: SourceCalculator, options: Options) -> Iterator[str]:
    """What is wrong with the doubts of a source calculator."""
    doubt = offer.doubt(options)
    stated = [*([("doubt()", doubt)] if doubt is not None else []), *offer.class_doubts.items()]
    yield from (f"{where} does not say where it comes from" for where, d in stated if not d.source.strip())
    for attribute in offer.class_doubts:
        names = [term.name for term in offer.vocabulary.get(attribute, ())]
        if not any(offer.tabulated(attribute, name) is not None for name in names):
            yield f"class_doubts names {attribute}, of which it tabulates no class"
    for one in offer.option_doubts(options):
        values = (one.low, one.likely, one.high)
        if not (np.all(np.isfinite(values)) and one.low <= one.likely <= one.high):
            yield f"option_doubts(): {one.label}: low, likely and high must be finite and rise"
        elif not all(isinstance(one.at(options, v), offer.options_model) for v in values):
            yield f"option_doubts(): {one.label}: at() must give options of its own model"
        if not (one.label.strip() and one.source.strip()):
            yield "option_doubts(): every one needs a label and a source"


def path_doubt_problems(offer: PropagationCalculator, options: Options) -> Iterator[str]:
    """What is wrong with the doubt of a propagation calculator."""
    doubt = offer.doubt(DISTANCES_M, HEIGHTS_M, options)
    if doubt is None:
        return
    if not fits(doubt, DISTANCES_M.size):
        yield "doubt() must give finite half-widths of at least 0 dB, (n,)"
    if not doubt.source.strip():
        yield "doubt() does not say where it comes from"


def fits(doubt: PathDoubt, n: int) -> bool:
    """Whether half-widths are such, one for each of n paths."""
    half = np.asarray(doubt.half_width_db)
    return half.shape == (n,) and bool(np.all(np.isfinite(half)) and np.all(half >= 0.0))
