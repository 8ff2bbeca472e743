import dataclasses
import json
import math

import numpy as np
import pytest
from diskmosaic.errors import InputError
from diskmosaic.files import assembly
from diskmosaic.records.light import Disk, Levels
from diskmosaic.records.places import Circle, Pair, Placement
from diskmosaic.records.tile import FRAME_DTYPE, SensorGrid, Tile

TILE_SHAPE, DISK_SHAPE = (20, 30), (40, 50)


def make_tile(name):
    image = np.ones(TILE_SHAPE, np.float32)
    return Tile(name, image, image, 0.5, np.zeros(0, FRAME_DTYPE), 0.02, None, f"{name}.ser")


@pytest.fixture
def parts():
    """Three tiles, the middle one left out."""
    tiles = [make_tile(name) for name in "abc"]
    positions = np.array([[0.0, 0.0], [np.nan, np.nan], [12.5, 8.25]])
    pairs = (
        Pair(0, 2, (12.5, 8.25), 0.9, 31.0, (16.0, 19.0), 0.02, 0.01),
        Pair(0, 1, (3.0, 4.0), 0.1, 5.0, (1.0, 2.0), 0.3, used=False),
    )
    placement = Placement(positions, pairs, {1: ("nothing like it", 5.0)}, None)
    levels = Levels(np.array([1.0, np.nan, 1.02]), np.zeros(3), np.ones(TILE_SHAPE, np.float32), np.zeros(3), 0.001)
    to_disk = np.full((3, 2, 3), np.nan)
    for k in (0, 2):
        to_disk[k] = np.column_stack([np.eye(2), positions[k] + 1])
    tile = np.full(DISK_SHAPE, -1, np.int16)
    tile[:20, :30] = 0
    tile[25:, 20:] = 2
    image = np.ones(DISK_SHAPE, np.float32)
    limb = Circle((19.5, 24.5), 15.0, 0.2, 300)
    disk = Disk(image, image, image, tile, to_disk, limb, {}, np.zeros((0, 2)), None)
    return tiles, placement, levels, disk


def test_tiles_of_the_disk_count_the_placed_ones_only(parts):
    _, placement, _, disk = parts
    counted = assembly.placed_only(disk, placement)
    assert counted.tile.dtype == np.int16
    np.testing.assert_array_equal(counted.tile, np.where(disk.tile == 2, 1, disk.tile))
    np.testing.assert_array_equal(counted.to_disk, disk.to_disk[[0, 2]])


def test_the_document_says_what_was_done(parts, tmp_path):
    tiles, placement, levels, disk = parts
    document = assembly.assembly_document(
        tiles, placement, levels, assembly.placed_only(disk, placement), ["twice", "once", "twice"]
    )
    assembly.write_assembly(tmp_path / "assembly.json", document)
    read = assembly.read_assembly(tmp_path / "assembly.json")
    assert read == document
    assert [entry["recording"] for entry in read["tiles"]] == ["a.ser", "c.ser"]
    last = read["tiles"][1]
    assert last["to_disk"] == [[1, 0, 13.5], [0, 1, 9.25]]
    assert last["position_yx"] == [13.5 + 9.5, 9.25 + 14.5]
    assert (last["gain"], last["mirrored"], last["time_utc"]) == (1.02, False, None)
    assert read["left_out"] == [{"recording": "b.ser", "reason": "nothing like it", "best_score": 5.0}]
    assert read["pairs"][0]["a"] == "a.ser"
    assert read["pairs"][1]["residual_px"] is None
    assert read["limb"]["centre_yx"] == [19.5, 24.5]
    assert read["shape"] == [40, 50]
    assert read["arcsec_per_px"] is None
    assert read["warnings"] == ["twice", "once"]
    assert "NaN" not in json.dumps(document)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("angle", [-170.0, -30.0, 0.0, 7.0, 90.0])
def test_a_matrix_is_told_as_mirror_then_turn_then_scale(angle, mirrored):
    radians = math.radians(angle)
    # on (y, x): +x goes to (sin, cos), that is, turns towards +y
    turn = np.array([[math.cos(radians), math.sin(radians)], [-math.sin(radians), math.cos(radians)]])
    flip = np.diag([-1.0, 1.0]) if mirrored else np.eye(2)
    matrix = np.column_stack([1.25 * turn @ flip, [3.0, 4.0]])
    told = assembly.describe_matrix(matrix, TILE_SHAPE)
    assert told["angle_deg"] == pytest.approx(angle, abs=1e-9)
    assert told["mirrored"] is mirrored
    assert told["scale"] == pytest.approx(1.25, abs=1e-12)
    assert told["position_yx"] == pytest.approx(1.25 * turn @ flip @ [9.5, 14.5] + [3, 4], abs=1e-12)


@pytest.mark.parametrize("text", [None, "{", "[]", "{}"])
def test_a_missing_or_damaged_document(tmp_path, text):
    path = tmp_path / "assembly.json"
    if text is not None:
        path.write_text(text)
    with pytest.raises(InputError, match=r"assembly\.json: found "):
        assembly.read_assembly(path)


def test_to_disk_counts_the_sensors_own_pixels(parts):
    tiles, placement, levels, disk = parts
    # every other pixel, from row 0, column 1 on, as those of one colour
    grid = SensorGrid(2.0, (0.0, 1.0), (40, 60))
    tiles = [dataclasses.replace(tile, grid=grid) for tile in tiles]
    plain = assembly.assembly_document(parts[0], placement, levels, assembly.placed_only(disk, placement), [])
    document = assembly.assembly_document(tiles, placement, levels, assembly.placed_only(disk, placement), [])
    for entry, own in zip(document["tiles"], plain["tiles"], strict=True):
        of_sensor, of_tile = np.array(entry["to_disk"]), np.array(own["to_disk"])
        for y, x in ((0, 0), (3, 7)):
            np.testing.assert_allclose(of_sensor @ (2.0 * y, 2.0 * x + 1, 1), of_tile @ (y, x, 1))
        np.testing.assert_allclose(entry["position_yx"], of_sensor @ (19.5, 29.5, 1))
        assert entry["scale"] == pytest.approx(0.5)
    assert document["pairs"][0]["shift_yx"] == pytest.approx([25.0, 16.5])
    assert document["pairs"][0]["centre_yx"] == pytest.approx([32.0, 39.0])
