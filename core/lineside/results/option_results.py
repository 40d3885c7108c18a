"""The results document with what would help."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from lineside.engine.option_run import Considered
from lineside.engine.select import Selection
from lineside.measures import DoseEffect
from lineside.plugins import Plugins
from lineside.results.assemble import offer_used
from lineside.results.findings import Question
from lineside.results.model import OfferUsed, Results
from lineside.results.option_table import describe_options


def with_options(
    results: Results,
    considered: Considered,
    asked: Sequence[Question],
    plugins: Plugins,
    selection: Selection,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> Results:
    """The document with its options, and with the measures and the relation that they come from.

    Parameters
    ----------
    asked, selection, progress
        As for :func:`lineside.results.option_table.describe_options`.
    """
    provenance = results.provenance
    offers = [*provenance.offers, *_offers(considered, plugins)]
    return results.model_copy(
        update={
            "options": describe_options(considered, asked, plugins, selection, progress),
            "provenance": provenance.model_copy(update={"offers": offers}),
        }
    )


def _offers(considered: Considered, plugins: Plugins) -> list[OfferUsed]:
    """Each measure once, however often it is listed, then the relation."""
    first = {c.measure.name: c for c in reversed(considered.prepared.candidates)}
    out = [offer_used(plugins, first[n].measure, first[n].options, "measure", None) for n in sorted(first)]
    out = [o.model_copy(update={"options": {}}) for o in out]
    name = considered.prepared.loaded.project.options.dose_effect
    if name is not None:
        relation = plugins.find(DoseEffect, name)
        out.append(offer_used(plugins, relation, relation.options_model(), "dose effect", None))
    return out
