"""Writing gray frames as an MP4 video through PyAV, which the extra ``video`` installs."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from diskmosaic.errors import bad_input
from diskmosaic.files.atomic import replacing

_QUALITY = 17  # constant rate factor of H.264: nothing of the compression is seen (common practice, no source)


def write_mp4(path: Path, frames: Iterable[NDArray[np.uint8]], *, frames_per_s: float, title: str) -> int:
    """Write a video that browsers and phones play: H.264, 4:2:0, playable while it loads.

    Parameters
    ----------
    path : Path
    frames : iterable of uint8 (h, w)
        All of one size, both sides even.
    frames_per_s : float
    title : str

    Returns
    -------
    int
        Frames written.

    Raises
    ------
    InputError
        PyAV is missing.
    OutputError
    """
    from fractions import Fraction

    try:
        import av
    except ImportError:
        raise bad_input(
            path,
            found="no encoder for videos",
            expected="the extra video",
            todo='install it with: pip install "diskmosaic[video]"',
        ) from None
    rate = Fraction(frames_per_s).limit_denominator(1000)
    count = 0
    with replacing(path) as part, av.open(str(part), "w", format="mp4", options={"movflags": "faststart"}) as container:
        container.metadata["title"] = title
        stream = None
        for frame in frames:
            if stream is None:
                stream = container.add_stream("libx264", rate=rate, options={"crf": str(_QUALITY)})
                stream.height, stream.width = frame.shape
                stream.pix_fmt = "yuv420p"
                stream.codec_context.thread_count = 1  # the bytes must not depend on how many there are
            picture = av.VideoFrame.from_ndarray(np.ascontiguousarray(frame), format="gray")
            picture.pts = count
            for packet in stream.encode(picture.reformat(format="yuv420p")):
                container.mux(packet)
            count += 1
        if stream is None:
            raise ValueError("frames must be at least one")
        for packet in stream.encode():
            container.mux(packet)
    return count
