from dataclasses import replace

import numpy as np
import pytest
from diskmosaic.errors import InputError
from diskmosaic.observation import Observation
from diskmosaic.placement.hints import apply_hints, hints_of, in_turn
from diskmosaic.records.places import Circle, Placement
from diskmosaic.records.tile import SensorGrid
from diskmosaic.session.session import observation_of, parse_session

from cut_tiles import as_tile

SHAPE = (200, 300)
LIMB = Circle((400.0, 500.0), 350.0, 0.1, 900)


def named(count, times=None):
    image = np.ones(SHAPE, np.float32)
    return [as_tile(image, f"t_{k + 1}", time=None if times is None else times[k]) for k in range(count)]


def hinted(text, tiles, observation=None):
    document = parse_session(text)
    return hints_of(document, tiles, observation or observation_of(document))


def lost(positions, *left_out):
    """A placement in which some tiles have no place."""
    positions = np.array(positions, float)
    positions[list(left_out)] = np.nan
    warnings = tuple(f"tile t_{k + 1} was left out: nothing like it" for k in left_out)
    return Placement(positions, (), dict.fromkeys(left_out, ("nothing like it", 3.0)), LIMB, warnings=warnings)


GRID = '[layout]\norder = "{}"\nrows = 2\ncolumns = 3\noverlap = 0.25\n{}'


@pytest.mark.parametrize(
    ("order", "more", "cells"),
    [
        ("rows", "", "00 01 02 10 11 12"),
        ("serpentine", "", "00 01 02 12 11 10"),
        ("serpentine", 'first = "bottom right"', "12 11 10 00 01 02"),
        ("serpentine", 'along = "columns"', "00 10 11 01 02 12"),
        ("rows", 'along = "columns"\nfirst = "top right"', "02 12 01 11 00 10"),
        ("serpentine", 'along = "columns"\nfirst = "bottom left"', "10 00 01 11 12 02"),
    ],
)
def test_a_grid_in_its_order(order, more, cells):
    near = hinted(GRID.format(order, more), named(6)).near
    expected = [(150.0 * int(cell[0]), 225.0 * int(cell[1])) for cell in cells.split()]
    assert [near[k] for k in range(6)] == expected


def test_tiles_with_a_cell_are_not_counted():
    text = GRID.format("rows", "") + '[recordings."t_2.ser"]\nrole = "tile"\ncell = [2, 3]\n'
    near = hinted(text, named(4)).near
    assert [near[k] for k in range(4)] == [(0, 0), (150, 450), (0, 225), (0, 450)]


def test_turns_go_by_time_else_by_number():
    assert in_turn(named(12)) == list(range(12))  # t_2 before t_10
    times = ["2041-03-09T09:30:03", "2041-03-09T09:30:01", "2041-03-09T09:30:02"]
    assert in_turn(named(3, times)) == [1, 2, 0]


def test_a_lost_tile_goes_where_the_grid_says():
    places = [(10, 20), (12, 240), (8, 470), (160, 20), (160, 245), (161, 470)]
    placed = apply_hints(lost(places, 4), named(6), hinted(GRID.format("rows", ""), named(6)))
    # offsets of the others: medians 10 and 20
    assert placed.positions[4] == pytest.approx((160, 245))
    assert placed.left_out == {}
    assert [text for text in placed.warnings if "t_5" in text] == [
        "tile t_5 lies where session.toml says, right to about 20 px: neither structure nor limb placed it"
    ]
    np.testing.assert_array_equal(np.delete(placed.positions, 4, axis=0), np.delete(places, 4, axis=0))


def test_without_hints_nothing_changes():
    before = lost([(0, 0), (0, 200)], 1)
    after = apply_hints(before, named(2), hinted("", named(2)))
    assert after.left_out == before.left_out
    assert after.warnings == before.warnings
    np.testing.assert_array_equal(after.positions, before.positions)


MOUNT = '[recordings."t_{}.ser"]\nrole = "tile"\nnear_arcsec = [{}, {}]\n'


def mount_text(places, matrix):
    """A mount's word on places: arcsec east and north that `matrix` brings to (y, x)."""
    sky = np.array(places) @ np.linalg.inv(matrix).T + (77.0, -31.0)
    return "".join(MOUNT.format(k + 1, *map(float, place)) for k, place in enumerate(sky))


@pytest.mark.parametrize("flip", [1, -1])
def test_a_mounts_words_are_turned_and_scaled_by_the_tiles_that_have_places(flip):
    places = [(0.0, 0.0), (10, 220), (150, 5), (155, 230)]
    turn = np.array([[np.cos(0.4), -np.sin(0.4)], [np.sin(0.4), np.cos(0.4)]]) * (flip, 1) / 0.6
    hints = hinted(mount_text(places, turn), named(4))
    assert hints.free
    placed = apply_hints(lost(places, 3), named(4), hints)
    np.testing.assert_allclose(placed.positions[3], (155, 230), atol=1e-6)


def test_two_tiles_do_not_tell_a_mounts_directions():
    places = [(0.0, 0.0), (10, 220), (150, 5)]
    placed = apply_hints(lost(places, 2), named(3), hinted(mount_text(places, np.eye(2)), named(3)))
    assert 2 in placed.left_out
    assert any("need 3 tiles" in text for text in placed.warnings)


def test_a_mounts_words_by_plate_scale_and_north():
    """Celestial north up, P = 0 nearly (2024-01-05: P crosses 0): north is up the frame, east to the left."""
    known = Observation(
        telescope_focal_mm=1000, pixel_um=206.265 / 100, time_utc="2024-01-05T12:00:00", north_deg=0.0, mirrored=False
    )
    text = MOUNT.format(1, 0.0, 0.0) + MOUNT.format(2, 100.0, 0.0) + MOUNT.format(3, 0.0, 100.0)
    hints = hinted(text, named(3), known)
    assert not hints.free
    near = np.array([hints.near[k] for k in range(3)])
    scale = known.arcsec_per_px
    np.testing.assert_allclose((near[1] - near[0]) * scale, (0, -100), atol=1.5)  # P within 0.5 degrees
    np.testing.assert_allclose((near[2] - near[0]) * scale, (-100, 0), atol=1.5)


def test_pins_hold_and_follow_each_other():
    text = (
        '[recordings."t_1.ser"]\nrole = "tile"\npin_to = "t_2.ser"\npin_yx_px = [-5.0, 100.0]\n'
        '[recordings."t_2.ser"]\nrole = "tile"\npin_to = "sun"\npin_yx_px = [-100.0, 20.5]\n'
    )
    placed = apply_hints(lost([(0, 0), (7, 7), (50, 50)], 0), named(3), hinted(text, named(3)))
    assert placed.positions.tolist() == [[295.0, 620.5], [300.0, 520.5], [50.0, 50.0]]
    assert placed.left_out == {}


def test_nudges_come_last_and_move_nothing_else():
    text = '[recordings."t_2.ser"]\nrole = "tile"\nnudge_yx_px = [0.5, -2.0]\n'
    placed = apply_hints(lost([(0, 0), (7, 7)]), named(2), hinted(text, named(2)))
    assert placed.positions.tolist() == [[0, 0], [7.5, 5.0]]
    assert placed.warnings == ("tile t_2 was moved by 0.5, -2 px (y, x) by session.toml",)


def test_a_persons_pixels_are_the_sensors_whatever_the_tiles_have():
    text = (
        '[recordings."t_1.ser"]\nrole = "tile"\npin_to = "t_2.ser"\npin_yx_px = [-5.0, 100.0]\n'
        '[recordings."t_2.ser"]\nrole = "tile"\npin_to = "sun"\npin_yx_px = [-100.0, 20.5]\n'
        '[recordings."t_3.ser"]\nrole = "tile"\nnudge_yx_px = [0.5, -2.0]\n'
    )
    fine = SensorGrid(0.5, (-0.25, -0.25), (100, 150))
    tiles = [replace(tile, grid=fine) for tile in named(3)]
    placed = apply_hints(lost([(0, 0), (7, 7), (50, 50)]), tiles, hinted(text, tiles))
    # the sensor's first pixel lies half a finer one beyond the tile's
    assert placed.positions.tolist() == [[189.5, 740.5], [199.5, 540.5], [51.0, 46.0]]
    assert placed.warnings[-1] == "tile t_3 was moved by 0.5, -2 px (y, x) by session.toml"


def test_forbidden_pairs_are_told_to_the_placement():
    text = '[recordings."t_3.ser"]\nrole = "tile"\nnot_with = ["t_1.ser"]\n'
    given = hinted(text, named(3)).given
    assert given.forbids(0, 2)
    assert given.forbids(2, 0)
    assert not given.forbids(0, 1)


def test_pins_are_told_to_the_placement():
    text = (
        '[recordings."t_1.ser"]\nrole = "tile"\npin_to = "t_2.ser"\npin_yx_px = [-5.0, 100.0]\n'
        '[recordings."t_2.ser"]\nrole = "tile"\npin_to = "sun"\npin_yx_px = [-100.0, 20.5]\n'
    )
    given = hinted(text, named(3)).given
    (pin,) = given.pins
    assert (pin.a, pin.b, pin.shift_yx, pin.firm) == (1, 0, (-5.0, 100.0), True)
    (anchor,) = given.anchors
    # a tile's centre lies (99.5, 149.5) from its first pixel
    assert (anchor.tile, anchor.centre_yx, anchor.origin, anchor.firm) == (1, (-0.5, 170.0), "limb", True)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('[recordings."t_1.ser"]\nrole = "tile"\nnot_with = ["x.ser"]', "expected another tile of this session"),
        ('[recordings."t_1.ser"]\nrole = "tile"\npin_to = "sun"', "found one of pin_to and pin_yx_px, expected both"),
        ('[layout]\norder = "rows"', "rows and columns"),
        ('[layout]\norder = "rows"\nrows = 1\ncolumns = 2', "found 3 tiles, expected at most 1 x 2"),
        (GRID.format("rows", "") + '[recordings."t_1.ser"]\nrole = "tile"\ncell = [3, 1]', "within 2 rows, 3 columns"),
        (GRID.format("rows", "") + MOUNT.format(1, 0.0, 0.0), "rough places of several kinds"),
    ],
)
def test_hints_that_cannot_be(text, told):
    with pytest.raises(InputError, match=told):
        hinted(text, named(3))


def test_pins_in_a_circle():
    text = "".join(
        f'[recordings."t_{a}.ser"]\nrole = "tile"\npin_to = "t_{b}.ser"\npin_yx_px = [0.0, 1.0]\n'
        for a, b in ((1, 2), (2, 1))
    )
    with pytest.raises(InputError, match="pins that go round in a circle"):
        apply_hints(lost([(0, 0), (7, 7)]), named(2), hinted(text, named(2)))
