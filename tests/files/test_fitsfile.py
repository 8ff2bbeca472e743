import struct

import numpy as np
import pytest
from astropy.io import fits
from diskmosaic.errors import InputError
from diskmosaic.recordings.recordings import open_recording

PLANE = {"SIMPLE": True, "BITPIX": 16, "NAXIS": 2, "NAXIS1": 10, "NAXIS2": 5}


def cards(**values):
    """A FITS header by hand, padded to whole blocks."""
    text = ""
    for key, value in values.items():
        key = key.replace("_", "-")
        shown = {True: "T", False: "F"}.get(value) if isinstance(value, bool) else value
        shown = f"'{value:8s}'" if isinstance(value, str) else f"{shown!s:>20}"
        text += f"{key:8s}= {shown}".ljust(80)
    text += "END".ljust(80)
    return text.ljust(-(-len(text) // 2880) * 2880).encode()


def frames_of(path):
    with open_recording(path) as recording:
        return np.stack([recording.frame(i) for i in range(recording.frame_count)]), recording


@pytest.mark.parametrize("dtype", ["u1", "i1", "u2", "i2", "u4", "i4", "i8", "u8", "f4", "f8"])
@pytest.mark.parametrize("shape", [(7, 11), (5, 7, 11)])
def test_values_are_those_that_astropy_wrote(tmp_path, dtype, shape):
    rng = np.random.default_rng(4)
    truth = (rng.random(shape) * 100).astype(dtype)
    if truth.dtype.kind in "iu":
        limits = np.iinfo(dtype)
        truth.flat[:3] = limits.max, limits.min, limits.max // 2
    else:
        truth.flat[:2] = np.nan, -np.inf
    path = tmp_path / "a.fits"
    fits.writeto(path, truth)
    got, recording = frames_of(path)
    assert recording.dtype == truth.dtype
    assert recording.dtype.isnative
    np.testing.assert_array_equal(got, truth.reshape(-1, 7, 11))


def test_unsigned_16_bit_by_hand(tmp_path):
    data = cards(SIMPLE=True, BITPIX=16, NAXIS=2, NAXIS1=3, NAXIS2=1, BZERO=32768, BSCALE=1)
    (tmp_path / "a.fit").write_bytes(data + struct.pack(">3h", -32768, 0, 32767))  # no padding at the end
    got, _ = frames_of(tmp_path / "a.fit")
    np.testing.assert_array_equal(got, [[[0, 32768, 65535]]])


@pytest.mark.parametrize(("bitpix", "stored", "dtype"), [(16, ">i2", "f4"), (32, ">i4", "f8"), (-32, ">f4", "f4")])
def test_scaled_values_and_blanks(tmp_path, bitpix, stored, dtype):
    header = {**PLANE, "BITPIX": bitpix, "NAXIS1": 3, "NAXIS2": 2, "BSCALE": 0.5, "BZERO": 3.0}
    if bitpix > 0:
        header["BLANK"] = -1
    values = np.array([[0, 1, 2], [3, -1, 200]], stored)
    path = tmp_path / "a.fits"
    path.write_bytes((cards(**header) + values.tobytes()).ljust(2 * 2880, b"\0"))
    expected = values * 0.5 + 3
    if bitpix > 0:
        expected[1, 1] = np.nan
    got, recording = frames_of(path)
    assert recording.dtype == dtype
    np.testing.assert_array_equal(got[0], expected)
    np.testing.assert_array_equal(got[0], fits.getdata(path))


def test_facts_of_the_camera(tmp_path):
    header = fits.Header()
    header["DATE-OBS"] = "2031-06-01T12:00:00.5"
    header["EXPTIME"], header["GAIN"], header["XBINNING"] = 0.0025, 120, 2
    header["INSTRUME"], header["BAYERPAT"] = "Camera 1", "GRBG"
    fits.writeto(tmp_path / "a.fits", np.zeros((3, 4), np.uint16), header)
    _, recording = frames_of(tmp_path / "a.fits")
    assert recording.camera["exposure_s"] == "0.0025"
    assert recording.camera["gain"] == "120"
    assert recording.camera["binning"] == "2"
    assert recording.camera["INSTRUME"] == "Camera 1"
    assert recording.camera["time_utc"] == "2031-06-01T12:00:00.500000Z"
    assert recording.bayer == "GRBG"
    assert recording.timestamp() == np.datetime64("2031-06-01T12:00:00.5")


def test_image_in_an_extension_and_colour_planes(tmp_path):
    truth = np.arange(3 * 4 * 5, dtype=np.int16).reshape(3, 4, 5)
    table = fits.BinTableHDU.from_columns([fits.Column("A", "J", array=[1, 2])])
    image = fits.ImageHDU(truth)
    image.header["CTYPE3"] = "RGB"
    fits.HDUList([fits.PrimaryHDU(), table, image]).writeto(tmp_path / "a.fits")
    got, recording = frames_of(tmp_path / "a.fits")
    assert (recording.planes, recording.frame_count) == (3, 1)
    np.testing.assert_array_equal(got[0], truth.transpose(1, 2, 0))


def test_a_cut_off_cube_is_read_as_far_as_it_goes(tmp_path):
    truth = np.arange(20 * 30 * 40, dtype=np.int16).reshape(20, 30, 40)
    fits.writeto(tmp_path / "a.fits", truth)
    data = (tmp_path / "a.fits").read_bytes()
    (tmp_path / "t.fits").write_bytes(data[: 2880 + 7 * 2400 + 5])
    got, recording = frames_of(tmp_path / "t.fits")
    np.testing.assert_array_equal(got, truth[:7])
    assert "promises 20 frames, the file holds 7" in recording.warnings[0]


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"gain = 3\nexposure = 2 ms\n" * 200, "no FITS header"),
        (cards(**PLANE), "found 0 bytes of pixels"),
        (cards(**{**PLANE, "NAXIS1": 200000, "NAXIS2": 200000}), "claims 200000 x 200000 px"),
        (cards(**{**PLANE, "NAXIS1": -3}), "NAXIS1 = -3"),
        (cards(**{**PLANE, "BITPIX": 12}), "BITPIX = 12"),
        (cards(**{**PLANE, "BITPIX": "x"}), "BITPIX = x"),
        (cards(**{**PLANE, "BZERO": "x"}) + b"\0" * 2880, "BZERO = x"),
        (cards(SIMPLE=True, BITPIX=8, NAXIS=0), "no uncompressed image"),
        (cards(SIMPLE=True, BITPIX=8, NAXIS=4, NAXIS1=2, NAXIS2=2, NAXIS3=2, NAXIS4=2), "found 4 axes"),
        (cards(**PLANE)[:1000], "header without an end"),
    ],
)
def test_bad_files_in_one_sentence(tmp_path, data, message):
    (tmp_path / "a.fits").write_bytes(data)
    with pytest.raises(InputError, match=message) as caught:
        open_recording(tmp_path / "a.fits")
    assert "\n" not in str(caught.value)


def test_compressed_images_are_refused(tmp_path):
    image = fits.CompImageHDU(np.zeros((20, 30), np.int16))
    fits.HDUList([fits.PrimaryHDU(), image]).writeto(tmp_path / "a.fits")
    with pytest.raises(InputError, match="no uncompressed image"):
        open_recording(tmp_path / "a.fits")
