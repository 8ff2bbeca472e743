import errno
import json
import os
import shutil
import subprocess

import numpy as np
import pytest
from diskmosaic.errors import OutputError
from diskmosaic.files import atomic
from diskmosaic.files.masterfile import write_master
from diskmosaic.records.master import Master


def test_a_write_replaces_the_old_file_and_leaves_nothing_beside_it(tmp_path):
    path = tmp_path / "new" / "a.txt"
    atomic.write_text(path, "old")
    atomic.write_text(path, "new\r\nlines ü")
    assert path.read_bytes() == "new\r\nlines ü".encode()
    assert list(path.parent.iterdir()) == [path]


@pytest.mark.parametrize("error", [KeyboardInterrupt, ValueError, OSError])
def test_what_breaks_off_leaves_the_old_file_and_no_half_one(tmp_path, error):
    path = tmp_path / "a.txt"
    path.write_text("old")

    def write():
        with atomic.replacing(path) as part:
            part.write_text("half")
            raise error

    with pytest.raises(OutputError if error is OSError else error):
        write()
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "no space left on the disk"),
        (errno.EROFS, "must not be written to"),
        (errno.EACCES, "must not be written to"),
        (errno.EIO, "input/output error"),
    ],
)
def test_the_system_s_refusal_is_one_sentence(tmp_path, monkeypatch, number, words):
    def refuse(*_):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(OutputError, match=words) as caught:
        atomic.write_bytes(tmp_path / "a", b"x")
    sentence = str(caught.value)
    assert sentence.startswith(f"{tmp_path / 'a'}: found ")
    assert sentence.count(".") == str(tmp_path / "a").count(".") + 1
    assert list(tmp_path.iterdir()) == []


def test_an_error_wrapped_by_a_library_is_still_known():
    wrapped = OSError("the library's own words")
    wrapped.__cause__ = OSError(errno.ENOSPC, "No space left on device")
    assert "no space left on the disk" in str(atomic.cannot_write("a", wrapped))


def test_a_file_where_a_folder_is_needed(tmp_path):
    (tmp_path / "out").write_text("I am a file")
    with pytest.raises(OutputError, match="found a file where a folder is needed"):
        atomic.write_bytes(tmp_path / "out" / "a", b"x")


@pytest.fixture
def small_disk(tmp_path):
    """A file system of 1 MB, where the tests may mount one."""
    mount = shutil.which("mount")
    folder = tmp_path / "small"
    folder.mkdir()
    command = [mount or "mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(folder)]
    if mount is None or os.name != "posix" or os.geteuid() != 0 or subprocess.run(command).returncode:
        pytest.skip("needs the right to mount a file system")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_full_disk_keeps_the_old_file(small_disk):
    path = small_disk / "a"
    atomic.write_bytes(path, b"old")
    with pytest.raises(OutputError, match="no space left on the disk"):
        atomic.write_bytes(path, bytes(2 << 20))
    assert path.read_bytes() == b"old"
    assert list(small_disk.iterdir()) == [path]


def test_a_disk_that_is_full_for_a_library_s_own_writing(small_disk):
    with (
        pytest.raises(OutputError, match="no space left on the disk"),
        atomic.replacing(small_disk / "a") as part,
    ):
        np.zeros(2 << 20, np.uint8).tofile(part)
    image = np.zeros((600, 700), np.float32)
    master = Master("dark", image, image, 3, 0.0, 0.0, 0.0, image == 0)
    with pytest.raises(OutputError, match="no space left on the disk"):
        write_master(small_disk / "dark.fits", master)
    assert list(small_disk.iterdir()) == []


def test_json_refuses_what_json_does_not_know(tmp_path):
    atomic.write_json(tmp_path / "a.json", {"a": [1, None, "ü"]})
    assert json.loads((tmp_path / "a.json").read_text("utf-8")) == {"a": [1, None, "ü"]}
    with pytest.raises(ValueError):
        atomic.write_json(tmp_path / "b.json", {"a": float("nan")})


def test_sweep_removes_only_what_a_killed_run_left(tmp_path):
    (tmp_path / "tiles").mkdir()
    left = tmp_path / "tiles" / f"{atomic.PART_PREFIX}a.fits"
    left.write_bytes(b"half")
    (tmp_path / "a.fits").write_bytes(b"whole")
    assert atomic.sweep(tmp_path) == [left]
    assert (tmp_path / "a.fits").exists()
    assert not left.exists()
