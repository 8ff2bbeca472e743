import dataclasses
import hashlib
import os
import warnings

import numpy as np
import pytest
from astropy.io import fits
from diskmosaic.errors import InputError
from diskmosaic.files import cards
from diskmosaic.files.diskfile import read_disk, write_disk
from diskmosaic.files.masterfile import pixels_sha256, read_master, write_master
from diskmosaic.files.tilefile import read_tile, tile_recording, write_tile
from diskmosaic.records.light import Disk
from diskmosaic.records.master import Master, Source
from diskmosaic.records.places import Circle
from diskmosaic.records.tile import FRAME_DTYPE, Tile

SHAPE = (30, 44)


@pytest.fixture
def rng():
    return np.random.default_rng(7)


@pytest.fixture
def master(rng):
    image = rng.random(SHAPE, dtype=np.float32)
    return Master(
        kind="flat",
        image=image,
        uncertainty=image / 10,
        frames=500,
        clipped=0.0012,
        level=123.456789,
        offset=0.0,
        good=image > 0.05,
        sources=(Source("flät " + "x" * 90 + ".ser", "a" * 64), Source("b.ser", "b" * 64)),
        warnings=("5° off, ± 2",),
    )


@pytest.fixture
def tile(rng):
    frames = np.zeros(5, FRAME_DTYPE)
    frames["frame"] = [3, 1, 4, 0, 2]
    frames["weight"] = [0, 1, 0.5, 0, 0.25]
    frames["shift_y"] = rng.normal(size=5)
    image = rng.random(SHAPE, dtype=np.float32)
    image[0, :3] = np.nan
    return Tile(
        name="sun_01",
        image=image,
        weight=rng.random(SHAPE, dtype=np.float32),
        noise=1.25,
        frames=frames,
        sharpness=0.031,
        time_utc="2041-03-09T09:30:00.158",
        recording="first/sün_01.ser",
        masters={"dark": "d" * 64, "flat": "f" * 64},
        warnings=("truncated",),
    )


@pytest.fixture
def disk(rng):
    natural = rng.random(SHAPE, dtype=np.float32)
    natural[:2] = np.nan
    return Disk(
        natural=natural,
        uniform=natural * 2,
        weight=np.isfinite(natural).astype(np.float32),
        tile=rng.integers(-1, 2, SHAPE).astype(np.int16),
        to_disk=rng.random((2, 2, 3)),
        limb=Circle((14.5, 21.25), 12.125, 0.1, 360, (0.01, 0.02, 0.03), 0.001),
        header={
            "CTYPE1": "HPLN-TAN",
            "CTYPE2": "HPLT-TAN",
            "CUNIT1": "arcsec",
            "CUNIT2": "arcsec",
            "CRPIX1": 22.25,
            "CRPIX2": (15.5, "1-based"),
            "CRVAL1": 0.0,
            "CRVAL2": 0.0,
            "CDELT1": 1.5,
            "CDELT2": 1.5,
            "DATE-OBS": "2041-03-09T09:30:00.000",
            "DSUN_OBS": 1.486e11,
            "HGLN_OBS": 0.0,
            "HGLT_OBS": -7.2,
            "RSUN_REF": 695700000.0,
            "BUNIT": "DN",
            "OBSERVER": "Zoë",
        },
        profile=rng.random((9, 2)),
        arcsec_per_px=1.5,
        warnings=("a tilt was taken out",),
    )


def same(one, other):
    """Compare two records field by field, arrays bit by bit."""
    for field in dataclasses.fields(one):
        a, b = getattr(one, field.name), getattr(other, field.name)
        if isinstance(a, np.ndarray):
            assert a.dtype == b.dtype, field.name
            assert b.dtype.isnative, field.name
            np.testing.assert_array_equal(a, b, field.name)
        else:
            assert a == b or (a != a and b != b), field.name  # what is not known is NaN


def test_a_master_comes_back_as_it_was(tmp_path, master):
    write_master(tmp_path / "flat.fits", master)
    same(master, read_master(tmp_path / "flat.fits"))


def test_a_tile_comes_back_as_it_was(tmp_path, tile):
    write_tile(tmp_path / "a.fits", tile)
    same(tile, read_tile(tmp_path / "a.fits"))
    assert tile_recording(tmp_path / "a.fits") == "first/sün_01.ser"


def test_what_is_not_known_of_a_tile_stays_unknown(tmp_path, tile):
    write_tile(tmp_path / "a.fits", dataclasses.replace(tile, time_utc=None, noise=np.nan))
    back = read_tile(tmp_path / "a.fits")
    assert back.time_utc is None
    assert np.isnan(back.noise)


def test_a_disk_comes_back_as_it_was(tmp_path, disk):
    write_disk(tmp_path / "disk.fits", disk)
    back = read_disk(tmp_path / "disk.fits", disk.to_disk)
    same(dataclasses.replace(disk, header={}), dataclasses.replace(back, header={}))
    assert back.header["CRPIX2"] == (15.5, "1-based")
    assert back.header["OBSERVER"][0] == "Zoe"
    assert set(back.header) == set(disk.header)


def test_a_disk_without_limb_or_scale(tmp_path, disk):
    bare = dataclasses.replace(disk, limb=None, arcsec_per_px=None, header={}, profile=np.zeros((0, 2)))
    write_disk(tmp_path / "disk.fits", bare)
    same(bare, read_disk(tmp_path / "disk.fits", disk.to_disk))


@pytest.mark.parametrize("kind", ["master", "tile", "disk"])
def test_files_are_sound_fits_without_clock_time(tmp_path, request, monkeypatch, kind):
    record = request.getfixturevalue(kind)
    write = {"master": write_master, "tile": write_tile, "disk": write_disk}[kind]
    write(tmp_path / "a.fits", record)
    monkeypatch.setenv("TZ", "UTC+7")
    # whatever the library would stamp, it is not in the file
    monkeypatch.setattr(fits.hdu.base._ValidHDU, "_get_timestamp", lambda self: "1999-12-31T23:59:59")
    write(tmp_path / "b.fits", record)
    assert (tmp_path / "a.fits").read_bytes() == (tmp_path / "b.fits").read_bytes()
    with fits.open(tmp_path / "a.fits", checksum=True) as hdus:  # a wrong sum would be a warning: an error here
        hdus.verify("exception")
        for hdu in hdus:
            assert {"CHECKSUM", "DATASUM"} <= set(hdu.header)
            assert hdu.header.comments["CHECKSUM"] == cards.CHECKSUM_COMMENT
            _ = hdu.data


def test_the_layout_of_the_files(tmp_path, master, tile, disk):
    write_master(tmp_path / "m.fits", master)
    write_tile(tmp_path / "t.fits", tile)
    write_disk(tmp_path / "d.fits", disk)
    with fits.open(tmp_path / "m.fits") as hdus:
        assert [hdu.name for hdu in hdus] == ["PRIMARY", "UNCERT", "GOOD"]
        assert hdus[0].header["NFRAMES"] == 500
        assert hdus[0].header["SHA1"] == "a" * 64
    with fits.open(tmp_path / "t.fits") as hdus:
        assert [hdu.name for hdu in hdus] == ["PRIMARY", "WEIGHT", "FRAMES"]
        assert hdus["FRAMES"].columns.names == list(FRAME_DTYPE.names)
        assert hdus[0].header["MSHA2"] == "f" * 64
    with fits.open(tmp_path / "d.fits") as hdus:
        assert [hdu.name for hdu in hdus] == ["PRIMARY", "UNIFORM", "WEIGHT", "TILE", "PROFILE"]
        assert hdus["TILE"].header["BITPIX"] == 16
        assert hdus[0].header["BITPIX"] == -32


def test_every_image_of_the_disk_opens_as_a_solar_map(tmp_path, disk):
    sunpy_map = pytest.importorskip("sunpy.map")
    write_disk(tmp_path / "disk.fits", disk)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        maps = sunpy_map.Map(tmp_path / "disk.fits")
    assert len(maps) == 4
    # 0-based reference pixel, as the library counts
    assert maps[0].reference_pixel.x.value == pytest.approx(21.25, abs=1e-9)
    assert maps[0].scale.axis1.value == pytest.approx(1.5, abs=1e-9)


def test_the_identity_of_a_master_is_that_of_the_bytes_in_the_file(tmp_path, master):
    write_master(tmp_path / "m.fits", master)
    with fits.open(tmp_path / "m.fits") as hdus:
        start = hdus[0].fileinfo()["datLoc"]
    stored = (tmp_path / "m.fits").read_bytes()[start : start + 4 * SHAPE[0] * SHAPE[1]]
    assert hashlib.sha256(stored).hexdigest() == pixels_sha256(master.image)


@pytest.mark.parametrize("damage", ["flip", "cut", "text"])
def test_a_damaged_product_is_told_in_one_sentence(tmp_path, tile, damage):
    path = tmp_path / "a.fits"
    write_tile(path, tile)
    data = bytearray(path.read_bytes())
    if damage == "flip":
        data[2880 * 2 + 100] ^= 0x40
    path.write_bytes(b"not a FITS file\n" if damage == "text" else data[:-2880] if damage == "cut" else data)
    with pytest.raises(InputError, match=r"a\.fits: found a damaged or foreign file .*; remove it and run again"):
        read_tile(path)


def test_another_fits_file_is_no_product(tmp_path):
    fits.PrimaryHDU(np.zeros((3, 4), np.float32)).writeto(tmp_path / "a.fits")
    with pytest.raises(InputError, match="foreign"):
        read_master(tmp_path / "a.fits")


def test_what_was_written_wrong_does_not_get_its_name(tmp_path, tile, monkeypatch):
    path = tmp_path / "a.fits"

    def flip(part):
        with open(part, "r+b") as handle:
            handle.seek(2880 * 2 + 100)
            handle.write(b"\xff\xff")

    verify = cards._verify
    monkeypatch.setattr(cards, "_verify", lambda part: (flip(part), verify(part)))
    with pytest.raises(cards.OutputError, match="other bytes than were written"):
        write_tile(path, tile)
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ("Zürich – 5 µm", "Zurich - 5 um"),
        ("Straße", "Strasse"),
        ("日", "?"),
        ("a\nb", "a?b"),
        ("plain", "plain"),
    ],
)
def test_header_texts_are_ascii(text, plain):
    assert cards.ascii_text(text) == plain
