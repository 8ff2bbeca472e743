import os
import sys
import threading

import numpy as np
import pytest
from diskmosaic.errors import InputError
from diskmosaic.files.ser import SerWriter
from diskmosaic.recordings.recordings import SUFFIXES, open_recording

FRAMES = np.random.default_rng(6).integers(0, 4096, (30, 17, 29)).astype(np.uint16).cumsum(axis=2, dtype=np.uint16)


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "tile_3.SER"
    with SerWriter(path, 29, 17, 16) as writer:
        for frame in FRAMES:
            writer.write(frame)
    return path


def test_name_and_facts(path):
    with open_recording(str(path)) as recording:
        assert recording.path == path
        assert (recording.name, recording.kind, recording.shape) == ("tile_3", "ser", (17, 29))
        assert recording.timestamp() is None
        assert set(SUFFIXES) >= {".ser", ".avi", ".fits", ".tif", ".png"}


def test_buffers_are_filled_and_checked(path):
    with open_recording(path) as recording:
        out = np.empty((17, 29), np.uint16)
        assert recording.frame(5, out) is out
        np.testing.assert_array_equal(out, FRAMES[5])
        assert recording.gray(6, out) is out
        np.testing.assert_array_equal(out, FRAMES[6])
        part = np.zeros((17, 60), np.uint16)[:, 1:59:2]
        recording.frame(7, part)
        np.testing.assert_array_equal(part, FRAMES[7])
        with pytest.raises(ValueError, match="out must be uint16"):
            recording.frame(0, np.empty((17, 29), np.uint8))
        for index in (-1, 30):
            with pytest.raises(IndexError, match="0 to 29"):
                recording.frame(index)


@pytest.mark.parametrize("positioned", [True, False])
def test_many_threads_read_what_one_reads(path, monkeypatch, request, positioned):
    if not positioned:
        monkeypatch.delattr(os, "preadv")
    usual = sys.getswitchinterval()
    request.addfinalizer(lambda: sys.setswitchinterval(usual))
    sys.setswitchinterval(1e-6)  # s; threads take turns in the middle of a read
    wrong = []
    with open_recording(path) as recording:

        def work(seed):
            for index in np.random.default_rng(seed).integers(0, 30, 300):
                if not np.array_equal(recording.frame(index), FRAMES[index]):
                    wrong.append(index)

        threads = [threading.Thread(target=work, args=(seed,)) for seed in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert wrong == []


def test_closing(path):
    recording = open_recording(path)
    recording.close()
    recording.close()
    with pytest.raises(ValueError, match="closed"):
        recording.frame(0)


def test_a_file_that_shrinks_while_it_is_read(path):
    with open_recording(path) as recording:
        os.truncate(path, 1000)
        with pytest.raises(InputError, match="leave recordings alone"):
            recording.frame(20)


def test_opening_reads_little(path, monkeypatch):
    read = []
    whole = os.preadv
    monkeypatch.setattr(os, "preadv", lambda fd, buffers, at: read.append(whole(fd, buffers, at)) or read[-1])
    with SerWriter(path, 640, 480, 16) as writer:
        for _ in range(20):
            writer.write(np.arange(640 * 480, dtype=np.uint16).reshape(480, 640))
    open_recording(path).close()
    # header, and 3 frames x 4 strips x 8 rows to judge the byte order
    assert sum(read) <= 178 + 3 * 4 * 8 * 640 * 2


def test_settings_beside_the_recording(path):
    path.with_suffix(".txt").write_text("gain=3\nstart (utc) = 2031-06-01 12:00:00\nend (utc) = 2031-06-01 12:00:29\n")
    with open_recording(path) as recording:
        assert recording.camera["gain"] == "3"
        np.testing.assert_array_equal(
            recording.times, np.datetime64("2031-06-01T12:00") + np.arange(30) * np.timedelta64(1, "s")
        )
        assert recording.timestamp() == np.datetime64("2031-06-01T12:00:14.500")
    path.with_suffix(".txt").write_text("start (utc) = 2031-06-01 12:00:00\n")
    with open_recording(path) as recording:
        assert recording.times is None
        assert recording.timestamp() == np.datetime64("2031-06-01T12:00")


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("none.ser", "no such file"),
        ("folder.ser", "a folder"),
        ("empty.fits", "an empty file"),
        ("a.doc", "suffix"),
    ],
)
def test_what_is_no_recording(tmp_path, name, message):
    (tmp_path / "folder.ser").mkdir()
    (tmp_path / "empty.fits").touch()
    (tmp_path / "a.doc").write_text("words")
    with pytest.raises(InputError, match=message) as caught:
        open_recording(tmp_path / name)
    assert str(caught.value).startswith(str(tmp_path / name))


@pytest.mark.parametrize("suffix", sorted(SUFFIXES))
def test_a_text_under_any_name(tmp_path, suffix):
    if suffix in (".mkv", ".mov", ".mp4"):
        pytest.importorskip("av")
    path = tmp_path / f"words{suffix}"
    path.write_text("These are words and not a picture of the Sun.\n" * 100)
    with pytest.raises(InputError) as caught:
        open_recording(path)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("suffix", [".ser", ".tif", ".png"])
def test_a_file_that_may_not_be_read(tmp_path, monkeypatch, suffix):
    path = tmp_path / f"a{suffix}"
    path.write_bytes(b"x")

    def refuse(*_, **__):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "open", refuse)
    monkeypatch.setattr("tifffile.TiffFile", refuse)
    with pytest.raises(InputError, match="Permission denied"):
        open_recording(path)
