"""A small finished disk with known places on it, as a picture, for the tests of what is made of pictures."""

import numpy as np
from diskmosaic.observation import Observation
from diskmosaic.pictures.make import Maker
from diskmosaic.pictures.recipe import DiskStep, Recipe, ToneStep
from diskmosaic.records.light import Disk
from diskmosaic.records.places import Circle
from diskmosaic.sky import sun

TIME = "2031-03-04T09:30:12.345"
CENTRE, RADIUS, SHAPE = (233.3, 251.6), 205.0, (470, 512)
BRIGHT, DARK = (300.0, 180.0), (190.0, 330.0)  # (y, x) of disk.fits: north-east and south-west
PLAIN = {"disk": Recipe(title="The whole disk, evenly bright", steps=(DiskStep(), ToneStep()))}
OBSERVER = Observation(
    name="Übung am Mühlberg",
    author="Ines Ådler",
    rights="CC BY 4.0 <Ines Ådler> & friends",
    telescope="an invented refractor",
    camera="invented camera",
    place="Mühlberg",
    wavelength_nm=656.28,
)


def make_disk(*, north=True, limb=True):
    """Grain, a bright and a dark region, limb darkening; solar coordinates."""
    rng = np.random.default_rng(3)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(np.float32)
    r = np.hypot(y - CENTRE[0], x - CENTRE[1]) / RADIUS
    uniform = 1 + 0.004 * rng.normal(size=SHAPE).astype(np.float32)
    for (at_y, at_x), size, contrast in ((BRIGHT, 9, 0.5), (DARK, 6, -0.4)):
        uniform += contrast * np.exp(-((y - at_y) ** 2 + (x - at_x) ** 2) / (2 * size**2))
    natural = uniform * (0.4 + 0.6 * np.sqrt(np.clip(1 - r**2, 0, 1))) * (r < 1) + 0.01
    seen = sun.ephemeris(TIME)
    scale = seen.radius_arcsec / RADIUS
    cards = sun.helioprojective_cards(time_utc=TIME, centre_yx=CENTRE, arcsec_per_px=scale, ephemeris=seen)
    cards["NORTHUP"] = (north, "")
    circle = Circle(CENTRE, RADIUS, 0.1, 1000) if limb else None
    ones = np.ones(SHAPE, np.float32)
    tile = np.zeros(SHAPE, np.int16)
    return Disk(
        natural.astype(np.float32), uniform, ones, tile, np.zeros((0, 2, 3)), circle, cards, np.zeros((0, 2)), scale
    )


def make_shown(**options):
    """The usual picture of that disk."""
    return Maker(make_disk(**options)).make("disk", PLAIN["disk"])
