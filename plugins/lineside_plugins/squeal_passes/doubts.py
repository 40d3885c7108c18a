"""Ranges of the project's shares and levels, as options at their ends."""

from __future__ import annotations

from collections.abc import Sequence

from lineside.contracts import OptionDoubt, Standing
from lineside_plugins.squeal_passes.options import Case, Level, Range, Share, SquealPassesOptions


def option_doubts(options: SquealPassesOptions) -> Sequence[OptionDoubt]:
    """Shares of passes together, and the level of a squealing pass; none where one end is taken already."""
    if options.case != "likely" or options.level is None:
        return ()
    found = []
    if any(row.share.low < row.share.high for row in options.shares):
        sources = "; ".join(dict.fromkeys(row.source for row in options.shares))
        low, high = (_with_shares(options, case) for case in ("low", "high"))
        found.append(OptionDoubt("shares of passes that squeal", low, high, Standing.USER, sources))
    value = options.level.value
    if value.at("low") < value.at("high"):
        low, high = (_with_level(options, case) for case in ("low", "high"))
        found.append(OptionDoubt("level of passes that squeal", low, high, Standing.USER, options.level.source))
    return tuple(found)


def _with_shares(options: SquealPassesOptions, case: Case) -> SquealPassesOptions:
    rows = []
    for row in options.shares:
        share = row.share.at(case)
        rows.append(row.model_copy(update={"share": Share(low=share, likely=share, high=share)}))
    return options.model_copy(update={"shares": tuple(rows)})


def _with_level(options: SquealPassesOptions, case: Case) -> SquealPassesOptions:
    assert options.level is not None
    name = "excess_db" if options.level.excess_db is not None else "level_7_5m_db"
    level: Level = options.level.model_copy(update={name: Range(likely=options.level.value.at(case))})
    return options.model_copy(update={"level": level})
