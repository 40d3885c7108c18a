"""Ranges of shares and levels of squealing passes, as doubts of the levels that are rated."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from lineside.api import assess
from lineside_plugins.squeal_passes.calculator import SquealPasses
from lineside_plugins.squeal_passes.options import SquealPassesOptions
from sites import straight_site, write_site

SHARES = {"radius_up_to_m": 300, "rail": "any", "source": "counts"}
LEVEL: dict[str, Any] = {"excess_db": {"likely": 12, "low": 8, "high": 16}, "source": "recordings"}


def options(low: float = 0.2, high: float = 0.5, **more: Any) -> SquealPassesOptions:
    rows = [{**SHARES, "share": {"low": low, "likely": 0.35, "high": high}}]
    return SquealPassesOptions.model_validate({"shares": rows, "level": LEVEL, **more})


def test_shares_and_level_are_two_doubts_with_their_sources() -> None:
    shares, level = SquealPasses().option_doubts(options())
    assert (shares.source, level.source) == ("counts", "recordings")
    assert (shares.low, shares.likely, shares.high) == (0.2, 0.35, 0.5)
    moved = shares.at(options(), 0.4)
    assert isinstance(moved, SquealPassesOptions)
    assert moved.shares[0].share.likely == 0.4 and moved.level == options().level, "only the share moves"
    assert (level.low, level.likely, level.high) == (8.0, 12.0, 16.0)
    both = level.at(moved, 9.0)
    assert isinstance(both, SquealPassesOptions) and both.level is not None and both.level.excess_db is not None
    assert (both.shares[0].share.likely, both.level.excess_db.likely) == (0.4, 9.0), "one after the other"


def test_reductions_by_friction_management_have_their_own_doubt() -> None:
    managed = {"friction_modifier": {"likely": 12, "low": 6.3, "high": 22.8, "source": "tests elsewhere"}}
    reduction = SquealPasses().option_doubts(options(level_reduction_db=managed))[-1]
    assert (reduction.low, reduction.likely, reduction.high) == (6.3, 12.0, 22.8)
    moved = reduction.at(options(level_reduction_db=managed), 20.0)
    assert isinstance(moved, SquealPassesOptions) and moved.reduction_db("friction_modifier", "high") == 20.0


def test_what_has_no_range_is_no_doubt() -> None:
    assert [d.label for d in SquealPasses().option_doubts(options(0.35, 0.35))] == ["level of passes that squeal, dB"]
    assert not SquealPasses().option_doubts(options(case="high")), "one end is taken already"
    assert not SquealPasses().option_doubts(SquealPassesOptions())


def test_where_counted_passes_are_rated_they_are_a_group_of_their_own(tmp_path: Path) -> None:
    site = straight_site(half_length_m=300.0)
    turn = np.radians(np.arange(0.0, 91.0, 3.0))
    arc = [[250.0 * np.sin(a), 250.0 * (np.cos(a) - 1.0), 0.3] for a in turn]
    site["tracks"][0]["alignment"]["points"] = [[float(v) for v in point] for point in arc]
    site["calculation"].update({"without": ["eu_squeal"], "with": ["squeal_passes"], "uncertainty": {"draws_up_to": 9}})
    site["calculation"]["options"] = {
        "squeal_passes": {"shares": [{**SHARES, "share": {"low": 0.2, "likely": 0.35, "high": 0.5}}], "level": LEVEL}
    }
    sure = assess(write_site(site, tmp_path)).results.sure
    assert sure is not None and "squeal" in sure.groups and "method:squeal" not in sure.groups
    assert [i.kind for i in sure.inputs if i.group == "squeal"] == ["number", "number"]
    assert sure.receivers[0].first["lden"]["squeal"] > 0.02
    assert sure.not_stated == []
