"""Reading files: YAML as text, CSV, GeoJSON, the folder; nothing outside it, nothing without bound."""

from __future__ import annotations

import json
import time
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from lineside.errors import Problem, ProjectError
from lineside.project import folder as folder_module
from lineside.project import source as source_module
from lineside.project.load import LoadedProject, load_project
from lineside.project.source import read_yaml

STARTER = files("lineside.project.starter")
TEXT = (STARTER / "project.yaml").read_text(encoding="utf-8")
CSV = (STARTER / "track_1.csv").read_text(encoding="utf-8")


def write(folder: Path, *edits: tuple[str, str], csv: str | bytes = CSV) -> Path:
    text = TEXT
    for old, new in edits:
        assert old in text, old
        text = text.replace(old, new, 1)
    (folder / "project.yaml").write_text(text, encoding="utf-8")
    (folder / "track_1.csv").write_bytes(csv if isinstance(csv, bytes) else csv.encode())
    return folder


def problems_of(path: Path) -> tuple[Problem, ...]:
    with pytest.raises(ProjectError) as caught:
        load_project(path)
    for problem in caught.value.problems:
        text = str(problem)
        assert len(text) < 2000 and text.replace("\n", "").isprintable()
    return caught.value.problems


def only(path: Path) -> Problem:
    problems = [p for p in problems_of(path) if p.severity == "error"]
    assert len(problems) == 1, "\n".join(map(str, problems))
    return problems[0]


def yaml_problems(text: str | bytes) -> tuple[Problem, ...]:
    with pytest.raises(ProjectError) as caught:
        read_yaml(text if isinstance(text, bytes) else text.encode(), "project.yaml")
    return caught.value.problems


class TestYamlText:
    @pytest.mark.parametrize(
        ("text", "message", "line", "column", "hint"),
        [
            ("", "is empty", None, None, ""),
            (" \n\n", "is empty", None, None, ""),
            ("# only a comment\n", "is not a mapping of keys to values", 1, 1, ""),
            ("- 1\n- 2\n", "is not a mapping of keys to values", 1, 1, ""),
            ("just words\n", "is not a mapping of keys to values", 1, 1, ""),
            ("a: 1\nb: 2\na: 3\n", "key a stands twice in one place", 3, 1, "it stands in line 1 already"),
            ("a:\n  x: 1\n  x: 2\n", "key x stands twice in one place", 3, 3, "line 2"),
            ("a: {x: 1, x: 2}\n", "key x stands twice in one place", 1, 11, "line 1"),
            ("a: &one 1\n", "anchor &one is not accepted", 1, 4, "remove it"),
            ("a: *one\n", "alias *one is not accepted", 1, 4, "write the value itself"),
            (
                "a: !!python/object/apply:os.system [ls]\n",
                "tag tag:yaml.org,2002:python/object/apply:os.system is not",
                1,
                4,
                "plain values only",
            ),
            ("a: !!binary aGk=\n", "tag tag:yaml.org,2002:binary is not accepted", 1, 4, "plain values only"),
            ("a: !local 1\n", "tag !local is not accepted", 1, 4, "plain values only"),
            ("a: 1\n---\nb: 2\n", "holds a second document", 2, 1, "remove the line `---`"),
            ("a:\n\tb: 1\n", "a tab stands in the indentation", 2, None, "indent with spaces"),
            ("? [1, 2]\n: 3\n", "a list or mapping stands where a key is expected", 1, 3, "plain words"),
            ("? {a: 1}\n: 3\n", "a list or mapping stands where a key is expected", 1, 3, "plain words"),
            ("a: b: c\n", "a colon stands where none is expected", 1, 5, "in quotes"),
            ("a: [1, 2\nb: 3\n", "a comma or a closing bracket is missing", 2, None, "close every ["),
            ("a: 'text\n", "a quotation mark is not closed", 2, 1, "close the quotation"),
            ('a: "\\q"\n', "an unknown escape stands after a backslash", 1, 6, "single quotes"),
            ("a:\n  b: 1\n c: 2\n", "the indentation does not fit the lines above", 3, None, "same indentation"),
            ("a: @x\n", "a character stands where a value cannot begin", 1, 4, "in quotes"),
            ("a: {b: 1\n", "a comma or a closing bracket is missing", 2, 1, ""),
            ("a\nb: 1\n", "a colon stands where none is expected", 2, 2, ""),
            ('a: "\\ud800"\n', "holds half of a character", 1, 4, ""),
            ("<<: {a: 1}\nb: *x\n", "alias *x is not accepted", 2, 4, ""),
        ],
    )
    def test_what_is_wrong_with_the_text(
        self, text: str, message: str, line: int | None, column: int | None, hint: str
    ) -> None:
        problem = yaml_problems(text)[0]
        assert message in problem.message
        assert problem.line == line
        assert column is None or problem.column == column
        assert hint in problem.hint

    def test_several_at_once(self) -> None:
        assert [p.line for p in yaml_problems("a: &x 1\nb: *x\na: 2\nc: !t 1\n")] == [1, 2, 3, 4]

    @pytest.mark.parametrize(
        ("data", "message", "found"),
        [
            (b"a: 1\nb: \xff\n", "is not UTF-8 text", "byte 0xff"),
            ("a: 1".encode("utf-16"), "is UTF-16 text", ""),
            (b"a: 1\x00\n", "holds a character that no text file has", "U+0000"),
            (b"\x7fELF\x02\x01\x01\x00\x00", "holds a character that no text file has", "U+007F"),
            (b"\x89PNG\r\n\x1a\n", "is not UTF-8 text", "byte 0x89"),
        ],
    )
    def test_bytes_that_are_no_text(self, data: bytes, message: str, found: str) -> None:
        (problem,) = yaml_problems(data)
        assert (problem.message, problem.found) == (message, found)

    def test_place_of_a_bad_byte(self) -> None:
        (problem,) = yaml_problems(b"a: 1\nbc: \xff\n")
        assert (problem.line, problem.column) == (2, 5)

    def test_byte_order_mark_and_windows_lines_are_fine(self) -> None:
        assert read_yaml(b"\xef\xbb\xbfa: 1\r\nb: x\r\n", "p").data == {"a": 1, "b": "x"}

    def test_values_follow_yaml_1_2(self) -> None:
        text = (
            "a: [yes, no, on, 05:31, 0o17, 0x1F, 1_000, 2026-01-02, ~, null, true, False, 007, -1.5e3, .5, 1., '1', "
            "012e1, +3]"
        )
        assert read_yaml(text.encode(), "p").data["a"] == [
            "yes",
            "no",
            "on",
            "05:31",
            "0o17",
            "0x1F",
            "1_000",
            "2026-01-02",
            None,
            None,
            True,
            False,
            7,
            -1500.0,
            0.5,
            1.0,
            "1",
            120.0,
            3,
        ]

    def test_billion_laughs(self) -> None:
        text = "a: &a [x]\n" + "".join(f"b{n}: &b{n} [*a, *a, *a, *a]\n" for n in range(40))
        start = time.process_time()
        assert len(yaml_problems(text)) <= 60
        assert time.process_time() - start < 1

    @pytest.mark.parametrize("opening", ["[", "{a: ", "- "])
    def test_deep_nesting(self, opening: str) -> None:
        start = time.process_time()
        problems = yaml_problems("a:\n  " + opening * 50_000)
        assert problems[-1].message == "is nested deeper than 30 levels"
        assert time.process_time() - start < 5

    @pytest.mark.parametrize("digits", ["9" * 5000, "9" * 400 + ".0", "1e400", "0x" + "f" * 5000])
    def test_numbers_beyond_bounds(self, digits: str, tmp_path: Path) -> None:
        problem = only(write(tmp_path, ("ground_level_m: 0.0", f"ground_level_m: {digits}")))
        assert problem.message in ("ground_level_m: must be a finite number", "ground_level_m: must be a number")
        assert len(problem.found) < 80

    def test_long_whole_number(self, tmp_path: Path) -> None:
        problem = only(write(tmp_path, ("n_axles: 4", "n_axles: " + "4" * 30)))
        assert problem.message == "n_axles: must be a whole number"

    def test_too_many_values(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(source_module, "MAX_VALUES", 10)
        assert read_yaml(b"a: [1, 2, 3, 4, 5, 6, 7]", "p").data == {"a": [1, 2, 3, 4, 5, 6, 7]}
        (problem,) = yaml_problems("a: [1, 2, 3, 4, 5, 6, 7, 8]")
        assert (problem.message, problem.column) == ("holds more than 10 values", 26)

    def test_escape_beyond_unicode(self) -> None:
        (problem,) = yaml_problems('a: 1\nb: "\\UFFFFFFFF"\n')
        assert problem.line in (1, 2)


class TestFolder:
    def test_no_folder(self, tmp_path: Path) -> None:
        problem = only(tmp_path / "gone")
        assert (problem.message, "lineside new" in problem.hint) == ("there is no such folder", True)

    def test_folder_without_project_file(self, tmp_path: Path) -> None:
        assert only(tmp_path).message == "there is no project.yaml in this folder"

    def test_folder_with_another_yaml(self, tmp_path: Path) -> None:
        (tmp_path / "site.yml").write_text("a: 1")
        assert "there is site.yml: rename it" in only(tmp_path).hint

    def test_not_a_project_file(self, tmp_path: Path) -> None:
        (tmp_path / "notes.txt").write_text("x")
        assert only(tmp_path / "notes.txt").message == "is not a project file"

    def test_project_file_by_another_name(self, tmp_path: Path) -> None:
        write(tmp_path)
        (tmp_path / "project.yaml").rename(tmp_path / "variant_b.yaml")
        loaded = load_project(tmp_path / "variant_b.yaml")
        assert list(loaded.inputs) == ["track_1.csv", "variant_b.yaml"]
        assert loaded.project_file == "variant_b.yaml"

    def test_problem_names_that_file(self, tmp_path: Path) -> None:
        write(tmp_path, ("humidity_pct: 75", "humidity_pct: 0"))
        (tmp_path / "project.yaml").rename(tmp_path / "b.yml")
        assert only(tmp_path / "b.yml").file == "b.yml"

    def test_project_file_is_a_folder(self, tmp_path: Path) -> None:
        (tmp_path / "project.yaml").mkdir()
        assert "no project.yaml" in only(tmp_path).message

    def test_name_with_nul(self, tmp_path: Path) -> None:
        assert only(tmp_path / "a\0b").message in (
            "cannot be opened: the name is not usable",
            "there is no such folder",
        )

    def test_large_project_file(self, tmp_path: Path) -> None:
        (tmp_path / "project.yaml").write_bytes(b"# " + b"x" * 5_000_001)
        assert only(tmp_path).message == "is larger than 5 MB"

    def test_large_data_file(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(folder_module.ProjectFolder.read, "__defaults__", (100,))
        assert only(write(tmp_path)).message == "file: is larger than 0.0001 MB"

    def test_too_many_files(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(folder_module, "MAX_FILES", 1)
        assert only(write(tmp_path)).message == "file: is one file too many: a project may have 1"

    @pytest.mark.parametrize(
        ("name", "message"),
        [
            ("../secret.csv", "lies outside the project folder"),
            ("sub/../../secret.csv", "lies outside the project folder"),
            ("/etc/passwd", "lies outside the project folder"),
            ("https://example.org/t.csv", "is an address, not a file"),
            ("file:///etc/passwd", "is an address, not a file"),
            ("C:/t.csv", "is an address, not a file"),
            ("'..\\secret.csv'", "contains a backslash"),
            ("track1.csv", "no such file in the project folder"),
            (".", "is not a file"),
            ("'~/t.csv'", "no such file in the project folder"),
            ("x" * 280, "cannot be"),
        ],
    )
    def test_names_that_are_refused(self, name: str, message: str, tmp_path: Path) -> None:
        (tmp_path / "secret.csv").write_text(CSV)
        site = tmp_path / "site"
        site.mkdir()
        problem = only(write(site, ("file: track_1.csv", f"file: {name}")))
        assert message in problem.message
        assert problem.place == 'tracks[1] "T1" (Towards Ferrow), alignment'
        if name == "track1.csv":
            assert problem.hint == "did you mean track_1.csv?"
            assert problem.allowed == "project.yaml, track_1.csv"

    def test_symlink_out_of_the_folder(self, tmp_path: Path) -> None:
        (tmp_path / "secret.csv").write_text(CSV)
        site = tmp_path / "site"
        site.mkdir()
        write(site)
        (site / "track_1.csv").unlink()
        (site / "track_1.csv").symlink_to(tmp_path / "secret.csv")
        assert only(site).message == "file: lies outside the project folder"

    def test_symlinked_folder_out(self, tmp_path: Path) -> None:
        (tmp_path / "out").mkdir()
        (tmp_path / "out" / "t.csv").write_text(CSV)
        site = tmp_path / "site"
        site.mkdir()
        (site / "data").symlink_to(tmp_path / "out")
        assert (
            only(write(site, ("file: track_1.csv", "file: data/t.csv"))).message
            == "file: lies outside the project folder"
        )

    def test_symlink_inside_and_sub_folder_are_fine(self, tmp_path: Path) -> None:
        (tmp_path / "data").mkdir()
        (tmp_path / "data" / "t.csv").write_text(CSV)
        (tmp_path / "link.csv").symlink_to(tmp_path / "data" / "t.csv")
        loaded = load_project(write(tmp_path, ("file: track_1.csv", "file: link.csv")))
        assert list(loaded.inputs) == ["data/t.csv", "project.yaml"]

    def test_symlink_to_itself(self, tmp_path: Path) -> None:
        (tmp_path / "loop.csv").symlink_to(tmp_path / "loop.csv")
        assert "file: " in only(write(tmp_path, ("file: track_1.csv", "file: loop.csv"))).message


class TestCsv:
    @pytest.mark.parametrize(
        ("csv", "message", "line"),
        [
            ("", "is empty", None),
            ("# note\n", "has no header line", None),
            ("x_m,y_m,z_m\n", "has a header but no rows", 1),
            ("x_m,y_m,z_m\n0,0,0\n", "has one point only", None),
            ("x_m,y_m\n0,0\n", "column z_m is missing", 1),
            ("x_m;y_m;z_m\n0;0;0\n", "columns are not separated by commas", 1),
            ("x_m,y_m,z_m,x_m\n0,0,0,0\n", "column x_m stands twice in the header", 1),
            ("x_m,y_m,z_m\n0,0,0\n1,a,0\n", "column y_m is not a number", 3),
            ("x_m,y_m,z_m\n0,0,0\n# note\n\n1,nan,0\n", "column y_m is not a number", 5),
            ("x_m,y_m,z_m\n0,0,0\n1,inf,0\n", "column y_m is not a number", 3),
            ("x_m,y_m,z_m\n0,0,0\n1,1e400,0\n", "column y_m is out of range", 3),
            ("x_m,y_m,z_m\n0,0,0\n1,1_0,0\n", "column y_m is not a number", 3),
            ("x_m,y_m,z_m\n0,0,0\n1,,0\n", "column y_m is empty", 3),
            ("x_m,y_m,z_m\n0,0,0\n1,0,99999\n", "column z_m is out of range", 3),
            ("x_m,y_m,z_m\n0,0,0\n1,0,0,0\n", "has 4 values where the header has 3", 3),
            ('x_m,y_m,z_m\n0,0,0\n1,"0,0\n', "cannot be read as comma-separated values", 3),
            ("x_m,y_m,z_m\n0,0,0.3\n0,0,0.3\n", "lies on the point before it", 3),
            ("x_m,y_m,z_m,chainage_m\n0,0,0,0\n500,0,0,400\n", "chainage grows by 400 m from the point before, but", 3),
            (
                "x_m,y_m,z_m,chainage_m\n0,0,0,10\n500,0,0,5\n",
                "chainage 5 m does not rise: the point before has 10 m",
                3,
            ),
            (
                "x_m,y_m,z_m\n0,0,0\n500,0,-9\n",
                "the rail head is up to 9 m below the ground between chainage 30 m and 500 m",
                3,
            ),
            (b"x_m,y_m,z_m\n0,0,\x00\n", "holds a character that no text file has", 2),
            (b"x_m,y_m,z_m\n0,0,\xe9\n", "is not UTF-8 text", 2),
        ],
    )
    def test_what_is_wrong_with_an_alignment(
        self, csv: str | bytes, message: str, line: int | None, tmp_path: Path
    ) -> None:
        fitting = [p for p in problems_of(write(tmp_path, csv=csv)) if message in p.message]
        assert len(fitting) == 1
        assert (fitting[0].file, fitting[0].line, fitting[0].severity) == ("track_1.csv", line, "error")

    def test_decimal_comma(self, tmp_path: Path) -> None:
        problem = only(write(tmp_path, csv='x_m,y_m,z_m\n0,0,0\n"1,5",0,0\n'))
        assert problem.hint == "write a decimal point: 1.5"

    def test_renamed_column(self, tmp_path: Path) -> None:
        problem = only(write(tmp_path, csv="x_m,y_m,z\n0,0,0\n"))
        assert (problem.hint, problem.allowed) == ("rename z?", "columns x_m, y_m, z_m, chainage_m")

    def test_all_bad_cells_at_once_but_not_endlessly(self, tmp_path: Path) -> None:
        problems = problems_of(write(tmp_path, csv="x_m,y_m,z_m\n" + "a,b,0\n" * 100))
        assert len(problems) == 42
        assert problems[-1].file == "track_1.csv"

    def test_column_that_is_not_used_is_a_warning(self, tmp_path: Path) -> None:
        loaded = load_project(write(tmp_path, csv="x_m,y_m,z_m,chainge_m\n0,0,0.3,7\n610,0,0.3,8\n"))
        (found,) = [w for w in loaded.warnings if w.file == "track_1.csv"]
        assert (found.message, found.hint) == ("column chainge_m is not used", "did you mean chainage_m?")

    def test_chainage_of_the_file(self, tmp_path: Path) -> None:
        csv = "x_m,y_m,z_m,chainage_m\n0,0,0.3,0\n610,0,0.3,611\n"
        loaded = load_project(write(tmp_path, csv=csv))
        assert loaded.alignments["T1"][0].tolist() == [0, 611]

    def test_points_in_falling_order(self, tmp_path: Path) -> None:
        csv = "x_m,y_m,z_m,chainage_m\n610,0,0.3,610\n300,0,0.3,300\n0,0,0.3,0\n"
        problems = problems_of(write(tmp_path, csv=csv))
        assert [(p.line, p.hint) for p in problems] == [(n, "reverse the order of the points") for n in (3, 4)]

    def test_start_chainage_beside_chainage(self, tmp_path: Path) -> None:
        csv = "x_m,y_m,z_m,chainage_m\n0,0,0.3,0\n610,0,0.3,611\n"
        loaded = load_project(write(tmp_path, ("track_1.csv}", "track_1.csv, start_chainage_m: 9}"), csv=csv))
        assert any(w.message.startswith("start_chainage_m: has no effect") for w in loaded.warnings)

    def test_times(self, tmp_path: Path) -> None:
        (tmp_path / "t.csv").write_text("time\n05:31\n25:00\n")
        problem = only(write(tmp_path, ('times: ["00:40", "01:10", "05:05"]', "file: t.csv")))
        assert (problem.file, problem.line, problem.message) == ("t.csv", 3, "is not a time of day")
        (tmp_path / "t.csv").write_text("time\n05:31\n23:59:30\n")
        assert load_project(tmp_path).times["depot"].tolist() == [331, 1439]

    def test_spectrum(self, tmp_path: Path) -> None:
        spectra = "spectra:\n  - {id: r, kind: rail_roughness, source: measured, file: r.csv}\nvehicles:"
        rows = "wavelength_mm,level_db\n" + "".join(f"{w},1.5\n" for w in (100, 80, 63, 50, 41))
        (tmp_path / "r.csv").write_text(rows)
        problem = only(write(tmp_path, ("vehicles:", spectra)))
        assert (problem.file, problem.line, problem.hint) == ("r.csv", 6, "the nearest is 40 mm")
        (tmp_path / "r.csv").write_text(rows.replace("41", "40"))
        spectrum = load_project(tmp_path).spectra["r"]
        assert spectrum.axis.tolist() == [100, 80, 63, 50, 40]
        assert spectrum.columns["level_db"].tolist() == [1.5] * 5

    def test_traction_spectrum(self, tmp_path: Path) -> None:
        from lineside.acoustics.bands import THIRD_OCTAVES_HZ

        spectra = "spectra:\n  - {id: e, kind: traction, source: measured, file: e.csv}\nvehicles:"
        rows = "".join(f"{f:g},1,2,3\n" for f in THIRD_OCTAVES_HZ)
        (tmp_path / "e.csv").write_text("frequency_hz,source_a_db,source_b_db,idling_a_db\n" + rows)
        assert only(write(tmp_path, ("vehicles:", spectra))).message == "column idling_b_db is missing"
        rows = "".join(f"{f:g},1,2,3,4\n" for f in THIRD_OCTAVES_HZ)
        (tmp_path / "e.csv").write_text("frequency_hz,source_a_db,source_b_db,idling_a_db,idling_b_db\n" + rows)
        spectrum = load_project(tmp_path).spectra["e"]
        assert {name: v[0] for name, v in spectrum.columns.items()} == {
            "source_a_db": 1,
            "source_b_db": 2,
            "idling_a_db": 3,
            "idling_b_db": 4,
        }


def feature(name: Any, kind: str, coordinates: Any, **more: Any) -> dict[str, Any]:
    return {"type": "Feature", "id": name, "geometry": {"type": kind, "coordinates": coordinates}, **more}


LINE = [[0, 0], [300, 0], [610, 0]]
RING = [[0, 50], [99, 50], [99, 90], [0, 50]]


YARD = ("polygon: [[370, 40], [400, 75], [450, 40], [420, 5]]", "file: t.geojson\n    feature: yard")


class TestGeoJson:
    def project(self, folder: Path, document: Any, extra: str = ", z_m: 0.3", *edits: tuple[str, str]) -> Path:
        text = document if isinstance(document, str) else json.dumps(document)
        (folder / "t.geojson").write_text(text, encoding="utf-8")
        edit = ("{kind: csv, file: track_1.csv}", "{kind: geojson, file: t.geojson, feature: T1" + extra + "}")
        return write(folder, edit, *edits)

    def loaded(
        self,
        folder: Path,
        *features: Any,
        extra: str = ", z_m: 0.3",
        edits: tuple[tuple[str, str], ...] = (),
        **more: Any,
    ) -> LoadedProject:
        document = {"type": "FeatureCollection", "features": features, **more}
        return load_project(self.project(folder, document, extra, *edits))

    def test_line_without_heights(self, tmp_path: Path) -> None:
        loaded = self.loaded(tmp_path, feature("T1", "LineString", LINE))
        assert loaded.alignments["T1"][1].tolist() == [[0, 0, 0.3], [300, 0, 0.3], [610, 0, 0.3]]
        assert "t.geojson" in loaded.inputs

    def test_line_with_heights_and_id_in_properties(self, tmp_path: Path) -> None:
        points = [[0, 0, 0.1], [610, 0, 0.2]]
        loaded = self.loaded(tmp_path, feature(None, "LineString", points, properties={"id": "T1"}), extra="")
        assert loaded.alignments["T1"][1][:, 2].tolist() == [0.1, 0.2]

    def test_single_feature(self, tmp_path: Path) -> None:
        assert len(load_project(self.project(tmp_path, feature("T1", "LineString", LINE))).alignments["T1"][0]) == 3

    def test_one_part_of_many_is_that_part(self, tmp_path: Path) -> None:
        loaded = self.loaded(tmp_path, feature("T1", "MultiLineString", [LINE]))
        assert loaded.alignments["T1"][1].tolist() == [[0, 0, 0.3], [300, 0, 0.3], [610, 0, 0.3]]

    @pytest.mark.parametrize(
        ("parts", "message", "hint"),
        [
            ([LINE, LINE], "must be one LineString; this MultiLineString has 2 parts", "split it into features"),
            ([], "must be one LineString; this MultiLineString has 0 parts", ""),
            (None, "must be one LineString; this MultiLineString has 0 parts", ""),
        ],
    )
    def test_other_numbers_of_parts(self, parts: Any, message: str, hint: str, tmp_path: Path) -> None:
        problem = only(self.project(tmp_path, feature("T1", "MultiLineString", parts)))
        assert problem.message == message
        assert problem.hint.startswith(hint)

    def test_polygon_of_one_part(self, tmp_path: Path) -> None:
        ring = [[370, 40], [400, 75], [450, 40], [370, 40]]
        loaded = self.loaded(
            tmp_path, feature("T1", "LineString", LINE), feature("yard", "MultiPolygon", [[ring]]), edits=(YARD,)
        )
        assert loaded.polygons["yard"].tolist() == ring[:-1]

    def test_broken_json_says_where(self, tmp_path: Path) -> None:
        problem = only(self.project(tmp_path, '{"type": "Feature",\n  "id": }'))
        assert (problem.line, problem.column) == (2, 9)
        assert (problem.message, problem.hint) == (
            "cannot be read as JSON: line 2, column 9",
            "is it GeoJSON text?",
        )

    def test_height_is_missing(self, tmp_path: Path) -> None:
        problem = only(self.project(tmp_path, feature("T1", "LineString", LINE), ""))
        assert problem.message == "z_m is missing, as the points of the feature have no height"

    def test_unknown_feature_lists_ids(self, tmp_path: Path) -> None:
        problem = only(self.project(tmp_path, feature("T11", "LineString", LINE)))
        assert problem.message == "feature: no such feature in t.geojson"
        assert (problem.allowed, problem.hint) == ("T11", "did you mean T11?")

    def test_file_without_ids(self, tmp_path: Path) -> None:
        problem = only(self.project(tmp_path, feature(None, "LineString", LINE)))
        assert (problem.allowed, problem.hint) == ("none", "give each feature an id, or properties.id")

    @pytest.mark.parametrize(
        ("document", "message", "line"),
        [
            ('{"type": "Feature",\n  "id": }', "cannot be read as JSON: line 2, column 9", 2),
            ("[" * 100_000, "is nested too deeply", None),
            ('{"type": "FeatureCollection", "features": [NaN]}', "holds a number that is not finite", None),
            (
                '{"type": "FeatureCollection", "features": [' + "9" * 5000 + "]}",
                "holds a number that is too long",
                None,
            ),
            ("[1]", "is not GeoJSON with features", None),
            ({"type": "LineString", "coordinates": LINE}, "is not GeoJSON with features", None),
            ({"type": "FeatureCollection", "features": 3}, "features is not a list of features", None),
            (
                {"type": "FeatureCollection", "features": [feature("T1", "LineString", LINE)] * 2},
                'two features have the id "T1"',
                None,
            ),
            (feature("T1", "Point", [1, 2]), "must be a LineString", None),
            (feature("T1", "LineString", []), "has no coordinates", None),
            (feature("T1", "LineString", [[0, 0], [1, "a"]]), "point 2 is not a position", None),
            (feature("T1", "LineString", [[0, 0], [1, True]]), "point 2 is not a position", None),
            (feature("T1", "LineString", [[0, 0], [1, 10**400]]), "point 2 is not a position", None),
            (feature("T1", "LineString", [[0, 0], [1, 2, 3]]), "has heights at some points only", None),
            (
                {**feature("T1", "LineString", LINE), "crs": {"properties": {"name": "mine"}}},
                "names a coordinate system that cannot be read",
                None,
            ),
        ],
    )
    def test_what_is_wrong_with_a_file(self, document: Any, message: str, line: int | None, tmp_path: Path) -> None:
        problem = only(self.project(tmp_path, document))
        assert (problem.message, problem.file, problem.line) == (message, "t.geojson", line)

    def test_one_point(self, tmp_path: Path) -> None:
        assert (
            only(self.project(tmp_path, feature("T1", "LineString", [[0, 0]]))).message == "feature: has one point only"
        )

    def test_double_point_is_named(self, tmp_path: Path) -> None:
        problem = only(self.project(tmp_path, feature("T1", "LineString", [[0, 0], [0, 0], [610, 0]])))
        assert (problem.place, problem.message) == ('feature "T1", point 2', "lies on the point before it")

    def crs(self, name: str) -> dict[str, Any]:
        return {"type": "name", "properties": {"name": name}}

    @pytest.mark.parametrize("name", ["urn:ogc:def:crs:EPSG::25832", "EPSG:25832", "urn:ogc:def:crs:EPSG:9.9:25832"])
    def test_coordinate_system_of_the_file(self, name: str, tmp_path: Path) -> None:
        document = {**feature("T1", "LineString", LINE), "crs": self.crs(name)}
        path = self.project(tmp_path, document, ", z_m: 0.3", ("{kind: local}", "{kind: epsg, code: 25832}"))
        assert load_project(path).alignments["T1"][0][-1] == 610
        problem = only(self.project(tmp_path, document, ", z_m: 0.3", ("{kind: local}", "{kind: epsg, code: 25833}")))
        assert (problem.message, problem.found, problem.allowed) == (
            "has another coordinate system than the project",
            "EPSG:25832",
            "EPSG:25833",
        )

    def test_coordinate_system_beside_local(self, tmp_path: Path) -> None:
        loaded = self.loaded(tmp_path, feature("T1", "LineString", LINE), crs=self.crs("EPSG:25832"))
        assert any("names EPSG:25832, while the project's coordinates are local" in w.message for w in loaded.warnings)

    def test_ground_and_barrier(self, tmp_path: Path) -> None:
        features = [
            feature("T1", "LineString", LINE),
            feature("pond", "Polygon", [RING]),
            feature(7, "LineString", [[0, 9], [50, 9]]),
        ]
        path = self.project(
            tmp_path,
            {"type": "FeatureCollection", "features": features},
            ", z_m: 0.3",
            ("polygon: [[370, 40], [400, 75], [450, 40], [420, 5]]", "file: t.geojson\n    feature: pond"),
            ("line: [[250, 18], [280, 26], [305, 38]]", 'file: t.geojson, feature: "7"'),
        )
        loaded = load_project(path)
        assert loaded.polygons["yard"].tolist() == [[0, 50], [99, 50], [99, 90]]
        assert loaded.lines["B1"].tolist() == [[0, 9], [50, 9]]

    @pytest.mark.parametrize(
        ("rings", "message"),
        [
            ([RING, RING], "has a hole"),
            ([], "has no ring"),
            ([[[0, 50], [99, 50], [0, 50]]], "feature: has too few points"),
            (
                [[[0, 50], [99, 90], [99, 50], [0, 90], [0, 50]]],
                "feature: the outline crosses or touches itself near [49.5, 70]",
            ),
        ],
    )
    def test_polygons_that_are_refused(self, rings: Any, message: str, tmp_path: Path) -> None:
        features = [feature("T1", "LineString", LINE), feature("pond", "Polygon", rings)]
        edit = ("polygon: [[370, 40], [400, 75], [450, 40], [420, 5]]", "file: t.geojson\n    feature: pond")
        problem = only(self.project(tmp_path, {"type": "FeatureCollection", "features": features}, ", z_m: 0.3", edit))
        assert problem.message == message


def test_no_network(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import socket

    def refuse(*args: object, **more: object) -> None:
        raise AssertionError("the loader opened a socket")

    monkeypatch.setattr(socket, "socket", refuse)
    write(tmp_path, ("{kind: local}", "{kind: epsg, code: 25832}"))
    assert load_project(tmp_path).project.site.coordinates.kind == "epsg"
