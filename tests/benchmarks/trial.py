"""The flat's trial on invented evenings: what is found, and that good flats raise no alarm.

    python tests/benchmarks/trial.py [--seeds 20] [--first 1] [--image IMAGE] [--tiles 12] [--cases ...] [--run]

Each seed is an evening of up to 12 tiles of 480 x 640 px (8 bits, 40 dust grains, rings, vignetting), as the means of
64 frames that jitter by 2 px: the Sun blurred by jitter, air and focus, times the sensor's pattern, with the noise that
is left. `--image` takes a full-disk image instead of an invented Sun. `--run` records a small evening whose flat lies
3 px off and runs `diskmosaic run` on it, raw video and all. `--big` times a session of 12 tiles of 1216 x 1936 px.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
from diskmosaic.records.master import Master
from diskmosaic.settings import Settings, TileSettings
from diskmosaic.synthetic import Sun, invented_sun, plain, sensor_pattern
from diskmosaic.synthetic.plan import grid
from diskmosaic.synthetic.sensor import _dust
from diskmosaic.trial.findings import Trial
from diskmosaic.trial.moving import moved
from diskmosaic.trial.samples import Sample, sample_of_mean
from diskmosaic.trial.trial import try_flat
from diskmosaic.trial.verdicts import say

SHAPE = (480, 640)
RADIUS = 620.0  # px: 12 tiles
GRAINS = 40
BLUR_PX = 2.4  # jitter of 2 px, focus and air
FULL_WELL, BITS, LEVEL, READ = 12_000.0, 255, 0.6, 5.0
GAIN = FULL_WELL / BITS  # e-/ADU
FLAT_FRAMES, MEAN_FRAMES = 100, 64
GRAINS_SEEN: list[tuple[float, int]] = []  # depth of each grain that moved, and whether it was found


class Evening:
    """One seed: the recordings' light, and the parts of the sensor's pattern."""

    def __init__(self, seed: int, sun: Sun | None = None, shape=SHAPE, radius=RADIUS, tiles: int = 12):
        rng = np.random.default_rng([seed, 1])
        self.seed, self.shape = seed, shape
        sun = invented_sun(radius, rng) if sun is None else sun
        blurred = cv2.GaussianBlur(sun.image, (0, 0), BLUR_PX)
        places = grid(sun, plain(tile_shape=shape, mount_error_px=20.0), rng)
        places = places[rng.permutation(len(places))[:tiles]]
        self.light = [self._cut(blurred, place) for place in places]
        parts = sensor_pattern(*shape, np.random.default_rng([seed, 2]), dust=0, bad_pixels=0)
        self.rest = parts.vignetting * parts.response
        self.rings = parts.rings
        moved_rings = sensor_pattern(*shape, np.random.default_rng([seed, 2]), dust=0, bad_pixels=0, phase=0.35)
        self.moved_rings = moved_rings.rings
        y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
        # each grain drawn by itself, so that single ones can be moved
        seeds = np.random.SeedSequence([seed, 3]).generate_state(2 * GRAINS)
        self.grains = [_dust(y, x, 1, np.random.default_rng(int(s))) for s in seeds[: GRAINS + 2]]
        self.dust = np.prod(self.grains[:GRAINS], axis=0)

    def _cut(self, image, place):
        """Cut a tile out of the Sun, which repeats its border."""
        top, left = (round(c - size / 2) for c, size in zip(place, self.shape, strict=True))
        rows = np.clip(np.arange(top, top + self.shape[0]), 0, image.shape[0] - 1)
        columns = np.clip(np.arange(left, left + self.shape[1]), 0, image.shape[1] - 1)
        return image[rows[:, None], columns]

    def pattern(self, *, dust=None, rings=None):
        """The sensor's pattern, with other parts where given."""
        return self.rest * (self.rings if rings is None else rings) * (self.dust if dust is None else dust)

    def samples(self, pattern=None, offset: float = 0.0) -> list[Sample]:
        """Looks at the recordings, `offset` ADU left in."""
        rng = np.random.default_rng([self.seed, 4])
        pattern = self.pattern() if pattern is None else pattern
        means = []
        for light in self.light:
            adu = light * pattern * np.float32(LEVEL * BITS)
            noise = np.sqrt((adu / GAIN + (READ / GAIN) ** 2 + 1 / 12) / MEAN_FRAMES)
            means.append((adu + noise * rng.standard_normal(self.shape) + offset).astype(np.float32))
        typical = float(np.median([np.percentile(mean, 95) for mean in means]))
        return [sample_of_mean(f"tile {k}", mean, typical, frames=100) for k, mean in enumerate(means, 1)]

    def flat(self, pattern=None, seed: int = 0) -> Master:
        """A flat of 100 frames."""
        pattern = self.pattern() if pattern is None else pattern
        noise = np.random.default_rng([self.seed, 5, seed]).standard_normal(self.shape)
        noise *= np.sqrt(1 / (LEVEL * BITS * GAIN * FLAT_FRAMES))
        image = (pattern * (1 + noise)).astype(np.float32)
        image /= image.mean()
        good = np.ones(self.shape, bool)
        none = np.zeros(self.shape, np.float32)
        level = LEVEL * BITS
        return Master("flat", image, none, FLAT_FRAMES, 0.0, level, 0.0, good, gain=GAIN, read_noise=14.5)


def moved_grains(evening: Evening):
    """Two grains of the flat are gone from the tiles and lie elsewhere: patterns of flat and tiles, and the places."""
    places = [np.unravel_index(int(g.argmin()), g.shape) for g in evening.grains]
    depths = [1 - float(g.min()) for g in evening.grains]
    tiles = np.prod(evening.grains[2:], axis=0)  # without 0 and 1, with the two spare ones
    return evening.pattern(), evening.pattern(dust=tiles), (places[:2], places[GRAINS:]), (depths[:2], depths[GRAINS:])


def seen(found, places, near_px: float = 25.0) -> int:
    """How many places are near one that was found."""
    return sum(any(np.hypot(*np.subtract(g.place_yx, place)) < near_px for g in found) for place in places)


def strangers(found, places, near_px: float = 45.0) -> int:
    """How many were found where nothing changed (the widest shadow reaches 35 px)."""
    return sum(all(np.hypot(*np.subtract(g.place_yx, place)) > near_px for place in places) for g in found)


def cases(evening: Evening):
    """Name, flat, recordings, check of the trial (text, right or not); recordings are made when they are wanted."""
    good = evening.pattern()
    kept = []

    def samples():
        kept[:] = kept or [evening.samples()]
        return kept[0]

    shift = (2.1, -2.1)  # 3 px

    def displaced(limit):
        def check(trial: Trial):
            error = float(np.hypot(*np.add(trial.shift, shift)))
            return f"{error:.2f} px off", trial.kind == "displaced" and error < limit

        return check

    def kind(*expected, turns=None):
        def check(trial: Trial):
            right = trial.kind in expected and (turns is None or trial.likeness.turns == turns)
            return trial.kind, right

        return check

    def same(trial: Trial):
        said = say(trial, evening.flat())
        return f"{np.hypot(*trial.likeness.shift):.2f} px, {len(said.warnings)} warnings", not said.warnings

    def strength(trial: Trial):
        return f"x {trial.strength:.3f}", any("offset" in text for text in say(trial, evening.flat()).warnings)

    def rings(trial: Trial):
        moved_dust = len(trial.gone) + len(trial.added)
        right = trial.kind == "same" and trial.rings is not None and abs(trial.rings.change - 0.35) < 0.03
        text = "none" if trial.rings is None else f"{trial.rings.change:.3f}"
        return f"{text}, {moved_dust} grains told", right and not moved_dust

    yield "good flat", evening.flat(), samples, same
    yield "3 px displaced", evening.flat(moved(good, shift)), samples, displaced(0.2)
    dust_moved = evening.pattern(dust=moved(evening.dust, shift))
    # rings and pixels stay where they are: those rings that cannot be parted from the dust pull
    yield "3 px, dust alone", evening.flat(dust_moved), samples, displaced(0.35)
    yield "turned by 180", evening.flat(good[::-1, ::-1]), samples, kind("turned", turns=2)
    yield "turned by 90", evening.flat(quarter(good)), samples, kind("turned")
    yield "mirrored", evening.flat(good[:, ::-1]), samples, kind("mirrored")
    other = Evening(evening.seed + 1000, shape=evening.shape, tiles=1).pattern()
    yield "another sensor's", evening.flat(other), samples, kind("not found")
    yield "offset of 7 % in flat", evening.flat(good / good.mean() + 0.07), samples, strength
    yield "offset of 10 ADU in tiles", evening.flat(), lambda: evening.samples(offset=10.0), strength
    other_rings = evening.pattern(rings=evening.moved_rings)
    yield "rings moved by 0.35", evening.flat(), lambda: evening.samples(other_rings), rings
    flat, tiles, places, depths = moved_grains(evening)

    def grains(trial: Trial):
        got = seen(trial.gone, places[0]), seen(trial.added, places[1])
        for where, at, deep in ((trial.gone, places[0], depths[0]), (trial.added, places[1], depths[1])):
            GRAINS_SEEN.extend((depth, seen(where, [place])) for place, depth in zip(at, deep, strict=True))
        wrong = strangers(trial.gone, places[0]) + strangers(trial.added, places[1])
        deep = ", ".join(f"{100 * depth:.0f}" for depth in (*depths[0], *depths[1]))
        text = f"{got[0]} of 2 gone, {got[1]} of 2 new, {wrong} wrong (depths {deep} %)"
        return text, sum(got) >= 2 and not wrong and trial.kind == "same"

    yield "2 of 40 grains moved", evening.flat(flat), lambda: evening.samples(tiles), grains
    both = evening.pattern(dust=tiles / evening.rest / evening.rings, rings=evening.moved_rings)
    yield "grains and rings moved", evening.flat(flat), lambda: evening.samples(both), grains


def quarter(pattern):
    """The pattern as a camera turned by 90 degrees sees it: turned about the middle, its ends another sensor's."""
    turned = np.rot90(pattern)
    side = min(pattern.shape)
    out = np.full(pattern.shape, float(pattern.mean()), np.float32)
    target = tuple(slice((n - side) // 2, (n - side) // 2 + side) for n in pattern.shape)
    source = tuple(slice((n - side) // 2, (n - side) // 2 + side) for n in turned.shape)
    out[target] = turned[source]
    return out


def whole_run() -> None:
    """An evening whose flat lies 3 px off, recorded and run, without and with `follow_shift`."""
    from diskmosaic import pipeline
    from diskmosaic.figures import measure
    from diskmosaic.files.ser import SerWriter
    from diskmosaic.recordings.recordings import open_recording
    from diskmosaic.synthetic import make_session

    with tempfile.TemporaryDirectory() as folder:
        session = Path(folder) / "evening"
        plan = plain(frames=40, flat_frames=60, dust=30)
        make_session(session, invented_sun(400, np.random.default_rng(5)), plan, seed=4)
        with open_recording(session / "flat.ser") as flat:
            frames = [flat.gray(k) for k in range(flat.frame_count)]
        for off in (False, True):
            if off:  # another region of the sensor: all of it lies 3 px to the right
                with SerWriter(session / "flat.ser", plan.tile_shape[1], plan.tile_shape[0], 8) as writer:
                    for frame in frames:
                        writer.write(np.roll(frame, 3, 1))
            for follow in (False, True) if off else (False,):
                masters = {"follow_shift": follow, "mend": False}
                out = session.parent / f"out-{off}-{follow}"
                begin = time.perf_counter()
                done = pipeline.run(session, out, jobs=2, settings=Settings(masters=masters))
                seconds = time.perf_counter() - begin
                figures = measure(out, session.with_name("evening-truth"))
                name = f"flat {'3 px off' if off else 'as it is'}, follow_shift {str(follow).lower()}"
                left = {key: value for key, value in figures.items() if "dust" in key or "rings" in key}
                print(f"{name}: {left}, {seconds:.0f} s")
                for text in done.warnings:
                    if "flat" in text:
                        print(f"    {text}")


def big() -> None:
    """Time the trial of 12 tiles of 2.4 MP."""
    evening = Evening(1, shape=(1216, 1936), radius=1900.0)
    flat, pattern = evening.flat(), evening.pattern()
    begin = time.perf_counter()
    samples = evening.samples(pattern)
    made = time.perf_counter() - begin
    begin = time.perf_counter()
    trial = try_flat(flat, samples, TileSettings())
    took = time.perf_counter() - begin
    n = len(samples)
    print(f"{n} tiles of 1216 x 1936: {trial.kind}; bands {made / n:.2f} s, trial {took / n:.2f} s a recording")


def main() -> int:
    """Parse, try, print; 1 where something was not found or a good flat raised an alarm."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--first", type=int, default=1, help="seed")
    parser.add_argument("--cases", nargs="+", help="words that the names of the cases to try begin with; all")
    parser.add_argument("--image", type=Path)
    parser.add_argument("--tiles", type=int, default=12, help="recordings of an evening, at most")
    parser.add_argument("--run", action="store_true")
    parser.add_argument("--big", action="store_true")
    asked = parser.parse_args()
    if asked.big:
        big()
        return 0
    if asked.run:
        whole_run()
        return 0
    sun = None
    if asked.image:
        from sessions import real_sun

        sun = real_sun(asked.image, scale=RADIUS / real_sun(asked.image).radius_px)
    table: dict[str, list] = {}
    for seed in range(asked.first, asked.first + asked.seeds):
        for name, flat, samples, check in cases(Evening(seed, sun, tiles=asked.tiles)):
            if asked.cases and not name.startswith(tuple(asked.cases)):
                continue
            text, right = check(try_flat(flat, samples(), TileSettings()))
            table.setdefault(name, []).append((seed, text, right))
            if not right:
                print(f"  seed {seed}, {name}: {text}", flush=True)
    for name, rows in table.items():
        print(f"{name:28} right {sum(right for *_, right in rows)} of {len(rows)}   such as: {rows[0][1]}")
    for low, high in ((0.0, 0.06), (0.06, 0.1), (0.1, 1.0)):
        found = [got for depth, got in GRAINS_SEEN if low <= depth < high]
        print(f"grains {100 * low:.0f} to {100 * high:.0f} % deep that moved: {sum(found)} of {len(found)} found")
    return 0 if all(right for rows in table.values() for *_, right in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
