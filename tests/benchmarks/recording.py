"""Time a real-size recording through masters and tiles, and a usual scientific-Python way beside them.

    python tests/benchmarks/recording.py [FOLDER] [--size 1936 1216] [--frames 1000] [--flat-frames 500] ...

Makes a recording (8 bit; some tens of distinct frames with jitter, warps, blur, noise and the sensor's dust, rings and
bad pixels, repeated), a flat of the same sensor (16 bit) and darks (8 bit) in FOLDER (a temporary one by default; 4.9
GB), then prints for each stage, every one in a process of its own: seconds, processor seconds, frames a second and peak
memory. The tile is calibrated with the masters so made and a remainder of its own, as in a session. The *usual way* is
what is commonly written for this: each frame as float64, variance of its Laplacian,
`skimage.registration.phase_cross_correlation(upsample_factor=10)` against the first, `scipy.ndimage.shift`, mean of the
best; on the first frames only, and it does not calibrate at all. The flat's master is held against plain reading and
summing of the same file (numpy, one thread) in the same run: by turns, the least of some repeats of each. Compiling is
not in it: a tile of 30 frames is made first, by a process whose machine code the others read back.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from diskmosaic.files.masterfile import read_master, write_master
from diskmosaic.files.ser import SerWriter
from diskmosaic.masters.calibration import Calibration
from diskmosaic.masters.masters import make_dark, make_flat
from diskmosaic.recordings.recordings import open_recording
from diskmosaic.settings import MasterSettings, TileSettings
from diskmosaic.synthetic import invented_sun, plain, sensor_pattern
from diskmosaic.synthetic.camera import Detector, TileView, Warps
from diskmosaic.tiles.tiles import stack_tile
from rich.console import Console
from rich.table import Table

LIMIT_GB = 1.0  # of masters
TILE_GB = 0.5
STAGES = ("read", "flat", "tile", "usual")
DARKS = 40
LEFT = 0.002  # rms of what the flat left behind
AIM = 0.4  # of the plain reading rate, for a master flat
REPEATS = 4
STACKED = 0.3  # of the frames, best first
FASTER = 50  # times, that a tile shall be made than the usual way makes it
MAKE, WARM = "make", "warm"
COMMON = ("frames", "flat-frames", "distinct", "usual-frames", "jobs")


def make_recording(path: Path, shape: tuple[int, int], frames: int, distinct: int, rng: np.random.Generator) -> None:
    """Write `frames` 8-bit frames, `distinct` different ones over and over."""
    plan = plain(tile_shape=shape)
    sun = invented_sun(0.75 * max(shape), rng)
    view, warps = TileView(sun, plan, sun.centre_yx, 0.0), Warps(shape, 0.7, 80.0)
    detector = Detector(plan)
    sensor = _sensor(shape)
    dark = np.float32(detector.offset_adu) + sensor.hot * np.float32(detector.full_scale)
    light = sensor.product * np.float32(plan.level * detector.full_scale)
    different = []
    for blur in rng.uniform(*plan.blur_px, distinct):
        drawn = view.draw(rng.normal(0, 2, 2), warps.draw(rng), blur) * light
        different.append(detector.expose(np.maximum(drawn, 0), dark, rng))
    order = rng.integers(0, distinct, frames)
    with SerWriter(path, shape[1], shape[0], 8) as ser:
        for k in order:
            ser.write(different[k])
    with SerWriter(path.with_name("dark.ser"), shape[1], shape[0], 8) as ser:
        for _ in range(DARKS):
            ser.write(detector.expose(np.zeros(shape, np.float32), dark, rng))


def _sensor(shape: tuple[int, int]):
    return sensor_pattern(*shape, np.random.default_rng(2))


def make_flat_recording(path: Path, shape: tuple[int, int], frames: int, rng: np.random.Generator) -> None:
    """Write `frames` 16-bit frames of the evenly lit sensor, 25 different ones."""
    light = 30_000 * _sensor(shape).product
    different = [
        (light * t + 350 * rng.standard_normal(shape, np.float32)).astype(np.uint16)
        for t in rng.uniform(0.95, 1.05, min(frames, 25))
    ]
    with SerWriter(path, shape[1], shape[0], 16) as ser:
        for k in rng.integers(0, len(different), frames):
            ser.write(different[k])


def stage(name: str, folder: Path, jobs: int, usual_frames: int) -> dict[str, float]:
    """Run one stage; returns its frames, seconds and peak memory in GB."""
    recording = open_recording(folder / ("flat.ser" if name == "flat" else "tile.ser"))
    frames = recording.frame_count
    if name == "flat":
        return {"frames": frames, **_by_turns(recording, jobs), "GB": _peak_gb()}
    applied, *_held = _calibration(folder, recording) if name == "tile" else (None,)
    start, begun = time.perf_counter(), time.process_time()
    if name == "read":
        _read_and_sum(recording)
    elif name == "tile":
        stack_tile(recording, applied, TileSettings(keep=STACKED), jobs=jobs)
    else:
        frames = min(usual_frames, frames)
        _usual_way(recording, frames)
    seconds, spent = time.perf_counter() - start, time.process_time() - begun
    return {"frames": frames, "s": seconds, "cpu": spent, "GB": _peak_gb()}


def _calibration(folder: Path, recording) -> tuple[Calibration, Calibration, np.ndarray]:
    """The masters of the same sensor with a remainder, and what a session holds besides: without it, and itself."""
    shape = (recording.height, recording.width)
    left = np.random.default_rng(3).normal(0, LEFT, shape).astype(np.float32)
    masters = (read_master(folder / f"{kind}.fits") for kind in ("dark", "flat"))
    base = Calibration(*masters, 0.0, shape)
    return base.less(left), base, left


def write_masters(folder: Path, jobs: int) -> None:
    """Average darks and flat, and make the tile of a few frames, which compiles what is not compiled yet."""
    write_master(folder / "dark.fits", make_dark([open_recording(folder / "dark.ser")], MasterSettings(), jobs=jobs))
    flat = make_flat([open_recording(folder / "flat.ser")], None, MasterSettings(), jobs=jobs)
    write_master(folder / "flat.fits", flat)
    recording = open_recording(folder / "tile.ser")
    stack_tile(
        replace(recording, frame_count=min(30, recording.frame_count)),
        _calibration(folder, recording)[0],
        TileSettings(keep=STACKED),
        jobs=jobs,
    )


def _peak_gb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6


def _read_and_sum(recording) -> np.ndarray:
    total = np.zeros((recording.height, recording.width), np.uint32)
    for k in range(recording.frame_count):
        total += recording.gray(k)
    return total


def _by_turns(recording, jobs: int) -> dict[str, float]:
    """Seconds of the master flat and of plain reading; the first turn fills caches and loads compiled code."""
    plain, own = [], []
    for _ in range(REPEATS):
        start = time.perf_counter()
        _read_and_sum(recording)
        plain.append(time.perf_counter() - start)
        start = time.perf_counter()
        make_flat([recording], None, MasterSettings(), jobs=jobs)
        own.append(time.perf_counter() - start)
    return {"s": min(own), "plain": min(plain)}


def _usual_way(recording, frames: int) -> np.ndarray:
    from scipy import ndimage
    from skimage.registration import phase_cross_correlation

    stack = [recording.gray(k).astype(np.float64) for k in range(frames)]
    sharpness = [ndimage.laplace(frame).var() for frame in stack]
    best = np.argsort(sharpness)[::-1][: max(1, round(0.35 * frames))]
    total = np.zeros_like(stack[0])
    for k in range(frames):
        shift = phase_cross_correlation(stack[0], stack[k], upsample_factor=10)[0]
        if k in best:
            total += ndimage.shift(stack[k], shift)
    return total / len(best)


def main() -> None:
    """Parse, make the recordings, run every stage in a child process, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, nargs="?", help="where the recordings are made; a temporary folder")
    parser.add_argument("--size", type=int, nargs=2, default=(1936, 1216), metavar=("W", "H"))
    parser.add_argument("--frames", type=int, default=1000)
    parser.add_argument("--flat-frames", type=int, default=500)
    parser.add_argument("--distinct", type=int, default=50, help="different frames in the recording")
    parser.add_argument("--usual-frames", type=int, default=50, help="frames that the usual way is given")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--stage", choices=(MAKE, WARM, *STAGES), help=argparse.SUPPRESS)
    asked = parser.parse_args()
    shape = (asked.size[1], asked.size[0])
    if asked.stage == MAKE:
        rng = np.random.default_rng(1)
        make_recording(asked.folder / "tile.ser", shape, asked.frames, asked.distinct, rng)
        make_flat_recording(asked.folder / "flat.ser", shape, asked.flat_frames, rng)
        return
    if asked.stage == WARM:
        write_masters(asked.folder, asked.jobs)
        return
    if asked.stage:
        print(json.dumps(stage(asked.stage, asked.folder, asked.jobs, asked.usual_frames)))
        return
    with tempfile.TemporaryDirectory() as temporary:
        folder = asked.folder or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        # this process stays small: a child's peak memory begins with its parent's
        common = [f"--{key}={getattr(asked, key.replace('-', '_'))}" for key in COMMON]
        common += ["--size", *(str(n) for n in asked.size)]

        def run(name: str) -> str:
            command = [sys.executable, __file__, str(folder), "--stage", name, *common]
            return subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout

        if not all((folder / f"{kind}.ser").exists() for kind in ("tile", "flat", "dark")):
            run(MAKE)
        run(WARM)
        table = Table(title=f"{asked.size[0]}x{asked.size[1]}, {asked.jobs} threads")
        for head in ("stage", "frames", "s", "cpu s", "frames/s", "MB/s", "peak GB"):
            table.add_column(head, justify="right" if head != "stage" else "left")
        names = {"read": "read and sum (8 bit)", "flat": "make_flat (16 bit)", "tile": "stack_tile (8 bit)"}
        rows = {}
        for name in STAGES:
            row = rows[name] = json.loads(run(name))
            rate = row["frames"] / row["s"]
            pixel = (2 if name == "flat" else 1) * shape[0] * shape[1] / 1e6
            cpu = f"{row['cpu']:.1f}" if "cpu" in row else ""
            figures = (f"{row['s']:.1f}", cpu, f"{rate:.1f}", f"{rate * pixel:.0f}", f"{row['GB']:.3f}")
            table.add_row(names.get(name, "the usual way (8 bit)"), str(row["frames"]), *figures)
        Console(width=100).print(table)
        flat, tile, usual = rows["flat"], rows["tile"], rows["usual"]
        share = flat["plain"] / flat["s"]
        faster, shared = (
            usual[key] / usual["frames"] / (tile[key] / tile["frames"]) * jobs
            for key, jobs in (("s", 1), ("cpu", asked.jobs))
        )
        print(f"master flat: {100 * share:.0f} % of the rate of plain reading and summing (aim: {100 * AIM:.0f} %)")
        print(f"most memory: masters {flat['GB']:.3f} GB (aim: {LIMIT_GB}), tiles {tile['GB']:.3f} GB (aim: {TILE_GB})")
        print(
            f"tile of the best {100 * STACKED:.0f} %: {faster:.0f} times as fast as the usual way (aim: {FASTER}); "
            f"{shared:.0f} times by processor seconds, shared evenly by {asked.jobs} threads"
        )
        sys.exit(flat["GB"] >= LIMIT_GB or tile["GB"] > TILE_GB or share < AIM or faster < FASTER)


if __name__ == "__main__":
    main()
