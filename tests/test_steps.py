import hashlib
import os

import pytest
from diskmosaic import steps as module
from diskmosaic.errors import InputError
from diskmosaic.steps import Cache, Steps, content_hashes, file_sha256, fingerprint


def writer(path, text, calls):
    def act():
        calls.append(text)
        path.write_text(text)
        return [path]

    return act


@pytest.fixture
def out(tmp_path):
    return tmp_path


def test_a_step_is_done_once(out):
    calls = []
    action = writer(out / "a", "1", calls)
    assert Steps(out).run("s", [1], action)
    assert not Steps(out).run("s", [1], action)
    assert calls == ["1"]


@pytest.mark.parametrize("change", ["parts", "code", "gone", "edited", "no record"])
def test_a_step_is_done_again_when_anything_changed(out, monkeypatch, change):
    calls, parts = [], [1]
    Steps(out).run("s", parts, writer(out / "a", "1", calls))
    if change == "parts":
        parts = [2]
    elif change == "code":
        monkeypatch.setattr(module, "code_identity", lambda: "another version")
    elif change == "gone":
        (out / "a").unlink()
    elif change == "edited":
        (out / "a").write_text("x")
    else:
        (out / ".steps" / "s.json").write_text("{")
    assert Steps(out).run("s", parts, writer(out / "a", "2", calls))
    assert (out / "a").read_text() == "2"


def test_a_copy_with_other_times_is_still_done(out):
    Steps(out).run("s", 1, writer(out / "a", "1", []))
    os.utime(out / "a", (1, 1))
    assert not Steps(out).run("s", 1, writer(out / "a", "1", []))


def test_what_a_step_no_longer_writes_is_removed(out):
    Steps(out).run("s", 1, writer(out / "a", "1", []))
    Steps(out).run("s", 2, writer(out / "b", "1", []))
    assert not (out / "a").exists()
    Steps(out).forget("s")
    assert not (out / "b").exists()
    assert not Steps(out).done("s", fingerprint(2))


def test_a_step_that_fails_is_not_done(out):
    def fail():
        (out / "a").write_text("half")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        Steps(out).run("s", 1, fail)
    assert Steps(out).run("s", 1, writer(out / "a", "1", []))


def test_the_digest_of_a_file_is_read_again_only_when_it_changed(out, monkeypatch):
    Steps(out).run("s", 1, writer(out / "a", "1", []))
    expected = hashlib.sha256(b"1").hexdigest()
    with monkeypatch.context() as patch:
        patch.setattr(module, "file_sha256", lambda path: pytest.fail("read again"))
        assert Steps(out).digest("s", out / "a") == expected
    (out / "a").write_text("22")
    assert Steps(out).digest("s", out / "a") == hashlib.sha256(b"22").hexdigest()


def test_contents_are_read_once_whatever_the_number_of_threads(tmp_path, monkeypatch):
    files = []
    for number in range(5):
        path = tmp_path / f"{number}.ser"
        path.write_bytes(bytes([number]) * (3 << 20))
        files.append(path)
    expected = {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in files}
    assert content_hashes(files, Cache(tmp_path / "c.json"), jobs=3) == expected
    assert content_hashes(files, Cache(tmp_path / "d.json"), jobs=1) == expected
    files[2].write_bytes(b"new")
    read = []
    monkeypatch.setattr(module, "file_sha256", lambda path: read.append(path) or file_sha256(path))
    again = content_hashes(files, Cache(tmp_path / "c.json"), jobs=2)
    assert read == [files[2]]
    assert again == {**expected, files[2]: hashlib.sha256(b"new").hexdigest()}


def test_a_damaged_cache_is_an_empty_one(tmp_path):
    (tmp_path / "c.json").write_text("[1")
    (tmp_path / "a").write_text("x")
    known = Cache(tmp_path / "c.json")
    assert known.get(tmp_path / "a", "fact") is None
    known.put(tmp_path / "a", "fact", 3, "validity")
    known.save()
    assert Cache(tmp_path / "c.json").get(tmp_path / "a", "fact", "validity") == 3
    assert Cache(tmp_path / "c.json").get(tmp_path / "a", "fact", "another") is None


def test_a_file_that_cannot_be_read_is_told(tmp_path):
    with pytest.raises(InputError, match="found no such file or directory"):
        file_sha256(tmp_path / "none")
