"""Invented options of measures for tests of the report: plausible in shape and size, computed by no method."""

from __future__ import annotations

import itertools
from typing import Any

from lineside.measures import FRICTION_APPROVAL, TRACK_SAFETY
from lineside.results.option_ids import option_id
from lineside.results.option_order import mark_pareto, order_of
from lineside.results.options import OptionsResult

SOURCE = {"key": "K 1", "title": "Trial of dampers", "issuer": "An institute", "year": 2015, "part": "page 7"}
EFFECTS = {"highly_annoyed": "highly annoyed", "highly_sleep_disturbed": "highly disturbed in their sleep"}
RELATION = {
    "name": "invented",
    "title": "Invented relation",
    "statement": "Shares rise with the level.",
    "verification": "not verified",
    "verification_note": "",
    "words": EFFECTS,
    "indicator": {"highly_annoyed": "lden_db", "highly_sleep_disturbed": "lnight_db"},
    "valid_db": {"highly_annoyed": [40.0, 85.0], "highly_sleep_disturbed": [41.0, 80.0]},
    "caution": "The relations describe people used to a steady level.",
    "sources": [SOURCE],
}


def measure(name: str, title: str, **changes: Any) -> dict[str, Any]:
    """A measure of which everything is known, less what is changed."""
    return {
        "id": name,
        "measure": name,
        "name": title,
        "title": title,
        "side": "source",
        "acts_on": ["rolling"],
        "day": "2026-12-01",
        "options": {"track": "T1", "from_m": 300.0, "to_m": 470.0},
        "package": "lineside",
        "effects": [],
        "costs": [price()],
        "life_years": 20.0,
        "life_source": "Offer (invented)",
        "lead_days": 240,
        "side_conditions": ["a possession of the track"],
        "approval": ["the infrastructure manager"],
        "cannot": ["nothing on traction"],
        "safety": [TRACK_SAFETY],
        "warnings": [],
        "prompts": [],
        "acts": True,
    } | changes


def price(low: float = 300, likely: float = 365, high: float = 480, **changes: Any) -> dict[str, Any]:
    return {
        "low": low,
        "likely": likely,
        "high": high,
        "per": "m",
        "every": "once",
        "currency": "EUR",
        "year": 2026,
        "source": "Offer (invented)",
        "standing": "given in the project file",
        "amount": 170.0,
    } | changes


def measures() -> list[dict[str, Any]]:
    """Five measures: dampers, grinding, a slow zone without a price, grease that acts on nothing, windows."""
    effect = {
        "on": "rolling",
        "low_db": 0.0,
        "high_db": 4.0,
        "typical_db": 2.0,
        "form": "dB(A) beside the line",
        "conditions": "little on a damped track",
        "standing": "read in a published source",
        "source": SOURCE,
    }
    return [
        measure("dampers", "Rail dampers", effects=[effect], warnings=["A damped track gains little."]),
        measure("finish", "Finish pass", life_years=4.0, costs=[price(35, 55, 90)]),
        measure("slow", "Slow zone", costs=[], prompts=["cost: low, likely, high, with source"], life_years=None),
        measure(
            "grease",
            "Flange grease",
            acts_on=["squeal"],
            approval=[FRICTION_APPROVAL, "the infrastructure manager"],
            acts=False,
            nothing="the method's rule for squeal knows no friction management",
            prompts=["effect on flange noise: which value holds here? (habit without a source: 0 to 10 dB(A))"],
        ),
        measure(
            "windows",
            "Windows",
            side="indoors",
            acts_on=[],
            options={"receivers": ["R1"]},
            safety=[],
            acts=False,
            nothing="acts indoors only; levels outdoors stay",
            indoors_db=[5.0, 8.0, 11.0],
            note="For one house only.",
        ),
    ]


def _option(names: tuple[str, ...], gains: dict[str, float], costs: dict[str, float | None]) -> dict[str, Any]:
    gain = round(sum(gains[n] for n in names), 3)
    known = [costs[n] for n in names]
    total = None if None in known else sum(c for c in known if c is not None)
    cost = None if total is None else {"low": 0.8 * total, "likely": total, "high": 1.5 * total, "currency": "EUR"}
    dwellings = 50.0
    above = {"receivers": 3 if gain < 2 else 1, "dwellings": 14 if gain < 2 else 6, "persons": 32 if gain < 2 else 14}
    return {
        "id": option_id(names),
        "measures": list(names),
        "acts": gain > 0,
        "mean_reduction_db": {p: gain for p in ("lden", "day", "evening", "night")},
        "best_reduction_db": {p: 1.5 * gain for p in ("lden", "day", "evening", "night")},
        "worst_reduction_db": {p: gain - 0.4 for p in ("lden", "day", "evening", "night")},
        "above": [
            {
                "criterion": "permit-2019",
                "label": "Lden",
                "quantity": "lden_db",
                "receivers_before": 3,
                "dwellings_before": 14,
                "persons_before": 32,
                **above,
            },
            {
                "criterion": "who_2018",
                "label": "Lnight",
                "quantity": "lnight_db",
                **{f"{what}{when}": 0 for what in ("receivers", "dwellings", "persons") for when in ("", "_before")},
            },
        ],
        "above_any": above,
        "people": {"highly_annoyed": 12.0 - gain, "highly_sleep_disturbed": 5.0 - 0.01 * gain},
        "decibel_dwellings": dwellings * gain,
        "cost": cost,
        "cost_unknown": [f"{n}: no cost is given or published" for n in names if costs[n] is None],
        "cost_per_db_dwelling": None
        if cost is None or gain <= 0
        else {k: v / (dwellings * gain) if isinstance(v, float) else v for k, v in cost.items()},
        "in_time": {
            "takes_effect": "2026-12-01",
            "worn_in_anyway": "2028-06-15",
            "avoided_days": {"highly_annoyed": 117.4, "highly_sleep_disturbed": -3.0},
            "until": "2028-12-01",
        }
        if len(names) == 1 and gain > 0
        else None,
    }


def build_options(given: list[dict[str, Any]] | None = None, **changes: Any) -> dict[str, Any]:
    """The options of some measures, alone and in pairs, in their order."""
    given = measures() if given is None else given
    ids = [m["id"] for m in given]
    gains = {
        m["id"]: (0.3 + 1.6 * (k % 7 == 0) + 0.1 * (k % 5 == 1) - 0.1 * (k % 5 == 2)) if m["acts"] else 0.0
        for k, m in enumerate(given)
    }
    costs = {m["id"]: sum(c["likely"] * c["amount"] for c in m["costs"]) if m["costs"] else None for m in given}
    alone = {m["id"] for m in given if m["side"] in ("indoors", "waiting")}
    pairs = [p for p in itertools.combinations(ids, 2) if not alone & set(p)]
    rejected = [{"measures": ["dampers", "grease"], "reason": "dampers and grease exclude each other"}]
    pairs = [p for p in pairs if list(p) != rejected[0]["measures"]]
    document: dict[str, Any] = {
        "date": "2026-12-01",
        "years": 20,
        "discount_rate_pct": 2.0,
        "above_before": {"receivers": 3, "dwellings": 14, "persons": 32},
        "dose_effect": "invented",
        "relation": RELATION,
        "people_before": {"highly_annoyed": 12.0, "highly_sleep_disturbed": 5.0},
        "people_outside": {"highly_annoyed": 0, "highly_sleep_disturbed": 7},
        "measures": given,
        "options": [_option(key, gains, costs) for key in [*((i,) for i in ids), *pairs]],
        "rejected": rejected,
        "order": [],
        "suggestions": [
            {"measure": "rail_pads", "title": "Stiffer or softer rail pads", "acts_at": {"rolling": ["R1", "R2"]}}
        ],
        "notes": ["Costs are present values at 2 % a year."],
        "n_states": 1,
        "n_transfers": 0,
    } | changes
    options = OptionsResult.model_validate(document)
    mark_pareto(options.options)
    order = order_of(options.options, 50.0)
    return options.model_copy(update={"order": order}).model_dump(mode="json")
