"""Numbers that follow from the description."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from lineside_compressor.agreement import AgreementOptions, NightAgreement
from lineside_compressor.calculator import UNDER_FLOOR, Compressor, CompressorOptions
from lineside_compressor.control import CompressorControl, ControlOptions

from lineside.contracts import NotApplicable, ReceiverUse
from lineside.measures import Known
from lineside.small_project import small_project
from lineside.small_scene import small_scene


def emission(**options: float) -> np.ndarray:
    scene = small_scene()
    vehicles = tuple(dataclasses.replace(v, traction="electric_multiple_unit") for v in scene.vehicles)
    given = CompressorOptions.model_validate({"lw_db": 80.0, "source": "a test", **options})
    return Compressor().emission(dataclasses.replace(scene, vehicles=vehicles), given)[UNDER_FLOOR]


def test_ten_decibels_more_are_ten_times_the_power() -> None:
    assert emission(lw_db=90.0) == pytest.approx(10 * emission())


def test_shares_count_where_they_belong() -> None:
    standing = small_scene().traffic.standing
    twice = emission(standing_share=1.0) / np.where(emission() > 0, emission(), 1.0)
    assert set(twice[standing].ravel()) == {0.0, 2.0} and set(twice[~standing].ravel()) == {0.0, 1.0}


def test_a_running_compressor_has_the_given_power_in_fourteen_bands() -> None:
    power = emission(moving_share=1.0)[0, 0]
    assert power[power > 0] == pytest.approx([1e8] * 14)


def test_vehicles_without_a_drive_have_none() -> None:
    given = CompressorOptions(lw_db=80, source="a test")
    assert not Compressor().emission(small_scene(), given)[UNDER_FLOOR].any()


def test_the_agreement_is_about_dwellings_at_night() -> None:
    options = AgreementOptions(limit_db=45, source="a test")
    (check,) = NightAgreement().checks(ReceiverUse("R", "dwelling", None), options)
    assert (check.quantity, check.limit_db, check.window.hours().size) == ("laeq_db", 45.0, 8)
    assert isinstance(NightAgreement().checks(ReceiverUse("R", "school", None), options), NotApplicable)


def test_the_control_changes_one_option() -> None:
    project, known = small_project(), Known({}, running=("compressor",))
    options = {"compressor": {"lw_db": 80, "source": "a test"}}
    calculation = project.calculation.model_copy(update={"options": options})
    project = project.model_copy(update={"calculation": calculation})
    wanted = ControlOptions(standing_share=0.1, source="a test")
    changed = CompressorControl().apply(project, wanted, known)
    assert changed.calculation.options == {"compressor": {**options["compressor"], "standing_share": 0.1}}
    assert CompressorControl().lacks(project, wanted, known) == ()
    assert CompressorControl().lacks(project, ControlOptions(standing_share=0.9, source="a test"), known)
    assert "no compressors" in CompressorControl().without_effect(project, wanted, Known({}))
