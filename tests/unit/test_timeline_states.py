"""Levels in many states of the rails: the quick evaluation against computing the emission of the whole scene."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lineside.acoustics.bands import Array
from lineside.contracts import MeasuredRoughness, Options, SourceCalculator, SourceClass
from lineside.engine import timeline as timeline_module
from lineside.engine import timeline_states
from lineside.engine.emission import compute_emission
from lineside.engine.rails import Rails
from lineside.engine.roughness_answer import Answer, Places, ask
from lineside.engine.timeline import timeline_dates
from lineside.errors import PluginError
from lineside.scene.model import Scene, SourceConditions, Spectrum
from sites import straight_site
from timeline_parts import Parts, built

WORK_DATE = dt.date(2026, 9, 1)
DATES = [WORK_DATE + dt.timedelta(days=n) for n in (-20, 0, 9, 60, 400)]
N_DRAWS = 20
#: What the quick evaluation may be off by. [dB]
CLOSE_DB = 0.002


def bend(radius_m: float = 250.0) -> list[list[float]]:
    """450 m straight, 120 m round a curve, 450 m straight."""
    angle = np.linspace(0.0, 120.0 / radius_m, 25)
    x, y = radius_m * np.sin(angle), radius_m * (1.0 - np.cos(angle))
    end = np.array([x[-1], y[-1]]) + 450.0 * np.array([np.cos(angle[-1]), np.sin(angle[-1])])
    plan = np.vstack([[-450.0, 0.0], np.column_stack([x, y]), end])
    return [[float(a), float(b), 0.3] for a, b in plan]


def site(**calculation: Any) -> dict[str, Any]:
    """Two kinds of trains, one that calls, a curve, joints, a bridge, and works that overlap."""
    out = straight_site(500.0)
    out["identity"]["assessment_dates"] = ["2026-12-01"]
    out["tracks"][0]["alignment"]["points"] = bend()
    out["tracks"][0]["stretches"] = [
        {"from_m": 300, "to_m": 420, "joints_per_100_m": 3},
        {"from_m": 600, "to_m": 630, "bridge": "plus_10_dba"},
    ]
    out["stops"] = [{"id": "stop", "at": [{"track": "T", "chainage_m": 520}]}]
    car = out["vehicles"][0]
    car["actual"] = {"wheel_load_kn": 50}
    wagon = {**car, "id": "wagon", "kind": "train", "wheel_roughness": "cast_iron_block", "traction": "none"}
    out["vehicles"].append(wagon)
    out["units"].append({"id": "wagons", "vehicles": [{"vehicle": "car"}, {"vehicle": "wagon", "count": 3}]})
    calls = {"kind": "calls", "at": ["stop"], "acceleration_m_s2": 0.9, "braking_m_s2": 0.8, "dwell_s": 30}
    out["services"] += [
        {**out["services"][0], "id": "S2", "unit": "wagons", "pattern": calls},
        {**out["services"][0], "id": "S3", "direction": "falling", "speed_km_h": 45},
    ]
    grinding = {"date": "2026-09-01", "kind": "grinding", "track": "T"}
    out["works"] = [
        {**grinding, "from_m": 250, "to_m": 700, "details": {"pitch_mm": 33}},
        {**grinding, "date": "2026-10-20", "kind": "milling", "from_m": 500, "to_m": 650},
    ]
    out["calculation"] = {"method": "eu_common", "rail_state": {"name": "rail_wear"}, **calculation}
    return out


@pytest.fixture(scope="module")
def parts(tmp_path_factory: pytest.TempPathFactory) -> Parts:
    return built(site(), tmp_path_factory.mktemp("site"))


def worst_db(parts: Parts, dates: list[dt.date] = DATES, cases: tuple[int, ...] = (0, 1, 7, 20)) -> float:
    found = parts.timeline(dates, N_DRAWS)
    worst = 0.0
    for d, date in enumerate(dates):
        for case in cases:
            exact = parts.reference(date, case, N_DRAWS)
            worst = max(worst, float(np.abs(10.0 * np.log10(found.energy[d, case] / exact)).max()))
    return worst


def test_the_quick_evaluation_is_the_exact_one(parts: Parts) -> None:
    assert not parts.timeline(DATES, N_DRAWS).one_by_one
    assert worst_db(parts) < CLOSE_DB


@pytest.mark.parametrize("mapping", ["level", "energy_mean"])
def test_both_ways_to_read_a_spectrum_are_found(mapping: str, tmp_path: Path) -> None:
    options = {name: {"wavelength_mapping": mapping} for name in ("eu_rolling", "eu_impact", "eu_squeal", "eu_bridge")}
    parts = built(site(options=options), tmp_path)
    wear, own = parts.selection.rail_state or (None, None)
    assert wear is not None and own is not None
    given = wear.roughness(parts.runs.runs, DATES[:1], own)
    answer = ask(
        parts.scene,
        parts.runs.sections,
        parts.selection.sources,
        parts.emission.classes,
        given.wavelength_mm,
        given.worn_in_db[0],
    )
    assert answer.mean == {"level": "geometric", "energy_mean": "arithmetic"}[mapping]
    assert not parts.timeline(DATES, N_DRAWS).one_by_one
    assert worst_db(parts) < CLOSE_DB


def test_calculators_that_read_differently_are_asked_state_by_state(parts: Parts) -> None:
    odd = parts.with_sources(
        *(
            (c, o.model_copy(update={"wavelength_mapping": "energy_mean"}) if c.mechanism == "squeal" else o)
            for c, o in parts.selection.sources
        )
    )
    assert odd.timeline(DATES, N_DRAWS).one_by_one
    assert worst_db(odd, DATES[2:4]) < 1e-9


class Hiss(SourceCalculator):
    """Sound that does not grow below a threshold of roughness."""

    name = "hiss"
    title = "Hiss"
    version = "1"
    mechanism = "rolling"

    def emission(self, scene: Scene, options: Options) -> Mapping[SourceClass, Array]:
        per_form = []
        for form in scene.forms:
            level = 2.0
            if isinstance(form.rail_roughness, Spectrum):
                level = float(next(iter(form.rail_roughness.columns.values())).mean())
            per_form.append(10.0 ** (max(level, 2.0) / 10.0))
        moving = scene.traffic.seconds_per_m > 0
        power = np.where(moving, np.array(per_form)[scene.sections.form], 0.0)
        return {SourceClass("hiss", 0.5): np.repeat(power[:, :, None], 24, axis=2)}


def test_a_calculator_with_a_threshold_is_asked_state_by_state(parts: Parts) -> None:
    odd = parts.with_sources((Hiss(), Options()))
    found = odd.timeline(DATES, N_DRAWS)
    assert found.one_by_one
    assert worst_db(odd) < 1e-9
    # the state before the works, the worn-in state, one per date and case since
    assert found.n_states == 2 + 4 * (1 + N_DRAWS)


class Turned(Hiss):
    """Less sound on rougher rails: nothing that a factor of at least 0 describes."""

    def emission(self, scene: Scene, options: Options) -> Mapping[SourceClass, Array]:
        given = super().emission(scene, options)
        return {c: np.where(power > 0, 1.0 / np.maximum(power, 1e-9), 0.0) for c, power in given.items()}


def test_a_calculator_that_turns_roughness_round_is_asked_state_by_state(parts: Parts) -> None:
    odd = parts.with_sources((Turned(), Options()))
    assert odd.timeline(DATES[:3], N_DRAWS).one_by_one
    assert worst_db(odd, DATES[:3]) < 1e-9


def test_calculators_that_do_not_depend_on_roughness_give_one_level(parts: Parts) -> None:
    traction = [entry for entry in parts.selection.sources if entry[0].mechanism == "traction"]
    quiet = parts.with_sources(*traction)
    found = quiet.timeline(DATES, N_DRAWS)
    np.testing.assert_allclose(found.energy, np.broadcast_to(found.before, found.energy.shape), rtol=1e-12)


def test_each_distinct_state_of_a_run_is_evaluated_once(parts: Parts, tmp_path: Path) -> None:
    """Before the first work nothing is; after it likely and draws, runs of equal roughness together."""
    before = parts.timeline([DATES[0]], N_DRAWS)
    worn_in = before.n_states
    assert worn_in == 1  # all runs have one base
    one = parts.timeline([DATES[0], DATES[2]], N_DRAWS)
    # straight and curved rails are alike until growth starts
    assert one.n_states - worn_in == 1 + N_DRAWS
    later = parts.timeline([DATES[4]], N_DRAWS)
    # ground or milled, straight or curved
    assert later.n_states - worn_in == 4 * (1 + N_DRAWS)
    tamped = site()
    tamped["works"] = [{**tamped["works"][0], "kind": "tamping", "details": {}}]
    still = built(tamped, tmp_path).timeline(DATES, N_DRAWS)
    assert still.n_states == 1 + 4  # all draws are one


def test_before_and_worn_in_are_those_of_the_whole_scene(parts: Parts) -> None:
    found = parts.timeline(DATES, N_DRAWS)
    np.testing.assert_allclose(found.before, parts.reference(DATES[0], 0, 0), rtol=1e-9)
    np.testing.assert_allclose(found.energy[0], np.broadcast_to(found.before, found.energy[0].shape), rtol=1e-12)
    far = parts.reference(dt.date(2400, 1, 1), 0, 0)
    assert np.all(found.worn_in <= far * (1.0 + 1e-9))
    np.testing.assert_allclose(10 * np.log10(found.worn_in / found.before), 0.0, atol=0.01)


def test_batches_change_nothing(parts: Parts, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = parts.timeline(DATES, N_DRAWS)
    monkeypatch.setattr(timeline_module, "VALUES_AT_ONCE", 1)
    monkeypatch.setattr(timeline_states, "SECTIONS_AT_ONCE", 7)
    monkeypatch.setattr(timeline_states, "STATES_AT_ONCE", 5)
    small = parts.timeline(DATES, N_DRAWS)
    np.testing.assert_allclose(small.energy, whole.energy, rtol=1e-9)
    assert small.n_states == whole.n_states
    odd = parts.with_sources((Hiss(), Options()))
    np.testing.assert_allclose(odd.timeline(DATES, 2).energy[1, 2], odd.reference(DATES[1], 2, 2), rtol=1e-9)


def test_the_emission_at_any_date_will_do(parts: Parts) -> None:
    """Only sections without works are read from it."""
    assert parts.selection.rail_state is not None
    fresh = Rails(parts.runs, *parts.selection.rail_state).at(parts.scene, DATES[2])
    other = replace(parts, emission=compute_emission(fresh, parts.selection.sources))
    np.testing.assert_allclose(other.timeline(DATES, 3).energy, parts.timeline(DATES, 3).energy, rtol=1e-12)


def test_scenes_that_alternate_are_mixed_by_their_shares(parts: Parts) -> None:
    """Slower trains and another driving style in one of two states of the day; one service leaves it out by night."""
    traffic = replace(
        parts.scene.traffic,
        speed_km_h=0.8 * parts.scene.traffic.speed_km_h,
        seconds_per_m=parts.scene.traffic.seconds_per_m / 0.8,
    )
    slow = replace(parts.scene, traffic=traffic, conditions=SourceConditions(rail="wet", traction_db=6.0))
    shape = (len(parts.scene.period_names), len(parts.scene.services))
    weight = np.full(shape, 0.3)
    weight[2, 1] = 0.0
    mixed = parts.timeline(DATES[1:3], N_DRAWS, mixture=[(parts.scene, np.full(shape, 0.7)), (slow, weight)])
    only = parts.runs.run >= 0
    touched = replace(parts, transfer=parts.transfer * only[None, :, None, None, None])
    rest = replace(parts, transfer=parts.transfer * ~only[None, :, None, None, None])
    silent = replace(slow, services=tuple(_by_night(s, 0.0 if k == 1 else 1.0) for k, s in enumerate(slow.services)))
    for d, date in enumerate(DATES[1:3]):
        expected = 0.7 * touched.reference(date, 4, N_DRAWS) + 0.3 * touched.reference(date, 4, N_DRAWS, scene=silent)
        expected = expected + rest.reference(date, 4, N_DRAWS)
        assert np.abs(10 * np.log10(mixed.energy[d, 4] / expected)).max() < CLOSE_DB


def _measured(parts: Parts, date: dt.date, rise_db: float, **changes: Any) -> Parts:
    """The first run with roughness measured on a date, in all bands above its base by so much."""
    runs = parts.runs.runs
    wavelength_mm = np.array([8.0, 16.0, 31.5, 63.0, 125.0])
    base_db = np.interp(wavelength_mm, runs[0].wavelength_mm, runs[0].level_db)
    seen = MeasuredRoughness(date, wavelength_mm, base_db + rise_db, "")
    first = replace(runs[0], measured=(seen,), **changes)
    return replace(parts, runs=replace(parts.runs, runs=(first, *runs[1:])))


def test_roughness_measured_before_the_works_is_the_state_before_them(parts: Parts) -> None:
    rough = _measured(parts, WORK_DATE - dt.timedelta(days=70), 12.0)
    found, usual = rough.timeline(DATES, N_DRAWS), parts.timeline(DATES, N_DRAWS)
    assert np.all(found.before > 1.01 * usual.before)
    np.testing.assert_allclose(found.energy[0], np.broadcast_to(found.before, found.energy[0].shape), rtol=1e-9)
    assert np.abs(10 * np.log10(found.before / rough.reference(DATES[0], 0, 0))).max() < CLOSE_DB
    np.testing.assert_allclose(found.energy[1:], usual.energy[1:], rtol=1e-9)


def test_roughness_measured_without_works_holds_from_its_date_on(parts: Parts) -> None:
    rough = _measured(parts, DATES[2], 12.0, works=())
    found = rough.timeline(DATES, N_DRAWS)
    usual = replace(
        rough, runs=replace(rough.runs, runs=(replace(rough.runs.runs[0], measured=()), *rough.runs.runs[1:]))
    )
    without = usual.timeline(DATES, N_DRAWS)
    np.testing.assert_allclose(found.energy[:2], without.energy[:2], rtol=1e-9)
    assert np.all(found.energy[2:] > 1.002 * without.energy[2:])
    assert np.abs(10 * np.log10(found.energy[3, 5] / rough.reference(DATES[3], 5, N_DRAWS))).max() < CLOSE_DB


def test_a_spectrum_measured_after_the_work_narrows_levels(parts: Parts) -> None:
    assert parts.selection.rail_state is not None
    wear, options = parts.selection.rail_state
    true = wear.roughness(parts.runs.runs, [DATES[1], DATES[2]], options)
    seen = tuple(
        MeasuredRoughness(date, true.wavelength_mm[9:28][::-1], true.level_db[0, d, 0, 9:28][::-1], "")
        for d, date in enumerate(DATES[1:3])
    )
    runs = tuple(replace(run, measured=seen) for run in parts.runs.runs)
    month = [WORK_DATE + dt.timedelta(days=30)]
    free = parts.timeline(month, 200)
    found = replace(parts, runs=replace(parts.runs, runs=runs)).timeline(month, 200)
    width = [np.ptp(np.log10(np.quantile(one.energy[0, 1:], [0.05, 0.95], axis=0)), axis=0) for one in (free, found)]
    assert np.all(width[1] < 0.6 * width[0])


def _by_night(service: Any, factor: float) -> Any:
    hours = np.arange(24)
    return replace(
        service, trains_per_hour=np.where((hours >= 7) & (hours < 23), 1.0, factor) * service.trains_per_hour
    )


def test_a_source_class_that_is_not_in_the_transfer_is_an_error(parts: Parts) -> None:
    fewer = replace(parts, emission=replace(parts.emission, classes=()))
    with pytest.raises(PluginError, match="heard at some dates only"):
        fewer.timeline(DATES, 0)


def test_places_reproduce_every_mean_between_two_wavelengths() -> None:
    """Ratios of up to 20 dB between neighbours, as marks on a smooth rail have; error against the louder of the two."""
    level_db = np.array([0.0, 10.0, -10.0, 10.0, 9.0])
    places = Places(level_db.size)
    energy = 10.0 ** (level_db @ places.between(np.arange(len(places))) / 10.0)
    place = np.linspace(0.0, 4.0, 161)
    for mean in ("geometric", "arithmetic"):
        answer = Answer(*(4 * [place]), mean)  # type: ignore[arg-type]
        index, weight = places.weights(answer, (np.arange(place.size),))
        found = (energy[index] * weight).sum(axis=1)
        if mean == "geometric":
            exact = 10.0 ** (np.interp(place, np.arange(5.0), level_db) / 10.0)
        else:
            exact = np.interp(place, np.arange(5.0), 10.0 ** (level_db / 10.0))
        gap = np.minimum(place.astype(int), 3)
        louder = 10.0 ** (np.maximum(level_db[gap], level_db[gap + 1]) / 10.0)
        assert np.all(np.abs(found - exact) < 0.002 * louder)


def test_dates_of_the_time_line_hold_the_extremes(parts: Parts) -> None:
    dates = list(timeline_dates(parts.runs.work_dates, 1, 24, []))
    assert worst_db(parts, dates[::6], (0, 3)) < CLOSE_DB
