"""A run that is killed in the time line or among the causes goes on where it was, and gives the same bytes."""

from __future__ import annotations

import signal
import subprocess
import sys
import time

import pytest

from sites import straight_site, write_site

#: The command line, noting in a file what is computed in the time line and for the causes, and taking its time there;
#: with calculators whose answer to roughness cannot be written down, so that they are asked in each state of the rails.
NOTED = """
import sys, time
from lineside.cli import main
from lineside.engine import causes, course, timeline

log, seconds = open({log!r}, "a"), {seconds}

def noted(module, name, word):
    quick = getattr(module, name)
    def slow(*args, **more):
        print(word, file=log, flush=True)
        time.sleep(seconds)
        return quick(*args, **more)
    setattr(module, name, slow)

timeline.listen = lambda *words: None
noted(causes, "heard", "cause")
noted(timeline, "heard_one_by_one", "states")
noted(course, "timeline", "epoch")
main()
"""
N_RECEIVERS = 24


def command(words, log, seconds=0.0):
    return [sys.executable, "-c", NOTED.format(log=str(log), seconds=seconds), *map(str, words)]


def run(log, *words):
    done = subprocess.run(command(words, log), capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    return done


def killed(site, out, blocks, log, seconds, when=1):
    """Start a slow run and kill it once so many of some blocks are there."""
    process = subprocess.Popen(
        command(("assess", site, "--out", out, "--workers", 1), log, seconds),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    end = time.monotonic() + 240
    while len(list(out.glob(f".unfinished/*/{blocks}-*.npz"))) < when:
        assert process.poll() is None and time.monotonic() < end, process.communicate()
        time.sleep(0.005)
    process.send_signal(signal.SIGKILL)
    process.communicate(timeout=60)
    assert not (out / "results.json").exists()


def counted(log):
    """How often each thing was computed."""
    words = log.read_text().split()
    return {word: words.count(word) for word in ("epoch", "states", "cause")}


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    """Two works, one of which changes the track."""
    site = straight_site(300.0)
    site["identity"]["assessment_dates"] = ["2026-11-20"]
    site["vehicles"][0]["actual"] = {"wheel_load_kn": 50}
    site["works"] = [
        {"date": "2026-06-01", "kind": "grinding", "track": "T", "from_m": 100, "to_m": 400},
        {
            "date": "2026-08-01",
            "kind": "rail_pads",
            "track": "T",
            "from_m": 100,
            "to_m": 400,
            "changes": {"rail_pad": "soft"},
        },
    ]
    site["receivers"] = [
        {"id": f"R{k}", "position": [7.0 * k, 20.0 + 5 * k], "height_m": 4.0, "use": "other", "area": None}
        for k in range(N_RECEIVERS)
    ]
    site["calculation"]["rail_state"] = {"name": "rail_wear", "draws": 60, "months_after": 3}
    return write_site(site, tmp_path_factory.mktemp("site"))


@pytest.fixture(scope="module")
def whole(site, tmp_path_factory):
    """Results of a run that nothing stopped, and what it computed."""
    out = tmp_path_factory.mktemp("whole")
    run(out / "log", "assess", site, "--out", out / "out", "--workers", 1)
    return (out / "out" / "results.json").read_bytes(), counted(out / "log")


def test_causes_that_are_kept_are_not_computed_again(site, whole, tmp_path):
    results, of_whole = whole
    assert of_whole["cause"] > N_RECEIVERS
    killed(site, tmp_path / "out", "causes", tmp_path / "before", 0.02)
    run(tmp_path / "log", "assess", site, "--out", tmp_path / "out")
    again = counted(tmp_path / "log")
    # the time line was there as a whole; one block of receivers, perhaps two, of three
    assert (again["epoch"], again["states"]) == (0, 0)
    assert again["cause"] in (of_whole["cause"] // 3, 2 * of_whole["cause"] // 3)
    assert (tmp_path / "out" / "results.json").read_bytes() == results


def test_states_of_the_time_line_that_are_kept_are_not_computed_again(site, whole, tmp_path):
    results, of_whole = whole
    assert of_whole["states"] > 4
    killed(site, tmp_path / "out", "states", tmp_path / "before", 0.3, when=2)
    n_kept = len(list((tmp_path / "out").glob(".unfinished/*/states-*.npz")))
    run(tmp_path / "log", "assess", site, "--out", tmp_path / "out")
    assert counted(tmp_path / "log") == {**of_whole, "states": of_whole["states"] - n_kept}
    assert (tmp_path / "out" / "results.json").read_bytes() == results
