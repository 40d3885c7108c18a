"""One comparison from beginning to end."""

from __future__ import annotations

from pathlib import Path

from lineside.compare import doubts, inputs, options, outcomes, sources
from lineside.compare.changes import About, Comparison
from lineside.results.model import Results


def compare(first: Path, second: Path) -> Comparison:
    """Compare two assessments, each a folder of results, a file ``results.json``, or a PDF.

    Raises
    ------
    RequestError, UnusablePdf
        If one of them cannot be read.
    """
    first, second = Path(first), Path(second)
    return compare_results(sources.read(first), sources.read(second), str(first), str(second))


def compare_results(a: Results, b: Results, first: str = "A", second: str = "B") -> Comparison:
    """Compare two results documents under names."""
    levels, n_levels = outcomes.level_changes(a, b)
    verdicts, added, removed = outcomes.verdict_changes(a, b)
    intervals, n_intervals = doubts.interval_changes(a, b)
    probabilities, n_probabilities = doubts.probability_changes(a, b)
    return Comparison(
        first=_about(a, first),
        second=_about(b, second),
        inputs=inputs.project_changes(a, b),
        files=inputs.file_changes(a, b),
        methods=inputs.method_changes(a, b),
        receivers_added=outcomes.receivers_added(a, b),
        receivers_removed=outcomes.receivers_added(b, a),
        levels=levels,
        n_levels=n_levels,
        verdicts=verdicts,
        findings_added=added,
        findings_removed=removed,
        dates=outcomes.date_changes(a, b),
        ranges=doubts.range_changes(a, b),
        intervals=intervals,
        n_intervals=n_intervals,
        probabilities=probabilities,
        n_probabilities=n_probabilities,
        options=options.option_changes(a, b),
    )


def _about(results: Results, source: str) -> About:
    identity = results.project.get("identity", {})
    return About(
        source=source,
        title=str(identity.get("title", "")),
        revision=str(identity.get("revision", "")),
        date=str(identity.get("date", "")),
        lineside_version=results.provenance.lineside_version,
        project_sha256=results.provenance.project_sha256,
        situation=results.situation.label,
        n_receivers=len(results.receivers),
    )
