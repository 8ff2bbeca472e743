"""Where compiled loops are kept."""

from pathlib import Path

import diskmosaic
import numba
import pytest
from diskmosaic.arrays import compiled as module
from diskmosaic.arrays.compiled import compiled


def twice(x):
    return 2 * x


def kept_at(loop):
    return Path(loop.stats.cache_path)


def test_in_the_persons_cache_not_beside_the_source(tmp_path, monkeypatch):
    # what an installer does not know of stays when it removes the package, and hides one installed elsewhere
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path))
    monkeypatch.setattr(numba.config, "CACHE_DIR", "")
    loop = compiled(twice)
    assert loop(3) == 6
    assert not kept_at(loop).is_relative_to(Path(diskmosaic.__file__).parent)
    assert not kept_at(loop).is_relative_to(Path(__file__).parent)
    assert list(kept_at(loop).glob("*.nbi"))
    assert numba.config.CACHE_DIR == ""  # other programs' loops go where they went


def test_a_persons_own_place_wins(tmp_path, monkeypatch):
    monkeypatch.setattr(numba.config, "CACHE_DIR", str(tmp_path))
    assert kept_at(compiled(twice)).is_relative_to(tmp_path)


def test_another_state_of_the_loops_has_another_place(tmp_path, monkeypatch):
    monkeypatch.setattr(numba.config, "CACHE_DIR", str(tmp_path))
    before = kept_at(compiled(twice))
    monkeypatch.setattr(module, "_state_of_the_loops", lambda: "other")
    assert kept_at(compiled(twice)) != before


@pytest.mark.parametrize("told", ["", "not/absolute"])
def test_a_cache_that_is_not_told_is_the_usual_one(tmp_path, monkeypatch, told):
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("XDG_CACHE_HOME", told)
    monkeypatch.setattr("sys.platform", "linux")
    monkeypatch.setattr(numba.config, "CACHE_DIR", "")
    assert kept_at(compiled(twice)).is_relative_to(tmp_path / ".cache" / "diskmosaic")
