"""Conditions and their states as the results document holds them."""

from __future__ import annotations

from lineside.project.load import LoadedProject
from lineside.results import model
from lineside.scene.conditions import Condition, ConditionState, StateChanges
from lineside.scene.model import Scene, Spectrum

#: What the air and driving states change, with the value that changes nothing.
_NUMBERS: dict[str, float | None] = {
    "temperature_deg_c": None,
    "humidity_pct": None,
    "pressure_kpa": None,
    "acceleration_factor": 1.0,
    "traction_db": 0.0,
}


def conditions(loaded: LoadedProject, scene: Scene) -> list[model.ConditionInfo]:
    """All conditions of a project with the shares of the year."""
    return [
        model.ConditionInfo(kind=c.kind, states=[_state(c, s, loaded, scene) for s in c.states])
        for c in loaded.conditions
    ]


def _state(condition: Condition, state: ConditionState, loaded: LoadedProject, scene: Scene) -> model.StateInfo:
    shares = zip(scene.period_names, state.long_term_share(), strict=True)
    return model.StateInfo(
        id=state.id,
        name=state.name,
        share={period: round(float(share), 4) for period, share in shares},
        changes=_changes(state.changes, loaded),
    )


def _changes(changes: StateChanges, loaded: LoadedProject) -> dict[str, str | float]:
    out: dict[str, str | float] = {}
    for key, nothing in _NUMBERS.items():
        value = getattr(changes, key)
        if value != nothing:
            out[key] = float(value)
    for outline in changes.water:
        area = "dry" if not len(outline.xy_m) else f"{_area_m2(outline.xy_m):.0f} m2"
        out[outline.area] = (
            f"{area} of {_area_m2(loaded.polygons[outline.area]):.0f} m2, bare G = {outline.exposed_g:g}"
        )
    for name, service in changes.services.items():
        out[name] = f"trains x {service.trains_factor:g}" + (", passes" if service.passes else "")
    for name, wheel in changes.wheels.items():
        out[name] = wheel.id if isinstance(wheel, Spectrum) else wheel
    return out


def _area_m2(ring: object) -> float:
    from shapely import Polygon

    return float(Polygon(ring).area)
