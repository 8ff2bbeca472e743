import pytest
from diskmosaic.files.sidecar import read_sidecar, utc


def beside(tmp_path, text, name="tile_1.txt", encoding="utf-8"):
    (tmp_path / name).write_bytes(text.encode(encoding))
    return read_sidecar(tmp_path / "tile_1.ser")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_common_keys(tmp_path, encoding):
    lines = ["[Camera]", "# a remark = 5", "Gain = 120 (20%)", "Exposure = 2.5 ms", "Binning = 2x2"]
    lines += ["ROI=1936x1216", "Temperature=21.5 °C", "no pair here"]
    facts = beside(tmp_path, "\r\n".join(lines), encoding=encoding)
    assert facts == {
        "gain": "120",
        "exposure_s": "0.0025",
        "binning": "2",
        "region": "1936x1216",
        "Temperature": "21.5 °C",
    }


@pytest.mark.parametrize(
    ("line", "seconds"),
    [
        ("Shutter = 500us", "0.0005"),
        ("Exposure (ms) = 3", "0.003"),
        ("exposure_us = 250", "0.00025"),
        ("EXPTIME = .04", "0.04"),
        ("Exposure = 1/400 s", "0.0025"),
        ("Exposure [µs] = 10", "1e-05"),
    ],
)
def test_exposure_in_seconds(tmp_path, line, seconds):
    assert beside(tmp_path, line)["exposure_s"] == seconds


def test_an_exposure_without_sense_stays_as_it_stands(tmp_path):
    assert beside(tmp_path, "Exposure = auto\nShutter = 3 lines\n") == {
        "Exposure": "auto",
        "Shutter": "3 lines",
    }


def test_only_times_marked_as_utc_count(tmp_path):
    text = "Start = 2031-06-01 14:00:00\nTime = 2031-06-01T14:00:00+02:00\n"
    text += "End (UTC) = 2031-06-01 12:00:09.1234567\n"
    assert beside(tmp_path, text) == {
        "Start": "2031-06-01 14:00:00",
        "time_utc": "2031-06-01T12:00:00.000000Z",
        "end_utc": "2031-06-01T12:00:09.123456Z",
    }


@pytest.mark.parametrize("text", ["", "noon", "2031-13-01T00:00:00", "0001-01-01T00:00:00+14:00"])
def test_no_time(text):
    assert utc(text) is None


@pytest.mark.parametrize("name", ["tile_1.txt", "tile_1.ser.txt", "tile_1.settings.ini", "tile_1_settings.TXT"])
def test_names_that_belong_to_the_recording(tmp_path, name):
    assert beside(tmp_path, "gain=7", name) == {"gain": "7"}


@pytest.mark.parametrize("name", ["tile_10.txt", "tile_1_2.txt", "tile_2.txt", "tile_1.csv", "1.txt"])
def test_names_that_do_not(tmp_path, name):
    assert beside(tmp_path, "gain=7", name) == {}


def test_huge_and_binary_files_are_harmless(tmp_path):
    assert beside(tmp_path, "gain=7\n" * 100_000) == {}
    (tmp_path / "tile_1.txt").write_bytes(bytes(range(256)) * 10)
    assert isinstance(read_sidecar(tmp_path / "tile_1.ser"), dict)
