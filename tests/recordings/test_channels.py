"""One colour of a colour camera."""

from __future__ import annotations

import numpy as np
import pytest
from diskmosaic import pipeline
from diskmosaic.files.tilefile import read_tile
from diskmosaic.recordings.channels import Channel, choose, levels_of, take
from diskmosaic.recordings.recordings import open_recording
from diskmosaic.records.tile import SensorGrid
from PIL import Image

from colour_camera import as_a_colour_camera, mosaic_frame
from evening import write_ser

MOSAICS = ["RGGB", "GRBG", "GBRG", "BGGR"]


@pytest.fixture
def opened(tmp_path):
    def make(frames):
        return open_recording(write_ser(tmp_path / "sun.ser", frames))

    return make


@pytest.mark.parametrize("mosaic", MOSAICS)
@pytest.mark.parametrize("colour", ["red", "green", "blue"])
def test_a_colour_is_only_its_own_pixels(opened, mosaic, colour):
    levels = {"R": 900, "G": 500, "B": 100}
    frame = mosaic_frame(mosaic, levels)
    seen = take(opened([frame, 2 * frame]), Channel(colour, mosaic))
    assert (seen.height, seen.width, seen.planes, seen.frame_count) == (20, 28, 1, 2)
    assert np.all(seen.gray(1) == 2 * levels[colour[0].upper()])


def test_the_mean_is_of_all_four_and_lies_between_them(opened):
    seen = take(opened([mosaic_frame("RGGB", {"R": 900, "G": 500, "B": 100})]), Channel("mean", "RGGB"))
    assert np.all(seen.gray(0) == 500)
    assert seen.grid.first_yx == (0.5, 0.5)


@pytest.mark.parametrize("mosaic", MOSAICS)
@pytest.mark.parametrize("colour", ["red", "green", "blue", "mean"])
def test_a_colours_grid_tells_where_its_light_lies(opened, mosaic, colour):
    # a slope over the sensor: what a pixel shows is where it lies, or the mean of where its parts lie
    y, x = np.indices((40, 56))
    frame = (100 * y + x).astype(np.uint16)
    seen = take(opened([frame]), Channel(colour, mosaic))
    for place in ((0, 0), (7, 11)):
        sensor_y, sensor_x = (first + seen.grid.step * at for first, at in zip(seen.grid.first_yx, place, strict=True))
        assert seen.gray(0)[place] == pytest.approx(100 * sensor_y + sensor_x)
        back = seen.grid.from_sensor() @ (sensor_y, sensor_x, 1)
        assert back == pytest.approx((*place, 1))


def test_three_planes_lose_no_pixel(tmp_path):
    rgb = np.zeros((6, 8, 3), np.uint8)
    rgb[..., 0], rgb[..., 2] = 200, 10
    Image.fromarray(rgb).save(tmp_path / "sun.png")
    seen = take(open_recording(tmp_path / "sun.png"), Channel("red", None))
    assert seen.gray(0).shape == (6, 8)
    assert np.all(seen.gray(0) == 200)
    assert seen.grid is None


def test_levels_are_of_the_lit_part():
    frame = mosaic_frame("RGGB", {"R": 900, "G": 500, "B": 100}).astype(float)
    frame[:, :20] = 4  # sky off the limb
    assert levels_of(frame) == pytest.approx([900, 500, 500, 100])


@pytest.mark.parametrize(
    ("mosaic", "levels", "wavelength", "wish", "colour"),
    [
        ("RGGB", [900, 90, 90, 20], None, "auto", "red"),  # a band in the red lets almost nothing through the others
        ("BGGR", [900, 90, 90, 20], None, "auto", "blue"),
        ("RGGB", [600, 800, 800, 500], None, "auto", "mean"),  # white light
        ("RGGB", [600, 800, 800, 500], 540.0, "auto", "green"),
        ("RGGB", [600, 800, 800, 500], 656.28, "auto", "red"),
        ("RGGB", [600, 800, 800, 500], 393.4, "auto", "blue"),
        ("RGGB", [801, 800, 800, 799], 656.28, "auto", None),  # a mono camera whose files name a mosaic
        (None, [200, 10, 5], None, "auto", "red"),
        (None, [200, 190, 180], None, "auto", None),  # the planes' mean, as it is
        ("RGGB", [900, 90, 90, 20], None, "all", None),
        ("RGGB", [900, 90, 90, 20], None, "green", "green"),
        ("CYYM", [600, 800, 800, 500], 656.28, "auto", "mean"),  # complementary colours: none is the band's own
    ],
)
def test_what_is_taken(mosaic, levels, wavelength, wish, colour):
    channel = choose(mosaic, [levels], wavelength, wish)
    assert (None if channel is None else channel.colour) == colour


def test_a_narrow_band_session_of_a_colour_camera(evening):
    as_a_colour_camera(evening, {"R": 1.0, "G": 0.2, "B": 0.02})
    outcome = pipeline.tiles(evening)
    assert any("red of the GRBG mosaic" in warning for warning in outcome.warnings)
    tile = read_tile(evening / "assembled" / "tiles" / "sun_01.fits")
    assert tile.image.shape == (130, 170)
    assert tile.channel == "red"
    assert tile.grid == SensorGrid(2.0, (0.0, 1.0), (260, 340))
    with open_recording(evening / "sun_01.ser") as recording:
        raw = np.mean([recording.gray(k)[::2, 1::2] for k in range(recording.frame_count)], axis=0)
    # pixels of another colour would make it a fifth as bright or less; dark and flat change it by a quarter at most
    assert np.nanpercentile(tile.image, 90) == pytest.approx(np.percentile(raw, 90), rel=0.25)
