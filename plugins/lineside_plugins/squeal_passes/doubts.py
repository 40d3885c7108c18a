"""Ranges of the project's shares, levels and reductions, one by one."""

from __future__ import annotations

from collections.abc import Sequence

from lineside.contracts import OptionDoubt, Standing
from lineside_plugins.squeal_passes.options import Range, Share, SquealPassesOptions


def option_doubts(options: SquealPassesOptions) -> Sequence[OptionDoubt]:
    """Each share of passes, the level of a squealing pass, and each reduction; none where one end is taken already."""
    if options.case != "likely" or options.level is None:
        return ()
    found = []
    for k, row in enumerate(options.shares):
        if row.share.low < row.share.high:
            label = f"share of passes that squeal, row {k + 1} (radius up to {row.radius_up_to_m:g} m)"
            share = row.share

            def with_share(given: SquealPassesOptions, value: float, k: int = k) -> SquealPassesOptions:
                rows = list(given.shares)
                rows[k] = rows[k].model_copy(update={"share": Share(low=value, likely=value, high=value)})
                return given.model_copy(update={"shares": tuple(rows)})

            found.append(OptionDoubt(label, share.low, share.likely, share.high, with_share, Standing.USER, row.source))
    level = options.level.value
    low, high = level.at("low"), level.at("high")
    if low < high:
        label = "level of passes that squeal, dB"
        found.append(
            OptionDoubt(label, low, level.at("likely"), high, _with_level, Standing.USER, options.level.source)
        )
    for friction, effect in options.level_reduction_db.items():
        low, high = effect.at("low"), effect.at("high")
        if low < high:
            label = f"reduction of squeal by {friction.replace('_', ' ')}, dB"

            def with_reduction(
                given: SquealPassesOptions, value: float, friction: str = friction
            ) -> SquealPassesOptions:
                changed = given.level_reduction_db[friction].model_copy(  # type: ignore[index]
                    update={"likely": value, "low": None, "high": None}
                )
                return given.model_copy(update={"level_reduction_db": {**given.level_reduction_db, friction: changed}})

            found.append(
                OptionDoubt(label, low, effect.at("likely"), high, with_reduction, Standing.USER, effect.source)
            )
    return tuple(found)


def _with_level(given: SquealPassesOptions, value: float) -> SquealPassesOptions:
    assert given.level is not None
    name = "excess_db" if given.level.excess_db is not None else "level_7_5m_db"
    level = given.level.model_copy(update={name: Range(likely=value)})
    return given.model_copy(update={"level": level})
