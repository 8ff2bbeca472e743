"""What pictures say about themselves, read back by other libraries than the one that wrote it."""

import warnings
from dataclasses import replace

import exiv2
import numpy as np
import pytest
from astropy.coordinates import GCRS, SkyCoord, get_sun
from astropy.io import fits
from astropy.time import Time
from astropy.wcs import WCS
from diskmosaic.files.cards import ascii_text
from diskmosaic.files.xmp import Ordered, Said, xmp_packet
from diskmosaic.pictures.crops import Box, cut, scaled_frame
from diskmosaic.pictures.formats import eight_bits, resized, write_jpeg, write_png, write_tiff, write_webp
from diskmosaic.pictures.metadata import metadata_of, solar_header, words_of
from diskmosaic.pictures.picture import Done
from diskmosaic.pictures.sphere import place_on_picture, place_on_sun
from diskmosaic.sky import sun
from PIL import Image
from pyavm import AVM

from pictures_of import CENTRE, OBSERVER, RADIUS, TIME, make_disk, make_shown

DONE = (Done("tone", {"gamma": 0.8}, "tone curve with exponent 0.8"),)
ALTERNATIVE = "The whole disk of the Sun; a dark region, größer als die Erde."


def about(picture):
    words = words_of("evenly bright", picture.frame, ALTERNATIVE, OBSERVER, coloured=False, done=DONE)
    return metadata_of(words, picture.frame)


def write_all(folder, pixels, said):
    paths = {suffix: folder / f"a{suffix}" for suffix in (".jpg", ".webp", ".png", ".tif")}
    write_jpeg(paths[".jpg"], pixels, said, quality=90)
    write_webp(paths[".webp"], pixels, said, quality=90)
    write_png(paths[".png"], pixels, said)
    write_tiff(paths[".tif"], pixels, said)
    return paths


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    picture = make_shown()
    return write_all(tmp_path_factory.mktemp("said"), picture.pixels, about(picture))


def read(path):
    """XMP and EXIF by exiv2, as text."""
    image = exiv2.ImageFactory.open(str(path))
    image.readMetadata()
    xmp = {datum.key(): str(datum.value()) for datum in image.xmpData()}
    return xmp, {datum.key(): datum.toString() for datum in image.exifData()}


@pytest.mark.parametrize("suffix", [".jpg", ".webp", ".png", ".tif"])
def test_words_are_read_back_by_another_library(written, suffix):
    xmp, exif = read(written[suffix])
    language = 'lang="x-default" '
    assert xmp["Xmp.dc.creator"] == OBSERVER.author
    assert xmp["Xmp.dc.rights"] == language + OBSERVER.rights
    assert xmp["Xmp.xmpRights.UsageTerms"] == language + OBSERVER.rights
    assert xmp["Xmp.photoshop.Credit"] == OBSERVER.author
    assert xmp["Xmp.photoshop.DateCreated"] == "2031-03-04T09:30:12Z"
    assert xmp["Xmp.iptc.AltTextAccessibility"] == language + ALTERNATIVE
    for part in (OBSERVER.name, "2031-03-04 09:30 UTC", "656.28 nm", OBSERVER.place):
        assert part in xmp["Xmp.dc.description"]
    assert "tone curve with exponent 0.8" in xmp["Xmp.xmpMM.History[1]/stEvt:parameters"]
    assert exif["Exif.Image.Artist"] == ascii_text(OBSERVER.author)
    assert exif["Exif.Image.Copyright"] == ascii_text(OBSERVER.rights)
    if suffix != ".tif":  # there the time stands in the XMP alone
        assert exif["Exif.Photo.DateTimeOriginal"] == "2031:03:04 09:30:12"
        assert exif["Exif.Photo.OffsetTimeOriginal"] == "+00:00"
    assert xmp["Xmp.exif.DateTimeOriginal"] == "2031-03-04T09:30:12Z"


def test_what_nobody_said_is_not_there():
    picture = make_shown()
    words = words_of("evenly bright", picture.frame, ALTERNATIVE, None, coloured=False, done=())
    packet = metadata_of(words, picture.frame).xmp.decode()
    for name in ("dc:creator", "dc:rights", "xmpRights", "photoshop:Credit", "avm:Spectral", "avm:Facility"):
        assert name not in packet


def test_a_persons_caption_goes_before_the_written_one():
    frame = make_shown().frame
    said = replace(OBSERVER, caption="Our Sun, as the club saw it", credit="The club")
    words = words_of("t", frame, "", said, coloured=False, done=())
    assert (words.caption, words.credit) == ("Our Sun, as the club saw it", "The club")


def test_packets_hold_any_text_and_refuse_unknown_names(tmp_path):
    packet = xmp_packet({"dc:title": Said("a < b & \x00c ü"), "dc:creator": Ordered(("x", "y"))})
    Image.new("L", (8, 8)).save(tmp_path / "a.jpg", xmp=packet)
    xmp, _ = read(tmp_path / "a.jpg")
    assert xmp["Xmp.dc.title"] == 'lang="x-default" a < b & c ü'
    assert xmp["Xmp.dc.creator"] == "x, y"
    with pytest.raises(ValueError, match="no namespace is known for nobody"):
        xmp_packet({"nobody:knows": "x"})


# --- coordinates -----------------------------------------------------------------------------------------------------


def versions():
    """The whole picture, a cut, one made smaller, and one that was turned by 30 degrees."""
    picture = make_shown()
    whole = picture.frame
    angle = np.deg2rad(30)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])  # (y, x): clockwise as shown
    middle = np.array(whole.limb.centre_yx)
    matrix = np.column_stack([turn @ whole.matrix[:, :2], turn @ (whole.matrix[:, 2] - middle) + middle])
    return {
        "whole": whole,
        "cut": cut(picture.gray, whole, Box(40, 25, 330, 251))[1],
        "smaller": scaled_frame(whole, (221, 221)),
        "turned": replace(whole, matrix=matrix, north_deg=30.0),
    }


NAMES = ["whole", "cut", "smaller", "turned"]


def rows_from_below(frame, points):
    """(x, y) as FITS counts from 0, of (y, x) with row 0 on top."""
    return points[:, 1], frame.shape[0] - 1 - points[:, 0]


@pytest.mark.parametrize("name", NAMES)
def test_avm_full_header_agrees_with_the_disk_to_a_tenth_of_a_pixel(name, tmp_path):
    """Read by PyAVM and astropy: the picture's solar coordinates are those of disk.fits at the same place."""
    frame = versions()[name]
    write_jpeg(tmp_path / "a.jpg", np.zeros(frame.shape, np.uint8), metadata_of(words(frame), frame), quality=50)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # astropy tells of the dates that it fills in
        tags = AVM.from_image(str(tmp_path / "a.jpg"))
        here = tags.to_wcs(use_full_header=True)
        header = fits.Header()
        for keyword, (value, _) in make_disk().header.items():
            header[keyword] = value
        there = WCS(header)
    on_disk = np.array([[233.3, 251.6], [60, 300], [400, 150], [233, 60]])
    x, y = rows_from_below(frame, frame.to_picture(on_disk))
    said = np.array(here.wcs_pix2world(x, y, 0)) * 3600  # degrees to arcsec
    true = np.array(there.wcs_pix2world(on_disk[:, 1], on_disk[:, 0], 0)) * 3600
    apart = (said - true + 648_000) % 1_296_000 - 648_000
    assert np.abs(apart).max() < 0.1 * frame.arcsec_per_px


def words(frame):
    return words_of("t", frame, ALTERNATIVE, OBSERVER, coloured=False, done=())


@pytest.mark.parametrize("name", NAMES)
def test_avm_place_among_the_stars_agrees_with_sunpy_to_a_tenth_of_a_pixel(name, tmp_path):
    """Against sunpy's own transformation of the helioprojective coordinates in disk.fits to the Earth's sky.

    sunpy's takes no aberration into account, so that places are compared relative to the disk's centre: the 20
    arcsec between the two turn the local north by 8 arcsec, 0.01 px at this size.
    """
    from sunpy.coordinates import Helioprojective

    frame = versions()[name]
    write_png(tmp_path / "a.png", np.zeros(frame.shape, np.uint8), metadata_of(words(frame), frame))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        tags = AVM.from_image(str(tmp_path / "a.png"))
        here = tags.to_wcs()
        assert float(tags.MetadataVersion) == 1.2
        on_disk = np.array([CENTRE, [60, 300], [400, 150], [233, 60]])
        scale = make_disk().arcsec_per_px
        tx, ty = scale * (on_disk[:, 1] - CENTRE[1]), scale * (on_disk[:, 0] - CENTRE[0])
        solar = SkyCoord(tx, ty, unit="arcsec", frame=Helioprojective(obstime=TIME, observer="earth"))
        solar = SkyCoord(solar.frame.make_3d())
        sky = solar.transform_to(GCRS(obstime=TIME))
        x, y = rows_from_below(frame, frame.to_picture(on_disk))
        said = here.pixel_to_world(x, y)
    ours = [offset.arcsec for offset in said[0].spherical_offsets_to(said)]
    theirs = [offset.arcsec for offset in SkyCoord(sky.ra, sky.dec)[0].spherical_offsets_to(SkyCoord(sky.ra, sky.dec))]
    assert np.abs(np.subtract(ours, theirs)).max() < 0.1 * frame.arcsec_per_px


@pytest.mark.parametrize("time", [TIME, "2024-07-05T12:00:00", "1999-12-30T00:00:00"])
def test_the_suns_apparent_place_is_astropys(time):
    """Within 0.05 arcsec; astropy.coordinates.get_sun allows for aberration too."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # tables of the Earth's rotation do not reach 2031
        theirs = get_sun(Time(time))
    ra, dec, _ = sun.sky_place(time)
    assert np.hypot((ra - theirs.ra.deg) * np.cos(np.deg2rad(dec)), dec - theirs.dec.deg) * 3600 < 0.05


def test_a_mirrored_picture_has_only_the_header(tmp_path):
    frame = make_shown().frame
    flip = np.array([[1.0, 0], [0, -1]])
    matrix = np.column_stack([flip @ frame.matrix[:, :2], flip @ frame.matrix[:, 2] + [0, frame.shape[1] - 1]])
    y, x = frame.limb.centre_yx
    limb = replace(frame.limb, centre_yx=(y, frame.shape[1] - 1 - x))
    mirrored = replace(frame, matrix=matrix, limb=limb, mirrored=True)
    assert b"CoordinateFrame" not in metadata_of(words(mirrored), mirrored).xmp
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # as above
        wcs = WCS(fits.Header.fromstring(solar_header(mirrored)))
    on_disk = np.array([[60.0, 300.0]])
    px, py = rows_from_below(mirrored, mirrored.to_picture(on_disk))
    west = float(np.ravel(wcs.wcs_pix2world(px, py, 0)[0])[0])
    assert ((west * 3600 + 648_000) % 1_296_000 - 648_000) == pytest.approx(
        (300 - CENTRE[1]) * frame.arcsec_per_px, abs=0.1 * frame.arcsec_per_px
    )


def test_unknown_north_is_said_and_no_coordinates_are_claimed():
    frame = make_shown(north=False).frame
    packet = metadata_of(words(frame), frame).xmp.decode()
    assert "Solar north is not known" in packet
    assert "FITSheader" not in packet
    assert "ReferenceValue" not in packet


def test_places_on_the_sun_are_sunpys():
    """Within 0.05 px of 205: latitude and longitude of points to the picture, against sunpy.coordinates."""
    from sunpy.coordinates import HeliographicStonyhurst, Helioprojective

    frame = make_shown().frame
    latitude, longitude = np.array([0, 30, -45, 60, 10.0]), np.array([0, 40, -60, 20, -80.0])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        solar = SkyCoord(longitude, latitude, unit="deg", frame=HeliographicStonyhurst(obstime=TIME))
        seen = solar.transform_to(Helioprojective(obstime=TIME, observer="earth"))
    scale = frame.arcsec_per_px
    on_disk = np.column_stack([CENTRE[0] + seen.Ty.arcsec / scale, CENTRE[1] + seen.Tx.arcsec / scale])
    ours = place_on_picture(frame, latitude, longitude)
    assert np.hypot(*(ours - frame.to_picture(on_disk)).T).max() < 0.05
    assert place_on_sun(frame, ours) == pytest.approx(np.column_stack([latitude, longitude]), abs=1e-6)
    assert np.isnan(place_on_picture(frame, 0, 120)).all()
    assert np.isnan(place_on_sun(frame, np.add(frame.limb.centre_yx, (0, 1.01 * RADIUS)))).all()


# --- files -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("planes", [1, 3])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_png_keeps_every_value_for_any_number_of_threads(planes, dtype, tmp_path, monkeypatch):
    import cv2
    from diskmosaic.files import pngout

    monkeypatch.setattr(pngout, "BAND_BYTES", 5000)  # several bands
    rng = np.random.default_rng(2)
    pixels = rng.integers(0, np.iinfo(dtype).max, (61, 83, 3), endpoint=True).astype(dtype)
    pixels = pixels[..., 0] if planes == 1 else pixels
    said = about(make_shown())
    write_png(tmp_path / "one.png", pixels, said, dpi=300, jobs=1)
    write_png(tmp_path / "two.png", pixels, said, dpi=300, jobs=2)
    assert (tmp_path / "one.png").read_bytes() == (tmp_path / "two.png").read_bytes()
    back = cv2.imread(str(tmp_path / "one.png"), cv2.IMREAD_UNCHANGED)
    assert np.array_equal(back if planes == 1 else back[..., ::-1], pixels)
    with Image.open(tmp_path / "one.png") as image:
        image.load()  # checks the sums of chunks and of the stream
        assert image.info["dpi"] == pytest.approx((300, 300), abs=0.01)  # stored in whole pixels a metre


def test_made_smaller_keeps_the_mean_and_never_grows():
    pixels = np.arange(40 * 60, dtype=np.uint16).reshape(40, 60) * 20
    small = resized(pixels, (20, 30))
    assert small.dtype == np.uint16
    assert small.mean() == pytest.approx(pixels.mean(), abs=0.5)  # rounding of each value
    assert eight_bits(np.array([[0, 65535, 32768]], np.uint16)).tolist() == [[0, 255, 128]]
    with pytest.raises(ValueError, match="is not made larger"):
        resized(pixels, (41, 60))
