import shutil

import pytest
from diskmosaic import pipeline

from evening import make_evening


@pytest.fixture(scope="session")
def recorded(tmp_path_factory):
    """An evening's recordings; not to be written to."""
    folder = tmp_path_factory.mktemp("recorded") / "evening"
    make_evening(folder)
    return folder


@pytest.fixture(scope="session")
def finished(recorded, tmp_path_factory):
    """The evening after a run in one go; not to be written to."""
    folder = tmp_path_factory.mktemp("finished") / "evening"
    shutil.copytree(recorded, folder)
    pipeline.run(folder, jobs=1)
    return folder


@pytest.fixture
def evening(recorded, tmp_path):
    """A copy of the recordings to work on."""
    folder = tmp_path / "evening"
    shutil.copytree(recorded, folder)
    return folder


@pytest.fixture
def evening_done(finished, tmp_path):
    """A copy of the finished evening to work on, times of change kept."""
    folder = tmp_path / "evening"
    shutil.copytree(finished, folder)
    return folder
