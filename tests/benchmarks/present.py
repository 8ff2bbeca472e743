"""Everything that is made to show a disk of 100 megapixels: time, memory, and whether every file opens.

    python tests/benchmarks/present.py [--side 10000] [--jobs 2] [--work FOLDER]

An invented disk with grain, active regions and spots is written as a finished disk of SIDE x SIDE pixels; `present`
runs on it in a process of its own, whose wall time, processor time and largest memory are measured. Then every export
is opened by Pillow and tifffile, and re-packing of the full picture by a general library (OpenCV's PNG, one thread, no
profile) is timed beside our own.
"""

from __future__ import annotations

import argparse
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
import tifffile
from diskmosaic.files.assembly import assembly_document, write_assembly
from diskmosaic.files.diskfile import write_disk
from diskmosaic.files.icc import srgb_profile
from diskmosaic.files.pngout import write_png
from diskmosaic.records.light import Disk, Levels
from diskmosaic.records.places import Circle, Placement
from diskmosaic.sky import sun
from PIL import Image
from rich.console import Console
from rich.table import Table

TIME = "2031-06-04T09:30:00.000"
AIM_S, AIM_GB = 180, 4.0
SEED = 7


def invented_disk(side: int) -> Disk:
    """A disk with grain of 3 px, bright regions, spots and prominences, linear light."""
    rng = np.random.default_rng(SEED)
    radius, centre = 0.46 * side, ((side - 1) / 2 + 0.3, (side - 1) / 2 - 0.2)
    uniform = cv2.GaussianBlur(rng.normal(size=(side, side)).astype(np.float32), (0, 0), 3)
    uniform *= 0.03 / float(uniform.std())
    uniform += 1
    y = (np.arange(side, dtype=np.float32) - np.float32(centre[0]))[:, None] / np.float32(radius)
    x = (np.arange(side, dtype=np.float32) - np.float32(centre[1]))[None, :] / np.float32(radius)
    for at, size, contrast in [
        ((0.3, -0.4), 0.08, 0.5),
        ((-0.25, 0.5), 0.06, 0.4),
        ((0.28, -0.37), 0.012, -0.9),
        ((0.1, 0.1), 0.01, -0.6),
    ]:
        uniform += np.float32(contrast) * np.exp(
            -((y - at[0]) ** 2 + (x - at[1]) ** 2) / np.float32(2 * (size / 2) ** 2)
        )
    r = np.hypot(y, x)
    natural = uniform * (0.4 + 0.6 * np.sqrt(np.clip(1 - r**2, 0, 1)))
    natural *= np.clip((1 - r) * radius / 2 + 0.5, 0, 1)
    for angle in (0.4, 2.1, 3.6, 5.0):  # prominences, so that every usual recipe is made
        far = (y - 1.02 * np.float32(np.sin(angle))) ** 2 + (x - 1.02 * np.float32(np.cos(angle))) ** 2
        natural += np.where(r > 1, np.float32(0.05) * np.exp(-far / np.float32(2 * 0.02**2)), 0)
    natural = 3000 * natural + 20
    seen = sun.ephemeris(TIME)
    scale = seen.radius_arcsec / radius
    cards = sun.helioprojective_cards(time_utc=TIME, centre_yx=centre, arcsec_per_px=scale, ephemeris=seen)
    cards["NORTHUP"] = (True, "")
    tile = np.zeros((side, side), np.int16)
    weight = np.full((side, side), 300, np.float32)
    limb = Circle(centre, radius, 0.2, 1400, (0.01, 0.01, 0.01), 0.0)
    return Disk(natural, 3000 * uniform, weight, tile, np.zeros((0, 2, 3)), limb, cards, np.zeros((0, 2)), scale)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--side", type=int, default=10_000)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--work", type=Path)
    options = parser.parse_args()
    work = options.work or Path(tempfile.mkdtemp())
    out = work / "session" / "assembled"
    if not (out / "disk.fits").exists():
        out.mkdir(parents=True, exist_ok=True)
        disk = invented_disk(options.side)
        write_disk(out / "disk.fits", disk)
        placement = Placement(np.zeros((0, 2)), (), {}, disk.limb)
        levels = Levels(np.zeros(0), np.zeros(0), np.ones((2, 2), np.float32), np.zeros(0), 0.0)
        write_assembly(out / "assembly.json", assembly_document([], placement, levels, disk, ()))
        (work / "session" / "session.toml").write_text(
            '[session]\nname = "An invented Sun"\n[instrument]\nwavelength_nm = 656.28\n'
        )
        del disk
    for name in (".steps", "pictures", "zoom"):
        shutil.rmtree(out / name, ignore_errors=True)
    start = time.perf_counter()
    command = [
        sys.executable,
        "-m",
        "diskmosaic",
        "present",
        str(work / "session"),
        "--jobs",
        str(options.jobs),
        "--quiet",
    ]
    subprocess.run(command, check=True)
    wall = time.perf_counter() - start
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    files = sorted(path for folder in ("pictures", "zoom") for path in (out / folder).rglob("*") if path.is_file())
    opened = open_all(files)
    table = Table(title=f"present, {options.side} x {options.side} px, {options.jobs} threads")
    for column in ("what", "measured", "aim"):
        table.add_column(column)
    table.add_row("wall time", f"{wall:.0f} s", f"<= {AIM_S} s")
    table.add_row("processor time", f"{used.ru_utime + used.ru_stime:.0f} s", "")
    table.add_row("largest memory", f"{used.ru_maxrss / 1e6:.2f} GB", f"<= {AIM_GB} GB")
    table.add_row("files, opened", f"{len(files)}, {opened} pictures", "all pictures")
    table.add_row("size", f"{sum(path.stat().st_size for path in files) / 1e6:.0f} MB", "")
    pixels = tifffile.imread(out / "pictures" / "disk.tif")
    pixels = np.stack([pixels] * 3, -1)[: 4_000_000_0 // options.side]
    ours, theirs = [], []
    for _ in range(2):
        start = time.process_time()
        write_png(work / "ours.png", pixels, profile=srgb_profile(), jobs=1)
        ours.append(time.process_time() - start)
        start = time.process_time()
        cv2.imwrite(str(work / "theirs.png"), pixels)
        theirs.append(time.process_time() - start)
    sizes = [(work / name).stat().st_size / 1e6 for name in ("ours.png", "theirs.png")]
    table.add_row("16-bit RGB PNG, ours, processor time", f"{min(ours):.1f} s, {sizes[0]:.0f} MB", "")
    table.add_row("the same by OpenCV", f"{min(theirs):.1f} s, {sizes[1]:.0f} MB", "")
    Console().print(table)
    if options.work is None:
        shutil.rmtree(work)


def open_all(files: list[Path]) -> int:
    """Open and decode every picture; the number of them."""
    Image.MAX_IMAGE_PIXELS = None
    count = 0
    for path in files:
        if path.suffix in (".jpg", ".png", ".webp", ".tif"):
            with Image.open(path) as image:
                image.load()
            if path.suffix == ".tif":
                tifffile.imread(path)
            count += 1
    return count


if __name__ == "__main__":
    main()
