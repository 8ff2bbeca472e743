import numpy as np
import pytest
from diskmosaic.disk.bearings import find_bearings
from diskmosaic.disk.disk import orientation
from diskmosaic.errors import InputError
from diskmosaic.observation import Observation
from diskmosaic.records.places import Circle
from diskmosaic.sky.rotation import SurfaceMotion
from diskmosaic.sky.sun import ephemeris

from cut_tiles import as_tile, placed

TIME = "2024-09-08T12:00:00"
LIMB = Circle((400.0, 420.0), 390.0, 0.1, 900)
TIMES = np.array([-600.0, 0.0, 600.0])
IMAGE = np.ones((100, 140), np.float32)
TILES = [
    as_tile(IMAGE, f"t_{k}", time=str(np.datetime64(TIME) + np.timedelta64(int(s), "s"))) for k, s in enumerate(TIMES)
]


def turning(north_deg, mirrored):
    """A placement whose fitted drift is the Sun's turning under a camera that stands so."""
    motion = SurfaceMotion(TIME, orientation(Observation(north_deg=north_deg, mirrored=mirrored)))
    drift = np.ravel(motion.shift(*LIMB.centre_yx, LIMB.centre_yx, LIMB.radius_px, 1000.0)) / 1000
    return placed([(300, 300), (310, 420), (420, 330)], limb=LIMB, drift=tuple(drift), times=TIMES)


@pytest.mark.parametrize("mirrored", [True, False])
def test_the_mirror_is_told_by_the_suns_turning(mirrored):
    found, observation, told = find_bearings(turning(33.0, mirrored), TILES, Observation(north_deg=33.0))
    assert observation.mirrored is mirrored
    assert found.motion is not None
    assert told == [f"mirrored = {str(mirrored).lower()}, as the Sun's turning between the tiles shows"]


def test_a_persons_word_that_the_sun_contradicts_is_told_and_not_used():
    wrong = Observation(north_deg=213.0, mirrored=False)
    found, observation, told = find_bearings(turning(33.0, False), TILES, wrong)
    assert found.motion is None  # the fitted drift stays
    assert observation == wrong
    assert "the surface moves otherwise" in told[0]
    right = Observation(north_deg=33.0, mirrored=False)
    found, _, told = find_bearings(turning(33.0, False), TILES, right)
    assert told == []
    assert found.motion.time_utc.startswith(TIME)


def test_unknown_north_is_never_guessed_but_what_fits_is_said():
    found, observation, told = find_bearings(turning(33.0, False), TILES, Observation())
    assert observation.north_deg is None
    assert found.motion is None
    assert "north_deg = 33 if mirrored = false, or 213 if mirrored = true" in told[0]


def test_without_a_drift_nothing_is_said_but_that_the_mirror_is_open():
    still = placed([(300, 300), (310, 420), (420, 330)], limb=LIMB, times=TIMES)
    assert find_bearings(still, TILES, Observation())[2] == []
    _, observation, told = find_bearings(still, TILES, Observation(north_deg=5.0))
    assert observation.mirrored is None
    assert "taken as false" in told[0]


@pytest.mark.parametrize("mirrored", [True, False])
def test_north_from_a_stopped_drive(mirrored):
    """The sky carries the Sun west by 15.04 cos(declination) arcsec a second (declination 5.5 deg on 8 September)."""
    p = ephemeris(TIME).p_deg
    axes = orientation(Observation(north_deg=70.0, mirrored=mirrored))  # solar north and west on the sensor
    # celestial east: from solar north by 90 - P degrees over east
    angle = np.deg2rad(90.0 - p)
    east = np.linalg.inv(axes) @ (np.cos(angle), -np.sin(angle))
    scale = ephemeris(TIME).radius_arcsec / LIMB.radius_px
    step = east * 15.04 * np.cos(np.deg2rad(5.5)) * 60 / scale
    quick = [*TILES[:2], as_tile(IMAGE, "t_2", time=str(np.datetime64(TIME) + np.timedelta64(60, "s")))]
    lying = placed([(0, 0), (300, 300), np.add((300, 300), step)], limb=LIMB, times=np.array([-600.0, 0.0, 60.0]))
    asked = Observation(mirrored=mirrored, drive_stopped=("t_1.ser", "t_2.ser"))
    _, observation, told = find_bearings(lying, quick, asked)
    assert observation.north_deg == pytest.approx(70.0, abs=0.01)
    assert told[0] == "north_deg = 70.0, from t_1.ser and t_2.ser (drive stopped)"
    assert not any("was the drive stopped" in text for text in told)
    half = placed([(0, 0), (300, 300), np.add((300, 300), step / 2)], limb=LIMB, times=np.array([-600.0, 0.0, 60.0]))
    assert any("was the drive stopped" in text for text in find_bearings(half, quick, asked)[2])
    with pytest.raises(InputError, match="expected two tiles of this session"):
        find_bearings(lying, quick, Observation(mirrored=mirrored, drive_stopped=("t_1.ser", "x.ser")))
