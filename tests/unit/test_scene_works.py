"""What works and measurements of rails make of the tracks of a scene."""

from __future__ import annotations

import copy
import datetime as dt
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lineside.api import load_project
from lineside.engine.select import select
from lineside.plugins import Plugins
from lineside.project.model import Track, Work
from lineside.scene.alignment import Alignment
from lineside.scene.build import build_scene
from lineside.scene.rail_runs import RailRuns, rail_runs
from lineside.scene.tracks import Forms, TrackAlong, change_dates, changes_at, resolve_track, track_line
from sites import straight_site, write_site


def day(text: str) -> dt.date:
    return dt.date.fromisoformat(text)


def work(date: str, kind: str, from_m: float, to_m: float, **more: Any) -> Work:
    given = {"date": date, "kind": kind, "track": "T", "from_m": from_m, "to_m": to_m, **more}
    return Work.model_validate(given)


def track(*stretches: dict[str, Any], **attributes: Any) -> Track:
    given = {**straight_site(500.0, **attributes)["tracks"][0], "stretches": stretches}
    return Track.model_validate(given)


LINE = Alignment(np.array([0.0, 1000.0]), np.array([[-500.0, 0.0, 0.3], [500.0, 0.0, 0.3]]))


def along(of: Track, works: list[Work], date: str) -> TrackAlong:
    return resolve_track(of, LINE, changes_at(works, "T", day(date)))


def runs_of(found: TrackAlong, key: str) -> list[tuple[float, float, Any]]:
    """(from, to, value) of each piece, neighbours with one value put together."""
    out: list[tuple[float, float, Any]] = []
    for low, high, value in zip(found.at_m[:-1], found.at_m[1:], found.values, strict=True):
        if out and out[-1][2] == value[key]:
            out[-1] = (out[-1][0], float(high), value[key])
        else:
            out.append((float(low), float(high), value[key]))
    return out


def test_without_works_a_track_is_as_its_stretches_say() -> None:
    of = track({"from_m": 100, "to_m": 300, "name": "bend", "friction": "both"}, rail_pad="hard")
    found = resolve_track(of, LINE)
    assert found.at_m.tolist() == [0.0, 100.0, 300.0, 1000.0]
    assert runs_of(found, "friction") == [(0, 100, "none"), (100, 300, "both"), (300, 1000, "none")]
    assert found.names == ("", "bend", "")


def test_a_work_holds_from_its_own_date_on_between_its_ends() -> None:
    works = [work("2026-05-01", "rail_pads", 200, 400, changes={"rail_pad": "soft"})]
    of = track({"from_m": 300, "to_m": 500, "rail_pad": "hard", "name": "bridge"})
    before = [(0, 300, "medium"), (300, 500, "hard"), (500, 1000, "medium")]
    after = [(0, 200, "medium"), (200, 400, "soft"), (400, 500, "hard"), (500, 1000, "medium")]
    assert runs_of(along(of, works, "2026-04-30"), "rail_pad") == before
    assert runs_of(along(of, works, "2026-05-01"), "rail_pad") == after
    assert "bridge" in along(of, works, "2026-05-01").names


def test_overlapping_works_lie_in_date_order_whatever_their_order_in_the_file() -> None:
    late = work("2026-06-01", "rail_pads", 300, 600, changes={"rail_pad": "hard"})
    early = work("2026-05-01", "rail_pads", 200, 500, changes={"rail_pad": "soft"})
    expected = [(0, 200, "medium"), (200, 300, "soft"), (300, 600, "hard"), (600, 1000, "medium")]
    for works in ([late, early], [early, late]):
        assert runs_of(along(track(), works, "2026-07-01"), "rail_pad") == expected
    assert changes_at([late, early], "T", day("2026-07-01")) == (early, late)


def test_of_one_day_the_later_in_the_file_lies_on_top() -> None:
    soft = work("2026-05-01", "rail_renewal", 200, 400, changes={"rail_pad": "soft"})
    hard = work("2026-05-01", "rail_pads", 200, 400, changes={"rail_pad": "hard"})
    at = [runs_of(along(track(), works, "2026-05-01"), "rail_pad")[1][2] for works in ([soft, hard], [hard, soft])]
    assert at == ["hard", "soft"]


def test_until_is_the_first_day_without_the_change() -> None:
    works = [
        work("2026-05-01", "other", 0, 1000, changes={"rail_pad": "soft", "form": "slab"}, until="2026-06-01"),
        work("2026-05-10", "rail_pads", 500, 1000, changes={"rail_pad": "hard"}),
    ]
    assert runs_of(along(track(), works, "2026-05-31"), "rail_pad") == [(0, 500, "soft"), (500, 1000, "hard")]
    assert runs_of(along(track(), works, "2026-06-01"), "rail_pad") == [(0, 500, "medium"), (500, 1000, "hard")]
    assert runs_of(along(track(), works, "2026-06-01"), "form") == [(0, 1000, "ballast")]


def test_what_works_do_of_themselves() -> None:
    jointed = track(joints_per_100_m=4)
    gone = along(jointed, [work("2026-05-01", "joint_removal", 200, 400)], "2026-05-01")
    assert runs_of(gone, "joints_per_100_m") == [(0, 200, 4.0), (200, 400, 0.0), (400, 1000, 4.0)]
    assert [(j.from_m, j.to_m) for j in track_line(gone).joints] == [(0.0, 200.0), (400.0, 1000.0)]
    some = along(
        jointed, [work("2026-05-01", "joint_removal", 200, 400, changes={"joints_per_100_m": 1})], "2027-01-01"
    )
    assert runs_of(some, "joints_per_100_m")[1] == (200, 400, 1.0)
    for kind in ("grinding", "milling", "rail_renewal", "tamping", "turnout_renewal", "other"):
        assert changes_at([work("2026-05-01", kind, 200, 400)], "T", day("2027-01-01")) == ()


def test_friction_joins_what_is_there_unless_the_work_says_which() -> None:
    modifier = work("2026-05-01", "friction_modifier", 200, 600, until="2026-08-01")
    grease = work("2026-06-01", "lubrication", 400, 800)
    ends = work("2026-07-01", "lubrication", 0, 1000, changes={"friction": "none"})
    works = [modifier, grease, ends]
    june = [(0, 200, "none"), (200, 400, "friction_modifier"), (400, 600, "both")]
    june += [(600, 800, "gauge_lubrication"), (800, 1000, "none")]
    assert runs_of(along(track(), works, "2026-06-15"), "friction") == june
    assert runs_of(along(track(), works, "2026-07-01"), "friction") == [(0, 1000, "none")]
    assert runs_of(along(track(), [modifier, grease], "2026-08-01"), "friction")[1] == (400, 800, "gauge_lubrication")
    greased = along(track(friction="both"), [grease], "2026-06-01")
    assert runs_of(greased, "friction") == [(0, 1000, "both")]
    twice = along(track(friction="gauge_lubrication"), [grease], "2026-06-01")
    assert runs_of(twice, "friction") == [(0, 1000, "gauge_lubrication")]


def test_the_stiffness_of_an_old_pad_does_not_stay_beside_a_new_one() -> None:
    of = track(rail_pad_stiffness_mn_m=300)
    new = along(of, [work("2026-05-01", "rail_pads", 200, 400, changes={"rail_pad": "soft"})], "2026-05-01")
    assert [v for _, _, v in runs_of(new, "rail_pad_stiffness_mn_m")] == [300.0, None, 300.0]
    changes = {"rail_pad": "soft", "rail_pad_stiffness_mn_m": 180}
    told = along(of, [work("2026-05-01", "rail_pads", 200, 400, changes=changes)], "2026-05-01")
    assert [v for _, _, v in runs_of(told, "rail_pad_stiffness_mn_m")] == [300.0, 180.0, 300.0]


def test_works_on_another_track_do_not_count() -> None:
    other = work("2026-05-01", "other", 0, 500, changes={"form": "slab"}, track="U")
    assert changes_at([other], "T", day("2027-01-01")) == ()
    assert changes_at([other], "U", day("2027-01-01")) == (other,)


def test_dates_of_change_are_those_of_works_that_change_something() -> None:
    works = [
        work("2026-07-01", "lubrication", 0, 100, until="2026-09-01"),
        work("2026-05-01", "grinding", 0, 100),
        work("2026-04-01", "joint_removal", 0, 100),
        work("2026-07-01", "other", 0, 100, changes={"form": "slab"}),
        work("2026-01-01", "other", 0, 100, until="2026-02-01"),
    ]
    assert change_dates(works) == (day("2026-04-01"), day("2026-07-01"), day("2026-09-01"))
    assert change_dates([]) == ()


def test_friction_makes_a_form_of_its_own() -> None:
    found = resolve_track(track({"from_m": 0, "to_m": 300, "friction": "both"}), LINE)
    forms = Forms({}.__getitem__)
    assert [forms.index(value) for value in (*found.values, found.values[0])] == [0, 1, 0]
    assert [form.friction for form in forms.forms] == ["both", "none"]


SPECTRA = [
    {"id": "rails", "kind": "rail_roughness", "source": "Measured by hand", "axis": [100, 80, 63, 50, 40]},
    {"id": "later", "kind": "rail_roughness", "source": "Measured again", "axis": [40, 50, 63, 80, 100]},
]
for n, entry in enumerate(SPECTRA):
    entry["levels_db"] = [1 + n, 2 + n, 3 + n, 4 + n, 5 + n]
GRINDING = {"date": "2026-09-01", "kind": "grinding", "track": "T", "from_m": 200, "to_m": 800}
MEASURED = {"date": "2026-10-01", "track": "T", "from_m": 300, "to_m": 900, "spectrum": "rails"}
Build = Callable[..., RailRuns]


@pytest.fixture
def built(tmp_path: Path) -> Build:
    """Runs of a site; its stretches cut the sections where its works and measurements end."""
    plugins = Plugins.load()

    def build(works: list[dict[str, Any]], measured: list[dict[str, Any]], **more: Any) -> RailRuns:
        site = straight_site(500.0)
        site["identity"]["assessment_dates"] = ["2026-11-01"]
        site["vehicles"][0]["actual"] = {"wheel_load_kn": 50}
        site["calculation"] = {"method": "eu_common", "rail_state": {"name": "rail_wear"}}
        ends = sorted({0, 1000, *(e[key] for e in (*works, *measured) for key in ("from_m", "to_m"))})
        site["tracks"][0]["stretches"] = [
            {"from_m": low, "to_m": high, "bridge": "none"} for low, high in pairwise(ends)
        ]
        site.update(copy.deepcopy({"works": works, "rail_measurements": measured, "spectra": SPECTRA, **more}))
        loaded = load_project(write_site(site, tmp_path), plugins)
        sources = select(loaded, plugins).sources
        return rail_runs(loaded, build_scene(loaded, sources).scene, sources)

    return build


def ends_of(found: RailRuns) -> list[tuple[float, float, int, list[str]]]:
    """(from, to, number of works, sources of the measurements) of each run."""
    return [
        (float(low), float(high), len(run.works), [m.source for m in run.measured])
        for low, high, run in zip(found.from_m, found.to_m, found.runs, strict=True)
    ]


def test_runs_end_where_measured_rails_end(built: Build) -> None:
    found = built([GRINDING], [MEASURED])
    assert ends_of(found) == [
        (200.0, 300.0, 1, []),
        (300.0, 800.0, 1, ["Measured by hand"]),
        (800.0, 900.0, 0, ["Measured by hand"]),
    ]


def test_measured_rails_without_works_are_a_run(built: Build) -> None:
    found = built([], [MEASURED])
    assert ends_of(found) == [(300.0, 900.0, 0, ["Measured by hand"])]
    (run,) = found.runs
    assert found.work_dates == ()
    assert run.mgt_per_day > 0
    (measured,) = run.measured
    assert measured.date == day("2026-10-01")
    assert measured.wavelength_mm.tolist() == [40.0, 50.0, 63.0, 80.0, 100.0]
    assert measured.level_db.tolist() == [5.0, 4.0, 3.0, 2.0, 1.0]


def test_measurements_of_a_run_are_in_date_order(built: Build) -> None:
    found = built([], [{**MEASURED, "date": "2026-10-20", "spectrum": "later"}, MEASURED])
    (run,) = found.runs
    assert [m.source for m in run.measured] == ["Measured by hand", "Measured again"]
    assert run.measured[1].level_db.tolist() == [2.0, 3.0, 4.0, 5.0, 6.0]


def test_a_run_begins_with_its_first_work_or_measurement(built: Build) -> None:
    found = built([GRINDING], [{**MEASURED, "from_m": 100, "to_m": 500, "date": "2026-08-01"}])
    assert ends_of(found) == [
        (100.0, 200.0, 0, ["Measured by hand"]),
        (200.0, 500.0, 1, ["Measured by hand"]),
        (500.0, 800.0, 1, []),
    ]
    begun = {date: found.begun(day(date)).tolist() for date in ("2026-07-31", "2026-08-01", "2026-08-31", "2026-09-01")}
    assert begun == {
        # what was measured before the first work of a run is its base at any date before
        "2026-07-31": [False, True, False],
        "2026-08-01": [True, True, False],
        "2026-08-31": [True, True, False],
        "2026-09-01": [True, True, True],
    }


def test_rails_with_other_measurements_are_other_runs(built: Build) -> None:
    """One work all along, two spectra side by side."""
    found = built(
        [GRINDING],
        [{**MEASURED, "from_m": 200, "to_m": 400}, {**MEASURED, "from_m": 400, "to_m": 800, "spectrum": "later"}],
    )
    assert ends_of(found) == [(200.0, 400.0, 1, ["Measured by hand"]), (400.0, 800.0, 1, ["Measured again"])]
