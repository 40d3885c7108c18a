"""A new set of output files takes the place of an older one as a whole; a fault in the last file leaves the older."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

import lineside
from lineside import api
from lineside.errors import ReportError
from lineside.results import replacing as module
from lineside.results import write
from lineside.results.replacing import replacing
from sites import straight_site, write_site


def full() -> OSError:
    return OSError(28, "No space left on device")


def files(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.fixture
def out(tmp_path: Path) -> Path:
    """A folder with an older set, and a file of somebody else."""
    with replacing(tmp_path / "out") as new:
        (new / "maps").mkdir()
        for name in ("a", "b", "z", "maps/x", "maps/y"):
            (new / name).write_text(f"old {name}")
    (tmp_path / "out" / "mine").write_text("mine")
    return tmp_path / "out"


def put(out: Path, *names: str, gone: tuple[str, ...] = ()) -> None:
    with replacing(out, lambda new: [Path(name) for name in gone]) as new:
        for name in names:
            (new / name).parent.mkdir(exist_ok=True)
            (new / name).write_text(f"new {name}")


def test_a_new_set_takes_the_place_of_the_old_one(out: Path) -> None:
    put(out, "a", "b", "maps/x", "tables/t", gone=("z", "maps/y", "never/was"))
    found = files(out)
    assert found.pop("mine") == b"mine"
    assert found == {name: f"new {name}".encode() for name in ("a", "b", "maps/x", "tables/t")}
    assert not list(out.glob(".*"))


def test_a_fault_while_writing_leaves_the_old_set(out: Path) -> None:
    before = files(out)
    with pytest.raises(OSError, match="No space left") as caught, replacing(out) as new:
        (new / "a").write_text("new")
        (new / "maps").mkdir()
        (new / "maps" / "x").write_text("new")
        raise OSError(28, "No space left on device", str(new / "b"))
    assert caught.value.filename == str(out / "b")
    assert files(out) == before and not list(out.glob(".*"))
    with pytest.raises(ReportError, match="is full") as said, replacing(out) as new:
        raise ReportError(f"{new / 'b'}: disk is full")
    assert str(said.value) == f"{out / 'b'}: disk is full"


@pytest.mark.parametrize("links", [True, False])
def test_a_fault_at_the_last_renaming_brings_the_old_set_back(
    out: Path, links: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, replace = files(out), Path.replace

    def failing(self: Path, target: Path) -> Path:
        if Path(target) == out / "z" and self.read_text() == "new z":
            raise full()
        return replace(self, target)

    def no_links(*_: object) -> None:
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(Path, "replace", failing)
    if not links:
        monkeypatch.setattr(os, "link", no_links)
    with pytest.raises(OSError, match="No space left") as caught:
        put(out, "a", "b", "k", "maps/x", "z", gone=("maps/y",))
    assert caught.value.filename == str(out / "z")
    assert files(out) == before and not list(out.glob(".*"))


def test_a_folder_in_the_way_is_an_error(out: Path) -> None:
    (out / "z").unlink()
    (out / "z").mkdir()
    before = files(out)
    with pytest.raises(OSError, match="directory"):
        put(out, "a", "z")
    assert files(out) == before and (out / "z").is_dir()


def test_all_files_are_on_the_disk_before_the_first_is_renamed(out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    order: list[str] = []
    to_disk, keep = module._to_disk, module._keep
    monkeypatch.setattr(module, "_to_disk", lambda path: (order.append(f"disk {path.name}"), to_disk(path)))
    monkeypatch.setattr(module, "_keep", lambda old, new: (order.append(f"rename {old.name}"), keep(old, new)))
    put(out, "a", "b")
    assert order == ["disk a", "disk b", "rename a", "rename b", "disk out"]


@pytest.mark.skipif(os.name != "posix", reason="processes are asked for by their number")
def test_what_a_killed_process_left_is_removed(out: Path) -> None:
    ended = subprocess.run([sys.executable, "-c", "import os; print(os.getpid())"], capture_output=True, text=True)
    left, used, other = (out / f".new-{n}" for n in (ended.stdout.strip(), os.getppid(), "notes"))
    for folder in (left, used, other):
        folder.mkdir()
    put(out, "a")
    assert (left.exists(), used.exists(), other.exists()) == (False, True, True)


@pytest.fixture(scope="module")
def assessment(tmp_path_factory: pytest.TempPathFactory) -> api.Assessment:
    return lineside.assess(write_site(straight_site(300.0), tmp_path_factory.mktemp("site")))


class TestOutputs:
    """The files of an assessment."""

    @pytest.fixture
    def quick(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """A report that takes no time: what is in it does not matter here."""

        def report(results: object, inputs: object, document: object, out: Path, sections: object) -> dict[str, float]:
            out.write_bytes(b"new report")
            return {"pdf": 0.0}

        monkeypatch.setattr("lineside.report.pdf.render_assessment", report)

    def older(self, out: Path) -> dict[str, bytes]:
        names = [
            "assessment.pdf",
            "results.json",
            "results.nc",
            "maps.gpkg",
            "maps/contours.geojson",
            "tables/spectra.csv",
        ]
        for name in names:
            (out / name).parent.mkdir(parents=True, exist_ok=True)
            (out / name).write_text(f"older {name}")
        return files(out)

    @pytest.mark.parametrize("last", ["write_bytes", "write_arrays", "write_maps"])
    @pytest.mark.usefixtures("quick")
    def test_a_full_disk_leaves_no_new_report_beside_older_data(
        self, assessment: api.Assessment, last: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        before, quick = self.older(tmp_path), getattr(write, last)

        def failing(*words: object) -> object:
            if last == "write_bytes" and Path(str(words[0])).name != "results.json":
                return quick(*words)
            raise full()

        monkeypatch.setattr(write, last, failing)
        with pytest.raises(OSError, match="No space left"):
            api.render(assessment, tmp_path)
        assert files(tmp_path) == before

    @pytest.mark.usefixtures("quick")
    def test_the_new_set_is_complete(self, assessment: api.Assessment, tmp_path: Path) -> None:
        self.older(tmp_path)
        api.render(assessment, tmp_path)
        found = files(tmp_path)
        assert found["assessment.pdf"] == b"new report"
        assert not any(data.startswith(b"older") for data in found.values())
        assert "maps/contours.geojson" not in found  # the site has no map
        assert {"results.json", "results.nc", "maps.gpkg", "tables/spectra.csv", "maps/tracks.geojson"} <= set(found)

    def test_data_without_a_report_leave_no_older_report(
        self, assessment: api.Assessment, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def missing(*_: object) -> None:
            raise ReportError("no engine")

        monkeypatch.setattr("lineside.report.pdf.render_assessment", missing)
        self.older(tmp_path)
        with pytest.raises(ReportError, match="no engine"):
            api.render(assessment, tmp_path)
        found = files(tmp_path)
        assert "assessment.pdf" not in found and not found["results.json"].startswith(b"older")
