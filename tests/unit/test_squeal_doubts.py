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
    low, high = shares.low, shares.high
    assert isinstance(low, SquealPassesOptions) and isinstance(high, SquealPassesOptions)
    assert (low.shares[0].share.likely, high.shares[0].share.likely) == (0.2, 0.5)
    assert low.level == high.level == options().level, "only the shares move"
    ends = [one.level.excess_db.likely for one in (level.low, level.high)]  # type: ignore[attr-defined]
    assert ends == [8.0, 16.0]


def test_what_has_no_range_is_no_doubt() -> None:
    assert [d.label for d in SquealPasses().option_doubts(options(0.35, 0.35))] == ["level of passes that squeal"]
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
    assert [i.kind for i in sure.inputs if i.group == "squeal"] == ["ends", "ends"]
    assert sure.receivers[0].first["lden"]["squeal"] > 0.02
    assert sure.not_stated == []
