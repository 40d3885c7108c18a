"""Remake the expected numbers beside this file: run it with ``tests`` on the path of Python.

Walks along straight tracks parallel to x in small steps, and lets trains run past in small steps of time, with the
scalar method; reads the project files as data, without the program.
"""

from __future__ import annotations

import json
import math
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from published import scalar_method as m

HERE = Path(__file__).parent
HOURS = {"day": 12, "evening": 4, "night": 8}
REACH_M = 50.0
SLOW_KM_H = {"train": 50.0, "metro": 30.0, "tram": 30.0}
SOURCE_GROUND_G = {"ballast": 1.0, "slab": 0.0}
ABOUT = (
    "Computed, not published: with a separate scalar implementation of Directive 2002/49/EC, Annex II, sections 2.3 "
    "and 2.5 (tests/published/scalar_method.py and remake.py beside this file)."
)


class Site:
    """A project with one straight track along y = 0 and constant rail level."""

    def __init__(self, project: dict[str, Any]) -> None:
        self.project = project
        self.track = project["tracks"][0]
        (self.first_x, _, self.rail_z), (last_x, _, _) = self.track["alignment"]["points"]
        self.length = last_x - self.first_x
        self.plain = project["site"].get("ground_level_m", 0.0)
        air = project["site"]["air"]
        self.air = m.air_absorption_db_per_km(
            air["temperature_deg_c"], air["humidity_pct"], air.get("pressure_kpa", 101.325)
        )
        self.areas = [(shapely.Polygon(a["polygon"]), a["g"]) for a in project.get("ground_areas", [])]
        self.barriers = [(shapely.LineString(b["line"]), b["height_m"]) for b in project.get("barriers", [])]
        self.reflecting = [b["surface"] == "reflecting" for b in project.get("barriers", [])]
        self.vehicles = {v["id"]: v for v in project["vehicles"]}
        self.spectra = {s["id"]: s for s in project.get("spectra", [])}

    def attributes(self, chainage: float) -> dict[str, Any]:
        out = dict(self.track["attributes"])
        for stretch in self.track.get("stretches", []):
            if stretch["from_m"] <= chainage <= stretch["to_m"]:
                out.update(stretch)
        return out

    def joints(self, chainage: float) -> float:
        """Joints per 100 m: the largest density of the stretches in reach, and one for each turnout in reach."""
        stretches = self.track.get("stretches", [])
        near = (s for s in stretches if s["from_m"] - REACH_M < chainage < s["to_m"] + REACH_M)
        density = max((s.get("joints_per_100_m", 0.0) for s in near), default=0.0)
        return float(density + sum(abs(t["chainage_m"] - chainage) < REACH_M for t in self.track.get("turnouts", [])))

    def squeal_db(self, chainage: float) -> float:
        """Excess for trains in curves longer than 50 m and in turnouts that diverge."""
        excess = 0.0
        for turnout in self.track.get("turnouts", []):
            if turnout["route"] == "diverging" and abs(turnout["chainage_m"] - chainage) < 15.0:
                excess = 8.0 if turnout["diverging_radius_m"] <= 300.0 else 0.0
        radius = self.attributes(chainage).get("curve_radius_m") or math.inf
        return max(excess, 8.0 if radius <= 300.0 else 5.0 if radius <= 500.0 else 0.0)

    def paths(self, x: float, receiver: dict[str, Any], height: float) -> tuple[list[float], list[float]]:
        """Homogeneous and favourable energies per octave from (x, 0) to a receiver."""
        rx, ry = receiver["position"]
        plan, line = math.hypot(rx - x, ry), shapely.LineString([(x, 0.0), (rx, ry)])
        cuts = {0.0, plan}
        for polygon, _ in self.areas:
            cuts.update(_along(line, polygon.exterior))
        ground = []
        ends = sorted(cuts)
        for a, b in pairwise(ends):
            middle = line.interpolate((a + b) / 2)
            on_top = [g for polygon, g in self.areas if polygon.contains(middle)]
            ground.append((a, b, on_top[-1] if on_top else self.project["site"]["default_ground"]["g"]))
        edges = [(d, self.plain + top) for barrier, top in self.barriers for d in _along(line, barrier)]
        source_g = SOURCE_GROUND_G[self.attributes(x - self.first_x)["form"]]
        z = (self.rail_z + height, self.plain + receiver["height_m"])
        energies = m.path_energies(plan, z, (ground, edges), source_g, self.plain, self.air)
        first = min(
            ((d, self.plain + top, hard) for (barrier, top), hard in zip(self.barriers, self.reflecting, strict=True)
             for d in _along(line, barrier)), default=(0.0, 0.0, False),
        )  # fmt: skip
        if not first[2]:
            return energies
        across = abs(ry) / plan
        gain = m.beside_barrier(
            height, first[0] * across - 0.75, first[1] - self.rail_z, abs(ry) - 0.75, z[1] - self.rail_z, 0.2
        )
        homogeneous, favourable = ([e * g for e, g in zip(state, gain, strict=True)] for state in energies)
        return homogeneous, favourable

    def angles(self, x: float, receiver: dict[str, Any], height: float) -> tuple[float, float]:
        """Horizontal directivity as energy, and the angle up to the receiver. [rad]"""
        rx, ry = receiver["position"]
        plan = math.hypot(rx - x, ry)
        return 0.01 + 0.99 * (ry / plan) ** 2, math.atan2(
            self.plain + receiver["height_m"] - self.rail_z - height, plan
        )

    def share(self, x: float, receiver: dict[str, Any], period: str) -> float:
        given = self.project["site"]["favourable"]
        if given["kind"] == "one_value":
            return float(given[period])
        bearing = math.degrees(math.atan2(receiver["position"][0] - x, receiver["position"][1])) % 360
        return float([s for s in given["sectors"] if s["from_deg"] <= bearing][-1][period])

    def spectrum(self, value: Any, table: str) -> dict[str, list[float]]:
        """Columns of levels of a class or of a spectrum of the project, names without the class."""
        if isinstance(value, dict):
            own = self.spectra[value["spectrum"]]
            return own.get("columns") or {"db": own["levels_db"]}
        prefix = "source_" if table == "traction_power" else ""
        return {k.replace(f"{value}_", prefix): [y for _, y in c] for k, c in m.table(table).items() if value in k}

    def powers(self, vehicle: dict[str, Any], speed: float, at: dict[str, Any]) -> dict[str, list[float]]:
        """Sound powers per third octave at a speed; impact for one joint per 100 m."""
        names = {
            "rail": f"{at['rail_roughness']}_db",
            "wheel": f"{vehicle['wheel_roughness']}_db",
            "filter": f"{vehicle['contact_filter']}_db",
        }
        rough, joint = m.contact_energies(names, max(speed, SLOW_KM_H[vehicle["kind"]]))
        transfer = [
            self.spectrum(f"{at['sleeper']}_{at['rail_pad']}", "track_transfer")["db"],
            self.spectrum(vehicle["vehicle_transfer"], "vehicle_transfer")["db"],
        ]
        if vehicle.get("superstructure_transfer"):
            transfer.append(self.spectrum(vehicle["superstructure_transfer"], "superstructure_transfer")["db"])
        radiated = [vehicle["n_axles"] * sum(map(m.energy, levels)) for levels in zip(*transfer, strict=True)]
        slow = speed < SLOW_KM_H[vehicle["kind"]]
        out = {
            "rolling": [a * b for a, b in zip(rough, radiated, strict=True)],
            "impact": [0.0 if slow else a * b for a, b in zip(joint, radiated, strict=True)],
        }
        if at.get("bridge", "none") != "none":
            levels = self.spectrum(at["bridge"], "bridge_transfer")["db"]
            out["bridge"] = [vehicle["n_axles"] * a * m.energy(b) for a, b in zip(rough, levels, strict=True)]
        for height in "ab":
            if vehicle["traction"] != "none":
                columns = self.spectrum(vehicle["traction"], "traction_power")
                out[f"traction_{height}"] = [m.energy(level) for level in columns[f"source_{height}_db"]]
            if vehicle.get("aerodynamic") and speed > 200.0:
                rows = m.table("aerodynamic_power")
                rise = math.log10(speed / 300.0)
                pairs = zip(rows[f"source_{height}_db"], rows[f"alpha_{height}"], strict=True)
                out[f"aerodynamic_{height}"] = [m.energy(level + alpha * rise) for (_, level), (_, alpha) in pairs]
        return out

    def train(self, service: dict[str, Any]) -> list[dict[str, Any]]:
        unit = next(u for u in self.project["units"] if u["id"] == service["unit"])
        return [self.vehicles[part["vehicle"]] for part in unit["vehicles"] for _ in range(part["count"])]


def _along(line: Any, other: Any) -> list[float]:
    crossing = line.intersection(other)
    points = [c for q in getattr(crossing, "geoms", [crossing]) if not q.is_empty for c in q.coords]
    return [line.project(shapely.Point(c)) for c in points]


def long_term(site: Site, receiver: dict[str, Any], step: float) -> dict[str, Any]:
    """Levels of one service that passes at constant speed: periods, Lden, octaves and mechanisms."""
    (service,) = site.project["services"]
    train, cache = site.train(service), {}
    total: dict[tuple[str, str], list[float]] = {}
    for n in range(round(site.length / step)):
        chainage = (n + 0.5) * step
        x, at = site.first_x + chainage, site.attributes(chainage)
        speed = float(at["speed_limit_km_h"])
        key = (speed, at.get("bridge", "none"))
        if key not in cache:
            cache[key] = [site.powers(v, speed, at) for v in train]
        horizontal, up = zip(*(site.angles(x, receiver, h) for h in (0.5, 4.0)), strict=True)
        low, high = (site.paths(x, receiver, h) for h in (0.5, 4.0))
        joints, squeal = site.joints(chainage), m.energy(site.squeal_db(chainage)) - 1
        for period, hours in HOURS.items():
            p, flow = site.share(x, receiver, period), service["trains"][period] / hours / (1000.0 * speed) * step
            for k, f in enumerate(m.THIRDS_HZ):
                o = k // 3
                down = (1 - p) * low[0][o] + p * low[1][o]
                top = ((1 - p) * high[0][o] + p * high[1][o]) * horizontal[1]
                near = down * horizontal[0] * m.vertical_a(f)(up[0])
                for power in cache[key]:
                    contact = power["rolling"][k], joints * power["impact"][k]
                    parts = {"rolling": contact[0] * near, "impact": contact[1] * near}
                    parts["squeal"] = sum(contact) * squeal * near
                    parts["bridge"] = power["bridge"][k] * down if "bridge" in power else 0.0
                    for what, gain in (("traction", 1.0), ("aerodynamic", m.vertical_b_aerodynamic(up[1]))):
                        if f"{what}_a" in power:
                            parts[what] = power[f"{what}_a"][k] * near + power[f"{what}_b"][k] * top * gain
                    for what, value in parts.items():
                        total.setdefault((period, what), [0.0] * 8)[o] += flow * value
    return _levels(total)


def _levels(total: dict[tuple[str, str], list[float]]) -> dict[str, Any]:
    def level(value: float) -> float | None:
        return round(m.decibels(value), 3) if value > 0 else None

    def a_weighted(octaves: list[float]) -> float:
        return sum(e * m.energy(a) for e, a in zip(octaves, m.A_WEIGHTING_DB, strict=True))

    spectra = {p: [sum(v[o] for (q, _), v in total.items() if q == p) for o in range(8)] for p in HOURS}
    periods = {p: a_weighted(s) for p, s in spectra.items()}
    lden = sum(h * periods[p] * m.energy(plus) for (p, h), plus in zip(HOURS.items(), (0, 5, 10), strict=True)) / 24
    return {
        "lden_db": level(lden),
        "period_db": {p: level(e) for p, e in periods.items()},
        "spectrum_db": {p: [level(e) for e in s] for p, s in spectra.items()},
        "by_mechanism_db": {p: {w: level(a_weighted(v)) for (q, w), v in total.items() if q == p} for p in HOURS},
    }


def movement(
    service: dict[str, Any], first: float, last: float, stop: float, top: float, dt: float
) -> tuple[np.ndarray, np.ndarray]:
    """Place of the middle of the train in its direction of travel, and speed, at times dt apart."""
    if service["pattern"]["kind"] == "passes":
        place = np.arange(first, last, top * dt)
        return place, np.full(len(place), top)
    a, b = service["pattern"]["acceleration_m_s2"], service["pattern"]["braking_m_s2"]
    t = np.cumsum([(stop - top**2 / 2 / b - first) / top, top / b, service["pattern"]["dwell_s"], top / a])
    end = t[3] + (last - stop - top**2 / 2 / a) / top
    now = np.arange(0.0, end, dt)
    phase = [now < t[0], now < t[1], now < t[2], now < t[3]]
    starts = now - t[2]
    place = np.select(
        phase,
        [first + top * now, stop - b / 2 * (t[1] - now) ** 2, stop, stop + a / 2 * starts**2],
        stop + top**2 / 2 / a + top * (now - t[3]),
    )
    return place, np.select(phase, [top, b * (t[1] - now), 0.0, a * starts], top)


def passes(site: Site, receiver: dict[str, Any], dx: float, dt: float) -> list[dict[str, Any]]:
    """LAE and LAFmax of each service and state, from points that move along the track."""
    x = site.first_x + dx * (0.5 + np.arange(round(site.length / dx)))
    heard = np.zeros((len(x), 2, 2, 24))  # places, heights, states, bands
    for n, place in enumerate(x):
        for h, height in enumerate((0.5, 4.0)):
            horizontal, up = site.angles(place, receiver, height)
            for s, octaves in enumerate(site.paths(place, receiver, height)):
                for k, f in enumerate(m.THIRDS_HZ):
                    gain = horizontal * (m.vertical_a(f)(up) if h == 0 else 1.0)
                    heard[n, h, s, k] = octaves[k // 3] * gain * m.energy(m.A_WEIGHTING_DB[k // 3])
    top, at = float(site.track["attributes"]["speed_limit_km_h"]), site.track["attributes"]
    speeds = np.arange(0.0, top + 0.1, 0.5)
    out = []
    for service in site.project["services"]:
        direction = 1 if service["direction"] == "rising" else -1
        train = site.train(service)
        length = sum(v["length_m"] for v in train)
        ends = sorted((direction * x[0] - direction * dx / 2, direction * x[-1] + direction * dx / 2))
        stop = direction * (site.first_x + site.project["stops"][0]["at"][0]["chainage_m"])
        place, speed = movement(service, ends[0] - length / 2, ends[1] + length / 2, stop, top / 3.6, dt)
        level = np.zeros((2, len(place)))
        front = length / 2
        for vehicle in train:
            rolling = np.array([site.powers(vehicle, v, at)["rolling"] for v in speeds])
            drive = site.powers(vehicle, top, at)
            fixed = np.zeros((len(x), 2))
            for h, letter in enumerate("ab"):
                if f"traction_{letter}" in drive:
                    fixed += heard[:, h] @ np.array(drive[f"traction_{letter}"])
            moving = np.einsum("nsk,vk->snv", heard[:, 0], rolling)
            pieces = 32
            for piece in range(pieces):
                where = direction * (place + front - (piece + 0.5) / pieces * vehicle["length_m"])
                n = np.floor((where - x[0] + dx / 2) / dx).astype(int)
                inside = (n >= 0) & (n < len(x))
                n = np.clip(n, 0, len(x) - 1)
                v = np.clip(np.round(speed * 3.6 / 0.5).astype(int), 0, len(speeds) - 1)
                for s in range(2):
                    sound = np.where(speed > 0, moving[s][n, v], 0.0) + fixed[n, s]
                    level[s] += np.where(inside, sound, 0.0) / pieces
            front -= vehicle["length_m"]
        keep, state, largest = math.exp(-dt / 0.125), np.zeros(2), np.zeros(2)
        for now in level.T:
            state = keep * state + (1 - keep) * now
            largest = np.maximum(largest, state)
        for s, name in enumerate(("homogeneous", "favourable")):
            lae, lafmax = m.decibels(level[s].sum() * dt), m.decibels(largest[s])
            out.append(
                {"service": service["id"], "state": name, "lae_db": round(lae, 3), "lafmax_db": round(lafmax, 3)}
            )
    return out


def main() -> None:
    for path in sorted(HERE.glob("*.project.json")):
        site = Site(json.loads(path.read_text(encoding="utf-8")))
        moving = bool(site.project.get("stops"))
        steps = "Steps of 0.25 m along the track" + (", 0.005 s in time, 32 points per vehicle." if moving else ".")
        receivers = {
            r["id"]: {"passes": passes(site, r, 0.25, 0.005)} if moving else long_term(site, r, 0.25)
            for r in site.project["receivers"]
        }
        text = json.dumps({"about": f"{ABOUT} {steps}", "receivers": receivers}, indent=1)
        path.with_name(path.name.replace(".project.", ".expected.")).write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
