"""A flat on trial: small evenings of known pattern, and the step in a whole run."""

import dataclasses
import json

import cv2
import numpy as np
import pytest
from diskmosaic import pipeline
from diskmosaic.files.masterfile import read_master
from diskmosaic.masters.masters import make_dark, make_flat
from diskmosaic.recordings.recordings import open_recording
from diskmosaic.records.master import Master
from diskmosaic.settings import MasterSettings, Settings, TileSettings
from diskmosaic.synthetic import invented_sun, plain, sensor_pattern
from diskmosaic.synthetic.session import make_session
from diskmosaic.trial.moving import follow_of, moved, moved_by
from diskmosaic.trial.samples import sample_of_mean, take_samples
from diskmosaic.trial.trial import try_flat
from diskmosaic.trial.verdicts import say

from evening import write_ser

SHAPE = (240, 330)
TILES = TileSettings()


def parts(seed, **changes):
    options = {"dust": 24, "bad_pixels": 0, **changes}
    return sensor_pattern(*SHAPE, np.random.default_rng([seed, 2]), **options)


def means(seed, pattern, *, count=9, offset=0.0):
    """Mean frames of 64, 8 bits, of tiles inside the disk: the Sun blurred by 2.4 px."""
    rng = np.random.default_rng([seed, 1])
    sun = cv2.GaussianBlur(invented_sun(420, rng).image, (0, 0), 2.4)
    frames = []
    for _ in range(count):
        top, left = rng.integers(180, 520), rng.integers(180, 440)
        light = 150 * sun[top : top + SHAPE[0], left : left + SHAPE[1]] * pattern
        noise = np.sqrt(light / 47 / 64) * rng.standard_normal(SHAPE)
        frames.append((light + noise + offset).astype(np.float32))
    return frames


def samples(frames):
    typical = float(np.median([np.percentile(frame, 95) for frame in frames]))
    return [sample_of_mean(f"tile {k}", frame, typical, frames=1000) for k, frame in enumerate(frames, 1)]


def flat_of(pattern, seed=0, *, frames=600):
    noise = np.random.default_rng([seed, 3]).standard_normal(SHAPE) * np.sqrt(1 / (150 * 47 * frames))
    image = (pattern * (1 + noise)).astype(np.float32)
    image /= image.mean()
    good = np.ones(SHAPE, bool)
    return Master(
        "flat", image, np.full(SHAPE, 1e-3, np.float32), frames, 0.0, 150.0, 0.0, good, gain=47.0, read_noise=14
    )


@pytest.fixture(scope="module")
def evening():
    pattern = parts(1).product
    return pattern, samples(means(1, pattern))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_good_flat_raises_no_alarm(seed):
    pattern = parts(seed).product
    flat = flat_of(pattern, seed)
    trial = try_flat(flat, samples(means(seed, pattern)), TILES)
    said = say(trial, flat)
    assert trial.ok
    assert trial.kind == "same"
    assert said.warnings == ()
    assert said.verdict.startswith("the flat fits")
    assert trial.sensor_still
    assert trial.strength == pytest.approx(1, abs=0.04)  # the bar of an alarm; 9 Suns leave some 0.01


def test_where_the_sun_hides_the_dust_nothing_is_said_of_it():
    # two recordings of structure as deep as dust: the single pixels alone tell that the flat fits
    pattern = parts(1).product
    rng = np.random.default_rng(8)
    rough = [cv2.GaussianBlur(rng.standard_normal(SHAPE).astype(np.float32), (0, 0), 4) for _ in range(2)]
    frames = [frame * np.exp(2.5 * field) for frame, field in zip(means(1, pattern, count=2), rough, strict=True)]
    flat = flat_of(pattern)
    trial = try_flat(flat, samples(frames), TILES)
    assert trial.kind == "same"
    assert trial.pixels_found
    assert trial.likeness.significance < 9
    assert np.isnan(trial.strength)
    assert (trial.gone, trial.added, trial.rings) == ((), (), None)
    assert say(trial, flat).warnings == ()


@pytest.mark.parametrize(("significance", "told"), [(10, 0), (30, 1)])
def test_a_recordings_own_place_counts_as_far_as_its_peak_is_sure(evening, significance, told):
    pattern, looks = evening
    flat = flat_of(pattern)
    trial = try_flat(flat, looks, TILES)
    # a peak some 5 px wide that stands out by 10 lies where it does to half a pixel: 1.9 px are 4 such errors
    off = dataclasses.replace(trial.looks[0], shift_yx=(1.9, 0.0), significance=significance)
    assert len(say(dataclasses.replace(trial, looks=(off, *trial.looks[1:])), flat).warnings) == told


def test_a_displaced_flat_is_found_said_and_moved(evening):
    pattern, looks = evening
    flat = flat_of(moved(pattern, (2.1, -2.1)))
    trial = try_flat(flat, looks, TILES)
    assert trial.kind == "displaced"
    assert not trial.ok
    np.testing.assert_allclose(trial.likeness.shift, (-2.1, 2.1), atol=0.2)  # the house's figure
    said = say(trial, flat)
    assert "px left and 2." in said.verdict
    assert "px below the recordings' pattern" in said.verdict
    assert "masters.follow_shift" in said.verdict
    assert said.verdict in said.warnings
    assert "was moved" in say(trial, flat, followed=True).verdict
    better = moved_by(flat, **follow_of(trial))
    inside = (slice(12, -12), slice(12, -12))
    before, after = (np.std((image.image / pattern)[inside]) for image in (flat, better))
    assert after < 0.35 * before  # the single pixels, 0.7 %, are smoothed by the moves and stay off
    assert better.image.mean(dtype=float) == pytest.approx(1, abs=1e-6)


def test_dust_that_moved_before_a_sensor_that_did_not(evening):
    pattern, looks = evening
    known = parts(1)
    flat = flat_of(known.rings * known.vignetting * known.response * moved(known.dust, (0.0, 3.0)))
    trial = try_flat(flat, looks, TILES)
    assert trial.kind == "displaced"
    assert trial.sensor_still
    np.testing.assert_allclose(trial.likeness.shift, (0.0, -3.0), atol=0.25)
    assert "the pixels did not" in say(trial, flat).verdict
    better = moved_by(flat, **follow_of(trial))
    fine = [image - cv2.GaussianBlur(image, (0, 0), 1.2) for image in (better.image, pattern.astype(np.float32))]
    inside = (slice(12, -12), slice(12, -12))
    assert np.corrcoef(*(image[inside].ravel() for image in fine))[0, 1] > 0.8  # pixels stay where they are


@pytest.mark.parametrize(
    ("turn", "kind", "words"),
    [
        (lambda image: image[::-1, ::-1], "turned", "turned by 180 degrees"),
        (lambda image: image[:, ::-1], "mirrored", "mirrored left to right"),
        (lambda image: image[::-1], "mirrored", "mirrored top to bottom"),
    ],
)
def test_a_flat_the_wrong_way_round(evening, turn, kind, words):
    pattern, looks = evening
    flat = flat_of(np.ascontiguousarray(turn(pattern)))
    trial = try_flat(flat, looks, TILES)
    assert (trial.kind, trial.ok) == (kind, False)
    warnings = say(trial, flat).warnings
    assert any("a new flat is needed" in text and words in text for text in warnings)


def test_a_strangers_flat_is_not_found(evening):
    flat = flat_of(parts(77).product)
    trial = try_flat(flat, evening[1], TILES)
    assert trial.kind == "not found"
    assert "another camera" in say(trial, flat).verdict


def test_nothing_is_said_of_a_flat_without_pattern(evening):
    flat = flat_of(np.ones(SHAPE, np.float32))
    trial = try_flat(flat, evening[1], TILES)
    assert trial.kind == "hidden"
    assert trial.ok
    assert not any("new flat" in text for text in say(trial, flat).warnings)


def test_an_offset_left_in_is_seen_in_the_dust(evening):
    pattern, looks = evening
    flat = flat_of(pattern / pattern.mean() + 0.08)
    trial = try_flat(flat, looks, TILES)
    assert trial.strength == pytest.approx(1.08, abs=0.03)
    assert any("offset are still in the flat" in text for text in say(trial, flat).warnings)
    left = try_flat(flat_of(pattern), samples(means(1, pattern, offset=12.0)), TILES)
    assert left.strength == pytest.approx(0.92, abs=0.03)  # 150 / (150 + 12)
    assert any("offset are still in the tiles" in text for text in say(left, flat).warnings)


def test_rings_of_another_phase_are_no_displacement():
    # seed 4 draws rings that are followed over the whole sensor
    flat = flat_of(parts(4).product)
    trial = try_flat(flat, samples(means(4, parts(4, phase=0.35).product)), TILES)
    assert trial.kind == "same"
    assert trial.rings.change == pytest.approx(0.35, abs=0.03)
    assert trial.rings.sigma < 0.03
    assert any("rings have moved by 0.3" in text for text in say(trial, flat).warnings)


def test_what_a_person_should_know_of_camera_and_light(evening):
    pattern, looks = evening
    flat = flat_of(pattern)
    trial = try_flat(flat, looks, TILES)
    cameras = {"tile_1.ser": {"gain": "200", "exposure_s": "0.002"}, "tile_2.ser": {"gain": "300"}}
    told = say(trial, flat, flat_camera={"gain": "300", "exposure_s": "0.02"}, tile_cameras=cameras).warnings
    assert [text for text in told if "camera setting gain: 300 in the flat, 200 in tile_1.ser" in text]
    assert not [text for text in told if "exposure" in text]
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]] / np.array(SHAPE)[:, None, None] - 0.5
    dark = flat_of(pattern * (1 - 1.5 * (y**2 + x**2) + 0.3 * x))
    told = say(try_flat(dark, looks, TILES), dark).warnings
    assert any("the whole chip was not lit" in text for text in told)
    assert any("across the sensor" in text for text in told)
    dim = dataclasses.replace(flat, level=20.0)
    assert any("it is dim" in text for text in say(try_flat(dim, looks, TILES), dim).warnings)
    burnt = [dataclasses.replace(look, saturated=0.02 if k == 3 else 0.0) for k, look in enumerate(looks)]
    assert any(
        "tile 4: 2.0 % of its pixels are saturated" in t for t in say(try_flat(flat, burnt, TILES), flat).warnings
    )


def test_a_short_flat_is_told_with_the_frames_it_needs(evening):
    pattern, looks = evening
    short, long = flat_of(pattern, frames=60), flat_of(pattern, frames=500)
    assert any(
        "60 frames are few for tiles of 350" in text for text in say(try_flat(short, looks, TILES), short).warnings
    )
    said = say(try_flat(long, looks, TILES), long)
    assert not [text for text in said.warnings if "frames" in text]
    look = try_flat(long, looks, TILES).looks[0]
    # no jitter, like level: N = n / (1.05^2 - 1) = 350 / 0.1025
    assert look.enough == pytest.approx(350 / 0.1025, rel=0.15)


@pytest.fixture(scope="module")
def with_dust(tmp_path_factory):
    """Six recordings of 260 x 340 px, a flat of 40 frames, a dark."""
    folder = tmp_path_factory.mktemp("trial") / "evening"
    plan = plain(
        tile_shape=(260, 340), frames=12, flat_frames=40, dark_frames=12, overlap=0.3, mount_error_px=5.0, dust=24
    )
    sun = invented_sun(240, np.random.default_rng(3))
    return folder, make_session(folder, sun, plan, seed=2, truth=folder.parent / "truth")


def test_gain_comes_out_of_flat_and_recordings(with_dust):
    folder, truth = with_dust
    dark = make_dark([open_recording(folder / "dark.ser")], MasterSettings())
    flat = make_flat([open_recording(folder / "flat.ser")], dark, MasterSettings())
    assert flat.gain == pytest.approx(truth.electrons_per_adu, rel=0.03)  # the house's figure
    from diskmosaic.masters.calibration import Calibration

    opened = [open_recording(folder / f"sun_{k:02d}.ser") for k in range(1, 4)]
    looks = take_samples(opened, Calibration(dark, None, 0.0, (260, 340)), jobs=2)
    trial = try_flat(flat, looks, TILES)
    # the Sun moves between frames: some of it counts as noise
    assert trial.tiles_camera.gain == pytest.approx(truth.electrons_per_adu, rel=0.1)
    other = dataclasses.replace(flat, gain=flat.gain / 2)
    assert any("the camera's gain is" in text for text in say(try_flat(other, looks, TILES), other).warnings)


def test_a_run_moves_the_flat_when_it_may(with_dust, tmp_path):
    folder, _ = with_dust
    session = tmp_path / "evening"
    session.mkdir()
    for path in folder.glob("*.ser"):
        (session / path.name).write_bytes(path.read_bytes())
    flat = open_recording(folder / "flat.ser")
    write_ser(session / "flat.ser", [np.roll(flat.gray(k), 3, 1) for k in range(flat.frame_count)])
    told = pipeline.tiles(session, tmp_path / "warned").warnings
    assert any("the flat lies 3.0 px right of the recordings' pattern" in text for text in told)
    trial = json.loads((tmp_path / "warned/masters/trial.json").read_text("utf-8"))
    assert (trial["kind"], trial["ok"], trial["follow"]) == ("displaced", False, None)

    follow = Settings(masters=MasterSettings(follow_shift=True))
    out = tmp_path / "followed"
    done = pipeline.tiles(session, out, settings=follow)
    assert any("the flat was moved by that before use" in text for text in done.warnings)
    used, wrong = (read_master(folder / "masters/flat.fits").image for folder in (out, tmp_path / "warned"))
    np.testing.assert_allclose(used[:, 5:-5], np.roll(wrong, -3, 1)[:, 5:-5], rtol=0.02)
    assert set(pipeline.tiles(session, out, settings=follow).steps.values()) == {"unchanged"}
    again = tmp_path / "again"
    pipeline.tiles(session, again, settings=follow, jobs=2)
    for name in ("trial.json", "trial.npz", "flat.fits"):
        assert (again / "masters" / name).read_bytes() == (out / "masters" / name).read_bytes()


def test_the_report_shows_the_trial(finished):
    page = (finished / "assembled" / "report.html").read_text("utf-8")
    assert "The flat on trial" in page
    trial = json.loads((finished / "assembled/masters/trial.json").read_text("utf-8"))
    assert trial["verdict"][4:] in page.replace("&#x27;", "'")
    assembly = json.loads((finished / "assembled/assembly.json").read_text("utf-8"))
    assert set(trial["warnings"]) <= set(assembly["warnings"])
