"""What stays on the sensor while a recording's scene moves: found where it is, and nothing found where nothing is."""

import cv2
import numpy as np
import pytest
from diskmosaic.arrays.flow import Reference, structure
from diskmosaic.arrays.steady import find_steady
from scipy import ndimage

SHAPE = (150, 190)
GRID = (6, 8)
NOISE = 0.003
FRAMES = 48


def scene_of(seed, rms=0.02):
    """A scene wider than the sensor, and where frames see it."""
    rng = np.random.default_rng(seed)
    wide = ndimage.gaussian_filter(rng.standard_normal((SHAPE[0] + 80, SHAPE[1] + 80)), 1.5).astype(np.float32)
    moves = rng.normal(0, 1.5, (FRAMES, 2))
    return 1 + np.float32(rms) * wide / wide.std(), moves


def frames_of(scene, moves, pattern, seed):
    """Frames of a scene that moves under a pattern, with noise."""
    rng = np.random.default_rng([seed, 1])
    frames = []
    for move in moves:
        seen = ndimage.shift(scene, move, order=3, mode="nearest")[40:-40, 40:-40]
        frames.append((seen * np.exp(pattern) + NOISE * rng.standard_normal(SHAPE)).astype(np.float32))
    return frames


def grains(depth):
    """Shadows of a few grains, logarithm."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(np.float32)
    places = [(30, 40), (60, 150), (75, 80), (110, 50), (120, 130), (40, 110)]
    return -np.float32(depth) * sum(np.exp(-((y - a) ** 2 + (x - b) ** 2) / 18) for a, b in places)


def fringes(amplitude):
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(np.float32)
    return np.float32(amplitude) * np.cos(2 * np.pi * (0.6 * y + 0.8 * x) / 14)


def find(frames):
    known = {"grid": GRID, "noise": NOISE}
    image = np.mean(frames[:8], axis=0, dtype=np.float64).astype(np.float32)
    return find_steady(frames[::2], image, lambda: frames, border=6, **known)


def displaced(frames, moves):
    """How far off whole displacements are, rms, px, against a reference of the frames' own."""
    reference = Reference(frames[0], grid=GRID, noise=NOISE, local=False)
    looks = np.array([reference.look(frame).field[0, 0] for frame in frames])
    error = looks - moves
    return float(np.std(error - error.mean(0)))


@pytest.mark.parametrize("pattern", [grains(0.12), fringes(0.03)], ids=["grains", "fringes"])
def test_a_pattern_stronger_than_the_scene_is_found_and_displacements_are_right_again(pattern):
    scene, moves = scene_of(3)
    frames = frames_of(scene, moves, pattern, 3)
    found = find(frames)
    inner = (slice(14, -14), slice(14, -14))
    left = np.std(structure(found - pattern)[inner]) / np.std(structure(pattern)[inner])
    # 48 frames of .3 % noise, interpolated twice: a twentieth of these patterns' rms; a fifth is left at most
    assert left < 0.2
    misled = displaced(frames, moves)
    clean = displaced([frame * np.exp(-found) for frame in frames], moves)
    assert clean < misled / 3


def test_nothing_is_found_where_nothing_stays():
    for seed, rms in ((1, 0.02), (2, 0.1), (3, 0.005)):
        scene, moves = scene_of(seed, rms)
        assert find(frames_of(scene, moves, np.zeros(SHAPE, np.float32), seed)) is None


def test_a_pattern_too_weak_to_mislead_is_left():
    scene, moves = scene_of(4, 0.1)
    assert find(frames_of(scene, moves, grains(0.01), 4)) is None


def test_a_scene_at_rest_is_no_pattern():
    """What does not move cannot be told from a pattern: that nothing is taken out of it."""
    scene, moves = scene_of(5)
    assert find(frames_of(scene, 0 * moves, np.zeros(SHAPE, np.float32), 5)) is None


def test_neither_sky_nor_limb_counts_as_pattern():
    scene, moves = scene_of(6)
    y, x = np.mgrid[: scene.shape[0], : scene.shape[1]].astype(np.float32)
    disk = cv2.GaussianBlur((np.hypot(y - 115, x - 260) < 170).astype(np.float32), (0, 0), 1.5)
    assert find(frames_of(scene * disk + np.float32(0.01), moves, np.zeros(SHAPE, np.float32), 6)) is None
