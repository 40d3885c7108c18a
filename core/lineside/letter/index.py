"""The results of one project by address, so that each of many letters finds its own at once."""

from __future__ import annotations

from collections import defaultdict
from functools import cached_property

import numpy as np
import shapely

from lineside.acoustics.bands import Array
from lineside.report.selection import ordered_criteria
from lineside.results.model import (
    Action,
    BuildingInfo,
    BuildingLevels,
    Explanation,
    Finding,
    ReceiverResult,
    ReceiverTimeline,
    Results,
)


class Index:
    """Parts of the results by receiver or building.

    Parameters
    ----------
    results : Results
    """

    def __init__(self, results: Results) -> None:
        self.results = results
        self.receivers: dict[str, ReceiverResult] = {r.id: r for r in results.receivers}
        self.explanations: dict[str, Explanation] = {e.receiver: e for e in results.explanations}
        self.buildings: dict[str, BuildingInfo] = {b.id: b for b in results.site.buildings}
        facades = results.facades
        known = [b for b in facades.buildings if b.building in self.buildings] if facades else []
        self.building_levels: dict[str, BuildingLevels] = {b.building: b for b in known}
        self.timelines: dict[str, ReceiverTimeline] = {}
        if results.timeline is not None:
            self.timelines = {t.receiver: t for t in results.timeline.receivers}
        self.findings: dict[str, list[Finding]] = defaultdict(list)
        for finding in results.findings:
            self.findings[finding.receiver].append(finding)
        self.actions: dict[str, list[Action]] = defaultdict(list)
        for action in results.actions:
            for gain in action.gains:
                self.actions[gain.receiver].append(action)

    @cached_property
    def criterion_rank(self) -> dict[str, int]:
        """Place of each criterion: limits of the project first, guidelines last."""
        return {o.name: k for k, o in enumerate(ordered_criteria(self.results))}

    @cached_property
    def kinds(self) -> frozenset[str]:
        """Kinds of tracks at the site."""
        return frozenset(str(t.kind) for t in self.results.site.tracks)

    @cached_property
    def at(self) -> int:
        """Place of the assessment date in the time line."""
        timeline = self.results.timeline
        return timeline.dates.index(timeline.assessment_date) if timeline is not None else 0

    @cached_property
    def forecast(self) -> bool:
        """Whether explanations and single states use other calculators than what is compared with limits."""
        return any(o.kind == "source (forecast)" for o in self.results.provenance.offers)

    @cached_property
    def distance_m(self) -> Array:
        """From each building with levels to each receiver, in plan, (n_buildings, n_receivers). [m]"""
        rings = [[[*r, r[0]] for r in self.buildings[b].rings] for b in self.building_levels]
        outlines = np.array([shapely.MultiLineString(r) for r in rings], dtype=object)
        points = shapely.points([(r.x, r.y) for r in self.results.receivers])
        return np.asarray(shapely.distance(outlines[:, np.newaxis], points[np.newaxis, :]), dtype=np.float64)
