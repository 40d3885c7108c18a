"""What lineside asks of every plugin."""

from __future__ import annotations

from lineside_compressor import SECTION
from lineside_compressor.agreement import AgreementOptions, NightAgreement
from lineside_compressor.calculator import Compressor, CompressorOptions
from lineside_compressor.control import CompressorControl, ControlOptions

from lineside.contracts import SourceCalculator
from lineside.plugin_checks import check_offer, check_section
from lineside.plugins import Plugins


def test_the_calculator_keeps_its_contract() -> None:
    check_offer(Compressor(), CompressorOptions(lw_db=80, source="a test"))


def test_the_criterion_keeps_its_contract() -> None:
    check_offer(NightAgreement(), AgreementOptions(limit_db=45, source="a test"))


def test_the_measure_keeps_its_contract() -> None:
    check_offer(CompressorControl(), ControlOptions(standing_share=0.1, source="a test"))


def test_the_section_keeps_its_contract() -> None:
    check_section(SECTION)


def test_all_of_it_is_found() -> None:
    found = Plugins.load()
    assert not found.failed
    assert found.origin(found.find(SourceCalculator, "compressor")).distribution == "lineside-compressor"
    for offers, name in (
        (found.criteria, "night_agreement"),
        (found.measures, "compressor_control"),
        (found.report_sections, "compressor"),
    ):
        assert name in [offer.name for offer in offers]
