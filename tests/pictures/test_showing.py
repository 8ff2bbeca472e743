"""Pictures for a purpose: which there are, what they show, that they open; and the page in a browser."""

import contextlib
import functools
import hashlib
import http.server
import json
import re
import threading
from dataclasses import replace

import numpy as np
import pytest
import tifffile
from diskmosaic.pictures.crops import Box, closeup_boxes, cut, scaled_frame, screen_box, square_box, wide_box
from diskmosaic.pictures.export import export_pictures, words_for
from diskmosaic.pictures.seen import alternative_text, find_regions
from diskmosaic.pictures.sphere import place_on_picture
from diskmosaic.pictures.zoom import TILE_PX, write_pyramid
from diskmosaic.settings import PictureSettings
from PIL import Image

from browser import CHROMIUM, Browser
from pictures_of import BRIGHT, DARK, OBSERVER, PLAIN, RADIUS, make_disk, make_shown

SETTINGS = PictureSettings(
    web_widths_px=(100, 300, 5000), print_widths_cm=(2, 50), wallpaper_px=(400, 225), closeups=3, closeup_px=128
)


def export(folder, jobs=1, **disk):
    disk, page = make_disk(**disk), folder / "zoom"
    return export_pictures(
        disk, folder / "pictures", OBSERVER, SETTINGS, PLAIN, whole=False, page=page, jobs=jobs
    ).showing


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    folder = tmp_path_factory.mktemp("shown")
    return folder, export(folder)


def test_regions_are_found_where_they_are():
    """Their centres to 2 px (the view's own pixel), their kind; a quiet disk has none."""
    disk = make_disk()
    regions = find_regions(disk.uniform, disk.limb)
    assert len(regions) == 2
    for region, (place, bright) in zip(regions, [(BRIGHT, True), (DARK, False)], strict=True):
        assert np.hypot(*np.subtract(region.centre_yx, place)) < 2
        assert region.bright is bright
    quiet = np.where(np.isfinite(disk.uniform), 1 + 0.004 * np.random.default_rng(1).normal(size=disk.uniform.shape), 0)
    assert find_regions(quiet.astype(np.float32), disk.limb) == []
    assert find_regions(disk.uniform, None) == []


def test_the_alternative_text_says_what_is_there():
    disk, frame = make_disk(), make_shown().frame
    regions = find_regions(disk.uniform, disk.limb)
    text = alternative_text(regions, frame, 656.28)
    assert text == (
        "The whole disk of the Sun in light of 656.28 nm, north up and east on the left. Two regions stand out from "
        "the quiet surface; the strongest, a bright one, lies at the upper left."
    )
    assert "Nothing stands out" in alternative_text([], frame, None)
    assert "One dark region" in alternative_text(regions[1:], frame, None)
    assert "lower right" in alternative_text(regions[1:], frame, None)
    assert alternative_text(regions, replace(frame, limb=None), None) == "A part of the Sun."


def test_cuts_and_smaller_pictures_know_where_the_disk_lies():
    """The spot's place on the disk, carried to the piece by its frame, is its darkest pixel there (grain: 2 px)."""
    picture = make_shown()
    for pixels, frame in (
        cut(picture.gray, picture.frame, Box(150, 200, 201, 190)),
        cut(picture.gray, picture.frame, Box(-30, -10, 500, 520)),  # reaches beyond the picture
    ):
        assert pixels.shape == frame.shape
        y, x = np.rint(frame.to_picture(DARK)).astype(int)
        near = pixels[y - 12 : y + 13, x - 12 : x + 13]
        at = np.unravel_index(np.argmin(near), near.shape)
        assert np.hypot(at[0] - 12, at[1] - 12) <= 3
    half = scaled_frame(picture.frame, (222, 222))
    assert half.limb.radius_px == pytest.approx(RADIUS * 222 / picture.frame.shape[0])
    assert half.arcsec_per_px * half.limb.radius_px == pytest.approx(make_disk().arcsec_per_px * RADIUS)


def test_boxes_hold_the_disk_and_close_ups_do_not_cover_each_other():
    disk, frame = make_disk(), make_shown().frame
    regions = find_regions(disk.uniform, disk.limb)
    square, wide, screen = square_box(frame), wide_box(frame, regions), screen_box(frame)
    (y, x), r = frame.limb.centre_yx, frame.limb.radius_px
    for box in (square, screen):
        assert box.top < y - r < y + r < box.top + box.height
        assert box.left < x - r < x + r < box.left + box.width
    assert square.height == square.width
    assert wide.width / wide.height == pytest.approx(16 / 9, abs=0.01)
    assert square.top <= wide.top <= frame.to_picture(BRIGHT)[0] <= wide.top + wide.height
    boxes = closeup_boxes(frame, regions, side_px=128, wanted=5)
    assert [region for _, region in boxes] == regions
    for box, region in boxes:
        at = frame.to_picture(region.centre_yx) - (box.top, box.left)
        assert (np.abs(at - 64) < 3).all()
    twice = [regions[0], regions[0], regions[1]]
    assert len(closeup_boxes(frame, twice, side_px=128, wanted=5)) == 2


def test_every_size_is_there_and_opens(shown):
    folder, written = shown
    names = {path.name for path in written if path.parent.name == "disk"}
    web = {f"web-{width}.{suffix}" for width in (100, 300) for suffix in ("jpg", "png", "webp")}
    cuts = {"square.jpg", "wide.jpg", "wallpaper.jpg"}
    closeups = {f"closeup-{n}.{suffix}" for n in (1, 2) for suffix in ("jpg", "png")}
    # nothing is made larger than the picture: no web-5000, no print-50cm
    assert names == web | cuts | closeups | {"print-2cm.jpg", "print-2cm.tif"}
    assert all(path.exists() for path in written)
    for path in (folder / "pictures" / "disk").iterdir():
        with Image.open(path) as image:
            image.load()
            assert image.info["icc_profile"]
            if path.name.startswith("print"):
                assert image.info["dpi"] == pytest.approx((300, 300))
                assert image.size[0] == round(2 / 2.54 * 300)
            if path.name.startswith("web"):
                assert image.size[0] == int(re.search(r"\d+", path.name).group())
    with Image.open(folder / "pictures" / "disk" / "wallpaper.jpg") as image:
        assert image.size == (400, 225)
    assert tifffile.imread(folder / "pictures" / "disk" / "print-2cm.tif").dtype == np.uint16


def test_close_ups_are_the_pictures_own_pixels_and_say_where_they_are(shown):
    folder, _ = shown
    picture, disk = make_shown(), make_disk()
    box, _ = closeup_boxes(picture.frame, find_regions(disk.uniform, disk.limb), side_px=128, wanted=1)[0]
    with Image.open(folder / "pictures" / "disk" / "closeup-1.png") as image:
        assert np.array_equal(np.asarray(image), cut(picture.gray, picture.frame, box)[0])
        told = image.info["Description"]
    latitude, longitude = map(
        int, re.search(r"bright region on the Sun, (\d+) degrees north and (\d+) degrees east", told).groups()
    )
    # back to the picture: whole degrees are 205 px * pi / 180 / 2 at most
    at = place_on_picture(picture.frame, latitude, -longitude)
    assert np.hypot(*(at - picture.frame.to_picture(BRIGHT))) < 4


def test_the_same_bytes_for_any_number_of_threads(shown, tmp_path):
    folder, written = shown
    again = export(tmp_path, jobs=2)
    assert [path.relative_to(tmp_path) for path in again] == [path.relative_to(folder) for path in written]
    for one, other in zip(written, again, strict=True):
        assert hashlib.sha256(one.read_bytes()).digest() == hashlib.sha256(other.read_bytes()).digest(), one


def test_a_part_of_the_sun_without_limb_or_north_is_shown_too(tmp_path):
    written = export(tmp_path, north=False, limb=False)
    assert (tmp_path / "zoom" / "index.html") in written
    assert not [path for path in written if path.name.startswith("closeup")]
    page = (tmp_path / "zoom" / "index.html").read_text("utf-8")
    assert json.loads(re.search(r'<script id="data"[^>]*>(.*?)</script>', page).group(1))["grid"] == []


def test_a_pyramid_is_the_picture_at_every_level(tmp_path, monkeypatch):
    """Deep Zoom: the finest level's tiles side by side are the picture; each level is half the one before.

    JPEG of quality 88 is off by 2 of 255 rms on this grain.
    """
    from diskmosaic.pictures import zoom

    monkeypatch.setattr(zoom, "TILE_PX", 128)
    picture = make_shown()
    ramp = np.stack([np.arange(65536), np.arange(65536) // 2, np.arange(65536) // 4], -1).astype(np.uint16)
    coloured = replace(picture, ramp=ramp)
    for name, one in (("gray", picture), ("colour", coloured)):
        write_pyramid(tmp_path, name, one)
        side = picture.frame.shape[0]
        for level in (9, 8, 7):
            tiles = tmp_path / f"{name}_files" / str(level)
            count = -(-side // 128)
            rows = [
                np.concatenate(
                    [np.asarray(Image.open(tiles / f"{c}_{r}.jpg").convert("RGB"), float) for c in range(count)], 1
                )
                for r in range(count)
            ]
            laid = np.concatenate(rows)
            assert laid.shape == (side, side, 3)
            wanted = one.pixels if one.pixels.ndim == 3 else np.stack([one.pixels] * 3, -1)
            step = 2 ** (9 - level)
            part = (wanted.shape[0] // step) * step
            wanted = wanted[:part, :part].reshape(part // step, step, part // step, step, 3).mean((1, 3)) / 257
            assert np.sqrt(np.mean((laid[: part // step, : part // step] - wanted) ** 2)) < 4
            side = -(-side // 2)
        assert 'Overlap="0" TileSize="128"' in (tmp_path / f"{name}.dzi").read_text("utf-8")
    assert TILE_PX == 512


# --- the page in a browser -------------------------------------------------------------------------------------------


@contextlib.contextmanager
def browser(folder, **options):
    tab = Browser(folder, **({"width": 1000, "height": 700} | options))
    try:
        yield tab
    finally:
        tab.close()


@contextlib.contextmanager
def served(folder):
    class Quiet(http.server.SimpleHTTPRequestHandler):
        def log_message(self, *_):
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), functools.partial(Quiet, directory=str(folder)))
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/index.html"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def grays(tab):
    import io

    return np.asarray(Image.open(io.BytesIO(tab.picture())).convert("L"), float)


needs_browser = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here")


@needs_browser
@pytest.mark.parametrize("way", ["disk", "server"])
def test_the_page_zooms_slides_and_asks_nobody_else(shown, tmp_path, way):
    page = shown[0] / "zoom"
    with contextlib.ExitStack() as stack:
        url = (page / "index.html").as_uri() if way == "disk" else stack.enter_context(served(page))
        tab = stack.enter_context(browser(tmp_path / "profile"))
        tab.open(url)
        home = url.removesuffix("index.html")
        assert tab.run("document.title") == OBSERVER.name
        assert "a bright one, lies at the upper left" in tab.run("document.getElementById('seen').textContent")
        tab.run("document.getElementById('full').click()")
        tab.settle()
        assert tab.run("sunView.percent()") == 100
        assert tab.run("document.getElementById('scale').textContent") == "100 %"
        # at 100 % the screen has the picture's own pixels: the middle of the view against the picture's middle
        plain = grays(tab)
        tab.run("document.getElementById('compare').click()")
        tab.settle()
        box = tab.run(
            "(r => [r.left, r.top, r.width, r.height])(document.getElementById('view').getBoundingClientRect())"
        )
        middle = (box[0] + box[2] / 2, box[1] + box[3] / 2)
        halves = grays(tab)
        left, right = slice(int(middle[0]) - 150, int(middle[0]) - 60), slice(int(middle[0]) + 60, int(middle[0]) + 150)
        rows = slice(int(middle[1]) - 150, int(middle[1]) - 40)
        assert np.abs(halves[rows, right] - plain[rows, right]).max() < 2  # this side still shows the picture
        assert np.abs(halves[rows, left] - plain[rows, left]).mean() > 5  # that one the other version
        tab.drag(middle, (middle[0] + 200, middle[1]))
        assert tab.run("document.getElementById('divider').getAttribute('aria-valuenow')") == str(
            round(100 * (0.5 + 200 / box[2]))
        )
        assert np.abs(grays(tab)[rows, right] - plain[rows, right]).mean() > 5
        tab.press("g")
        assert tab.run("document.getElementById('marks').getAttribute('aria-pressed')") == "true"
        assert tab.run("document.querySelectorAll('path.leaflet-interactive, .leaflet-overlay-pane path').length") > 20
        tab.press("0")
        tab.settle()
        assert tab.run("sunView.percent()") != 100
        assert [r for r in tab.requests if not r.startswith((home, "data:", "about:"))] == []
        assert tab.errors == []


@needs_browser
def test_no_line_shows_between_the_tiles(tmp_path, monkeypatch):
    """An even gray in several tiles is even on the screen at any zoom, to a level of 8 bits each for JPEG and scaling.

    The views are such as showed lines where tiles only touched.
    """
    from diskmosaic.pictures import zoom

    monkeypatch.setattr(zoom, "TILE_PX", 256)
    picture = make_shown()
    even = replace(picture, gray=np.full_like(picture.gray, 25000))
    zoom.write_zoom_page(tmp_path / "page", even, None, words_for(even, [], None), before_name="")
    with browser(tmp_path / "profile") as tab:
        tab.open((tmp_path / "page" / "index.html").as_uri())
        for y, x, at in [
            [256.04, 191.53, 0.472],
            [190.72, 212.25, 0.362],
            [189.27, 229.88, 0.481],
            [220.87, 240.24, 0.468],
            [220.0, 220.0, 0.0],
        ]:
            tab.run(f"sunView.map.setView([{-y}, {x}], {at}, {{animate: false}}) && 1")
            tab.settle()
            seen = grays(tab)
            height, width = (side // 2 for side in seen.shape)
            assert np.ptp(seen[height - 150 : height + 60, width - 100 : width + 100]) <= 2, (y, x, at)


@needs_browser
def test_the_page_fits_a_small_phone(shown, tmp_path):
    """No sideways scrolling, buttons of 44 px (WCAG 2.5.5), the whole disk in view, finer tiles on a fine screen."""
    with browser(tmp_path / "profile", width=360, height=640, scale=2, touch=True) as tab:
        tab.open((shown[0] / "zoom" / "index.html").as_uri())
        assert tab.run("document.documentElement.scrollWidth") <= 360
        sizes = tab.run(
            "[...document.querySelectorAll('#tools button')].map(b => b.getBoundingClientRect())"
            ".map(r => [r.left, r.right, r.width, r.height])"
        )
        assert all(w >= 44 and h >= 44 and left >= 0 and right <= 360 for left, right, w, h in sizes)
        assert tab.run("document.getElementById('about').open") is False
        assert tab.run("sunView.map.getBounds().getEast() - sunView.map.getBounds().getWest()") > 2 * RADIUS
        tab.run("document.getElementById('full').click()")
        tab.settle()
        assert tab.run("sunView.percent()") == 100
        assert tab.run("[...document.querySelectorAll('img.leaflet-tile')].some(t => t.src.includes('_files/9/'))")
        assert tab.errors == []
