"""Pictures: what is where, in which files, in which bytes."""

import json
from dataclasses import replace

import cv2
import numpy as np
import pytest
import tifffile
from diskmosaic.arrays.sharpen import deblur
from diskmosaic.errors import OutputError
from diskmosaic.files.icc import gray_profile, srgb_profile
from diskmosaic.observation import Observation
from diskmosaic.pictures import light
from diskmosaic.pictures.export import export_pictures
from diskmosaic.pictures.frame import Frame
from diskmosaic.pictures.light import in_order
from diskmosaic.pictures.make import Maker
from diskmosaic.pictures.metadata import caption_of
from diskmosaic.pictures.recipe import DiskStep, NegativeStep, ProminencesStep, Recipe, ToneStep, default_recipes
from diskmosaic.pictures.stretch import CANVAS_RADII, render
from diskmosaic.records.light import Disk
from diskmosaic.records.places import Circle
from diskmosaic.settings import PictureSettings
from PIL import Image, ImageCms

PLAIN = {"disk": Recipe(title="The disk", steps=(DiskStep(), ToneStep()))}
CENTRE, RADIUS, SHAPE = (148.3, 171.6), 120.0, (300, 340)
LIMB = Circle(CENTRE, RADIUS, 0.1, 1000)


def make_disk(limb=LIMB, header=None, shape=SHAPE):
    """A limb-darkened disk with mild structure, a bright mark at larger y, scattered light, and a gap in the
    sky."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float64)
    r = np.hypot(y - CENTRE[0], x - CENTRE[1]) / RADIUS
    mu = np.sqrt(np.clip(1 - r**2, 0, 1))
    profile = np.where(r < 1, 0.4 + 0.6 * mu, 0.0)
    structure = 1 + 0.05 * np.sin(x / 5) * np.cos(y / 7)
    structure[int(CENTRE[0]) + 60 : int(CENTRE[0]) + 66, int(CENTRE[1]) - 3 : int(CENTRE[1]) + 3] = 1.6
    natural = 3000 * (profile * structure + 0.02)
    uniform = np.where(r < 1, 3000 * structure, np.nan)
    natural[:20] = np.nan
    return Disk(
        natural.astype(np.float32),
        uniform.astype(np.float32),
        np.isfinite(natural).astype(np.float32),
        np.zeros(shape, np.int16),
        np.zeros((1, 2, 3)),
        limb,
        header or {},
        np.zeros((0, 2)),
        None,
    )


def picture_of(disk, **options):
    return render(disk.natural, disk.uniform, disk.limb, **({"gamma": 1.0, "north_up": False} | options))


def test_canvas_is_square_and_centred_on_the_limb():
    picture = picture_of(make_disk())
    side = 2 * int(np.ceil(CANVAS_RADII * RADIUS)) + 1
    assert picture.shape == (side, side)
    lit = picture > 6553  # the edge of a disk whose quiet level is about the middle
    y, x = np.flatnonzero(lit.any(1)), np.flatnonzero(lit.any(0))
    middle = (side - 1) / 2
    assert abs((y[0] + y[-1]) / 2 - middle) <= 1  # half a pixel of placing, half a pixel of the threshold
    assert abs((x[0] + x[-1]) / 2 - middle) <= 1
    assert abs(len(y) - 2 * RADIUS) <= 3  # one and a half pixels of edge on either side


def test_sky_and_gaps_are_black_and_the_disk_is_not_clipped():
    picture = picture_of(make_disk(), gamma=0.8)
    side = picture.shape[0]
    y, x = np.mgrid[:side, :side] - (side - 1) / 2
    r = np.hypot(y, x) / RADIUS
    assert picture[r > 1.03].max() <= 655  # 1 % of white, also where covered and uncovered sky meet
    assert picture[r > CANVAS_RADII].max() == 0
    disk = picture[r < 0.97]
    assert ((disk == 0) | (disk == 65535)).mean() < 1e-3
    assert np.percentile(disk, 99) - np.percentile(disk, 1) > 0.25 * 65535


def test_limb_falls_without_a_rim():
    """Along rays the light falls from disk to sky steadily: no bright or dark ring (5 % for the
    structure)."""
    disk = make_disk()
    flat = np.where(np.isfinite(disk.uniform), 3000, np.nan).astype(np.float32)
    picture = render(disk.natural, flat, LIMB, gamma=1.0, north_up=False) / 65535
    side = picture.shape[0]
    middle = (side - 1) // 2
    for ray in (picture[middle, middle:], picture[middle, middle::-1], picture[middle:, middle]):
        assert np.diff(ray).max() < 0.01
        assert ray[int(0.97 * RADIUS)] == pytest.approx(ray[0], rel=0.02)


def test_prominence_is_shown_and_fades_towards_the_canvas_edge():
    """A streak a little brighter than the limb, straight out: seen, and black where the canvas ends."""
    disk = make_disk()
    row = round(CENTRE[0])
    disk.natural[row - 2 : row + 3, round(CENTRE[1] + RADIUS) :] = 2000
    picture = picture_of(disk) / 65535
    middle = picture.shape[0] // 2
    ray = picture[middle, middle:]
    assert ray[int(1.03 * RADIUS)] > 0.1
    assert ray[-1] < 0.001
    assert np.abs(np.diff(ray[int(1.03 * RADIUS) :])).max() < 0.25  # smooth step over 4.8 px: 1.5 / 4.8 of 0.72


def test_north_is_up_only_where_north_is_known():
    """The bright mark at larger y is at the bottom as the camera saw it, at the top of a disk turned to
    north."""
    disk = make_disk()
    for north_up, half in ((False, slice(140, None)), (True, slice(None, 120))):
        picture = picture_of(disk, north_up=north_up)
        rows = np.flatnonzero((picture > 0.93 * 65535).sum(1) >= 5)
        assert len(rows) == 6
        assert np.isin(rows, np.arange(picture.shape[0])[half]).all()
    assert np.array_equal(picture_of(disk, north_up=True), picture_of(disk, north_up=False)[::-1])


def test_part_of_a_disk_keeps_its_own_frame():
    disk = make_disk()
    cut = render(disk.natural[:, 100:], disk.uniform[:, 100:], None, gamma=1.0, north_up=False)
    assert cut.shape == (SHAPE[0] - 20, SHAPE[1] - 100)
    far = Circle((CENTRE[0], CENTRE[1] - 100), RADIUS, 0.1, 500)
    again = render(disk.natural[:, 100:], disk.uniform[:, 100:], far, gamma=1.0, north_up=False)
    assert again.shape == cut.shape


def test_bands_and_byte_order_change_nothing(monkeypatch):
    disk = make_disk()
    whole = picture_of(disk)
    monkeypatch.setattr("diskmosaic.pictures.stretch._ROWS", 37)
    swapped = render(disk.natural.astype(">f4"), disk.uniform.astype(">f4"), LIMB, gamma=1.0, north_up=False)
    assert np.array_equal(whole, swapped)


def test_files_hold_the_picture_and_a_profile(tmp_path):
    disk = make_disk(header={"NORTHUP": (True, ""), "DATE-OBS": ("2031-06-04T09:30:00.000", "")})
    seen = Observation(name="Über dem Fjord", wavelength_nm=656.28)
    paths = export_pictures(disk, tmp_path / "pictures", seen, PictureSettings(), PLAIN).whole
    assert [path.name for path in paths] == ["disk.png", "disk.tif", "disk.jpg"]
    expected = picture_of(disk, gamma=0.8, north_up=True)
    text = "Über dem Fjord, The disk, 2031-06-04 09:30 UTC, 656.28 nm"
    with Image.open(paths[0]) as png:
        assert png.mode == "I;16"
        assert np.array_equal(np.asarray(png), expected)
        assert png.info["icc_profile"] == gray_profile()
        assert png.info["Description"] == text
    with tifffile.TiffFile(paths[1]) as tif:
        page = tif.pages[0]
        assert np.array_equal(page.asarray(), expected)
        assert page.iccprofile == gray_profile()
        assert page.tags["ResolutionUnit"].value == 1  # none
        assert "DateTime" not in page.tags
    with Image.open(paths[2]) as jpeg:
        assert jpeg.mode == "RGB"
        assert jpeg.info["icc_profile"] == srgb_profile()
        values = np.asarray(jpeg).astype(float)
    assert np.ptp(values, axis=2).max() <= 1  # gray
    assert np.abs(values[..., 0] - expected / 257).mean() < 2  # what JPEG at this quality costs


def test_same_disk_same_bytes(tmp_path):
    first = export_pictures(make_disk(), tmp_path / "a", None, PictureSettings(), PLAIN).whole
    second = export_pictures(make_disk(), tmp_path / "b", None, PictureSettings(), PLAIN).whole
    assert [path.read_bytes() for path in first] == [path.read_bytes() for path in second]


def test_threads_and_company_change_no_byte(tmp_path):
    """Each picture is made once for all purposes; alone, or by more threads, its files are the same."""
    recipes = default_recipes()
    settings = PictureSettings(web_widths_px=(200,), print_widths_cm=(1,), wallpaper_px=(160, 90), closeup_px=64)
    page, alone = {"page": tmp_path / "zoom"}, {"page": tmp_path / "zoom", "whole": False}
    both = export_pictures(prepared(), tmp_path / "a", None, settings, recipes, **page)
    three = export_pictures(prepared(), tmp_path / "b", None, settings, recipes, jobs=3)
    four = export_pictures(prepared(), tmp_path / "c", None, settings, recipes, jobs=4, **alone)

    def contents(paths, top):
        return {path.relative_to(top).as_posix(): path.read_bytes() for path in paths if path.is_relative_to(top)}

    assert contents(both.whole, tmp_path / "a") == contents(three.whole, tmp_path / "b") != {}
    assert contents(both.showing, tmp_path / "a") == contents(four.showing, tmp_path / "c") != {}
    assert (three.showing, four.whole) == ([], [])


def test_recipes_come_in_an_order_that_shares_the_light(monkeypatch):
    """Deblurring, the same in five of the usual recipes, is done once."""
    done = []
    monkeypatch.setattr(light, "deblur", lambda *a, **k: done.append(1) or deblur(*a, **k))
    recipes, maker = default_recipes(), Maker(prepared())
    names = in_order(recipes)
    assert sorted(names) == sorted(recipes)
    for name in names:
        maker.make(name, recipes[name])
    assert len(done) == 1


def test_folder_that_cannot_be_made_is_told(tmp_path):
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(OutputError, match=r"taken.*expected a folder"):
        export_pictures(make_disk(), tmp_path / "taken", None, PictureSettings(), PLAIN)


def test_profiles_have_no_clock_in_them():
    for profile in (gray_profile(), srgb_profile()):
        assert profile[24:36] == bytes([7, 208, 0, 1, 0, 1, 0, 0, 0, 0, 0, 0])
        assert int.from_bytes(profile[:4], "big") == len(profile)


def test_gray_profile_is_srgbs_gray():
    """Outside reference: the LittleCMS engine carries gray through our profile to sRGB and back (one
    level)."""
    from io import BytesIO

    ours = ImageCms.ImageCmsProfile(BytesIO(gray_profile()))
    ramp = Image.fromarray(np.arange(256, dtype=np.uint8)[None, :])
    carried = ImageCms.profileToProfile(ramp, ours, ImageCms.createProfile("sRGB"), outputMode="RGB")
    assert np.abs(np.asarray(carried)[0].astype(int) - np.arange(256)[:, None]).max() <= 1


def test_description_says_what_is_known():
    frame = Frame(np.eye(2, 3), (10, 20))
    assert caption_of("", frame, None) == "The Sun"
    timed = replace(frame, time_utc="2031-06-04T09:30:00")
    assert caption_of("negative", timed, None) == "The Sun, negative, 2031-06-04 09:30 UTC"


def test_frame_says_where_the_disk_lies():
    """A single bright pixel of the disk lies where the frame says, north up or not."""
    for north_up in (False, True):
        disk = make_disk(header={"NORTHUP": (north_up, "")})
        disk.uniform[120, 130] = 30000.0
        picture = Maker(disk).make("disk", PLAIN["disk"])
        y, x = picture.frame.to_picture((120, 130))
        assert np.unravel_index(picture.gray.argmax(), picture.gray.shape) == (y, x)
        assert picture.gray.shape == picture.frame.shape
        assert np.allclose(picture.frame.to_disk((y, x)), (120, 130))
        assert np.allclose(picture.frame.to_disk(picture.frame.limb.centre_yx), CENTRE)


def prepared(north_up=True):
    """A disk large enough for its limb to be measured, with time and pole."""
    cards = {"DATE-OBS": "2024-09-08T09:30:00", "SOLAR_P0": 22.9, "HGLT_OBS": 7.25, "CRLN_OBS": 146.5}
    disk = make_disk(header={"NORTHUP": (north_up, ""), **cards})
    image = cv2.GaussianBlur(np.nan_to_num(disk.natural, nan=60.0), (0, 0), 1.5)
    image += np.random.default_rng(2).normal(0, 3.0, SHAPE)
    image[:20] = np.nan
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    mu = np.sqrt(np.clip(1 - (np.hypot(y - CENTRE[0], x - CENTRE[1]) / RADIUS) ** 2, 0, 1))
    flat = (image / (0.4 + 0.6 * mu)).astype(np.float32)
    weight = np.where(np.isfinite(image), 50, 0).astype(np.float32)
    return replace(disk, natural=image.astype(np.float32), uniform=flat, weight=weight, arcsec_per_px=8.0)


def test_every_usual_recipe_is_made_and_tells_what_was_done():
    maker = Maker(prepared(), Observation(name="A day", wavelength_nm=656.28))
    for name, recipe in default_recipes().items():
        picture = maker.make(name, recipe)
        assert [done.step for done in picture.done] == [step.step for step in recipe.steps]
        assert all(done.sentence for done in picture.done)
        assert picture.gray.shape == picture.frame.shape
        assert (picture.ramp is not None) == any(step.step == "colour" for step in recipe.steps)
        assert picture.pixels.shape[:2] == picture.frame.shape
        assert json.dumps([[done.settings, done.found] for done in picture.done])
        assert not picture.warnings


def test_what_recipes_share_is_the_same_in_any_order_and_for_any_threads():
    recipes = default_recipes()
    first, second = Maker(prepared()), Maker(prepared(), jobs=2)
    forwards = {name: first.make(name, recipes[name]).gray for name in recipes}
    for name in reversed(recipes):
        assert np.array_equal(second.make(name, recipes[name]).gray, forwards[name])


def test_the_usual_pictures_promise_nothing_that_is_not_known():
    """No grid without north or time, no light of its own without a wavelength."""
    known = Maker(prepared(), Observation(wavelength_nm=656.28)).usual()
    assert "map" in known
    assert "its own light" in known["colour"].title
    assert "map" not in Maker(prepared(north_up=False)).usual()
    assert "its own light" not in Maker(prepared()).usual()["colour"].title


def test_without_a_limb_steps_are_left_out_and_told():
    picture = Maker(replace(prepared(), limb=None)).make("colour", default_recipes()["colour"])
    told = " ".join(picture.warnings)
    for step in ("deblur", "prominences"):
        assert f"the step {step} was left out: no limb is known" in told
        assert step not in [done.step for done in picture.done]


def radii_of(picture):
    y, x = np.mgrid[: picture.shape[0], : picture.shape[1]]
    return np.hypot(y - (picture.shape[0] - 1) / 2, x - (picture.shape[1] - 1) / 2) / RADIUS


def test_negative_turns_all_or_the_disk_alone():
    maker = Maker(prepared())
    steps = (DiskStep(radii=1.2), ProminencesStep(lift=20), ToneStep())
    plain = maker.make("a", Recipe(steps=steps)).gray
    assert np.array_equal(maker.make("b", Recipe(steps=(*steps, NegativeStep()))).gray, 65535 - plain)
    disk = maker.make("c", Recipe(steps=(*steps, NegativeStep(of="disk")))).gray
    r = radii_of(plain)
    assert np.abs(disk[r < 0.9].astype(int) + plain[r < 0.9] - 65535).max() <= 1
    assert np.abs(disk[r > 1.08].astype(int) - plain[r > 1.08]).max() <= 655  # the disk's own last light: 1 %


def test_darkened_disk_leaves_prominences_as_they_are():
    disk = prepared()
    disk.natural[140:156, 300:312] = disk.uniform[140:156, 300:312] = 400.0
    maker = Maker(disk)
    bright, dark = (
        maker.make("a", Recipe(steps=(DiskStep(radii=1.2), ProminencesStep(lift=20), ToneStep(brightness=b)))).gray
        for b in (1.0, 0.1)
    )
    r = radii_of(bright)
    assert np.allclose(dark[r < 0.9], 0.1 * bright[r < 0.9], atol=1)
    beyond = (r > 1.08) & (r < 1.15) & (bright > 20000)
    assert beyond.sum() > 50
    assert np.allclose(dark[beyond], bright[beyond], atol=655)


@pytest.mark.parametrize(("up", "north_deg"), [("solar north", 0.0), ("celestial north", -22.9), ("camera", 12.0)])
def test_what_is_up_is_up_and_the_frame_knows(up, north_deg):
    """The bright mark of the disk lies where the frame says; with celestial north up solar north lies P to the east."""
    angle = np.deg2rad(12.0)
    # a camera that sees north 12 degrees clockwise of up: sensor (y, x) to (north, west)
    matrix = np.array([[-np.cos(angle), np.sin(angle), 0.0], [np.sin(angle), np.cos(angle), 0.0]])
    disk = replace(make_disk(header={"NORTHUP": (True, ""), "SOLAR_P0": 22.9}), to_disk=matrix[None])
    disk.uniform[np.isfinite(disk.uniform)] = 3000.0
    disk.uniform[185:190, 230:235] = 30000.0
    picture = Maker(disk).make("a", Recipe(steps=(DiskStep(up=up), ToneStep(gamma=1.0))))
    assert picture.frame.north_deg == pytest.approx(north_deg)
    assert not picture.frame.mirrored
    bright = np.argwhere(picture.gray > 0.98 * 65535)
    # a block of 5 px, cut at a value
    assert np.abs(bright.mean(axis=0) - picture.frame.to_picture((187, 232))).max() < 0.3
    north = picture.frame.to_picture(np.add(CENTRE, (RADIUS, 0))) - picture.frame.limb.centre_yx
    assert np.rad2deg(np.arctan2(north[1], -north[0])) == pytest.approx(north_deg)
