"""The JSON Schema of the project file, and the starter project."""

from __future__ import annotations

import json
from datetime import date
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from pydantic import Field
from ruamel.yaml import YAML

from lineside.contracts import Options
from lineside.engine.select import vocabulary_of
from lineside.errors import ProjectError
from lineside.plugins import Plugins
from lineside.project.load import load_project
from lineside.project.model import Project
from lineside.project.schema import DIALECT, project_schema
from lineside.project.source import read_yaml
from lineside.project.starter import STARTER_FILES, write_starter
from lineside.project.vocabulary import ATTRIBUTES, Vocabulary


class Inner(Options):
    n: int = Field(description="A number")


class RollingOptions(Options):
    inner: Inner | None = Field(default=None, description="Something inside")


class LimitOptions(Options):
    limit_db: float = Field(description="The limit [dB]")


VOCABULARY = Vocabulary(
    terms={"rail_roughness": {"average_network": "as on an average network"}, "sleeper": {"monoblock": "one block"}},
    surfaces={"pasture": (1.0, "soft"), "water": (0.0, "hard")},
    methods={"eu_common": "The common one"},
    calculators={"rolling": RollingOptions},
    criteria={"limits": LimitOptions, "who_2018": Options},
    method_calculators={"eu_common": ("rolling",)},
)
MINIMAL: dict[str, Any] = {
    "lineside": 1,
    "identity": {"title": "x", "date": "2026-01-01"},
    "site": {"default_ground": {"surface": "pasture"}, "air": {"temperature_deg_c": 10, "humidity_pct": 70}},
    "tracks": [
        {
            "id": "T1",
            "kind": "tram",
            "alignment": {"kind": "inline", "points": [[0, 0, 0], [9, 0, 0]]},
            "attributes": {"form": "slab", "rail_roughness": "average_network", "speed_limit_km_h": 50},
        }
    ],
    "receivers": [{"id": "R1", "position": [1, 9], "use": "dwelling"}],
    "calculation": {"method": "eu_common"},
    "criteria": [{"name": "limits", "options": {"limit_db": 50}}],
}


@pytest.fixture(scope="module")
def plugin_vocabulary() -> Vocabulary:
    return vocabulary_of(Plugins.load())


def starter_data() -> Any:
    return read_yaml((files("lineside.project.starter") / "project.yaml").read_bytes(), "project.yaml").data


def faults(schema: dict[str, Any], data: Any) -> list[str]:
    return [e.json_path for e in jsonschema.Draft202012Validator(schema).iter_errors(data)]


def changed(*path: str | int, to: Any) -> Any:
    data = json.loads(json.dumps(MINIMAL))
    inner = data
    for part in path[:-1]:
        inner = inner[part]
    inner[path[-1]] = to
    return data


@pytest.mark.parametrize("vocabulary", [None, Vocabulary(), VOCABULARY], ids=["none", "empty", "small"])
def test_schema_is_valid(vocabulary: Vocabulary | None) -> None:
    schema = project_schema(vocabulary)
    assert schema["$schema"] == DIALECT
    jsonschema.Draft202012Validator.check_schema(schema)


def test_starter_passes(plugin_vocabulary: Vocabulary) -> None:
    assert faults(project_schema(plugin_vocabulary), starter_data()) == []
    assert faults(project_schema(), starter_data()) == []


EXAMPLES = Path(__file__).parents[2] / "example_projects"


def test_starter_and_examples_quote_their_dates() -> None:
    """Many YAML readers turn a bare 2026-12-01 into a date, which is no text to a JSON Schema."""
    starter = (files("lineside.project.starter") / "project.yaml").read_text(encoding="utf-8")
    texts = [starter, *(path.read_text(encoding="utf-8") for path in sorted(EXAMPLES.glob("*/project.yaml")))]
    assert len(texts) >= 3
    for text in texts:
        assert '  date: "20' in text
        data = YAML(typ="safe", pure=True).load(text)
        assert faults(project_schema(), data) == []


@pytest.mark.parametrize("written", ["2026-11-02", '"2026-11-02"'])
def test_loader_accepts_dates_with_and_without_quotes(written: str, tmp_path: Path) -> None:
    write_starter(tmp_path / "site")
    file = tmp_path / "site" / "project.yaml"
    file.write_text(file.read_text(encoding="utf-8").replace('"2026-11-02"', written), encoding="utf-8")
    assert load_project(file).project.identity.date == date(2026, 11, 2)


@pytest.mark.parametrize(
    ("path", "value", "where"),
    [
        (("identity", "titel"), "x", "$.identity"),
        (("lineside",), 2, "$.lineside"),
        (("tracks", 0, "kind"), "bus", "$.tracks[0].kind"),
        (("tracks", 0, "attributes", "speed_limit_km_h"), -1, "$.tracks[0].attributes.speed_limit_km_h"),
        (("tracks", 0, "attributes", "speed_limit_km_h"), "50", "$.tracks[0].attributes.speed_limit_km_h"),
        (("tracks", 0, "attributes", "rail_roughness"), "unheard_of", "$.tracks[0].attributes.rail_roughness"),
        (("tracks", 0, "attributes", "sleeper"), "unheard_of", "$.tracks[0].attributes.sleeper"),
        (
            ("tracks", 0, "stretches"),
            [{"from_m": 0, "to_m": 1, "sleeper": "straw"}],
            "$.tracks[0].stretches[0].sleeper",
        ),
        (
            ("works",),
            [
                {
                    "date": "2026-01-01",
                    "kind": "other",
                    "track": "T1",
                    "from_m": 0,
                    "to_m": 1,
                    "changes": {"sleeper": "x"},
                }
            ],
            "$.works[0].changes.sleeper",
        ),
        (("tracks", 0, "alignment", "points"), [[0, 0]], "$.tracks[0].alignment"),
        (("site", "default_ground", "surface"), "lava", "$.site.default_ground.surface"),
        (("calculation", "method"), "unheard_of", "$.calculation.method"),
        (("calculation", "with"), ["unheard_of"], "$.calculation.with[0]"),
        (("calculation", "options"), {"unheard_of": {}}, "$.calculation.options"),
        (("calculation", "options"), {"rolling": {"inner": {"n": "x"}}}, "$.calculation.options.rolling.inner"),
        (("criteria", 0, "name"), "unheard_of", "$.criteria[0]"),
        (("criteria", 0, "options"), {"limit_db": "loud"}, "$.criteria[0]"),
        (("criteria",), [{"name": "limits"}], "$.criteria[0]"),
        (("receivers",), [], "$.receivers"),
        (("identity", "date"), 2026, "$.identity.date"),
    ],
)
def test_broken_files_fail_where_they_are_broken(path: tuple[str | int, ...], value: Any, where: str) -> None:
    assert faults(project_schema(VOCABULARY), MINIMAL) == []
    assert faults(project_schema(VOCABULARY), changed(*path, to=value)) == [where]


def test_names_carry_their_meanings() -> None:
    schema = project_schema(VOCABULARY)
    attributes = schema["$defs"]["TrackAttributes"]["properties"]
    terms = attributes["rail_roughness"]["anyOf"][0]["oneOf"]
    assert terms == [{"const": "average_network", "description": "as on an average network"}]
    assert {t["const"] for t in attributes["bridge"]["anyOf"][0]["oneOf"]} == {"none"}
    surfaces = schema["$defs"]["Ground"]["properties"]["surface"]["anyOf"][0]["oneOf"]
    assert surfaces[1] == {"const": "water", "description": "G = 0: hard"}


def test_every_field_is_described() -> None:
    schema = project_schema(VOCABULARY)
    missing = [
        f"{model}.{name}"
        for model, node in [("Project", schema), *schema["$defs"].items()]
        for name, given in node.get("properties", {}).items()
        if not given.get("description")
    ]
    assert missing == []


def test_units_of_names_stand_in_the_descriptions() -> None:
    schema = project_schema()
    units = {
        "_m": "[m",
        "_km_h": "[km/h]",
        "_deg_c": "[deg C]",
        "_pct": "[%]",
        "_kpa": "[kPa]",
        "_kn": "[kN]",
        "_mm": "[mm]",
    }
    units |= {
        "_s": "[s]",
        "_m_s": "[m/s]",
        "_m_s2": "[m/s2]",
        "_mn_m": "[MN/m]",
        "_deg": "[deg]",
        "_db": "[dB]",
        "_per_100_m": "per 100 m",
    }
    checked = 0
    for node in schema["$defs"].values():
        for name, given in node.get("properties", {}).items():
            end = max((e for e in units if name.endswith(e)), key=len, default=None)
            if end is not None:
                assert units[end] in given["description"], name
                checked += 1
    assert checked > 30


def test_attributes_of_the_vocabulary_are_fields() -> None:
    schema = project_schema()
    known = {name for model in ("TrackAttributes", "Vehicle") for name in schema["$defs"][model]["properties"]}
    assert set(ATTRIBUTES) <= known


def test_no_field_but_the_version_has_a_hidden_type() -> None:
    """What the model takes, the schema takes too: the round trip of a full project."""
    project = Project.model_validate(starter_data())
    dumped = project.model_dump(mode="json", by_alias=True)
    assert faults(project_schema(), dumped) == []
    assert Project.model_validate(dumped) == project


class TestStarter:
    def test_loads_without_a_warning(self, tmp_path: Path, plugin_vocabulary: Vocabulary) -> None:
        written = write_starter(tmp_path / "site", plugin_vocabulary)
        assert written == (*STARTER_FILES, "schema.json")
        loaded = load_project(tmp_path / "site", plugin_vocabulary)
        assert loaded.warnings == ()
        assert sorted(loaded.inputs) == sorted(STARTER_FILES)
        assert "eu_rolling" in loaded.calculators

    def test_is_small_enough_to_assess_at_once(self, tmp_path: Path) -> None:
        write_starter(tmp_path / "site")
        loaded = load_project(tmp_path / "site")
        assert len(loaded.project.receivers) <= 5
        grid = loaded.project.calculation.grid
        assert grid is not None and grid.spacing_m >= 25

    def test_first_line_names_the_schema_beside_it(self, tmp_path: Path) -> None:
        write_starter(tmp_path / "site", VOCABULARY)
        first = (tmp_path / "site" / "project.yaml").read_text(encoding="utf-8").split("\n")[0]
        assert first == "# yaml-language-server: $schema=schema.json"
        schema = json.loads((tmp_path / "site" / "schema.json").read_text(encoding="utf-8"))
        assert schema == json.loads(json.dumps(project_schema(VOCABULARY)))

    def test_every_group_and_list_has_a_comment(self) -> None:
        text = (files("lineside.project.starter") / "project.yaml").read_text(encoding="utf-8")
        groups = text.split("\n\n")[2:]
        silent = [group.split(":")[0] for group in groups if "  # " not in group]
        assert silent == ["receivers", "ground_areas", "barriers", "criteria"]

    def test_fills_an_empty_folder(self, tmp_path: Path) -> None:
        (tmp_path / "site").mkdir()
        write_starter(tmp_path / "site")
        assert load_project(tmp_path / "site").warnings == ()

    def test_makes_folders_above(self, tmp_path: Path) -> None:
        write_starter(tmp_path / "a" / "b")
        assert sorted(p.name for p in (tmp_path / "a").iterdir()) == ["b"]

    def test_overwrites_nothing(self, tmp_path: Path) -> None:
        (tmp_path / "notes.txt").write_text("mine")
        with pytest.raises(ProjectError, match="the folder is not empty") as caught:
            write_starter(tmp_path)
        assert "nothing is overwritten" in caught.value.problems[0].hint
        assert [p.name for p in tmp_path.iterdir()] == ["notes.txt"]

    def test_refuses_a_file(self, tmp_path: Path) -> None:
        (tmp_path / "site").write_text("mine")
        with pytest.raises(ProjectError, match="is a file, not a folder"):
            write_starter(tmp_path / "site")
        assert (tmp_path / "site").read_text() == "mine"

    def test_folder_that_cannot_be_made(self, tmp_path: Path) -> None:
        (tmp_path / "file").write_text("mine")
        with pytest.raises(ProjectError, match=r"the folder cannot be written: (not a directory|file exists)"):
            write_starter(tmp_path / "file" / "site")

    def test_leaves_nothing_behind_when_writing_fails(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        def fail(self: Path, target: Path) -> Path:
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(Path, "rename", fail)
        with pytest.raises(ProjectError, match="no space left"):
            write_starter(tmp_path / "site")
        assert list(tmp_path.iterdir()) == []


def test_coordinates_say_which_axis_is_which() -> None:
    defs = project_schema()["$defs"]
    assert (
        "x is east and y is north, whatever the axis order"
        in defs["EpsgCoordinates"]["properties"]["code"]["description"]
    )
    assert "x is east" in defs["Receiver"]["properties"]["position"]["description"]
