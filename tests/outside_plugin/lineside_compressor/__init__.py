"""Air compressors of rail vehicles: their sound, an agreed limit, a way to calm them, and a page of the report."""

from __future__ import annotations

from collections.abc import Sequence

from lineside.contracts import Criterion, ReportSection, SourceCalculator
from lineside.hookspecs import hookimpl
from lineside.measures import Measure
from lineside_compressor.agreement import NightAgreement
from lineside_compressor.calculator import Compressor
from lineside_compressor.control import CompressorControl

SECTION = ReportSection(
    name="compressor",
    title="Air compressors",
    version="0.4",
    package=__name__,
    template="compressor.html.j2",
    reads=("receivers", "options"),
)


@hookimpl
def register_source_calculators() -> Sequence[SourceCalculator]:
    return [Compressor()]


@hookimpl
def register_criteria() -> Sequence[Criterion]:
    return [NightAgreement()]


@hookimpl
def register_measures() -> Sequence[Measure]:
    return [CompressorControl()]


@hookimpl
def register_report_sections() -> Sequence[ReportSection]:
    return [SECTION]
