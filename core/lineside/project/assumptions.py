"""What deriving shares of time from a project took for granted, to be printed with its standing."""

from __future__ import annotations

from lineside.contracts import Standing
from lineside.project.model import FavourableWindRose, Project, WeatherTable
from lineside.project.resolve_conditions import KINDS
from lineside.project.types import PERIODS, Part
from lineside.project.wording import number
from lineside.scene.wind_rose import WindRose

Assumption = tuple[str, str]
_SECTION = (
    "ballast_half_width_m",
    "ballast_below_rail_m",
    "ballast_slope_ratio",
    "formation_below_rail_m",
    "formation_edge_m",
)


def assumptions_of(project: Project, rose: WindRose | None) -> tuple[Assumption, ...]:
    """Assumptions behind the wind rose and the conditions of a project: (text, standing)."""
    out: list[Assumption] = []
    if isinstance(project.site.favourable, FavourableWindRose) and rose is not None:
        out += _of_wind(project.site.favourable, rose)
    out += _of_terrain(project)
    given = project.conditions
    if given is None:
        return tuple(out)
    if given.rail is not None and given.rail.weather_table is not None:
        out += _of_weather(given.rail.weather_table)
    if given.water:
        shaped = project.site.terrain is not None or project.earthworks
        text = (
            "The water keeps its height at every level: only its outline changes, and its bank or bed lies as high as "
            f"the {'terrain' if shaped else 'plain ground'}."
        )
        out.append((text, str(Standing.ASSUMPTION)))
    if sum(1 for kind in KINDS if getattr(given, kind)) > 1:
        text = (
            "What changes from day to day changes independently: the share of time of a combination of states is the "
            "product of their shares."
        )
        out.append((text, str(Standing.ASSUMPTION)))
    return tuple(out)


def _of_wind(given: FavourableWindRose, rose: WindRose) -> list[Assumption]:
    threshold = number(given.threshold_m_s)
    out = [
        (
            "Propagation is favourable while the wind from source to receiver exceeds a threshold. The winds of each "
            "sector of the rose are spread evenly over it; north of the rose is north of the coordinates.",
            str(Standing.ASSUMPTION),
        ),
        (f"The wind that must be exceeded is {threshold} m/s.", _standing(given, "threshold_m_s")),
    ]
    if rose.speed_assumed:
        text = f"Winds for which the rose has no speed blow at {number(given.assumed_speed_m_s)} m/s."
        out.append((text, _standing(given, "assumed_speed_m_s")))
    parts = ", ".join(f"{number(round(100 * getattr(given.inversion_share, p), 4))} % of the {p}" for p in PERIODS)
    text = (
        "Of the calm time, in which the wind exceeds the threshold in no direction, propagation is favourable in all "
    )
    out.append((f"{text}directions for {parts}.", _standing(given, "inversion_share")))
    return out


def _of_terrain(project: Project) -> list[Assumption]:
    given, works = project.site.terrain, project.earthworks
    out: list[Assumption] = []
    if given is not None:
        how = (
            "linear on triangles between the given points" if given.kind == "points" else "bilinear between its heights"
        )
        text = f"The terrain is {how}, and goes on level beyond them."
        out.append((text, str(Standing.ASSUMPTION)))
    if works:
        text = (
            "Earthworks keep one cross-section along the rails; earth slopes run from the edge of the formation to the "
            "terrain without earthworks."
        )
        out.append((text, str(Standing.ASSUMPTION)))
        taken = [key for key in _SECTION if any(key not in work.model_fields_set for work in works)]
        if taken:
            fields = type(works[0]).model_fields
            values = ", ".join(f"{key} {number(fields[key].default)}" for key in taken)
            text = f"Where an earthwork does not give them, values of common practice hold: {values}."
            out.append((text, str(Standing.ASSUMPTION)))
    if any(work.over for work in works):
        text = (
            "The deck of a viaduct counts on paths that start or end on it, and is hard beside the ballast; all other "
            "sound passes below it as if it were not there."
        )
        out.append((text, str(Standing.ASSUMPTION)))
    return out


def _of_weather(given: WeatherTable) -> list[Assumption]:
    return [
        (
            "Rails are wet while it rains and for a time after it that grows with the rain; of the rest, they are damp "
            "for a part that grows evenly with the relative humidity, up to all of it at 100 %, and else dry.",
            str(Standing.ASSUMPTION),
        ),
        (
            f"Rails stay wet for {number(given.drying_ratio)} hours after each hour of rain.",
            _standing(given, "drying_ratio"),
        ),
        (
            f"Rails are damp at times from {number(given.damp_from_pct)} % relative humidity.",
            _standing(given, "damp_from_pct"),
        ),
    ]


def _standing(given: Part, key: str) -> str:
    return str(Standing.USER if key in given.model_fields_set else Standing.ASSUMPTION)
