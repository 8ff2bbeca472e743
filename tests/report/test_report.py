"""The report: complete, self-contained, the same bytes each time."""

import dataclasses
import json
import re
from html.parser import HTMLParser
from importlib.resources import files

import numpy as np
import pytest
from diskmosaic.errors import InputError
from diskmosaic.files.assembly import read_assembly
from diskmosaic.files.masterfile import read_master
from diskmosaic.report.curves import radial_profile
from diskmosaic.report.data import before_and_after, block_mean, radial_profiles, read_disk_view, read_tiles
from diskmosaic.report.figures import Chart, nice_ticks, number, short_names, stretched, tile_map
from diskmosaic.report.report import write_report

from made_up_products import CENTRE, RADIUS, make_products

SETTINGS = "diskmosaic run merrow\n[instrument]\nextender = 4.0\n"


@pytest.fixture(scope="module")
def out(tmp_path_factory):
    folder = tmp_path_factory.mktemp("out")
    make_products(folder)
    return folder


def page_of(folder, warnings=()):
    path = write_report(folder, title="Evening <1> & more", settings_text=SETTINGS, warnings=warnings)
    assert path == folder / "report.html"
    return path.read_text(encoding="utf-8")


class Reader(HTMLParser):
    """Collects tags and addresses, and checks that what is opened is closed."""

    VOID = frozenset({"meta", "img", "input", "image", "path", "polyline", "polygon"})

    def __init__(self):
        super().__init__()
        self.open, self.tags = [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def all(self, name):
        return [attributes for tag, attributes in self.tags if tag == name]


def parsed(page):
    reader = Reader()
    reader.feed(page)
    reader.close()
    assert reader.open == []
    return reader


def test_page_has_every_section(out):
    page = page_of(out)
    titles = re.findall(r"<h2>(.*?)</h2>", page)
    assert titles == [
        "Warnings",
        "Tiles left out",
        "The disk",
        "Map of the tiles",
        "Masters",
        "A tile before and after the flat",
        "Grading of the frames",
        "Levels",
        "Limb",
        "Radial profile",
        "To repeat this run",
        "Safety",
    ]
    assert "Evening &lt;1&gt; &amp; more" in page
    assert "extender = 4.0" in page
    assert "no tile shares enough of the Sun" in page
    assert "Never look at the Sun" in page


def test_no_warning_is_lost_and_each_is_told_once(out):
    page = page_of(out, ["the scale rests on a guess <of the focal length> & no more", "first of all"])
    box = page[page.index("<h2>Warnings") : page.index("<h2>Tiles left out")]
    items = re.findall("<li>(.*?)</li>", box)
    assert items == [
        "the scale rests on a guess &lt;of the focal length&gt; &amp; no more",
        "first of all",
        "the flat&#x27;s corners are dim",
        "spot05: a cloud passed: frames 40 to 52 are dim",
    ]


def test_page_is_well_formed_and_asks_nothing_of_a_network(out):
    reader = parsed(page_of(out))
    for tag in ("img", "image"):
        for attributes in reader.all(tag):
            assert (attributes.get("src") or attributes["href"]).startswith("data:image/jpeg;base64,")
    assert not reader.all("link")
    assert not reader.all("script")
    assert "http:" not in page_of(out)
    assert "https:" not in page_of(out)


def test_every_picture_is_told_in_words(out):
    reader = parsed(page_of(out))
    assert all(len(attributes["alt"]) > 5 for attributes in reader.all("img"))
    assert all(len(attributes["aria-label"]) > 5 for attributes in reader.all("svg"))
    assert len(reader.all("svg")) == 1 + 10 + 1 + 2  # map, grading of ten tiles, limb, two profiles


def test_same_products_same_bytes(out, tmp_path):
    make_products(tmp_path)
    assert page_of(out) == page_of(tmp_path)


def test_disk_without_north_or_limb_is_told_so(tmp_path):
    make_products(tmp_path, oriented=False, limb=False)
    page = page_of(tmp_path)
    assert "as the camera saw it, north unknown" in page
    assert "No limb was found" in page
    assert "time unknown" in page
    parsed(page)


def test_bare_assembly_still_makes_a_page(tmp_path):
    make_products(tmp_path)
    for path in [*(tmp_path / "masters").iterdir(), *(tmp_path / "tiles").iterdir()]:
        path.unlink()
    page = page_of(tmp_path)
    assert "No dark and no flat" in page
    assert "The tiles&#x27; files are not here" in page or "The tiles' files are not here" in page
    parsed(page)


def test_seams_are_shown_where_measured(tmp_path):
    make_products(tmp_path)
    path = tmp_path / "assembly.json"
    document = json.loads(path.read_text())
    document["seams"] = [{"a": "spot01.ser", "b": "spot02.ser", "step_percent": 0.123}]
    path.write_text(json.dumps(document))
    page = page_of(tmp_path)
    assert "<h2>Seams</h2>" in page
    assert "<td>0.123</td>" in page


def test_places_are_listed_with_their_errors(tmp_path):
    make_products(tmp_path)
    path = tmp_path / "assembly.json"
    document = json.loads(path.read_text())
    first, *others = document["tiles"]
    first |= {"position_yx": [123.25, 45.5], "sigma_px": [0.03, 0.04], "angle_deg": -0.75, "mirrored": True}
    for other in others:
        other["sigma_px"] = None
    path.write_text(json.dumps(document))
    page = page_of(tmp_path)
    parsed(page)
    assert f"All {len(document['tiles'])} places as a table" in page
    rows = page[page.index("Where the tiles lie") :].split("<tr>")
    row = next(row for row in rows if "123.25" in row)
    cells = re.findall(r"<t[dh][^>]*>([^<]*)</t[dh]>", row)
    # 3, 4, 5; minus signs are typeset
    assert cells[1:] == ["123.25", "45.5", "0.05", "−0.75", "yes"]


def test_missing_assembly_is_told(tmp_path):
    with pytest.raises(InputError, match=r"assembly\.json: found no such file"):
        page_of(tmp_path)


def test_limb_residuals_and_profile_know_their_places(out):
    """Position angles run over the whole circle; the made disk's limb is where it was put.

    0.5 px: the steepest fall of a limb-darkened disk lies inside its edge by part of the blur (1.3 px).
    """
    view = read_disk_view(out, read_assembly(out / "assembly.json"))
    angle, off = view.limb_residuals.T
    assert np.histogram(angle, 8, (0, 360))[0].min() > 60
    assert np.abs(np.median(off)) < 0.5
    radius, natural, uniform = radial_profiles(view).T
    middle = (radius > 0.2) & (radius < 0.95)
    expected = 0.35 + 0.65 * np.sqrt(1 - radius[middle] ** 2)
    assert np.abs(natural[middle] / expected - 1).max() < 0.04  # the disk's structure and 40 ADU of sky
    assert np.abs(uniform[middle] - 1).max() < 0.04
    assert np.nanmax(natural[radius > 1.03]) < 0.03


def test_the_published_curve_stands_beside_the_measured_one_where_the_wavelength_is_known(out):
    view = read_disk_view(out, read_assembly(out / "assembly.json"))
    assert "Neckel" not in radial_profile(view)
    page = radial_profile(dataclasses.replace(view, header={"WAVELNTH": 640.97}))
    off = float(re.search(r"off it by ([\d.]+) % rms", page)[1])
    # the made disk is 0.35 + 0.65 mu; Neckel & Labs 1994, Table I, 640.97 nm
    mu = np.sqrt(1 - ((np.arange(98) + 0.5) / 100) ** 2)
    law = np.polynomial.polynomial.polyval(mu, [0.33644, 1.30590, -1.79238, 2.45040, -1.89979, 0.59943])
    ratio = (0.35 + 0.65 * mu) / law
    assert off == pytest.approx(100 * ratio.std() / ratio.mean(), abs=0.5)  # the made disk's structure, see above
    assert page.count("polyline") == 4
    assert "Neckel" not in radial_profile(dataclasses.replace(view, header={"WAVELNTH": 30.4}))


def test_position_angle_is_zero_in_the_north_and_ninety_in_the_east(out, monkeypatch):
    points = np.array([[CENTRE[0] + RADIUS + 1, CENTRE[1], 1], [CENTRE[0], CENTRE[1] - RADIUS - 2, 1]])
    monkeypatch.setattr("diskmosaic.report.data.edge_points", lambda *args, **options: points)
    view = read_disk_view(out, read_assembly(out / "assembly.json"))
    np.testing.assert_allclose(view.limb_residuals, [[0, 1], [90, 2]], atol=1e-9)


def test_before_is_the_tile_times_its_flat(out):
    tile = read_tiles(out)[4]
    flat = read_master(out / "masters" / "flat.fits")
    before, after = before_and_after(tile, {"flat": flat})
    np.testing.assert_allclose(before, after * flat.image, rtol=1e-6)
    assert before_and_after(tile, {}) is None


def test_block_mean_ignores_gaps():
    image = np.arange(35, dtype=np.float32).reshape(5, 7)
    image[0, 0] = np.nan
    image[2:4, 2:4] = np.nan
    small = block_mean(image, 2)
    assert small.shape == (2, 3)
    assert small[0, 0] == np.float32((1 + 7 + 8) / 3)
    assert np.isnan(small[1, 1])
    assert small[0, 2] == (4 + 5 + 11 + 12) / 4


def test_map_flips_with_north_and_draws_arrows_to_scale():
    square = np.array([(10, 20), (10, 60), (40, 60), (40, 20)], float)
    options = {"flip": True, "alt": "map"}
    links = [(0, 1, np.array([0.2, 0.0])), (0, 1, None)]
    flipped = tile_map("data:,", (100, 100), [square, square + 30], ["a", "b"], links, **options)
    straight = tile_map("data:,", (100, 100), [square, square + 30], ["a", "b"], links, flip=False, alt="map")
    assert 'points="20.0,89.0 60.0,89.0' in flipped
    assert 'points="20.0,10.0 60.0,10.0' in straight
    assert "l0.0 -7.0" in flipped  # towards larger y: up on a flipped page, 7 % of the side at most
    assert "l0.0 7.0" in straight
    assert flipped.count('class="arrow"') == 2  # one tie and the scale
    assert "0.1 px left over" in flipped


def test_chart_puts_points_where_they_belong():
    chart = Chart((0, 10), (0, 1), x_label="x", y_label="<y>", alt='say "this"')
    chart.line(np.array([0, 10, np.nan]), np.array([0, 1, 0.5]), "first")
    svg = chart.svg()
    assert 'points="52.0,190.0 404.0,10.0"' in svg
    assert "&lt;y&gt;" in svg
    assert "say &quot;this&quot;" in svg


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [(0, 10, [0, 2, 4, 6, 8, 10]), (-0.3, 0.3, [-0.2, 0, 0.2]), (995, 1005, [996, 998, 1000, 1002, 1004])],
)
def test_ticks_are_round(low, high, expected):
    np.testing.assert_allclose(nice_ticks(low, high), expected, atol=1e-12)


@pytest.mark.parametrize(
    ("value", "text"),
    [(1234567.0, "1234567"), (-0.25, "−0.25"), (0.00012, "0.00012"), (np.nan, "–"), (2.0, "2")],
)
def test_numbers_read_well(value, text):
    assert number(value) == text


@pytest.mark.parametrize(
    ("names", "short"),
    [
        (["tile_01_ha", "tile_02_ha"], ["01", "02"]),
        (["tile_1", "tile_12"], ["1", "12"]),
        (["north-east", "south-east"], ["nor", "sou"]),
        (["alone_in_the_field"], ["alone_in_the_field"]),
        (["same", "same2"], ["same", "same2"]),
    ],
)
def test_names_are_shortened_to_where_they_differ(names, short):
    assert short_names(names) == short


def test_stretch_is_straight_and_blank_is_black():
    assert stretched(np.array([1.0, 2.0, 3.0, 9.0, np.nan]), 1.0, 3.0).tolist() == [0, 128, 255, 255, 0]


def luminance(colour):
    """Relative luminance, WCAG 2.2 (definition from IEC 61966-2-1)."""
    channels = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


@pytest.mark.parametrize("scheme", [0, 1])
@pytest.mark.parametrize(
    ("ink", "paper"),
    [
        ("ink", "paper"),
        ("ink", "panel"),
        ("soft", "paper"),
        ("first", "paper"),
        ("second", "paper"),
        ("note-ink", "note"),
    ],
)
def test_text_can_be_read_in_light_and_dark(scheme, ink, paper):
    """WCAG 2.2, 1.4.3: at least 4.5 : 1."""
    css = files("diskmosaic").joinpath("report.css").read_text(encoding="utf-8")
    colours = dict(re.findall(r"--([\w-]+): (#\w{6});", css.split("@media (prefers")[scheme]))
    light, dark = sorted((luminance(colours[ink]), luminance(colours[paper])), reverse=True)
    assert (light + 0.05) / (dark + 0.05) >= 4.5
