import sys

import numpy as np
import pytest
from camera_files import avi, bitmap_rows
from diskmosaic.errors import InputError
from diskmosaic.files import riff
from diskmosaic.recordings.recordings import open_recording

RAMP = bytes(value for level in range(256) for value in (level, level, level, 0))
RNG = np.random.default_rng(5)
GRAY = RNG.integers(0, 256, (5, 7, 10), dtype=np.uint8)  # 10 px a row: bitmaps pad it to 12
DEEP = RNG.integers(0, 65536, (5, 7, 9)).astype("<u2")
COLOUR = RNG.integers(0, 256, (5, 7, 10, 3), dtype=np.uint8)


def write(tmp_path, data, name="a.avi"):
    path = tmp_path / name
    path.write_bytes(data)
    return path


def frames_of(path):
    with open_recording(path) as recording:
        return np.stack([recording.frame(i) for i in range(recording.frame_count)]), recording


def gray_avi(frames=GRAY, **options):
    blobs = [frame.tobytes() for frame in frames]
    return avi(blobs, width=10, height=7, bits=8, code=b"Y800", **options)


@pytest.mark.parametrize("code", [b"Y800", b"GREY", b"Y8  "])
@pytest.mark.parametrize("pad", [False, True])
def test_gray_codes(tmp_path, code, pad):
    blobs = [bitmap_rows(frame, flip=False, pad=pad) for frame in GRAY]
    got, recording = frames_of(write(tmp_path, avi(blobs, width=10, height=7, bits=8, code=code)))
    np.testing.assert_array_equal(got, GRAY)
    assert (recording.kind, recording.dtype, recording.planes) == ("avi", np.uint8, 1)
    assert recording.warnings == ()


@pytest.mark.parametrize("flip", [True, False])
@pytest.mark.parametrize("palette", [RAMP, b"", b"\0" * 1024], ids=["ramp", "none", "blank"])
def test_gray_bitmaps(tmp_path, flip, palette):
    blobs = [bitmap_rows(frame, flip=flip) for frame in GRAY]
    data = avi(blobs, width=10, height=7 if flip else -7, bits=8, palette=palette)
    got, _ = frames_of(write(tmp_path, data))
    np.testing.assert_array_equal(got, GRAY)


def test_other_palettes_are_applied(tmp_path):
    blobs = [bitmap_rows(frame, flip=True) for frame in GRAY]
    negative = np.arange(255, -1, -1, dtype=np.uint8)
    palette = np.column_stack([negative, negative, negative, 0 * negative]).tobytes()
    got, _ = frames_of(write(tmp_path, avi(blobs, width=10, height=7, bits=8, palette=palette)))
    np.testing.assert_array_equal(got, 255 - GRAY)
    blue_green_red = RNG.integers(0, 256, (256, 4), dtype=np.uint8)
    data = avi(blobs, width=10, height=7, bits=8, palette=blue_green_red.tobytes())
    got, recording = frames_of(write(tmp_path, data))
    assert recording.planes == 3
    np.testing.assert_array_equal(got, blue_green_red[:, 2::-1][GRAY])


def test_16_bit_gray(tmp_path):
    blobs = [frame.tobytes() for frame in DEEP]
    got, recording = frames_of(write(tmp_path, avi(blobs, width=9, height=7, bits=16, code=b"Y16 ")))
    np.testing.assert_array_equal(got, DEEP)
    assert recording.dtype == np.uint16
    blobs = [bitmap_rows(frame, flip=True) for frame in DEEP]  # 18 bytes a row, padded to 20
    got, recording = frames_of(write(tmp_path, avi(blobs, width=9, height=7, bits=16)))
    np.testing.assert_array_equal(got, DEEP)
    assert "16-bit gray" in recording.warnings[0]


@pytest.mark.parametrize("height", [7, -7])
@pytest.mark.parametrize("bits", [24, 32])
def test_colour_bitmaps(tmp_path, height, bits):
    stored = COLOUR[..., ::-1]
    if bits == 32:
        stored = np.concatenate([stored, np.full((5, 7, 10, 1), 9, np.uint8)], axis=-1)
    blobs = [bitmap_rows(np.ascontiguousarray(frame), flip=height > 0) for frame in stored]
    got, recording = frames_of(write(tmp_path, avi(blobs, width=10, height=height, bits=bits)))
    assert recording.planes == 3
    np.testing.assert_array_equal(got, COLOUR)


def test_colour_mosaic(tmp_path):
    data = avi([frame.tobytes() for frame in GRAY], width=10, height=7, bits=8, code=b"BA81")
    got, recording = frames_of(write(tmp_path, data))
    assert recording.bayer == "BGGR"
    np.testing.assert_array_equal(got, GRAY)


@pytest.mark.parametrize("index", ["relative", "absolute", None])
def test_frames_are_found_by_every_kind_of_index(tmp_path, index):
    got, recording = frames_of(write(tmp_path, gray_avi(index=index)))
    np.testing.assert_array_equal(got, GRAY)
    assert recording.warnings == ()


@pytest.mark.parametrize("super_index", [True, False])
@pytest.mark.parametrize("index", ["relative", None])
def test_second_part_of_a_large_file(tmp_path, super_index, index):
    extra = [frame.tobytes() for frame in GRAY[3:]]
    got, _ = frames_of(write(tmp_path, gray_avi(GRAY[:3], extra_riff=extra, super_index=super_index, index=index)))
    np.testing.assert_array_equal(got, GRAY)


@pytest.mark.parametrize(
    "options",
    [
        {"index": "relative"},
        {"index": "absolute"},
        {"index": None, "super_index": True},
        {"index": None, "super_index": True, "extra_riff": [GRAY[4].tobytes()]},
    ],
)
def test_an_index_is_used_where_there_is_one(tmp_path, monkeypatch, options):
    monkeypatch.setattr(riff, "_by_walking", lambda *_: np.zeros((0, 2), np.int64))
    first = GRAY[: 5 - len(options.get("extra_riff", []))]
    got, _ = frames_of(write(tmp_path, gray_avi(first, **options)))
    np.testing.assert_array_equal(got, GRAY)


def test_a_recording_that_was_never_closed(tmp_path):
    data = bytearray(gray_avi(index=None, promised=0))
    data[4:8] = b"\0\0\0\0"  # size of the file
    movie = data.index(b"movi")
    data[movie - 4 : movie] = b"\0\0\0\0"  # size of the frames' list
    got, recording = frames_of(write(tmp_path, bytes(data[:-30]), "t.avi"))
    np.testing.assert_array_equal(got, GRAY[:4])
    assert recording.warnings == ("t.avi: header promises 0 frames, the file holds 4; read as far as it goes",)


def test_dropped_frames_are_left_out_and_said(tmp_path):
    blobs = [GRAY[0].tobytes(), b"", GRAY[1].tobytes()]
    got, recording = frames_of(write(tmp_path, avi(blobs, width=10, height=7, bits=8, code=b"Y800")))
    np.testing.assert_array_equal(got, GRAY[:2])
    assert "1 frames are empty" in recording.warnings[0]


def test_an_index_that_points_elsewhere_is_not_believed(tmp_path):
    data = bytearray(gray_avi())
    at = data.index(b"idx1") + 8 + 8
    data[at : at + 4] = (3).to_bytes(4, "little")
    got, _ = frames_of(write(tmp_path, bytes(data)))
    np.testing.assert_array_equal(got, GRAY)


@pytest.mark.parametrize("bits", [8, 24])
def test_second_opinion_by_a_general_decoder(tmp_path, bits):
    av = pytest.importorskip("av")
    truth = GRAY if bits == 8 else COLOUR
    stored = truth if bits == 8 else truth[..., ::-1].copy()
    blobs = [bitmap_rows(frame, flip=True) for frame in stored]
    path = write(tmp_path, avi(blobs, width=10, height=7, bits=bits, palette=RAMP if bits == 8 else b""))
    got, _ = frames_of(path)
    with av.open(str(path)) as container:
        for index, frame in enumerate(container.decode(video=0)):
            assert bits == 8 or frame.format.name == "bgr24"
            other = frame.to_ndarray()
            # 8 bits: (indices, palette); 24 bits: blue first, as stored
            other = other[0] if bits == 8 else other[..., ::-1]
            np.testing.assert_array_equal(got[index], other)
    assert index == 4


def compressed(path, codec, pix_fmt, frames, given=None):
    av = pytest.importorskip("av")
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=25)
        stream.height, stream.width = frames.shape[1:3]
        stream.pix_fmt = pix_fmt
        for frame in frames:
            container.mux(stream.encode(av.VideoFrame.from_ndarray(frame, format=given or pix_fmt)))
        container.mux(stream.encode())
    return path


@pytest.mark.parametrize(("pix_fmt", "dtype"), [("gray", "u1"), ("gray16le", "u2")])
def test_lossless_video_is_exact_in_any_order(tmp_path, pix_fmt, dtype):
    frames = RNG.integers(0, np.iinfo(dtype).max, (9, 32, 48)).astype(dtype)
    path = compressed(tmp_path / "v.avi", "ffv1", pix_fmt, frames)
    with open_recording(path) as recording:
        assert (recording.kind, recording.frame_count, recording.warnings) == ("video", 9, ())
        for index in (0, 1, 7, 2, 2, 8, 0):
            np.testing.assert_array_equal(recording.frame(index), frames[index])


def test_lossy_video_says_that_it_is(tmp_path):
    ramp = np.broadcast_to(np.arange(48, dtype=np.uint8)[:, None] * 4, (3, 32, 48, 3)).copy()
    path = compressed(tmp_path / "v.avi", "mjpeg", "yuvj420p", ramp, "rgb24")
    with open_recording(path) as recording:
        assert "not exact" in recording.warnings[0]
        # a smooth ramp survives the codec to a few levels; a wrong frame or row order would not
        np.testing.assert_allclose(recording.gray(2), ramp[2].mean(axis=-1), atol=8)


def test_frames_between_key_frames_are_found_again(tmp_path):
    av = pytest.importorskip("av")
    base = RNG.integers(0, 60, (32, 48, 3), dtype=np.uint8)
    frames = np.stack([np.roll(base, shift, axis=1) + np.uint8(4 * shift) for shift in range(40)])
    path = compressed(tmp_path / "v.mp4", "mpeg4", "yuv420p", frames, "rgb24")
    with av.open(str(path)) as container:
        in_order = [frame.to_ndarray(format="rgb24") for frame in container.decode(video=0)]
    with open_recording(path) as recording:
        assert recording.frame_count == 40
        for index in (0, 1, 25, 2, 39, 38, 0):
            np.testing.assert_array_equal(recording.frame(index), in_order[index])


def test_compressed_without_a_decoder(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "av", None)
    path = write(tmp_path, avi([b"\xff\xd8\xff\xd9"], width=10, height=7, bits=24, code=b"MJPG"))
    with pytest.raises(InputError, match=r'pip install "diskmosaic\[video\]"'):
        open_recording(path)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"width": 0}, "claims 0 x 7 px"),
        ({"width": 11}, "expected frames of"),
        ({"height": 70000}, "claims 10 x 70000 px"),
        ({"bits": 4, "code": b"\0\0\0\0"}, "4 bits per pixel"),
    ],
)
def test_absurd_headers(tmp_path, options, message):
    blobs = [frame.tobytes() for frame in GRAY]
    data = avi(blobs, **{"width": 10, "height": 7, "bits": 8, "code": b"Y800", **options})
    with pytest.raises(InputError, match=message):
        open_recording(write(tmp_path, data))
