import struct
import zlib

import cv2
import numpy as np
import pytest
import tifffile
from diskmosaic.errors import InputError
from diskmosaic.recordings.recordings import open_recording

RNG = np.random.default_rng(8)
DEEP = RNG.integers(0, 65536, (4, 7, 11)).astype(np.uint16)
COLOUR = RNG.integers(0, 65536, (7, 11, 3)).astype(np.uint16)


def frames_of(path):
    with open_recording(path) as recording:
        return np.stack([recording.frame(i) for i in range(recording.frame_count)]), recording


@pytest.mark.parametrize("dtype", ["u1", "u2", "u4", "i2", "f4", "f8"])
@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("compression", [None, "zlib"])
def test_tiff_of_every_type(tmp_path, dtype, order, compression):
    truth = (RNG.random((7, 11)) * 250).astype(dtype)
    tifffile.imwrite(tmp_path / "a.tif", truth, byteorder=order, compression=compression)
    got, recording = frames_of(tmp_path / "a.tif")
    assert recording.dtype == truth.dtype
    assert recording.dtype.isnative
    np.testing.assert_array_equal(got[0], truth)


@pytest.mark.parametrize("options", [{}, {"imagej": True}, {"compression": "zlib", "predictor": True}])
def test_tiff_pages_are_frames(tmp_path, options):
    tifffile.imwrite(tmp_path / "a.tiff", DEEP, photometric="minisblack", **options)
    got, recording = frames_of(tmp_path / "a.tiff")
    assert recording.frame_count == 4
    np.testing.assert_array_equal(got, DEEP)


@pytest.mark.parametrize("planar", ["contig", "separate"])
def test_tiff_colour(tmp_path, planar):
    stored = COLOUR if planar == "contig" else COLOUR.transpose(2, 0, 1)
    tifffile.imwrite(tmp_path / "a.tif", stored, photometric="rgb", planarconfig=planar)
    got, recording = frames_of(tmp_path / "a.tif")
    assert recording.planes == 3
    np.testing.assert_array_equal(got[0], COLOUR)


def test_tiff_extra_planes_and_odd_pages_are_left_out_and_said(tmp_path):
    with tifffile.TiffWriter(tmp_path / "a.tif") as writer:
        four = np.concatenate([COLOUR, COLOUR[..., :1]], axis=-1)
        writer.write(four, photometric="rgb", extrasamples=["unassalpha"])
        writer.write(DEEP[0, :3], photometric="minisblack")
    got, recording = frames_of(tmp_path / "a.tif")
    np.testing.assert_array_equal(got[0], COLOUR)
    assert "extra plane" in recording.warnings[0]
    assert "1 pages" in recording.warnings[1]


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_tiff_where_white_is_zero(tmp_path, dtype):
    stored = DEEP[0].astype(dtype)
    tifffile.imwrite(tmp_path / "a.tif", stored, photometric="miniswhite")
    got, _ = frames_of(tmp_path / "a.tif")
    np.testing.assert_array_equal(got[0], np.iinfo(dtype).max - stored)


def test_tiff_with_a_codec_that_the_first_library_lacks(tmp_path):
    cv2.imwritemulti(str(tmp_path / "a.tif"), list(DEEP))  # LZW
    got, _ = frames_of(tmp_path / "a.tif")
    np.testing.assert_array_equal(got, DEEP)
    cv2.imwrite(str(tmp_path / "c.tif"), COLOUR[..., ::-1])
    got, _ = frames_of(tmp_path / "c.tif")
    np.testing.assert_array_equal(got[0], COLOUR)


def tiff_header(width, height, compression):
    """A directory alone: 16-bit gray, one strip of 8 bytes."""
    entries = [
        *((256, 4, width), (257, 4, height), (258, 3, 16), (259, 3, compression), (262, 3, 1)),
        *((273, 4, 200), (277, 3, 1), (278, 4, height), (279, 4, 8)),
    ]
    data = struct.pack("<2sHIH", b"II", 42, 8, len(entries))
    for tag, kind, value in entries:
        data += struct.pack("<HHII", tag, kind, 1, value)
    return (data + struct.pack("<I", 0)).ljust(208, b"\0")


@pytest.mark.parametrize("compression", [1, 8])
@pytest.mark.parametrize("side", [400_000, 60_000, 5000])
def test_tiff_that_claims_more_than_it_holds(tmp_path, compression, side):
    (tmp_path / "a.tif").write_bytes(tiff_header(side, side, compression))
    with pytest.raises(InputError, match=f"claims {side} x {side} px"):
        open_recording(tmp_path / "a.tif")


@pytest.mark.parametrize("compression", [None, "zlib"])
def test_tiff_that_was_cut_off_gives_no_zeros(tmp_path, compression):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, DEEP[0], rowsperstrip=2, compression=compression)
    path.write_bytes(path.read_bytes()[:-20])
    with open_recording(path) as recording, pytest.raises(InputError, match="ends early"):
        recording.frame(0)


@pytest.mark.parametrize("options", [{}, {"bigtiff": True}, {"byteorder": ">"}])
def test_tiff_that_lost_pages_says_so(tmp_path, options):
    path = tmp_path / "a.tif"
    with tifffile.TiffWriter(path, **options) as writer:
        for page in DEEP:
            writer.write(page, photometric="minisblack", metadata=None, contiguous=False)
    with tifffile.TiffFile(path) as tif:
        third = tif.pages[2].offset
    assert frames_of(path)[1].warnings == ()
    path.write_bytes(path.read_bytes()[:third])
    got, recording = frames_of(path)
    np.testing.assert_array_equal(got, DEEP[:2])
    assert "after the first 2 are lost" in recording.warnings[0]


def test_tiff_whose_pages_run_in_a_circle(tmp_path):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, DEEP[0], metadata=None)
    data = bytearray(path.read_bytes())
    first, tags = struct.unpack_from("<I", data, 4)[0], struct.unpack_from("<H", data, 8)[0]
    assert first == 8
    data[10 + 12 * tags : 14 + 12 * tags] = struct.pack("<I", 8)
    path.write_bytes(data)
    got, recording = frames_of(path)
    assert recording.frame_count == 1
    np.testing.assert_array_equal(got[0], DEEP[0])


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"data": DEEP[0] > 9, "photometric": "minisblack"}, "1-bit pixels"),
        ({"data": DEEP[0].astype("c8")}, "64-bit pixels"),
        (
            {
                "data": DEEP[0].astype("u1"),
                "photometric": "palette",
                "colormap": np.zeros((3, 256), np.uint16),
            },
            "colour kind 3",
        ),
    ],
)
def test_tiff_pixels_of_no_use(tmp_path, options, message):
    tifffile.imwrite(tmp_path / "a.tif", **options)
    with pytest.raises(InputError, match=message):
        open_recording(tmp_path / "a.tif")


def png(image, colour_type, *, size=None):
    """A PNG by hand: no filter, one IDAT."""

    def part(name, data):
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    height, width = image.shape[:2] if size is None else size
    head = struct.pack(">IIBBBBB", width, height, 8 * image.dtype.itemsize, colour_type, 0, 0, 0)
    rows = image.reshape(len(image), -1).astype(image.dtype.newbyteorder(">"))
    data = zlib.compress(b"".join(b"\0" + row.tobytes() for row in rows))
    return b"\x89PNG\r\n\x1a\n" + part(b"IHDR", head) + part(b"IDAT", data) + part(b"IEND", b"")


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize(("colour_type", "planes", "keep"), [(0, 1, 1), (4, 2, 1), (2, 3, 3), (6, 4, 3)])
def test_png_values_are_exact(tmp_path, dtype, colour_type, planes, keep):
    stored = RNG.integers(0, 65536, (7, 11, planes)).astype(dtype)
    (tmp_path / "a.png").write_bytes(png(stored, colour_type))
    got, recording = frames_of(tmp_path / "a.png")
    assert (recording.planes, recording.dtype) == (keep, dtype)
    np.testing.assert_array_equal(got[0].reshape(7, 11, keep), stored[..., :keep])


def test_png_that_lies_or_is_cut_off(tmp_path):
    path = tmp_path / "a.png"
    path.write_bytes(png(DEEP[0], 0, size=(60000, 60000)))
    with pytest.raises(InputError, match="claims 60000 x 60000"):
        open_recording(path)
    path.write_bytes(png(DEEP[0], 0)[:-20])
    with pytest.raises(InputError, match="no end of the image"):
        open_recording(path)
    path.write_bytes(png(DEEP[0], 0).replace(b"IDAT", b"IDaT"))
    with (
        open_recording(path) as recording,
        pytest.raises(InputError, match="must not be ignored"),
    ):
        recording.frame(0)
    broken = bytearray(png(DEEP[0], 0))
    broken[60] ^= 1
    path.write_bytes(broken)
    with open_recording(path) as recording, pytest.raises(InputError, match="checksum is wrong"):
        recording.frame(0)
    path.write_bytes(png(DEEP[0, :5], 0, size=(7, 11)))  # two rows short
    with open_recording(path) as recording, pytest.raises(InputError, match="115 of 161 bytes"):
        recording.frame(0)
    path.write_bytes(b"not a picture at all, only some text in a file")
    with pytest.raises(InputError, match="no PNG header"):
        open_recording(path)
