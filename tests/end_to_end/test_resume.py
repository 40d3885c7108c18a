"""A run that is killed or interrupted goes on where it was, and gives the same bytes."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time

import pytest

from sites import straight_site, write_site

#: The command line with a propagation calculator that takes its time, so that there is time to stop it.
SLOW = """
import sys, time
from lineside.cli import main
from lineside_plugins.eu_propagation import EuPropagation

quick = EuPropagation.path_loss

def slow(self, *args):
    time.sleep({seconds})
    return quick(self, *args)

EuPropagation.path_loss = slow
main()
"""


def command(words, seconds=0.0):
    return [sys.executable, "-c", SLOW.format(seconds=seconds), *map(str, words)]


def run(*words):
    return subprocess.run(command(words), capture_output=True, text=True, timeout=300)


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    site = straight_site(300.0)
    site["receivers"] = [
        {"id": f"R{k}", "position": [7.0 * k, 20.0 + 5 * k], "height_m": 4.0, "use": "other", "area": None}
        for k in range(24)
    ]
    site["calculation"]["grid"] = {"spacing_m": 20, "margin_m": 60}
    return write_site(site, tmp_path_factory.mktemp("site"))


@pytest.fixture(scope="module")
def whole(site, tmp_path_factory):
    """Results of a run that nothing stopped."""
    out = tmp_path_factory.mktemp("whole")
    done = run("assess", site, "--out", out, "--workers", 1)
    assert done.returncode == 0, done.stderr
    return (out / "results.json").read_bytes()


def stopped(site, out, how, when, workers=2):
    """Start a slow run and stop it once so many blocks are there."""
    process = subprocess.Popen(
        command(("assess", site, "--out", out, "--workers", workers), 0.03),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    end = time.monotonic() + 120
    while len(list(out.glob(".unfinished/*/*.npz"))) < when:
        assert process.poll() is None and time.monotonic() < end, process.communicate()
        time.sleep(0.01)
    process.send_signal(how)
    said = process.communicate(timeout=60)
    return process.returncode, said[1]


def test_a_killed_run_goes_on_and_gives_the_same_bytes(site, whole, tmp_path):
    code, _ = stopped(site, tmp_path, signal.SIGKILL, 8)
    assert code == -signal.SIGKILL
    assert not (tmp_path / "results.json").exists()
    again = run("assess", site, "--out", tmp_path)
    assert again.returncode == 0, again.stderr
    assert "going on with an unfinished run" in again.stderr
    assert (tmp_path / "results.json").read_bytes() == whole
    assert not (tmp_path / ".unfinished").exists()


def test_what_is_kept_is_not_computed_again(site, whole, tmp_path):
    stopped(site, tmp_path, signal.SIGKILL, 6)
    blocks = sorted(tmp_path.glob(".unfinished/*/receivers-*.npz"))
    before = {b.name: b.stat().st_mtime_ns for b in blocks}
    assert before
    stopped(site, tmp_path, signal.SIGKILL, 7)
    after = {b.name: b.stat().st_mtime_ns for b in tmp_path.glob(".unfinished/*/receivers-*.npz")}
    assert before.items() <= after.items()


def test_ctrl_c_says_how_to_go_on(site, whole, tmp_path):
    code, said = stopped(site, tmp_path, signal.SIGINT, 3)
    assert code == 130
    assert said.splitlines()[-1] == "lineside: interrupted; the same command goes on from here"
    assert "Traceback" not in said
    again = run("assess", site, "--out", tmp_path, "--quiet")
    assert (again.returncode, again.stderr) == (0, "")
    assert (tmp_path / "results.json").read_bytes() == whole


def test_a_changed_project_takes_nothing_up(site, tmp_path):
    other = straight_site(300.0)
    other["site"]["air"]["humidity_pct"] = 50
    folder = write_site(other, tmp_path / "site")
    stopped(site, tmp_path / "out", signal.SIGKILL, 2)
    done = run("assess", folder, "--out", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    assert "of another state of the project or program was removed" in done.stderr
    assert "going on" not in done.stderr


def test_two_runs_into_one_folder(site, tmp_path):
    first = subprocess.Popen(command(("assess", site, "--out", tmp_path), 0.1), stderr=subprocess.DEVNULL)
    try:
        while not list(tmp_path.glob(".unfinished/*/*.npz")):
            time.sleep(0.01)
        second = run("assess", site, "--out", tmp_path)
        assert second.returncode == 4
        assert f"another run (process {first.pid}) is writing into {tmp_path}" in second.stderr
        assert "Traceback" not in second.stderr
        assert first.poll() is None
    finally:
        os.kill(first.pid, signal.SIGKILL)
        first.wait()
