"""A small simulated evening for tests of the frame: six tiles of 260 x 340 px, a flat, a dark."""

import numpy as np
from diskmosaic.files.ser import SerWriter
from diskmosaic.synthetic.plan import plain
from diskmosaic.synthetic.session import make_session
from diskmosaic.synthetic.sun import invented_sun


def make_evening(folder):
    """Record it into `folder`: ``sun_01.ser`` to ``sun_06.ser``, ``flat.ser``, ``dark.ser``."""
    plan = plain(tile_shape=(260, 340), frames=8, flat_frames=12, dark_frames=6, overlap=0.3, mount_error_px=5.0)
    sun = invented_sun(240, np.random.default_rng(3))
    make_session(folder, sun, plan, seed=2, truth=folder.parent / "truth")


def write_ser(path, frames):
    """Write frames (n, h, w) of 8 or 16 bits."""
    frames = np.asarray(frames)
    height, width = frames.shape[1:]
    path.parent.mkdir(parents=True, exist_ok=True)
    with SerWriter(path, width, height, 8 * frames.dtype.itemsize) as writer:
        for frame in frames:
            writer.write(frame)
    return path


def results(out):
    """Return the bytes of every result under OUT, the bookkeeping left out."""
    return {
        path.relative_to(out).as_posix(): path.read_bytes()
        for path in sorted(out.rglob("*"))
        if path.is_file() and ".steps" not in path.parts
    }
