import json

import pytest
from diskmosaic import cli
from diskmosaic.planning import Equipment, Schedule, plan_session, sampling_of, tiles_along

TELESCOPE = ["--focal-mm", "500", "--extender", "4", "--aperture-mm", "100"]
ARGUMENTS = [*TELESCOPE, "--pixel-um", "5.86", "--width", "1936", "--height", "1216"]
EQUIPMENT = Equipment(focal_mm=500, extender=4, pixel_um=5.86, size_px=(1216, 1936), aperture_mm=100)


# computed by hand: 1936x1216 px at 0.6044" give 3 x 4 tiles, 4144x2822 px of 4.63 um at 1500 mm 1 x 2
@pytest.mark.parametrize(
    ("size_px", "scale", "overlap", "tiles"),
    [((1936, 1216), 0.60436, 0.25, (3, 4)), ((4144, 2822), 0.63667, 0.2, (1, 2))],
)
def test_tiles_cover_the_area_and_no_row_is_too_many(size_px, scale, overlap, tiles):
    area = 1.1 * 1952
    for side, count in zip(size_px, tiles, strict=True):
        field = side * scale
        axis = tiles_along(field, area, overlap)
        assert axis.tiles == count
        if count > 1:
            assert axis.overlap >= overlap
            assert field + (count - 1) * field * (1 - axis.overlap) == pytest.approx(area)
            assert field + (count - 2) * field * (1 - overlap) < area


@pytest.mark.parametrize(("pixel_um", "ratio"), [(2.4, 7.3), (3.45, 10.5), (5.86, 17.9)])
def test_critical_sampling_in_h_alpha(pixel_um, ratio):
    """Cut-off frequency of a round aperture D / wavelength, two pixels to a period: N = 2 p / wavelength."""
    found = sampling_of(Equipment(focal_mm=800, pixel_um=pixel_um, size_px=(9, 9), aperture_mm=100))
    assert found.critical_focal_ratio == pytest.approx(ratio, abs=0.05)
    at_critical = Equipment(
        focal_mm=100 * found.critical_focal_ratio, pixel_um=pixel_um, size_px=(9, 9), aperture_mm=100
    )
    assert sampling_of(at_critical).ratio == pytest.approx(1)


@pytest.mark.parametrize(("aperture", "arcsec"), [(60, 2.75), (100, 1.65), (150, 1.10)])
def test_rayleighs_limit(aperture, arcsec):
    """1.22 wavelength / D at 656.28 nm."""
    found = sampling_of(Equipment(focal_mm=800, pixel_um=3, size_px=(9, 9), aperture_mm=aperture))
    assert found.rayleigh_arcsec == pytest.approx(arcsec, abs=0.005)


def test_time_room_and_turning():
    needs = plan_session(EQUIPMENT, Schedule("2024-07-05T00:00:00", frames=1200, frames_per_s=80, pause_s=30))
    assert needs.focal_mm == 2000  # an extender multiplies the focal length by its factor
    assert needs.arcsec_per_px == pytest.approx(0.6044, abs=1e-4)
    assert needs.disk_arcsec == pytest.approx(2 * 943.452, abs=0.01)  # IAU nominal radius at 1.016725 au
    assert needs.tile_s == 15
    assert needs.session_s == needs.tiles * 15 + (needs.tiles - 1) * 30
    assert needs.flat_frames == 600
    assert needs.tile_bytes == 1200 * 1936 * 1216
    # Howard et al. 1990 at the equator less the Earth's way, B0 = 3.3 deg: 9.31 arcsec/h at 1 au; 2 % less far away
    assert needs.drift_arcsec_per_h == pytest.approx(9.31 * 943.452 / 959.63, rel=0.01)
    assert needs.longest_tile_s == pytest.approx(3600 * needs.arcsec_per_px / needs.drift_arcsec_per_h)


def call(capsys, *arguments):
    with pytest.raises(SystemExit) as left:
        cli.main(["plan", *arguments])
    captured = capsys.readouterr()
    return left.value.code, captured.out, captured.err


def test_the_command_tells_numbers_advice_and_cautions(capsys):
    code, out, err = call(capsys, *ARGUMENTS, "--date", "2024-07-05")
    assert (code, err) == (0, "")
    assert "2000 mm (500 mm x 4), f/20.0" in out
    assert "4 rows x 2 columns = 8" in out  # 1.05 x 1886.9 = 1981 arcsec of frames 1170 x 735
    assert "Never look at the Sun through optics" in out
    assert "500 frames for 1000 of a tile" in out


def test_the_document_holds_the_same(capsys):
    code, out, _ = call(capsys, *ARGUMENTS, "--date", "2024-07-05T10:00:00", "--json")
    document = json.loads(out)
    assert code == 0
    assert document["tiles"] == document["down"]["tiles"] * document["across"]["tiles"]
    assert document["sampling"]["ratio"] == pytest.approx(0.5 * 656.28e-6 / 100 * 206_265 / 0.6044, abs=0.01)
    assert len(document["safety"]) == 4


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        (["--extender", "1"], "an extender of 3.6x would take it all"),
        (["--extender", "8"], "finer than the aperture's detail"),
        (["--overlap", "0", "--margin", "0.15"], "20 to 30 % is safe"),
        (["--frames", "30000"], "record at most"),
        (["--extender", "0.5"], "no mosaic is needed"),
    ],
)
def test_advice(capsys, changes, told):
    _, out, _ = call(capsys, *ARGUMENTS, "--date", "2024-07-05", *changes)
    assert told in out
    _, out, _ = call(capsys, *ARGUMENTS, "--date", "2024-07-05")
    assert told not in out


def test_mistakes(capsys):
    assert call(capsys, *ARGUMENTS, "--date", "soon")[0] == 1
    assert call(capsys, *ARGUMENTS, "--extender", "0")[0] == 2
    assert call(capsys, "--focal-mm", "500")[0] == 2
