"""Marks: where they lie, against sunpy; what they say; that they can be read."""

import numpy as np
import pytest
from diskmosaic.arrays.colour import contrast
from diskmosaic.observation import Observation
from diskmosaic.pictures.frame import Frame
from diskmosaic.pictures.marks import lay_marks
from diskmosaic.pictures.paint import paint
from diskmosaic.pictures.recipe import MarksStep
from diskmosaic.pictures.sphere import place_on_picture
from diskmosaic.pictures.type import missing
from diskmosaic.records.places import Circle
from diskmosaic.sky.sun import ephemeris, helioprojective_cards

TIME, CENTRE, RADIUS, SHAPE = "2024-09-08T09:30:00", (1111.3, 1130.8), 1000.0, (2230, 2240)
SUN = ephemeris(TIME)
SCALE = SUN.radius_arcsec / RADIUS


def frame(**changes):
    known = {
        "matrix": np.array([[-1.0, 0.0, SHAPE[0] - 1.0], [0.0, 1.0, 0.0]]),
        "shape": SHAPE,
        "limb": Circle((SHAPE[0] - 1 - CENTRE[0], CENTRE[1]), RADIUS, 0.1, 1000),
        "arcsec_per_px": SCALE,
        "north_deg": 0.0,
        "time_utc": TIME,
        "p_deg": SUN.p_deg,
        "b0_deg": SUN.b0_deg,
        "l0_deg": SUN.l0_deg,
    }
    return Frame(**(known | changes))


def test_a_place_on_the_sun_lies_where_sunpy_puts_it():
    pytest.importorskip("sunpy")
    import astropy.units as u
    import sunpy.map
    from astropy.coordinates import SkyCoord
    from sunpy.coordinates import HeliographicStonyhurst

    cards = helioprojective_cards(time_utc=TIME, centre_yx=CENTRE, arcsec_per_px=SCALE, ephemeris=SUN)
    solar = sunpy.map.Map(np.zeros(SHAPE, np.float32), {key: value[0] for key, value in cards.items()})
    lat, lon = np.array([0.0, 30, -45, 10, 60, -20]), np.array([0.0, -40, 20, 75, -10, -80])
    places = SkyCoord(lon * u.deg, lat * u.deg, frame=HeliographicStonyhurst, obstime=solar.date)
    x, y = solar.world_to_pixel(places)
    ours = frame().to_disk(place_on_picture(frame(), lat, lon))
    assert np.hypot(ours[:, 0] - y.value, ours[:, 1] - x.value).max() < 0.1  # an aim of 1 px, on 1000 px of radius


def test_a_limb_above_the_photosphere_moves_no_place():
    places = np.array([0.0, 30, -45]), np.array([0.0, -40, 60])
    higher = frame(limb=Circle(marks_centre(), 1.005 * RADIUS, 0.1, 1000), radius_arcsec=SUN.radius_arcsec)
    assert np.allclose(place_on_picture(higher, *places), place_on_picture(frame(), *places), atol=1e-6)


def test_far_side_is_not_seen():
    seen = place_on_picture(frame(), np.array([0.0, 0.0, 90.0, -90.0]), np.array([85.0, 95.0, 0.0, 0.0]))
    # B0 is +7 degrees in September: the north pole is seen, the south pole is not
    assert np.isfinite(seen).all(axis=1).tolist() == [True, False, True, False]


def test_drawn_grid_lies_where_it_should():
    """The equator is drawn through its own places, to a pixel."""
    marks = lay_marks(frame(), MarksStep(grid=True, caption=False, scale_bar=False, earth=False), "", None)
    drawn = paint(np.zeros(SHAPE, np.uint8), marks)
    for longitude in (-50.0, 0.0, 33.0):
        y, x = place_on_picture(frame(), np.array([0.0]), np.array([longitude]))[0]
        column = drawn[:, round(x)].astype(float)
        column[: round(y) - 8] = column[round(y) + 9 :] = 0
        assert abs((column * np.arange(len(column))).sum() / column.sum() - y) < 1


def test_words_stand_off_the_disk_and_can_be_read():
    seen = Observation(
        name="Ein Tag im Mai", telescope="Glasauge", author="Łucja Ö., Ελένη, Юлия", wavelength_nm=656.28
    )
    for dark in (True, False):
        marks = lay_marks(frame(), MarksStep(grid=True), "Die Sonne", seen, dark=dark)
        assert not marks.warnings
        text = " ".join(word.text for word in marks.words)
        for part in (
            "Ein Tag im Mai: Die Sonne",
            "2024-09-08 09:30:00 UTC",
            "656.28 nm",
            "Łucja",
            "100,000 km",
            "N",
            "E",
            "P ",
        ):
            assert part in text
        ground = np.full(SHAPE, 0 if dark else 255, np.uint8)
        painted = paint(ground, marks)
        y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
        disk = np.hypot(y - marks_centre()[0], x - marks_centre()[1]) < RADIUS
        plain = lay_marks(frame(), MarksStep(), "Die Sonne", seen, dark=dark)
        assert (paint(ground, plain)[: SHAPE[0]][disk] == ground[disk]).all()
        assert painted.shape[0] > SHAPE[0]
        for word in marks.words:
            assert contrast(word.gray, marks.ground) >= 4.5  # WCAG 2.2, 1.4.3


def marks_centre():
    return frame().limb.centre_yx


def test_words_of_a_caption_do_not_meet_its_measures():
    seen = Observation(name="A very long title " * 8, telescope="x" * 200)
    marks = lay_marks(frame(), MarksStep(), "t", seen)
    below = paint(np.zeros(SHAPE, np.uint8), marks)[SHAPE[0] :]
    alone = paint(np.zeros(SHAPE, np.uint8), lay_marks(frame(), MarksStep(caption=False), "t", seen))[SHAPE[0] :]
    words = np.flatnonzero((below[: len(alone)].max(0) > 0) & (alone.max(0) == 0))
    assert words.max() < np.flatnonzero(alone.max(0)).min()


def test_scale_bar_and_earth_have_their_size():
    marks = lay_marks(frame(), MarksStep(), "", None)
    bar = next(line for line in marks.lines if line.kind == "scale")
    # 100,000 km of a Sun with 695,700 km (IAU 2015 B3); at its distance that is 138 to 142 arcsec
    assert np.ptp(bar.points[:, 1]) == pytest.approx(RADIUS / 6.957, rel=1e-6)
    earth = next(patch for patch in marks.patches if patch.kind == "earth")
    # IUGG mean radius 6371 km
    assert np.ptp(earth.points[:, 1]) / 2 == pytest.approx(RADIUS * 6371 / 695700, rel=1e-3)


def test_unknown_north_has_no_directions_and_no_grid():
    marks = lay_marks(frame(north_deg=None), MarksStep(grid=True), "", None)
    assert not [word for word in marks.words if word.kind in ("direction", "grid")]
    assert not [line for line in marks.lines if line.kind in ("direction", "grid", "pole")]
    assert any("north is not known" in text for text in marks.warnings)


def test_east_is_left_of_north_unless_mirrored():
    words = {word.text: word for word in lay_marks(frame(), MarksStep(), "", None).words}
    assert words["N"].at[0] < marks_centre()[0] - RADIUS
    assert words["E"].at[1] < marks_centre()[1] - RADIUS


def test_marks_follow_the_size_of_the_picture():
    marks = lay_marks(frame(), MarksStep(), "", None)
    half = marks.scaled(0.5)
    assert half.shape == (SHAPE[0] // 2, SHAPE[1] // 2)
    assert paint(np.zeros((*half.shape, 3), np.uint16), half).shape[0] == half.shape[0] + np.ceil(half.below_px)
    with pytest.raises(ValueError, match="pixels must be"):
        paint(np.zeros((10, 20), np.uint8), half)


def test_signs_that_the_font_lacks_are_told():
    assert missing("Grüße, Ωμέγα, Солнце, ☉") == ""
    assert missing("日") == "日"
