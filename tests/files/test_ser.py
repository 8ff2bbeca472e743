import os

import numpy as np
import pytest
from camera_files import ser
from diskmosaic.errors import InputError
from diskmosaic.files.ser import SerWriter
from diskmosaic.recordings.recordings import open_recording

# 1970-01-01 in 100 ns ticks since 0001-01-01: 719162 days of 86400 s, counted by Python's own calendar
TICKS_1970 = 719162 * 86400 * 10**7
NOON = int(np.datetime64("2031-06-01T12:00:00", "us").astype(np.int64)) * 10 + TICKS_1970


def smooth(count=4, height=24, width=37, top=4000, seed=3):
    """12-bit frames with a gradient and noise: neighbours differ little, as in every camera picture."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:height, :width]
    slope = top * (0.3 + 0.6 * (x + y) / (height + width))
    return np.round(slope + rng.normal(0, top / 100, (count, height, width))).astype("<u2")


def write(tmp_path, data, name="a.ser"):
    path = tmp_path / name
    path.write_bytes(data)
    return path


def frames_of(path, **options):
    with open_recording(path, **options) as recording:
        return np.stack([recording.frame(i) for i in range(recording.frame_count)]), recording


@pytest.mark.parametrize("stored", ["<u2", ">u2"])
@pytest.mark.parametrize("top", [200, 4000, 64000], ids=["dark", "12bit", "full"])
def test_16_bit_values_are_exact_in_either_byte_order(tmp_path, stored, top):
    truth = smooth(top=top)
    got, recording = frames_of(write(tmp_path, ser(truth.astype(stored), depth=16)))
    assert recording.dtype == np.uint16
    assert recording.dtype.isnative
    np.testing.assert_array_equal(got, truth)


@pytest.mark.parametrize("stored", ["<u2", ">u2"])
def test_left_shifted_12_bit_data_keep_their_values(tmp_path, stored):
    truth = smooth() << 4
    got, _ = frames_of(write(tmp_path, ser(truth.astype(stored), depth=12)))
    np.testing.assert_array_equal(got, truth)


def test_featureless_frames_are_judged_by_the_header_depth(tmp_path):
    truth = np.full((2, 6, 10), 4095, "<u2")
    for stored in ("<u2", ">u2"):
        got, _ = frames_of(write(tmp_path, ser(truth.astype(stored), depth=12)))
        assert got.max() == 4095


def test_byte_order_can_be_forced(tmp_path):
    path = write(tmp_path, ser(smooth(), depth=12))
    got, _ = frames_of(path, byte_order="big")
    np.testing.assert_array_equal(got, smooth().byteswap())
    with pytest.raises(ValueError, match="byte_order"):
        open_recording(path, byte_order="middle")


def test_8_bit_mono(tmp_path):
    truth = np.random.default_rng(1).integers(0, 256, (3, 7, 11), dtype=np.uint8)
    got, recording = frames_of(write(tmp_path, ser(truth)))
    assert (recording.height, recording.width, recording.planes, recording.bayer) == (7, 11, 1, None)
    assert recording.warnings == ()
    np.testing.assert_array_equal(got, truth)


@pytest.mark.parametrize("stored", ["u1", "<u2", ">u2"])
@pytest.mark.parametrize(("colour", "order"), [(100, [0, 1, 2]), (101, [2, 1, 0])])
def test_colour_comes_out_as_rgb(tmp_path, stored, colour, order):
    mono = smooth(top=200 if stored == "u1" else 40000)
    # nearly all light is red, as through a hydrogen filter: only values of one colour are smooth
    truth = np.stack([mono, mono // 200, mono // 300], axis=-1).astype(np.dtype(stored).newbyteorder("="))
    data = ser(truth[..., order].astype(stored), colour=colour, depth=8 * truth.dtype.itemsize)
    path = write(tmp_path, data)
    got, recording = frames_of(path)
    assert recording.planes == 3
    np.testing.assert_array_equal(got, truth)
    with open_recording(path) as again:
        gray = again.gray(1)
    assert gray.dtype == np.float32
    # a third of a sum below 2^18 is exact to float32 rounding
    np.testing.assert_allclose(gray, truth[1].astype(float).mean(axis=-1), rtol=1e-6)


@pytest.mark.parametrize(("colour", "name"), [(8, "RGGB"), (9, "GRBG"), (10, "GBRG"), (11, "BGGR")])
def test_mosaics_stay_one_plane(tmp_path, colour, name):
    truth = smooth()
    truth[:, ::2, ::2] //= 3  # the colours' unequal response makes neighbours differ, not the byte order
    got, recording = frames_of(write(tmp_path, ser(truth.astype(">u2"), colour=colour, depth=12)))
    assert (recording.planes, recording.bayer) == (1, name)
    np.testing.assert_array_equal(got, truth)


def test_trailer_gives_utc_and_the_middle(tmp_path):
    ticks = NOON + np.arange(4) * 200_000  # 20 ms
    _, recording = frames_of(write(tmp_path, ser(smooth(), depth=12, trailer=ticks.astype("<i8").tobytes())))
    assert recording.times[1] == np.datetime64("2031-06-01T12:00:00.020")
    assert recording.timestamp() == np.datetime64("2031-06-01T12:00:00.030")
    assert recording.camera["time_utc"] == "2031-06-01T12:00:00.030000Z"


@pytest.mark.parametrize("ticks", [[0, 0, 0, 0], [NOON, NOON - 10**9, NOON, NOON], [2**62] * 4])
def test_impossible_times_are_ignored_and_said(tmp_path, ticks):
    data = ser(smooth(), depth=12, trailer=np.array(ticks, "<i8").tobytes())
    got, recording = frames_of(write(tmp_path, data))
    assert recording.times is None
    assert "times in its trailer" in recording.warnings[0]
    assert len(got) == 4


def test_header_time_serves_without_a_trailer(tmp_path):
    _, recording = frames_of(write(tmp_path, ser(smooth(), depth=12, utc_ticks=NOON)))
    assert recording.times is None
    assert recording.timestamp() == np.datetime64("2031-06-01T12:00")


@pytest.mark.parametrize("promised", [0, -1, 1000, 2**31 - 1])
def test_an_unfinished_file_is_read_as_far_as_it_goes(tmp_path, promised):
    data = ser(smooth(), depth=12, promised=promised)
    got, recording = frames_of(write(tmp_path, data[:-100], "t.ser"))
    np.testing.assert_array_equal(got, smooth()[:3])
    expected = f"t.ser: header promises {promised} frames, the file holds 3; read as far as it goes"
    assert recording.warnings == (expected,)


def test_a_count_of_zero_still_finds_the_trailer(tmp_path):
    ticks = NOON + np.arange(4) * 200_000
    data = ser(smooth(), depth=12, promised=0, trailer=ticks.astype("<i8").tobytes())
    _, recording = frames_of(write(tmp_path, data))
    assert recording.frame_count == len(recording.times) == 4


def test_more_frames_than_promised_are_all_read(tmp_path):
    got, recording = frames_of(write(tmp_path, ser(smooth(), depth=12, promised=2)))
    assert len(got) == 4
    assert "promises 2 frames, the file holds 4" in recording.warnings[0]


@pytest.mark.parametrize(("colour", "depth"), [(0, 8), (0, 0), (77, 12)])
def test_a_wrong_layout_is_mended_from_the_size(tmp_path, colour, depth):
    got, recording = frames_of(write(tmp_path, ser(smooth(), colour=colour, depth=depth)))
    np.testing.assert_array_equal(got, smooth())
    assert "read as the size says" in recording.warnings[0]


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"width": 0}, "claims 0 x 24 px"),
        ({"height": -5}, "claims 37 x -5 px"),
        ({"width": 70000}, "claims 70000 x 24 px"),
        ({"width": 60000, "height": 60000}, "at least one frame of 7200000000 bytes"),
        ({"depth": 99, "promised": 3}, "99 bits per value"),
    ],
)
def test_absurd_headers_are_refused_in_one_sentence(tmp_path, options, message):
    path = write(tmp_path, ser(smooth(), **{"depth": 12, **options}), "absurd.ser")
    with pytest.raises(InputError, match=message) as caught:
        open_recording(path)
    text = str(caught.value)
    assert text.startswith(str(path))
    assert text.endswith(".")
    assert "\n" not in text


@pytest.mark.parametrize("length", [1, 177, 178, 178 + 24 * 37 * 2 - 1])
def test_less_than_one_frame_is_refused(tmp_path, length):
    path = write(tmp_path, ser(smooth(), depth=12)[:length])
    with pytest.raises(InputError):
        open_recording(path)


@pytest.mark.parametrize("depth", [8, 12])
def test_writer_and_reader_agree(tmp_path, depth):
    truth = smooth(top=200 if depth == 8 else 4000).astype("u1" if depth == 8 else "u2")
    times = np.datetime64("2031-06-01T12:00:00", "us") + np.arange(4) * np.timedelta64(12345, "us")
    path = tmp_path / "w.ser"
    with SerWriter(path, 37, 24, depth, times=times) as writer:
        for frame in truth:
            writer.write(frame)
    got, recording = frames_of(path)
    np.testing.assert_array_equal(got, truth)
    np.testing.assert_array_equal(recording.times, times)
    assert recording.bit_depth == depth
    assert os.listdir(tmp_path) == ["w.ser"]
    # to the byte as built by hand
    ticks = times.astype(np.int64) * 10 + TICKS_1970
    by_hand = ser(truth, depth=depth, trailer=ticks.astype("<i8").tobytes(), ident=b"DISKMOSAIC-SER")
    assert path.read_bytes()[:162] == by_hand[:162]
    assert path.read_bytes()[178:] == by_hand[178:]


def test_a_failed_write_leaves_nothing(tmp_path):
    path = tmp_path / "w.ser"

    def stop_half_way():
        with SerWriter(path, 37, 24, 12) as writer:
            writer.write(smooth()[0])
            raise RuntimeError("stop")

    with pytest.raises(RuntimeError, match="stop"):
        stop_half_way()
    with pytest.raises(ValueError, match="frame must be"), SerWriter(path, 37, 24, 12) as writer:
        writer.write(smooth()[0].astype(np.uint8))
    with pytest.raises(ValueError, match="times must be"), SerWriter(path, 37, 24, 12, times=[]) as writer:
        writer.write(smooth()[0])
    assert os.listdir(tmp_path) == []
