"""Frames of a colour camera, made of a mono one's."""

import numpy as np
from diskmosaic.recordings.recordings import open_recording


def mosaic_frame(mosaic, levels, shape=(40, 56)):
    """A frame whose every colour has one level."""
    frame = np.empty(shape, np.uint16)
    for letter, (y, x) in zip(mosaic, ((0, 0), (0, 1), (1, 0), (1, 1)), strict=True):
        frame[y::2, x::2] = levels[letter]
    return frame


def as_a_colour_camera(folder, response):
    """Turn mono recordings into those of a colour camera: the sensor's pixels see `response` times the light."""
    for path in sorted(folder.glob("*.ser")):
        with open_recording(path) as recording:
            frames = [recording.gray(k).copy() for k in range(recording.frame_count)]
        seen = mosaic_frame("GRBG", {letter: 1000 * share for letter, share in response.items()}, frames[0].shape)
        raw = bytearray(path.read_bytes())
        raw[18:22] = (9).to_bytes(4, "little")  # GRBG
        for k, frame in enumerate(frames):
            start = 178 + k * frame.nbytes
            raw[start : start + frame.nbytes] = np.rint(frame * (seen / 1000)).astype(frame.dtype).tobytes()
        path.write_bytes(raw)
