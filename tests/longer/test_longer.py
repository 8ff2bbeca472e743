"""A second, longer-exposed set with a saturated disk: its light beyond the limb against the truth."""

import dataclasses
import re
import shutil

import cv2
import numpy as np
import pytest
from diskmosaic import pipeline
from diskmosaic.arrays.limb_profile import find_edge
from diskmosaic.arrays.second_light import fit_light, join
from diskmosaic.errors import InputError
from diskmosaic.files.diskfile import read_disk
from diskmosaic.files.masterfile import read_master
from diskmosaic.job.second_set import load
from diskmosaic.longer import lidded, longer
from diskmosaic.longer.lidded import Lidded, fine_centre
from diskmosaic.recordings.recordings import open_recording
from diskmosaic.records.master import Master
from diskmosaic.settings import PictureSettings, Settings
from diskmosaic.synthetic.plan import plain
from diskmosaic.synthetic.session import make_session
from diskmosaic.synthetic.sun import invented_sun
from diskmosaic.synthetic.truth import read_truth

from colour_camera import as_a_colour_camera

TIMES = 15  # as much light as the evening's


@pytest.fixture(scope="module")
def second(recorded, tmp_path_factory):
    """The same Sun and camera, other pointings, the disk far beyond the camera's full scale; its truth."""
    folder = tmp_path_factory.mktemp("second") / "long"
    first = read_truth(recorded.parent / "truth")
    rng = np.random.default_rng(8)
    places = np.array([tile.position_yx for tile in first.tiles]) + rng.uniform(-9, 9, (len(first.tiles), 2))
    plan = plain(
        tile_shape=(260, 340),
        frames=8,
        dark_frames=6,
        flat_frames=0,
        level=TIMES * 0.6,
        positions_yx=tuple(map(tuple, places.tolist())),
    )
    truth = make_session(folder, invented_sun(240, np.random.default_rng(3)), plan, seed=2)
    return folder, truth


def seen(second, finished, jobs=1):
    out = finished / "assembled"
    recordings = [open_recording(path) for path in sorted(second[0].glob("sun*.ser"))]
    disk = read_disk(out / "disk.fits", np.eye(2, 3)[None])
    masters = read_master(out / "masters" / "dark.fits"), read_master(out / "masters" / "flat.fits"), 0.0
    return disk, longer.see_beyond(recordings, [open_recording(second[0] / "dark.ser")], disk, masters, jobs=jobs)


def test_its_light_lies_where_it_is_and_is_quieter(second, finished):
    disk, found = seen(second, finished)
    sun, (y, x), shape = second[1].sun, disk.limb.centre_yx, disk.natural.shape
    edge = find_edge(disk.natural, disk.limb.centre_yx, disk.limb.radius_px)
    u = edge.offsets(slice(0, shape[0]), slice(0, shape[1]))
    there = (u > 5) & (u < 25) & np.isfinite(found.image) & np.isfinite(disk.natural)
    assert there.sum() > 0.5 * ((u > 5) & (u < 25)).sum()

    def true_light(dy, dx):
        matrix = np.array([[1.0, 0.0, sun.centre_yx[1] - x + dx], [0.0, 1.0, sun.centre_yx[0] - y + dy]])
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        # the frames' own blur and warps, about 1.2 px
        return cv2.GaussianBlur(cv2.warpAffine(sun.image, matrix, shape[::-1], flags=flags), (0, 0), 1.2)[there]

    grid = np.arange(-1, 1.1, 0.25)
    fits = {(dy, dx): np.corrcoef(true_light(dy, dx), found.image[there])[0, 1] for dy in grid for dx in grid}
    # 8 frames with warps of 0.7 px leave 0.25 px; the disk's own centre is known to 0.1 px
    assert np.hypot(*max(fits, key=fits.get)) <= 0.4
    truth = true_light(0, 0)
    quiet = cv2.erode(there.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    quiet[there] &= truth < np.median(truth)
    errors, noise = [], []
    for image in (disk.natural, found.image):
        slope, level = np.polyfit(truth, image[there], 1)
        errors.append((image[there] - slope * truth - level).std() / slope)
        known = np.nan_to_num(image)
        fine = known - cv2.blur(known, (5, 5))
        noise.append(1.4826 * np.median(np.abs(fine[quiet])) / slope)
    assert errors[1] < errors[0]  # warps, which both have, are most of what is left
    # fifteen times the light: between 1/15 (read noise) and 1/4 (photons), and rounding to whole counts on either side
    assert noise[1] < 0.3 * noise[0]
    # light at the limb's foot is cut in the blurred edge: a tenth
    assert found.ratio == pytest.approx(TIMES, rel=0.1)
    # what was cut is not believed: nothing well inside the limb, spots aside
    assert np.isfinite(found.image[(u < -3) & (u > -20)]).mean() < 0.01


def test_threads_change_nothing(second, finished):
    one, two = (seen(second, finished, jobs)[1].image for jobs in (1, 2))
    assert np.array_equal(one, two, equal_nan=True)


def test_a_saturated_disk_is_even_whatever_the_flat():
    rng = np.random.default_rng(2)
    flat = (1 + 0.1 * rng.normal(size=(40, 50))).clip(0.6, 1.4).astype(np.float32)
    good = np.ones(flat.shape, bool)
    master = Master("flat", flat, np.zeros_like(flat), 100, 0.0, 100.0, 5.0, good)
    calibration = Lidded(None, master, 5.0, flat.shape, ceiling=255)
    frame = calibration.apply(np.full(flat.shape, 255, np.uint8))
    assert np.ptp(frame) == 0
    assert frame[0, 0] == pytest.approx(calibration.lid) == pytest.approx(250 / flat.max(), rel=1e-5)
    dim = calibration.apply(np.full(flat.shape, 55, np.uint8))
    assert dim == pytest.approx(50 / flat, rel=1e-5)


@pytest.mark.parametrize("scale", [0.5, 1.0, 2.0])
def test_a_limb_is_found_whatever_the_disks_pixels(scale):
    y, x = np.indices((160, 220))
    edge = 1 / (1 + np.exp(np.clip((np.hypot(y - 150.3, x - 90.6) - 120) / 0.8, -50, 50)))
    turn = scale * np.array([[0.8, -0.6], [0.6, 0.8]])
    start = turn @ (148.0, 93.0)
    found = fine_centre(edge.astype(np.float32), 0.5, start, turn, 120 * scale)
    # linear interpolation across an edge of 0.8 px leaves some hundredths of a px a ray
    assert np.hypot(*(found - turn @ (150.3, 90.6))) < 0.03 * scale


def test_light_of_two_images_is_joined_by_its_ratio_and_offset():
    """Known numbers on arrays; the noise of the first, which would bias a plain fit, leaves the ratio right to 3 %."""
    rng = np.random.default_rng(5)
    y, x = np.mgrid[:400, :420].astype(np.float32)
    u = np.hypot(y - 200, x - 210) - 150
    light = 100 * np.clip(0.5 - u / 4, 0, 1) + 3 * np.exp(-np.maximum(u, 0) / 30)
    light += np.where((u > 0) & (u < 20) & (np.arctan2(y - 200, x - 210) % 1 < 0.3), 4, 0)
    light = cv2.GaussianBlur(light.astype(np.float32), (0, 0), 1.2)
    image = (light + rng.normal(0, 0.5, light.shape)).astype(np.float32)
    other = np.where(u > 2, 12 * light + 7, np.nan).astype(np.float32)
    edge = find_edge(image, (200.0, 210.0), 150.0)
    ratio, offset = fit_light(image, other, edge)
    assert ratio == pytest.approx(12, rel=0.03)
    assert offset == pytest.approx(7, abs=3)
    joined, told = join(image, other, edge)
    assert told == ratio
    assert np.array_equal(joined[u < 2], image[u < 2])
    far = (u > 20) & (u < 60)
    assert np.abs(joined - light)[far].max() < 0.5  # one deviation of the first image's noise
    assert join(image, np.full_like(image, np.nan), edge) is None


def test_a_session_takes_it_for_its_prominences(second, evening_done):
    shutil.copytree(second[0], evening_done.parent / "long")
    settings = Settings(pictures=PictureSettings(longer="../long"))
    outcome = pipeline.run(evening_done, settings=settings)
    assert outcome.steps["second set"] == outcome.steps["pictures"] == "done"
    text = (evening_done / "assembled" / "pictures" / "prominences.png").read_bytes().decode("latin-1")
    assert "it is that of a second set with 1" in text
    light = load(evening_done / "assembled" / ".steps" / "second set" / "light.npy")
    assert 0.1 < np.isfinite(light).mean() < 0.9
    again = pipeline.run(evening_done, settings=settings)
    assert set(again.steps.values()) == {"unchanged"}
    # taken back, it leaves nothing behind
    without = pipeline.run(evening_done)
    assert without.steps["pictures"] == "done"
    assert not (evening_done / "assembled" / ".steps" / "second set" / "light.npy").exists()


def test_a_colour_cameras_second_set_is_of_the_firsts_colour(second, evening):
    """A saturated disk looks gray: of itself the second set would not tell its colour, nor fit the first's flat."""
    long = evening.parent / "long"
    shutil.copytree(second[0], long)
    as_a_colour_camera(evening, {"R": 1.0, "G": 0.2, "B": 0.02})
    as_a_colour_camera(long, {"R": 1.0, "G": 1.0, "B": 1.0})
    outcome = pipeline.run(evening, settings=Settings(pictures=PictureSettings(longer="../long")))
    assert outcome.steps["second set"] == "done"
    text = (evening / "assembled" / "pictures" / "prominences.png").read_bytes().decode("latin-1")
    times = float(re.search(r"it is that of a second set with (\S+)", text).group(1))
    # a limb of half the size, and 8 frames: the ratio comes out to a tenth
    assert times == pytest.approx(TIMES, rel=0.1)


def test_what_is_no_second_set_is_refused(second, finished, tmp_path, monkeypatch):
    disk, _ = seen(second, finished)
    with pytest.raises(InputError, match="the finished disk: found no limb, expected one"):
        longer.see_beyond([], [], dataclasses.replace(disk, limb=None), (None, None, 0.0))
    edge = find_edge(disk.natural, disk.limb.centre_yx, disk.limb.radius_px)
    dark = lidded.Stacked("a", np.zeros((260, 340), np.float32), np.ones((260, 340), bool))
    with pytest.raises(InputError, match="the second set: found no tile that shows enough of the limb"):
        longer.lay_onto([None, dark], 200.0, disk, edge)
