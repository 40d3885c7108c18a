"""Works that change a track, and measured rails: every check, with its place and its wording."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any, get_args

import pytest

from lineside.api import load_project
from lineside.errors import Problem, ProjectError
from lineside.plugins import Plugins
from lineside.project.load import LoadedProject
from lineside.project.works import MAY_CHANGE, NEW_SURFACE, WorkChanges, WorkKind
from lineside_plugins.rail_wear.history import resets_roughness
from sites import straight_site, write_site

WORK = {"date": "2026-09-01", "kind": "other", "track": "T", "from_m": 200, "to_m": 800}
MEASURED = {"date": "2026-10-01", "track": "T", "from_m": 300, "to_m": 700, "spectrum": "rails"}
THIRDS = [50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800]
THIRDS += [10 * f for f in THIRDS[3:]] + [10000]
SPECTRA = [
    {"id": "rails", "kind": "rail_roughness", "source": "s", "axis": [100, 80, 63, 50, 40], "levels_db": [1] * 5},
    {"id": "damped", "kind": "track_transfer", "source": "s", "axis": THIRDS, "levels_db": [60.0] * 24},
]
WEAR = {"method": "eu_common", "rail_state": {"name": "rail_wear"}}


@pytest.fixture(scope="module")
def plugins() -> Plugins:
    return Plugins.load()


def site(*works: dict[str, Any], measured: tuple[dict[str, Any], ...] = (), **more: Any) -> dict[str, Any]:
    out = straight_site(500.0)
    out["identity"]["assessment_dates"] = ["2026-11-01"]
    out["vehicles"][0]["actual"] = {"wheel_load_kn": 50}
    out["spectra"] = copy.deepcopy(SPECTRA)
    out["works"] = [{**WORK, **work} for work in works]
    out["rail_measurements"] = [{**MEASURED, **entry} for entry in measured]
    out.update(more)
    return out


def load(project: dict[str, Any], folder: Path, plugins: Plugins) -> LoadedProject:
    return load_project(write_site(project, folder), plugins)


def problems(project: dict[str, Any], folder: Path, plugins: Plugins) -> list[Problem]:
    """All but the warnings about spectra that nothing uses."""
    try:
        found = load(project, folder, plugins).warnings
    except ProjectError as error:
        found = error.problems
    return [p for p in found if "nothing uses this spectrum" not in p.message]


def one(project: dict[str, Any], folder: Path, plugins: Plugins) -> Problem:
    found = problems(project, folder, plugins)
    assert len(found) == 1, "\n".join(str(p) for p in found)
    return found[0]


def test_every_kind_has_its_attributes() -> None:
    """Written out once more: what each kind of work physically changes, but for the running surface."""
    pads = {"rail_pad", "rail_pad_stiffness_mn_m", "track_transfer"}
    assert {kind: set(keys) for kind, keys in MAY_CHANGE.items() if keys and kind != "other"} == {
        "rail_renewal": {"joints_per_100_m", "sleeper"} | pads,
        "joint_removal": {"joints_per_100_m"},
        "turnout_renewal": {"impact_roughness", "joints_per_100_m", "rail_roughness"},
        "lubrication": {"friction"},
        "friction_modifier": {"friction"},
        "rail_dampers": {"track_transfer"},
        "rail_pads": pads,
    }
    assert set(MAY_CHANGE) == set(get_args(WorkKind))
    known = set(WorkChanges.model_fields)
    assert all(set(keys) <= known for keys in MAY_CHANGE.values())
    assert set(MAY_CHANGE["other"]) == known
    assert not known & {"speed_limit_km_h", "curve_radius_m"}


def test_kinds_with_a_new_surface_are_those_of_the_wear_model() -> None:
    assert {kind for kind in get_args(WorkKind) if resets_roughness(kind)} == NEW_SURFACE


SOUND: list[dict[str, Any]] = [
    {"kind": "grinding"},
    {"kind": "tamping"},
    {"kind": "other"},
    {"kind": "rail_renewal", "changes": {"joints_per_100_m": 0, "rail_pad": "soft", "sleeper": "monoblock"}},
    {"kind": "joint_removal", "changes": {"joints_per_100_m": 1}},
    {"kind": "friction_modifier", "until": "2026-09-02"},
    {"kind": "rail_dampers", "changes": {"track_transfer": {"spectrum": "damped"}}},
    {"kind": "rail_pads", "changes": {"rail_pad": "soft", "rail_pad_stiffness_mn_m": 200}},
    {"kind": "rail_pads", "changes": {"rail_pad": "soft", "track_transfer": {"spectrum": "damped"}}},
    {"kind": "turnout_renewal", "changes": {"rail_roughness": {"spectrum": "rails"}}},
    {"kind": "other", "changes": {"form": "slab", "bridge": "none", "source_ground_g": 0.2}, "until": "2027-09-02"},
]


@pytest.mark.parametrize("work", SOUND, ids=lambda w: f"{w['kind']}-{len(w)}")
def test_sound_works_have_no_problem(work: dict[str, Any], tmp_path: Path, plugins: Plugins) -> None:
    project = site(work)
    project["tracks"][0]["attributes"]["joints_per_100_m"] = 3
    project["tracks"][0]["turnouts"] = [{"id": "W1", "chainage_m": 500}]
    assert [str(p) for p in problems(project, tmp_path, plugins)] == []


@pytest.mark.parametrize("kind", [kind for kind in MAY_CHANGE if kind != "other"])
@pytest.mark.parametrize("key", list(WorkChanges.model_fields))
def test_a_kind_changes_what_it_may_and_nothing_else(
    kind: WorkKind, key: str, tmp_path: Path, plugins: Plugins
) -> None:
    values: dict[str, Any] = {
        "form": "slab",
        "sleeper": "monoblock",
        "rail_pad": "soft",
        "rail_pad_stiffness_mn_m": 200,
        "rail_roughness": "average_network",
        "track_transfer": {"spectrum": "damped"},
        "impact_roughness": None,
        "joints_per_100_m": 1,
        "bridge": "none",
        "source_ground_g": 0.3,
        "friction": "both",
    }
    changes = {key: values[key]} | ({"track_transfer": values["track_transfer"]} if kind == "rail_dampers" else {})
    found = [
        p
        for p in problems(site({"kind": kind, "changes": changes}), tmp_path, plugins)
        if "does not change" in p.message
    ]
    if key in MAY_CHANGE[kind]:
        assert found == []
        return
    (problem,) = found
    assert problem.severity == "error"
    assert problem.message == f"a work of kind {kind} does not change {key}"
    assert (problem.allowed or "none") == (", ".join(MAY_CHANGE[kind]) or "none")
    assert problem.place.startswith("works[1], changes") and problem.line is not None
    assert problem.hint


ERRORS: list[tuple[dict[str, Any], str, str, str]] = [
    (
        {"kind": "rail_dampers"},
        "track_transfer is missing: what rail dampers do depends on the track, there is no general value",
        "{spectrum: id} of kind track_transfer",
        "kind: other",
    ),
    ({"kind": "rail_dampers", "changes": {"track_transfer": None}}, "there is no general value", "spectrum", ""),
    (
        {"kind": "rail_pads"},
        "changes is missing: which pads lie there now?",
        "rail_pad, rail_pad_stiffness_mn_m, track_transfer",
        "kind: other",
    ),
    (
        {"kind": "grinding", "until": "2026-10-01"},
        "until: what a work of kind grinding changes lasts",
        "until beside kind: lubrication, friction_modifier, other",
        "another work",
    ),
    (
        {"kind": "friction_modifier", "until": "2026-09-01"},
        "until: must lie after date",
        "a date after 2026-09-01",
        "",
    ),
    (
        {"changes": {"rail_pad": "sofft"}},
        "rail_pad: no calculator knows this class of rail_pad",
        "soft",
        "did you mean soft?",
    ),
    (
        {"changes": {"rail_roughness": {"spectrum": "damped"}}},
        "spectrum: is a spectrum of kind track_transfer, which does not fit rail_roughness",
        "spectra of kind rail_roughness: rails",
        "",
    ),
    ({"changes": {"track_transfer": {"spectrum": "dampd"}}}, "spectrum: there is no spectrum", "damped", "damped?"),
    ({"changes": {"sleeper": None}}, "sleeper: needs sleeper: the track has no track_transfer here", "", ""),
    ({"changes": {"rail_pad": None}}, "sleeper: needs rail_pad beside it", "soft", "write rail_pad here"),
    ({"changes": {"form": None}}, "form: must not be null", "ballast, slab or embedded", ""),
    ({"changes": {"friction": "soap"}}, "friction: is not an accepted value", "gauge_lubrication", ""),
    ({"changes": {"speed_limit_km_h": 50}}, "unknown key speed_limit_km_h", "friction", ""),
    ({"changes": None}, "changes: must be a group of keys", "", ""),
    ({"from_m": 900, "to_m": 1001}, "to_m: lies beyond the alignment", "0 to 1000", ""),
]


@pytest.mark.parametrize(("work", "message", "allowed", "hint"), ERRORS, ids=[e[1][:40] for e in ERRORS])
def test_errors(work: dict[str, Any], message: str, allowed: str, hint: str, tmp_path: Path, plugins: Plugins) -> None:
    problem = one(site(work), tmp_path, plugins)
    assert problem.severity == "error"
    assert message in problem.message
    assert allowed in problem.allowed
    assert hint in problem.hint
    assert problem.place.startswith("works[1]") or problem.message.startswith("works[1]")
    assert problem.line is not None
    text = (tmp_path / "project.yaml").read_text(encoding="utf-8").splitlines()
    assert next(n for n, line in enumerate(text, 1) if '"works"' in line) < problem.line


@pytest.mark.parametrize("kind", ["rail_pads", "rail_dampers"])
def test_a_faulty_change_is_not_a_missing_one(kind: str, tmp_path: Path, plugins: Plugins) -> None:
    key = MAY_CHANGE[kind][-1]  # type: ignore[index]
    assert one(site({"kind": kind, "changes": {key: 5}}), tmp_path, plugins).message == f"{key}: must be a spectrum"


WARNINGS: list[tuple[dict[str, Any], str, str]] = [
    ({"kind": "joint_removal"}, "works[1]: there are no joints here to remove", "before its works"),
    ({"kind": "lubrication"}, "works[1]: lubricates straight track", "in curves"),
    ({"kind": "rail_pads", "changes": {"rail_pad_stiffness_mn_m": 90}}, "changes no level", "give rail_pad"),
    ({"until": "2026-10-01"}, "until: has no effect, as the work changes nothing", ""),
]


@pytest.mark.parametrize(("work", "message", "hint"), WARNINGS, ids=[w[1][:40] for w in WARNINGS])
def test_warnings(work: dict[str, Any], message: str, hint: str, tmp_path: Path, plugins: Plugins) -> None:
    problem = one(site(work), tmp_path, plugins)
    assert problem.severity == "warning"
    assert message in problem.message and hint in problem.hint


def test_turnout_renewal_without_changes_is_recorded_only(tmp_path: Path, plugins: Plugins) -> None:
    project = site({"kind": "turnout_renewal"})
    recorded, nowhere = problems(project, tmp_path, plugins)
    assert {recorded.message, nowhere.message} == {
        "works[1]: is recorded only, as it has no changes",
        "works[1]: there is no turnout of this track between from_m and to_m",
    }
    project["tracks"][0]["turnouts"] = [{"id": "W1", "chainage_m": 500}]
    assert one(project, tmp_path, plugins).message == "works[1]: is recorded only, as it has no changes"


def test_lubrication_in_a_curve_is_sound(tmp_path: Path, plugins: Plugins) -> None:
    project = site({"kind": "lubrication"})
    project["tracks"][0]["stretches"] = [{"from_m": 700, "to_m": 900, "curve_radius_m": 300}]
    assert [p for p in problems(project, tmp_path, plugins) if "straight track" in p.message] == []


def test_joints_that_an_earlier_work_took_away(tmp_path: Path, plugins: Plugins) -> None:
    first = {"kind": "joint_removal", "date": "2026-03-01"}
    project = site({"kind": "joint_removal"}, first)
    project["tracks"][0]["attributes"]["joints_per_100_m"] = 3
    assert one(project, tmp_path, plugins).message == "works[1]: there are no joints here to remove"
    project["works"][0]["to_m"] = 801  # a metre of joints is left
    assert problems(project, tmp_path, plugins) == []


def test_works_that_change_the_track_need_a_date_of_the_levels(tmp_path: Path, plugins: Plugins) -> None:
    project = site({"kind": "grinding"}, {"changes": {"form": "slab"}})
    project["identity"].pop("assessment_dates")
    problem = one(project, tmp_path, plugins)
    text = (tmp_path / "project.yaml").read_text(encoding="utf-8").splitlines()
    line = [n for n, content in enumerate(text, 1) if '"date": "2026-09-01"' in content][1] - 1
    assert problem.severity == "error"
    assert problem.message == f"assessment_dates: needs a date, as the work in line {line} changes the track"
    project["works"].pop()
    assert problems(project, tmp_path, plugins) == []


def test_pads_under_a_measured_transfer_have_no_effect(tmp_path: Path, plugins: Plugins) -> None:
    dampers = {"kind": "rail_dampers", "changes": {"track_transfer": {"spectrum": "damped"}}, "to_m": 300}
    project = site(dampers, {"kind": "rail_pads", "changes": {"rail_pad": "soft"}, "date": "2026-09-10"})
    problem = one(project, tmp_path, plugins)
    assert problem.severity == "warning" and problem.place == "works[2], changes"
    assert problem.message == "rail_pad: has no effect, as track_transfer replaces sleeper and pad"
    project["works"][1]["date"] = "2026-08-10"  # before the dampers
    assert problems(project, tmp_path, plugins) == []


def test_what_ends_must_leave_a_sound_track(tmp_path: Path, plugins: Plugins) -> None:
    """A transfer for some months, on top of it a work that needs it: the end of the first uncovers the second."""
    first = {"changes": {"track_transfer": {"spectrum": "damped"}}, "until": "2026-10-15"}
    second = {"changes": {"sleeper": None, "rail_pad": None}, "date": "2026-09-10"}
    problem = one(site(first, second), tmp_path, plugins)
    assert problem.place == "works[2], changes"
    assert problem.message.startswith("sleeper: needs sleeper")
    del first["until"]
    assert problems(site(first, second), tmp_path, plugins) == []


def test_all_problems_at_once(tmp_path: Path, plugins: Plugins) -> None:
    project = site(
        {"kind": "grinding", "changes": {"friction": "both"}},
        {"kind": "rail_dampers"},
        {"kind": "rail_pads", "changes": {"rail_pad": "soft", "bridge": "none"}, "until": "2026-10-01"},
        measured=({"spectrum": "damped"},),
    )
    project["works"][2]["date"] = "yesterday"  # a fault of form hides no other
    found = {p.message.partition(":")[0] for p in problems(project, tmp_path, plugins) if p.severity == "error"}
    assert found == {
        "a work of kind grinding does not change friction",
        "track_transfer is missing",
        "a work of kind rail_pads does not change bridge",
        "until",
        "date",
        "spectrum",
    }


def line_of(folder: Path, key: str, n: int) -> int:
    """Line of the n-th entry of a list of the project file."""
    data = json.loads((folder / "project.yaml").read_text(encoding="utf-8"))
    data[key] = data[key][: n - 1]
    before = json.dumps({k: v for k, v in data.items()}, indent=1).splitlines()
    at = next(k for k, line in enumerate(before) if line.startswith(f' "{key}"'))
    end = next((k for k in range(at + 1, len(before)) if before[k].startswith(" ]")), at) if data[key] else at + 1
    return end + 1


class TestSameDay:
    def test_passes_with_other_details(self, tmp_path: Path, plugins: Plugins) -> None:
        a = {"kind": "grinding", "details": {"finish": "acoustic"}}
        b = {"kind": "grinding", "from_m": 700, "to_m": 900}
        problem = one(site(a, {"kind": "tamping"}, b, calculation=WEAR), tmp_path, plugins)
        line = line_of(tmp_path, "works", 1)
        assert problem.severity == "error" and problem.line == line_of(tmp_path, "works", 3)
        assert problem.message == (
            f"works[3]: is of the same kind and day as works[1] in line {line}, on the same track, with other details"
        )
        assert problem.hint.startswith("which of the two came last cannot be known")

    @pytest.mark.parametrize(
        "change",
        [
            {"details": {"finish": "acoustic", "machine": "rotating_stones"}},  # a default that is written
            {"from_m": 800, "to_m": 900},
            {"date": "2026-09-02"},
            {"kind": "milling"},
        ],
        ids=str,
    )
    def test_what_does_not_contradict(self, change: dict[str, Any], tmp_path: Path, plugins: Plugins) -> None:
        a = {"kind": "grinding", "details": {"finish": "acoustic"}}
        assert problems(site(a, {"kind": "grinding", **change}, calculation=WEAR), tmp_path, plugins) == []

    def test_details_of_works_that_leave_the_surface_cannot_contradict(self, tmp_path: Path, plugins: Plugins) -> None:
        a, b = {"kind": "tamping", "details": {"finish": "acoustic"}}, {"kind": "tamping"}
        assert problems(site(a, b, calculation=WEAR), tmp_path, plugins) == []

    def test_details_that_nothing_reads_cannot_contradict(self, tmp_path: Path, plugins: Plugins) -> None:
        a, b = {"kind": "grinding", "details": {"finish": "acoustic"}}, {"kind": "grinding"}
        assert [p.severity for p in problems(site(a, b), tmp_path, plugins)] == ["warning"]

    def test_attributes_set_differently(self, tmp_path: Path, plugins: Plugins) -> None:
        a, b = ({"kind": "rail_pads", "changes": {"rail_pad": pad}} for pad in ("soft", "hard"))
        problem = one(site(a, b), tmp_path, plugins)
        assert problem.severity == "error" and problem.place == "works[2], changes"
        assert problem.message == (
            f"rail_pad: is another one in works[1] in line {line_of(tmp_path, 'works', 1)}, of the same kind and day "
            "on the same track"
        )
        b["changes"] = {"rail_pad": "soft"}
        assert problems(site(a, b), tmp_path, plugins) == []

    def test_other_kinds_of_one_day_lie_in_the_order_of_the_file(self, tmp_path: Path, plugins: Plugins) -> None:
        a = {"kind": "rail_renewal", "changes": {"rail_pad": "soft"}}
        b = {"kind": "rail_pads", "changes": {"rail_pad": "hard"}}
        assert problems(site(a, b), tmp_path, plugins) == []


class TestMeasuredRails:
    @pytest.mark.parametrize(
        ("entry", "message", "allowed"),
        [
            ({"track": "U"}, "track: there is no track with this id", "T"),
            ({"spectrum": "rail"}, "spectrum: there is no spectrum with this id", "rails"),
            (
                {"spectrum": "damped"},
                "spectrum: is a spectrum of kind track_transfer, which does not fit rail_roughness",
                "spectra of kind rail_roughness: rails",
            ),
            ({"to_m": 1400}, "to_m: lies beyond the alignment", "0 to 1000"),
            ({"from_m": 700}, "to_m: must lie beyond from_m", ""),
            ({"date": "1.10.2026"}, "date: must be a date", "YYYY-MM-DD"),
            ({"depth": 1}, "unknown key depth", "date, track, from_m, to_m, spectrum, note"),
        ],
        ids=str,
    )
    def test_errors(self, entry: Any, message: str, allowed: str, tmp_path: Path, plugins: Plugins) -> None:
        problem = one(site(measured=(entry,), calculation=WEAR), tmp_path, plugins)
        assert problem.severity == "error"
        assert message in problem.message and allowed in problem.allowed
        assert problem.place == "rail_measurements[1]"

    def test_a_missing_key_hides_no_other_problem(self, tmp_path: Path, plugins: Plugins) -> None:
        project = site(measured=({"to_m": 1400},), calculation=WEAR)
        del project["rail_measurements"][0]["spectrum"]
        found = [p.message for p in problems(project, tmp_path, plugins)]
        assert len(found) == 2 and "spectrum is missing" in found
        assert any(message.startswith("to_m: lies beyond") for message in found)

    def test_one_place_and_date_measured_twice(self, tmp_path: Path, plugins: Plugins) -> None:
        twice: tuple[dict[str, Any], ...] = ({}, {"from_m": 690, "to_m": 800})
        problem = one(site(measured=twice, calculation=WEAR), tmp_path, plugins)
        line = line_of(tmp_path, "rail_measurements", 1)
        assert problem.severity == "error" and problem.line == line_of(tmp_path, "rail_measurements", 2)
        assert problem.message == (
            f"rail_measurements[2]: rail_measurements[1] in line {line} was measured on some of these rails on the "
            "same date"
        )
        for change in ({"from_m": 700}, {"date": "2026-09-30"}):
            twice[1].update(change)
            assert problems(site(measured=twice, calculation=WEAR), tmp_path, plugins) == []
            twice[1].update({"from_m": 690, "date": MEASURED["date"]})

    def test_without_a_rail_state_nothing_reads_it(self, tmp_path: Path, plugins: Plugins) -> None:
        problem = one(site(measured=({},)), tmp_path, plugins)
        assert (problem.severity, problem.message) == ("warning", "rail_measurements[1]: has no effect")
        assert problem.hint.startswith("set calculation.rail_state")

    def test_an_old_one_is_pointed_out_unless_a_newer_one_follows(self, tmp_path: Path, plugins: Plugins) -> None:
        old: dict[str, Any] = {"date": "2026-07-31"}
        problem = one(site(measured=(old,), calculation=WEAR), tmp_path, plugins)
        assert problem.severity == "warning"
        assert problem.message == "date: lies more than three months from every assessment date"
        assert "EU 1304/2014" in problem.hint
        assert problems(site(measured=({"date": "2026-08-01"},), calculation=WEAR), tmp_path, plugins) == []
        assert problems(site(measured=(old, {}), calculation=WEAR), tmp_path, plugins) == []
        late = {"date": "2026-11-10"}  # after the date of the levels
        assert problem in problems(site(measured=(old, late), calculation=WEAR), tmp_path, plugins)
        beside = {"from_m": 700, "to_m": 900}
        assert len(problems(site(measured=(old, beside), calculation=WEAR), tmp_path, plugins)) == 1

    def test_one_of_the_future(self, tmp_path: Path, plugins: Plugins) -> None:
        problem = one(site(measured=({"date": "2026-12-01"},), calculation=WEAR), tmp_path, plugins)
        assert (problem.severity, problem.message) == ("warning", "date: lies after the date of this revision")

    def test_its_spectrum_is_used(self, tmp_path: Path, plugins: Plugins) -> None:
        loaded = load(site(measured=({},), calculation=WEAR), tmp_path, plugins)
        assert [w.place or w.message for w in loaded.warnings] == ['spectra[2] "damped": nothing uses this spectrum']
        assert loaded.spectra[loaded.project.rail_measurements[0].spectrum].source == "s"
