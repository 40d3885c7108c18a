"""CSV tables of buildings: receivers on facades, buildings, exposure and limits."""

from __future__ import annotations

from typing import Any

from lineside.results.model import ExposureBand, ExposureLimit, FacadeReceiverColumns, Finding, Results

Rows = tuple[list[dict[str, Any]], list[str] | None]


def facade_tables(results: Results) -> dict[str, Rows]:
    """Name of the file -> rows and columns; without receivers on facades all but ``buildings`` are empty."""
    facades = results.facades
    levels = {b.building: b for b in facades.buildings} if facades is not None else {}
    buildings = []
    for info in results.site.buildings:
        row = info.model_dump(exclude={"rings", "absorption"})
        if facades is not None:
            own = levels.get(info.id)
            for name in ("lden", *(p.name for p in results.periods)):
                row[f"highest_l{name.removeprefix('l')}_db"] = own.highest_db[name] if own is not None else None
            row["quiet_facade"] = own.quiet_facade if own is not None else None
            row["lowest_front_lden_db"] = own.lowest_front_db if own is not None else None
        buildings.append(row)
    return {
        "buildings": (buildings, None if buildings else ["id"]),
        "facades": _facades(results),
        "exposure": (
            [b.model_dump() for b in facades.exposure] if facades is not None else [],
            list(ExposureBand.model_fields),
        ),
        "exposure_limits": (
            [above.model_dump() for above in facades.above_limits] if facades is not None else [],
            list(ExposureLimit.model_fields),
        ),
        "building_findings": (
            [{"building": b.building, **f.model_dump()} for b in facades.buildings for f in b.findings]
            if facades is not None
            else [],
            ["building", *Finding.model_fields],
        ),
    }


def _facades(results: Results) -> Rows:
    periods = [f"l{p.name}_db" for p in results.periods]
    plain = [name for name in FacadeReceiverColumns.model_fields if name != "period_db"]
    columns = [*plain, *periods]
    if results.facades is None:
        return [], columns
    found = results.facades.receivers
    lists = [getattr(found, name) for name in plain] + [found.period_db[p.name] for p in results.periods]
    return [dict(zip(columns, row, strict=True)) for row in zip(*lists, strict=True)], columns
