"""What each limit set asks for, and what it says when it does not apply."""

from __future__ import annotations

import datetime
from typing import get_args

import pytest
from pydantic import ValidationError

from lineside.contracts import LimitCheck, NotApplicable, ReceiverUse, Window
from lineside.project.site import Receiver
from lineside_plugins.custom_limits.criterion import CustomLimits, CustomOptions, Use
from lineside_plugins.de_16bimschv.criterion import ImmissionLimits, LimitOptions
from lineside_plugins.who_2018.criterion import Who2018

PERMIT = {
    "title": "Operating permit, condition 14",
    "source": "Permit of 3 May 2019, page 12",
    "nature": "permit condition",
    "valid_from": "2019",
    "limits": [
        {"quantity": "lden", "limit_db": 60, "uses": ["dwelling"]},
        {"quantity": "laeq", "from_hour": 22, "to_hour": 6, "limit_db": 49.5},
        {"quantity": "lafmax", "limit_db": 75, "uses": ["dwelling", "hospital"], "label": "Loudest train"},
    ],
}


def receiver(use: str, area: str | None = None) -> ReceiverUse:
    return ReceiverUse(id="R1", use=use, area=area)


def custom(**changes: object) -> CustomOptions:
    return CustomOptions.model_validate({**PERMIT, **changes})


def test_custom_limits_become_checks_in_the_order_written() -> None:
    assert CustomLimits().checks(receiver("dwelling"), custom()) == [
        LimitCheck("lden_db", 60.0, "Lden"),
        LimitCheck("laeq_db", 49.5, "LAeq 22–06 h", Window(22, 6)),
        LimitCheck("lafmax_db", 75.0, "Loudest train"),
    ]


def test_custom_limit_without_uses_protects_every_receiver() -> None:
    checks = CustomLimits().checks(receiver("office"), custom())
    assert not isinstance(checks, NotApplicable)
    assert [c.quantity for c in checks] == ["laeq_db"]


def test_custom_says_why_when_no_limit_names_the_use() -> None:
    only_dwellings = custom(limits=[{"quantity": "lnight", "limit_db": 45, "uses": ["dwelling"]}])
    answer = CustomLimits().checks(receiver("office"), only_dwellings)
    assert answer == NotApplicable("Operating permit, condition 14 states no limit for the use 'office'.")


def test_custom_statement_prints_what_the_project_says() -> None:
    text = CustomLimits().statement(custom(caution="Ask the authority.", place="Quay Street"))
    for part in ("condition 14", "page 12", "permit condition", "2019", "Quay Street", "Ask the authority."):
        assert part in text


@pytest.mark.parametrize(
    ("limit", "message"),
    [
        ({"quantity": "laeq", "limit_db": 50}, "quantity laeq needs from_hour and to_hour"),
        ({"quantity": "laeq", "limit_db": 50, "from_hour": 22}, "quantity laeq needs from_hour and to_hour"),
        ({"quantity": "lden", "limit_db": 50, "to_hour": 6}, "belong to quantity laeq only; lden has its own period"),
        ({"quantity": "lden", "limit_db": 500}, "less than or equal to 140"),
        ({"quantity": "lden", "limit_db": float("nan")}, "finite number"),
        ({"quantity": "laeq", "limit_db": 50, "from_hour": 24, "to_hour": 6}, "less than or equal to 23"),
        ({"quantity": "lden", "limit_db": 50, "uses": ["houses"]}, "'dwelling', 'hospital'"),
        ({"quantity": "lden", "limit_db": 50, "uses": []}, "at least 1 item"),
        ({"quantity": "ldn", "limit_db": 50}, "'lden', 'lday'"),
        ({"quantity": "lden", "limit_db": 50, "rounded": True}, "Extra inputs are not permitted"),
    ],
)
def test_custom_refuses_a_wrong_limit(limit: dict[str, object], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        custom(limits=[limit])


@pytest.mark.parametrize("key", ["title", "source", "limits"])
def test_custom_needs_a_title_a_source_and_limits(key: str) -> None:
    with pytest.raises(ValidationError, match="Field required"):
        CustomOptions.model_validate({k: v for k, v in PERMIT.items() if k != key})
    with pytest.raises(ValidationError, match="at least 1"):
        custom(**{key: [] if key == "limits" else ""})


@pytest.mark.parametrize(("written", "text"), [(2019, "2019"), (datetime.date(2019, 5, 1), "2019-05-01")])
def test_custom_takes_a_bare_year_or_date(written: object, text: str) -> None:
    assert custom(valid_from=written).valid_from == text


@pytest.mark.parametrize("use", ["hospital", "care_home"])
def test_who_compares_by_night_where_people_sleep(use: str) -> None:
    who = Who2018()
    checks = who.checks(receiver(use), who.options_model())
    assert not isinstance(checks, NotApplicable)
    assert [c.quantity for c in checks] == ["lden_db", "lnight_db"]


def test_who_compares_a_school_by_lden_only() -> None:
    who = Who2018()
    checks = who.checks(receiver("school"), who.options_model())
    assert not isinstance(checks, NotApplicable)
    assert [c.quantity for c in checks] == ["lden_db"]


@pytest.mark.parametrize("use", ["office", "outdoor", "other"])
def test_who_says_why_it_does_not_apply(use: str) -> None:
    who = Who2018()
    answer = who.checks(receiver(use), who.options_model())
    assert isinstance(answer, NotApplicable)
    assert answer.reason.endswith(f"this receiver's use is '{use}'.")


def test_german_limits_ask_for_the_area() -> None:
    answer = ImmissionLimits().checks(receiver("dwelling"), LimitOptions())
    assert isinstance(answer, NotApplicable)
    assert "Write area: residential, mixed or commercial at this receiver" in answer.reason


def test_german_limits_leave_out_outdoor_places() -> None:
    answer = ImmissionLimits().checks(receiver("outdoor", "residential"), LimitOptions())
    assert isinstance(answer, NotApplicable)
    assert "'outdoor'" in answer.reason


@pytest.mark.parametrize(("use", "n_checks"), [("school", 1), ("office", 1), ("dwelling", 2), ("hospital", 2)])
def test_german_schools_and_offices_are_used_by_day_unless_the_project_says_otherwise(use: str, n_checks: int) -> None:
    answer = ImmissionLimits().checks(receiver(use, "residential"), LimitOptions())
    assert not isinstance(answer, NotApplicable)
    assert len(answer) == n_checks


def test_german_use_by_day_only_is_compared_by_day_only() -> None:
    """Section 2 (3)."""
    options = LimitOptions.model_validate({"day_only_uses": ["school"]})
    checks = ImmissionLimits().checks(receiver("school"), options)
    assert not isinstance(checks, NotApplicable)
    assert [c.window for c in checks] == [Window(6, 22)]
    assert "school" in ImmissionLimits().statement(options)
    assert len(ImmissionLimits().checks(receiver("hospital"), options)) == 2  # type: ignore[arg-type]


def test_german_caution_says_that_the_comparison_is_indicative() -> None:
    caution = ImmissionLimits().caution
    for part in ("its own method (Annex 2)", "indicative", "essential change", "Check the current law"):
        assert part in caution


def test_limits_may_name_every_use_of_the_project_file() -> None:
    uses = get_args(Receiver.model_fields["use"].annotation)
    assert get_args(Use) == uses
    by_day = [use for use in uses if use != "outdoor"]
    assert LimitOptions.model_validate({"day_only_uses": by_day}).day_only_uses == tuple(by_day)
