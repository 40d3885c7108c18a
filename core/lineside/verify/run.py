"""One verification from beginning to end."""

from __future__ import annotations

import dataclasses
import re
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from lineside import __version__, api
from lineside.contracts import Criterion, Offer, PropagationCalculator, RailStateCalculator, SourceCalculator
from lineside.engine.progress import Progress, silent
from lineside.errors import LinesideError, PluginError, ProjectError
from lineside.measures import DoseEffect, Measure
from lineside.plugins import Plugins
from lineside.report import context, html
from lineside.report.strings import Strings
from lineside.report.views import Report
from lineside.results.model import OfferUsed, Results
from lineside.verify.anew import read_html
from lineside.verify.attachments import (
    Attached,
    check_attachments,
    extract,
    parse_results,
    read_attachments,
    results_of,
)
from lineside.verify.document import Document
from lineside.verify.findings import Check, Deviation, UnusablePdf, Verification
from lineside.verify.match import compare
from lineside.verify.opening import opened
from lineside.verify.printed import Printed, read_pdf
from lineside.verify.values import compare_results, same_versions

_KINDS: Mapping[str, type[Offer]] = {
    "source": SourceCalculator,
    "source (forecast)": SourceCalculator,
    "propagation": PropagationCalculator,
    "rail state": RailStateCalculator,
    "criterion": Criterion,
    "measure": Measure,
    "dose effect": DoseEffect,
}


@dataclass(frozen=True)
class Taken:
    """What was read from a PDF; nothing of it is trusted."""

    printed: Printed
    attached: Sequence[Attached]
    results: Results | None
    unreadable: str  # why the attached results cannot be used; empty if they can
    producer: str
    template: str


def take(path: Path) -> Taken:
    """Read a report: its words, its attachments and the results among them.

    Raises
    ------
    UnusablePdf
        If it cannot be read, or is no report of lineside.
    """
    with opened(path) as pdf:
        attached = read_attachments(pdf)
        information = {str(k): str(v) for k, v in pdf.docinfo.items()} if "/Info" in pdf.trailer else {}
        if "lineside" not in information.get("/Creator", "") and results_of(attached) is None:
            raise UnusablePdf(f"{path} is not a report of lineside: it names no such program and carries no results")
        printed = read_pdf(pdf)
    results, why = parse_results(results_of(attached))
    return Taken(printed, attached, results, why, information.get("/Producer", ""), information.get("/Keywords", ""))


def verify(
    path: Path, plugins: Plugins | None = None, progress: Progress = silent, workers: int | None = None
) -> Verification:
    """Check a report from its PDF alone; nothing but a temporary folder is written.

    Raises
    ------
    UnusablePdf
        If the file cannot be read, or is no report of lineside.
    """
    plugins = plugins or Plugins.load()
    clock = _Clock()
    for step in ("extract", "report anew", "comparison"):
        progress(step, 0, 1)
    taken = take(Path(path))
    provenance = taken.results.provenance if taken.results is not None else None
    checks = list(check_attachments(taken.attached, provenance))
    clock.lap("extract")
    progress("extract", 1, 1)
    versions, other, missing = _versions(taken, plugins)
    checks.append(versions)
    computed, said = (None, "") if missing else _recomputed(taken, plugins, progress, workers, clock)
    checks += _values(taken, computed, missing, said)
    follows = computed.results if computed is not None else taken.results
    if follows is None:
        checks.append(Check("printed", "nothing to compare with", done=False))
    else:
        inputs = computed.inputs if computed is not None else _inputs(taken)
        if computed is not None and taken.results is not None:
            follows = same_versions(taken.results, follows)
        checks += _printed(taken, follows, inputs, plugins, clock, progress, computed is not None)
    return Verification(str(path), tuple(checks), other, tuple(missing), clock.seconds)


class _Clock:
    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._last = time.perf_counter()

    def lap(self, name: str) -> None:
        now = time.perf_counter()
        self.seconds[name], self._last = now - self._last, now


@dataclass(frozen=True)
class _Computed:
    results: Results
    inputs: Mapping[str, bytes]


def _recomputed(
    taken: Taken, plugins: Plugins, progress: Progress, workers: int | None, clock: _Clock
) -> tuple[_Computed | None, str]:
    """Results from the attached inputs; else why there are none."""
    provenance = taken.results.provenance if taken.results is not None else None
    state = taken.results.situation.label if taken.results is not None else ""
    with tempfile.TemporaryDirectory(prefix="lineside-verify-") as name:
        project = extract(taken.attached, provenance, Path(name))
        if project is None:
            return None, "no project file is attached that could be used"
        try:
            found = api.assess(project, plugins, progress, state, workers)
        except ProjectError as error:
            first = str(error.problems[0]).replace("\n", ";") if error.problems else str(error)
            return None, f"the attached project cannot be assessed: {' '.join(first.split())}"
        except LinesideError as error:
            kind = "a plugin" if isinstance(error, PluginError) else "the attached project"
            return None, f"{kind} stopped the computation: {' '.join(str(error).split())}"
    clock.lap("recompute")
    return _Computed(found.results, found.loaded.inputs), ""


def _values(taken: Taken, computed: _Computed | None, missing: Sequence[str], said: str) -> list[Check]:
    name = "attached results"
    if taken.results is None:
        damaged = Deviation("result", "attachment 'results.json'", f"cannot be used: {taken.unreadable}")
        unread = Check(name, "not compared", (damaged,), done=False)
        if computed is not None:
            return [unread]
        return [unread, Check("recomputation", said, (Deviation("result", "recomputation", said),), done=False)]
    if missing:
        return [Check(name, "nothing was recomputed: plugins are missing", done=False)]
    if computed is None:
        return [Check(name, "not compared", (Deviation("result", "recomputation", said),), done=False)]
    return [compare_results(taken.results, same_versions(taken.results, computed.results))]


def _inputs(taken: Taken) -> dict[str, bytes]:
    return {a.name: a.content for a in taken.attached if not a.refused and a.name != "results.json"}


def _printed(
    taken: Taken,
    follows: Results,
    inputs: Mapping[str, bytes],
    plugins: Plugins,
    clock: _Clock,
    progress: Progress,
    recomputed: bool,
) -> list[Check]:
    checks = _against(taken.printed, follows, inputs, plugins)
    clock.lap("report anew")
    progress("report anew", 1, 1)
    attached = taken.results
    deviates = any(c.deviations for c in checks)
    if deviates and recomputed and attached is not None and not compare_results(attached, follows).deviations:
        # a number may be printed from the attached value where that follows within the tolerance
        near = _against(taken.printed, attached, inputs, plugins)
        checks = [_both(a, b) for a, b in zip(checks, near, strict=True)]
    if not recomputed:
        notice = "compared with the attached results only, since nothing could be recomputed"
        checks = [dataclasses.replace(c, notices=(*c.notices, notice), done=False) for c in checks]
    clock.lap("comparison")
    progress("comparison", 1, 1)
    return checks


def _both(check: Check, other: Check) -> Check:
    known = {(d.kind, d.where, d.page, d.found) for d in other.deviations}
    kept = tuple(d for d in check.deviations if (d.kind, d.where, d.page, d.found) in known)
    return dataclasses.replace(check, deviations=kept)


def _against(printed: Printed, results: Results, inputs: Mapping[str, bytes], plugins: Plugins) -> list[Check]:
    strings = Strings()
    report = context.build(results, inputs, context.draw(results, strings), strings, plugins.report_sections)
    follows: Document = read_html(html.render(report, strings, html.font_for_pdf))
    return compare(printed, follows, _margins(report, strings, printed.n_pages))


def _margins(report: Report, strings: Strings, n_pages: int) -> list[list[str]]:
    """Words in the margins of each page, in the order in which they are drawn."""
    return [
        [
            *([report.running] if k else []),
            report.footer,
            f"{strings('report.page')} {k + 1} {strings('report.page_of')} {n_pages}",
        ]
        for k in range(n_pages)
    ]


def _versions(taken: Taken, plugins: Plugins) -> tuple[Check, bool, list[str]]:
    """Versions that made the PDF against those that check it; whether they differ; what is not installed."""
    notices: list[str] = []
    missing: list[str] = []
    found: list[Deviation] = []
    if taken.template and taken.template != html.template_name():
        notices.append(f"the PDF was laid out with the template {taken.template}; here: {html.template_name()}")
    elif not taken.template:
        notices.append("the PDF does not say with which template it was laid out")
    if taken.results is None:
        return Check("versions", "not known, since the results cannot be read", (), tuple(notices), False), True, []
    provenance = taken.results.provenance
    if provenance.lineside_version != __version__:
        notices.append(f"made by lineside {provenance.lineside_version}; checked with {__version__}")
    method = next((m for m in plugins.methods if m.name == provenance.method), None)
    if method is None:
        missing.append(provenance.method)
        found.append(Deviation("plugin", f"method {provenance.method!r}", "is not installed"))
    for offer in provenance.offers:
        own = _installed(offer, taken.results, plugins)
        if own is None:
            missing.append(offer.name)
            message = f"is not installed; it came with {offer.package} {offer.package_version}"
            found.append(Deviation("plugin", f"{offer.kind} {offer.name!r}", message))
        else:
            notices += _differences(offer, own, plugins)
    notices += [f"{f.entry_point} of {f.distribution} failed to load: {f.reason}" for f in plugins.failed]
    said = f"lineside {provenance.lineside_version}, {len(provenance.offers)} calculators and criteria, the template"
    return Check("versions", said, tuple(found), tuple(notices)), bool(notices), missing


def _installed(offer: OfferUsed, results: Results, plugins: Plugins) -> Offer | None:
    """The installed offer of the same kind; a criterion's use may have an id of its own."""
    kind, name = _KINDS.get(offer.kind), offer.name
    if kind is None:  # of another version of lineside, or no document of lineside at all
        return None
    if offer.kind == "criterion":
        uses = results.project.get("criteria") or []
        uses = [u for u in uses if isinstance(u, Mapping)] if isinstance(uses, list) else []
        name = next((str(u.get("name")) for u in uses if offer.name in (u.get("id"), u.get("use_id"))), name)
    try:
        return plugins.find(kind, name)  # type: ignore[type-abstract, return-value, unused-ignore]
    except PluginError:
        return None


def _differences(offer: OfferUsed, own: Offer, plugins: Plugins) -> list[str]:
    origin = plugins.origin(own)
    out = []
    here = (own.version, origin.distribution, origin.version)
    if (offer.version, offer.package, offer.package_version) != here:
        made = f"{offer.version} of {offer.package} {offer.package_version}"
        out.append(f"{offer.kind} {offer.name!r}: made with {made}; here: {here[0]} of {here[1]} {here[2]}")
    tables = {d.name: d.sha256 for d in own.data_files()}
    out += [
        f"{offer.kind} {offer.name!r}: its table {re.sub(r'^.*/', '', t.name)} is another one here"
        for t in offer.data_files
        if tables.get(t.name) != t.sha256
    ]
    return out
