"""Recordings worked on by the machines of a cluster: two processes of this machine stand for them."""

import os
import signal
import threading
import time

import pytest
from diskmosaic import cluster, pipeline
from diskmosaic.errors import InputError, OutputError

from evening import results

distributed = pytest.importorskip("distributed")


@pytest.fixture(scope="module")
def machines():
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as local:
        yield local


def tiles_of(folder):
    made = results(folder / "assembled")
    return {name: data for name, data in made.items() if name.startswith(("tiles/", "masters/"))}


def test_the_same_bytes_as_here(machines, evening, finished):
    outcome = pipeline.tiles(evening, cluster=machines.scheduler_address)
    assert sum(name.startswith("tile ") and state == "done" for name, state in outcome.steps.items()) == 6
    assert tiles_of(evening) == tiles_of(finished)
    assert not list((evening / "assembled" / ".steps").glob("cluster*"))
    # what is done is not asked for again: no scheduler is needed for it
    again = pipeline.tiles(evening, cluster="tcp://127.0.0.1:1")
    assert set(again.steps.values()) == {"unchanged"}


def test_a_worker_killed_at_work_is_replaced(machines, evening, finished):
    """The process that is at a tile is killed; another takes the tile, and the bytes are the same."""
    killed = []

    def kill_one():
        with distributed.Client(machines, set_as_default=False) as client:
            until = time.monotonic() + 60
            while not killed and time.monotonic() < until:
                for worker, tasks in client.processing().items():
                    if tasks:
                        pid = client.run(os.getpid, workers=[worker])[worker]
                        os.kill(pid, signal.SIGKILL)
                        killed.append((worker, tasks))
                        break
                time.sleep(0.01)

    killer = threading.Thread(target=kill_one)
    killer.start()
    pipeline.tiles(evening, cluster=machines.scheduler_address)
    killer.join()
    assert killed
    assert tiles_of(evening) == tiles_of(finished)


def write_where(staged, text):
    staged.write_text(text)


def refuse(staged):
    raise InputError(f"{staged.name}: found nothing, expected a recording; record one.")


def die(staged):
    os._exit(1)


def test_what_the_work_raises_is_told_as_it_is(machines, tmp_path):
    with cluster.connected(machines.scheduler_address, tmp_path) as ours:
        ours.ask(tmp_path / "a.txt", write_where, "made", reads=[])
        ours.ask(tmp_path / "b.txt", refuse, reads=[])
        assert ours.fetch(tmp_path / "a.txt").read_text() == "made"
        with pytest.raises(InputError, match=r"^b\.txt: found nothing, expected a recording; record one\.$"):
            ours.fetch(tmp_path / "b.txt")
    assert not list((tmp_path / ".steps").iterdir())


def test_files_that_a_worker_does_not_see(machines, tmp_path):
    sentence = r"worker tcp://\S+: found no \S+, expected the files of this session where they are here; put .*\.$"
    with cluster.connected(machines.scheduler_address, tmp_path) as ours:
        ours.ask(tmp_path / "a.txt", write_where, "made", reads=[tmp_path / "elsewhere.ser"])
        with pytest.raises(InputError, match=sentence):
            ours.fetch(tmp_path / "a.txt")
    with distributed.Client(machines, set_as_default=False) as client, pytest.raises(InputError, match=sentence):
        cluster._look_at(client, machines.scheduler_address, tmp_path / "not" / "here" / "probe.txt")


def test_a_recording_that_kills_every_worker(machines, tmp_path):
    with cluster.connected(machines.scheduler_address, tmp_path) as ours:
        ours.ask(tmp_path / "a.txt", die, reads=[])
        with pytest.raises(OutputError, match=r"^a\.txt: found workers that were lost each time .*run again\.$"):
            ours.fetch(tmp_path / "a.txt")


def test_nobody_answers(tmp_path, monkeypatch):
    monkeypatch.setattr(cluster, "_WAIT_S", 0.5)
    for address in ("tcp://127.0.0.1:1", "nonsense://x"):
        with (
            pytest.raises(InputError, match=f"^--cluster {address}: found nobody who answers, expected"),
            cluster.connected(address, tmp_path),
        ):
            pass
