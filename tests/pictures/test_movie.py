"""Movies of sessions: every disk at the same place, size and brightness, read back from the file."""

import json
import subprocess
import sys
from dataclasses import replace

import cv2
import numpy as np
import pytest
from diskmosaic import pipeline
from diskmosaic.arrays.circles import fit_circle
from diskmosaic.errors import InputError
from diskmosaic.files.diskfile import write_disk
from diskmosaic.limb.points import edge_points
from diskmosaic.records.places import Circle

from pictures_of import CENTRE, DARK, RADIUS, SHAPE, make_disk

av = pytest.importorskip("av")
SIDE = 400


def made(path, *, scale=1.0, move=(0.0, 0.0), level=1.0, time=None, **options):
    """A disk larger by a factor, elsewhere on its array and brighter, under a session's folder."""
    disk = make_disk(**options)
    (y, x), (height, width) = CENTRE, SHAPE
    matrix = np.array([[scale, 0, move[1]], [0, scale, move[0]]])
    size = int(scale * width + 20), int(scale * height + 20)
    light = [
        level * cv2.warpAffine(part, matrix, size, flags=cv2.INTER_CUBIC, borderValue=0.01)
        for part in (disk.natural, disk.uniform)
    ]
    shape = light[0].shape
    limb = disk.limb and Circle((scale * y + move[0], scale * x + move[1]), scale * RADIUS, 0.1, 1000)
    cards = disk.header | ({} if time is None else {"DATE-OBS": (time, "")})
    path.parent.mkdir(parents=True)
    write_disk(
        path,
        replace(
            disk,
            natural=light[0].astype(np.float32),
            uniform=light[1].astype(np.float32),
            weight=np.ones(shape, np.float32),
            tile=np.zeros(shape, np.int16),
            limb=limb,
            header=cards,
        ),
    )


def tree(folder):
    made(folder / "b" / "assembled" / "disk.fits", time="2031-03-04T08:00:00")
    made(
        folder / "a" / "assembled" / "disk.fits",
        scale=1.31,
        move=(7.4, -3.3),
        level=40.0,
        time="2031-03-04T11:30:00",
    )
    made(folder / "c" / "day" / "assembled" / "disk.fits", scale=0.9, move=(2.0, 9.0), time="2031-03-04T09:15:00")


def frames_of(path):
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        return [frame.to_ndarray(format="gray") for frame in container.decode(stream)], stream.average_rate


def test_disks_stand_still_and_are_equally_bright(tmp_path):
    tree(tmp_path)
    told = pipeline.movie(tmp_path, side=SIDE, frames_per_s=5)
    assert [path.split("/")[-3] for path in told["disks"]] == ["b", "day", "a"]  # in the order of time
    frames, rate = frames_of(tmp_path / "movie.mp4")
    assert (len(frames), rate) == (told["frames"], 5) == (3, 5)
    y, x = np.mgrid[:SIDE, :SIDE]
    inside = np.hypot(y - (SIDE - 1) / 2, x - (SIDE - 1) / 2) < 0.85 * 0.45 * SIDE
    medians = []
    for frame in frames:
        assert frame.shape == (SIDE, SIDE)
        points = edge_points(frame.astype(np.float32), ((SIDE - 1) / 2, (SIDE - 1) / 2), 0.45 * SIDE)
        fit = fit_circle(points[:, :2])
        # 8 bits, the compression
        assert np.allclose(fit.centre, (SIDE - 1) / 2, atol=0.25)
        # the edge fades over 1.5 px of the disk to either side, of which the tone curve shows the inner part
        assert 0.45 * SIDE - 1.5 < fit.radius < 0.45 * SIDE + 0.2
        # north is up: the dark spot lies below the middle, on the right, at the same place
        dark = np.where(inside, cv2.GaussianBlur(frame, (0, 0), 2), 255)
        at = (np.array(np.unravel_index(dark.argmin(), dark.shape)) - (SIDE - 1) / 2) / (0.45 * SIDE)
        wanted = (np.array(DARK) - CENTRE) / RADIUS * (-1, 1)
        assert np.abs(at - wanted).max() < 0.02
        medians.append(np.median(frame[inside]))
        corner = frame[-40:, : SIDE // 4]
        assert corner.max() > 150  # the time
    assert np.ptp(medians) <= 2
    assert not np.array_equal(frames[0][-40:, : SIDE // 4], frames[1][-40:, : SIDE // 4])


def test_the_same_disks_give_the_same_bytes(tmp_path):
    tree(tmp_path)
    pipeline.movie(tmp_path, tmp_path / "one.mp4", side=SIDE)
    pipeline.movie(tmp_path, tmp_path / "two.mp4", side=SIDE)
    assert (tmp_path / "one.mp4").read_bytes() == (tmp_path / "two.mp4").read_bytes()


def test_what_cannot_be_a_movie_is_told(tmp_path):
    with pytest.raises(InputError, match="found 0 disks, expected two or more"):
        pipeline.movie(tmp_path)
    made(tmp_path / "a" / "assembled" / "disk.fits")
    made(tmp_path / "b" / "assembled" / "disk.fits", north=False, time="2031-03-05T08:00:00")
    with pytest.raises(InputError, match="expected the same as in the others; leave it out"):
        pipeline.movie(tmp_path, side=SIDE)
    for name, limb in (("c", True), ("d", False)):
        made(tmp_path / "other" / name / "assembled" / "disk.fits", limb=limb)
    with pytest.raises(InputError, match="found a disk without limb"):
        pipeline.movie(tmp_path / "other", side=SIDE)
    assert not list(tmp_path.rglob("*.mp4"))


def test_the_command(tmp_path):
    tree(tmp_path)
    command = [sys.executable, "-m", "diskmosaic", "movie", str(tmp_path), "--side", "200", "--json", "--quiet"]
    ran = subprocess.run(command, capture_output=True, text=True, check=True)
    assert json.loads(ran.stdout)["frames"] == 3
    assert frames_of(tmp_path / "movie.mp4")[0][0].shape == (200, 200)
