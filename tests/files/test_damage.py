"""Files cut off anywhere and with bytes knocked over: an answer or one sentence, nothing else."""

import cv2
import numpy as np
import pytest
import tifffile
from astropy.io import fits
from camera_files import avi, bitmap_rows, ser
from diskmosaic.errors import InputError
from diskmosaic.recordings.recordings import open_recording

TRIALS = 120  # a file; longer hunts were run by hand


def specimens():
    rng = np.random.default_rng(11)
    frames = rng.integers(0, 256, (4, 6, 10), dtype=np.uint8)
    deep = frames.astype(np.uint16) * 200
    ticks = np.arange(4, dtype="<i8") + 640_000_000_000_000_000
    blobs = [bitmap_rows(frame, flip=True) for frame in frames]
    yield "mono.ser", lambda path: path.write_bytes(ser(frames, trailer=ticks.tobytes()))
    yield "deep.ser", lambda path: path.write_bytes(ser(deep, depth=16))
    yield "dib.avi", lambda path: path.write_bytes(avi(blobs, width=10, height=6, bits=8))
    yield (
        "large.avi",
        lambda path: path.write_bytes(
            avi(blobs[:2], width=10, height=6, bits=8, extra_riff=blobs[2:], super_index=True, index=None)
        ),
    )
    yield "cube.fits", lambda path: fits.writeto(path, deep)
    yield "plain.tif", lambda path: tifffile.imwrite(path, deep, photometric="minisblack")
    yield (
        "zlib.tif",
        lambda path: tifffile.imwrite(path, frames, photometric="minisblack", compression="zlib"),
    )
    yield "lzw.tif", lambda path: cv2.imwrite(str(path), deep[0])
    yield "deep.png", lambda path: cv2.imwrite(str(path), deep[0])


def answer(path):
    """Open and read everything; returns the error's sentence, '' where all went well."""
    try:
        with open_recording(path) as recording:
            assert recording.frame_count >= 1
            for index in {0, recording.frame_count - 1}:
                assert recording.frame(index).shape == recording.shape
            recording.timestamp()
    except InputError as error:
        return str(error)
    return ""


@pytest.mark.parametrize(("name", "make"), list(specimens()), ids=[name for name, _ in specimens()])
def test_damaged_files(tmp_path, name, make):
    path = tmp_path / name
    make(path)
    assert answer(path) == ""
    data = path.read_bytes()
    header = data.find(b"movi") if name.endswith("avi") else 2880 if name.endswith("fits") else 200
    rng = np.random.default_rng(sum(name.encode()))
    refused = 0
    for trial in range(TRIALS):
        broken = bytearray(data)
        if trial % 3:
            for at in rng.integers(0, min(header, len(data)), 1 + trial % 4):
                broken[at] = rng.choice([0, 255, int(rng.integers(256)), broken[at] ^ 1 << int(rng.integers(8))])
        if trial % 3 != 1:
            del broken[int(rng.integers(1, len(data))) :]
        path.write_bytes(broken)
        sentence = answer(path)
        assert sentence == "" or sentence.startswith(str(path))
        assert "\n" not in sentence
        refused += sentence != ""
    assert refused > 0
