"""Works laid over a track: what holds for any works, stretches and dates."""

from __future__ import annotations

import datetime as dt
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lineside.errors import ProjectError
from lineside.project.load import load_project
from lineside.project.model import Track, Work
from lineside.scene.alignment import Alignment
from lineside.scene.tracks import TrackAlong, change_dates, changes_at, resolve_track
from sites import straight_site, write_site

START = dt.date(2026, 1, 1)
LINE = Alignment(np.array([0.0, 1000.0]), np.array([[-500.0, 0.0, 0.3], [500.0, 0.0, 0.3]]))
PLACES_M = np.arange(5.0, 1000.0, 10.0)

days = st.integers(0, 30)
ranges = st.tuples(st.integers(0, 100), st.integers(0, 100)).filter(lambda r: r[0] < r[1])
values = st.fixed_dictionaries(
    {},
    optional={
        "rail_pad": st.sampled_from(["soft", "medium", "hard"]),
        "joints_per_100_m": st.integers(0, 5),
        "friction": st.sampled_from(["none", "gauge_lubrication", "friction_modifier", "both"]),
        "impact_roughness": st.none(),
        "form": st.sampled_from(["ballast", "slab"]),
    },
)


@st.composite
def works(draw: st.DrawFn) -> Work:
    low, high = draw(ranges)
    first = draw(days)
    kind = draw(st.sampled_from(["other", "lubrication", "friction_modifier", "joint_removal", "tamping"]))
    data: dict[str, Any] = {"date": str(START + dt.timedelta(first)), "kind": kind, "track": "T"}
    if kind == "other":
        data["changes"] = draw(values)
    if kind not in ("joint_removal", "tamping") and draw(st.booleans()):
        data["until"] = str(START + dt.timedelta(first + draw(st.integers(1, 20))))
    return Work.model_validate({**data, "from_m": 10 * low, "to_m": 10 * high})


def track(stretches: list[tuple[tuple[int, int], dict[str, Any]]]) -> Track:
    data = straight_site(500.0, joints_per_100_m=2)["tracks"][0]
    data["stretches"] = [{"from_m": 10 * low, "to_m": 10 * high, **changes} for (low, high), changes in stretches]
    return Track.model_validate(data)


tracks = st.lists(st.tuples(ranges, values), max_size=3).map(track)


def at_places(along: TrackAlong) -> list[dict[str, Any]]:
    return [dict(along.values[along.piece(place)]) for place in PLACES_M]


def on(of: Track, done: list[Work], day: int) -> list[dict[str, Any]]:
    return at_places(resolve_track(of, LINE, changes_at(done, "T", START + dt.timedelta(day))))


@settings(deadline=None)
@given(of=tracks, done=st.lists(works(), max_size=6), day=days)
def test_each_place_is_as_its_works_in_date_order_say(of: Track, done: list[Work], day: int) -> None:
    """Works laid one by one on each place, without any cutting of the track."""
    date = START + dt.timedelta(day)
    now = [w for w in done if w.date <= date and (w.until is None or date < w.until)]
    now.sort(key=lambda w: w.date)
    for place, here, found in zip(PLACES_M, on(of, [], day), on(of, done, day), strict=True):
        expected = here
        for w in now:
            if w.from_m < place < w.to_m:
                expected = w.onto(expected)
        assert found == expected


@settings(deadline=None)
@given(of=tracks, done=st.lists(works(), max_size=5), day=days, low_high=ranges, new=values)
def test_the_later_work_wins_where_it_is_and_only_there(
    of: Track, done: list[Work], day: int, low_high: tuple[int, int], new: dict[str, Any]
) -> None:
    date = START + dt.timedelta(day)
    low, high = (10 * end for end in low_high)
    data = {"date": str(date), "kind": "other", "track": "T", "from_m": low, "to_m": high, "changes": new}
    last = Work.model_validate(data)
    earlier = [w for w in done if w.date <= date]
    before, after = on(of, earlier, day), on(of, [*earlier, last], day)
    for place, old, found in zip(PLACES_M, before, after, strict=True):
        if not low < place < high:
            assert found == old
        else:
            assert {key: found[key] for key in new} == new
            changed = {key for key in found if found[key] != old[key]}
            assert changed <= set(new) | ({"rail_pad_stiffness_mn_m"} if "rail_pad" in new else set())


@settings(deadline=None)
@given(of=tracks, done=st.lists(works(), max_size=5), ended=works(), day=days)
def test_a_work_that_has_ended_leaves_what_was_before(of: Track, done: list[Work], ended: Work, day: int) -> None:
    if ended.kind in ("joint_removal", "tamping"):
        ended = ended.model_copy(update={"kind": "other"})
    over = ended.model_copy(update={"date": START - dt.timedelta(9), "until": START + dt.timedelta(day)})
    assert on(of, [over, *done], day) == on(of, done, day)
    assert on(of, [*done, over], day) == on(of, done, day)


@settings(deadline=None)
@given(of=tracks, done=st.lists(works(), max_size=5))
def test_nothing_changes_between_the_dates_of_change(of: Track, done: list[Work]) -> None:
    dates = {START + dt.timedelta(-1), *change_dates(done)}
    state = None
    for day in range(-1, 55):
        if START + dt.timedelta(day) in dates:
            state = on(of, done, day)
        assert on(of, done, day) == state


@settings(deadline=None, max_examples=40)
@given(from_m=st.floats(-100, 1100), to_m=st.floats(-100, 1100), key=st.sampled_from(["works", "rail_measurements"]))
def test_what_lies_outside_the_track_is_an_error(from_m: float, to_m: float, key: str) -> None:
    site = straight_site(500.0)
    site["identity"]["assessment_dates"] = ["2026-11-01"]
    levels = {"source": "s", "axis": [100, 80, 63, 50, 40], "levels_db": [1] * 5}
    site["spectra"] = [{"id": "rails", "kind": "rail_roughness", **levels}]
    what = {"kind": "joint_removal"} if key == "works" else {"spectrum": "rails"}
    site[key] = [{"date": "2026-09-01", "track": "T", "from_m": from_m, "to_m": to_m, **what}]
    inside = from_m < to_m and from_m >= -0.05 and to_m <= 1000.05
    with tempfile.TemporaryDirectory() as name:
        folder = write_site(site, Path(name))
        if inside:
            load_project(folder)
            return
        with pytest.raises(ProjectError) as caught:
            load_project(folder)
    errors = [p for p in caught.value.problems if p.severity == "error"]
    assert errors and all((p.place or p.message).startswith(f"{key}[1]") for p in errors)
