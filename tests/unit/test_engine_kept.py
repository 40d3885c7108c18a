"""What a stopped run leaves behind, who may take it up, and what else sharing out work promises."""

from __future__ import annotations

import contextlib
import signal
import threading
import time

import numpy as np
import pytest

from lineside.cli import _interruptible
from lineside.engine import kept as module
from lineside.engine.kept import Blocks, Kept, room
from lineside.engine.pool import each, n_workers
from lineside.engine.progress import Estimate
from lineside.errors import ReportError


def test_a_block_is_there_for_the_next_run_of_the_same_key(tmp_path):
    array = np.array([[1 / 3, np.inf], [0.0, 2.0]])
    with Kept(tmp_path / "out") as kept:
        kept.open("abc").save("receivers-0", {"spectrum": array})
    said = []
    with Kept(tmp_path / "out", said.append) as kept:
        blocks = kept.open("abc")
        np.testing.assert_array_equal(blocks.load("receivers-0")["spectrum"], array)
        assert blocks.load("receivers-4") is None
    assert len(said) == 1 and "going on with an unfinished run, 1 block" in said[0]


def test_what_another_key_left_is_removed(tmp_path):
    with Kept(tmp_path) as kept:
        kept.open("abc").save("map-0", {"energy": np.ones(3)})
    said = []
    with Kept(tmp_path, said.append) as kept:
        assert kept.open("xyz").load("map-0") is None
        assert not (tmp_path / ".unfinished" / "abc").exists()
    assert len(said) == 1 and "removed" in said[0]


@pytest.mark.parametrize("spoil", [lambda data: data[: len(data) // 2], lambda data: b"", lambda data: b"PK" + data])
def test_a_damaged_block_is_computed_again(tmp_path, spoil):
    with Kept(tmp_path) as kept:
        kept.open("abc").save("map-0", {"energy": np.ones(300)})
    file = tmp_path / ".unfinished" / "abc" / "map-0.npz"
    file.write_bytes(spoil(file.read_bytes()))
    with Kept(tmp_path) as kept:
        assert kept.open("abc").load("map-0") is None


def test_a_block_with_a_wrong_byte_is_read_or_computed_again(tmp_path):
    with Kept(tmp_path) as kept:
        blocks = kept.open("abc")
        blocks.save("map-0", {"energy": np.ones(3)})
        file = tmp_path / ".unfinished" / "abc" / "map-0.npz"
        whole = file.read_bytes()
        for at in range(0, len(whole), 3):
            for value in (0, 9, 255):
                file.write_bytes(whole[:at] + bytes([value]) + whole[at + 1 :])
                found = blocks.load("map-0", ("energy",))  # whatever the damage is, it stops nothing
                assert found is None or found["energy"].tolist() == [1.0, 1.0, 1.0]


def test_a_block_without_an_array_that_is_wanted_is_computed_again(tmp_path):
    with Kept(tmp_path) as kept:
        blocks = kept.open("abc")
        blocks.save("map-0", {"energy": np.ones(3)})
        assert blocks.load("map-0", ("energy", "left_out")) is None
        assert blocks.load("map-0", ("energy",)) is not None


def test_a_file_half_written_is_no_block(tmp_path, monkeypatch):
    def stop(*args, **arrays):
        args[0].write(b"half")
        raise KeyboardInterrupt

    with Kept(tmp_path) as kept:
        blocks = kept.open("abc")
        monkeypatch.setattr(np, "savez", stop)
        with pytest.raises(KeyboardInterrupt):
            blocks.save("map-0", {"energy": np.ones(3)})
        monkeypatch.undo()
        assert blocks.load("map-0") is None
        blocks.save("map-1", {"energy": np.ones(3)})
    with Kept(tmp_path) as kept:
        kept.open("abc")
        assert [p.name for p in (tmp_path / ".unfinished" / "abc").iterdir()] == ["map-1.npz"]


def test_a_finished_run_leaves_nothing(tmp_path):
    with Kept(tmp_path) as kept:
        kept.open("abc").save("map-0", {"energy": np.ones(3)})
        kept.finish()
    assert not list(tmp_path.iterdir())


def test_a_run_that_kept_nothing_leaves_no_folder(tmp_path):
    with Kept(tmp_path / "a" / "out") as kept:
        kept.open("abc")
    assert not list(tmp_path.iterdir())
    with Kept(tmp_path / "never"):
        pass
    assert not list(tmp_path.iterdir())


def test_two_runs_never_write_into_one_folder(tmp_path):
    with Kept(tmp_path) as first:
        first.open("abc")
        with Kept(tmp_path) as second, pytest.raises(ReportError, match=r"another run \(process [0-9]+\)"):
            second.open("abc")
        first.blocks.save("map-0", {"energy": np.ones(3)})  # still there
    with Kept(tmp_path) as third:
        third.open("abc")


def test_a_large_array_lies_in_a_file(monkeypatch):
    assert not isinstance(room((10, 10)), np.memmap)
    monkeypatch.setattr(module, "IN_MEMORY", 799)
    large = room((10, 10))
    assert isinstance(large, np.memmap) and large.shape == (10, 10) and not large.any()
    large[3] = 2.0
    assert large.sum() == 20.0


def test_without_a_folder_nothing_is_kept():
    blocks = Blocks()
    blocks.save("map-0", {"energy": np.ones(3)})
    assert blocks.load("map-0") is None


@pytest.mark.parametrize("workers", [1, 2, 7])
def test_results_come_in_the_order_of_the_work(workers):
    heard = []

    def work(k):
        time.sleep(0.002 * (5 - k % 5))
        return k * k

    assert each(range(20), work, workers, heard.append) == [k * k for k in range(20)]
    assert heard == sorted(heard) and heard[-1] == 20


@pytest.mark.parametrize("workers", [1, 3])
def test_after_a_failure_no_work_is_begun(workers):
    begun, lock = [], threading.Lock()

    def work(k):
        with lock:
            begun.append(k)
        if k == 2:
            raise ValueError("two")
        time.sleep(0.01)

    with pytest.raises(ValueError, match="two"):
        each(range(200), work, workers)
    assert len(begun) < 20


def test_the_number_of_workers():
    assert n_workers(3) == 3 and n_workers(0) == 1 and n_workers() >= 1


def test_time_that_remains_follows_the_pace():
    now = [0.0]
    estimate = Estimate(lambda: now[0])
    assert estimate.remaining_s() is None
    estimate.hear("receivers", 0, 100)
    estimate.hear("map", 0, 1000)
    assert estimate.remaining_s() is None
    estimate.hear("receivers", 40, 100)  # kept from an earlier run: no pace
    now[0] = 30.0
    estimate.hear("receivers", 70, 100)
    # 1 s a receiver, ten times what is usual, so that the map is taken to be as slow: 30 s and 1000 x 10 ms
    assert estimate.remaining_s() == pytest.approx(40.0)
    now[0] = 60.0
    estimate.hear("receivers", 100, 100)
    estimate.hear("map", 0, 1000)
    now[0] = 65.0
    estimate.hear("map", 500, 1000)
    assert estimate.remaining_s() == pytest.approx(5.0)
    now[0] = 70.0
    assert estimate.hear("map", 1000, 1000).finished
    assert estimate.remaining_s() == 0.0


def test_ctrl_c_stops_at_the_next_progress_where_its_exception_was_lost():
    seen = []
    before = signal.getsignal(signal.SIGINT)
    with pytest.raises(KeyboardInterrupt), _interruptible(lambda *step: seen.append(step)) as progress:
        progress("map", 0, 2)
        with contextlib.suppress(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
        progress("map", 1, 2)
    assert seen == [("map", 0, 2)]
    assert signal.getsignal(signal.SIGINT) is before
