"""Text files of ``key = value`` lines that a capture program leaves beside a recording."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

SUFFIXES = (".txt", ".ini", ".cfg")
MAX_BYTES = 1 << 18  # a settings file is a few kB; longer ones are something else

KEYS = {
    "gain": "gain",
    "exposure": "exposure_s",
    "exposure time": "exposure_s",
    "exptime": "exposure_s",
    "shutter": "exposure_s",
    "bin": "binning",
    "binning": "binning",
    "roi": "region",
    "region": "region",
    "capture area": "region",
    "capture area size": "region",
    "resolution": "region",
    "date-obs": "time_utc",
    "time": "time_utc",
    "timestamp": "time_utc",
    "mid": "time_utc",
    "start": "start_utc",
    "start time": "start_utc",
    "start capture": "start_utc",
    "end": "end_utc",
    "end time": "end_utc",
    "end capture": "end_utc",
}
SECONDS = {"s": 1.0, "sec": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "μs": 1e-6}
_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
_EXPOSURE = re.compile(rf"({_NUMBER})\s*(?:/\s*({_NUMBER}))?\s*([a-zµμ]*)")
_TIME = re.compile(r"(\d{4})[-/](\d\d)[-/](\d\d)[T ](\d\d):(\d\d)(?::(\d\d)(\.\d+)?)?\s*(Z|UTC|[-+]\d\d:?\d\d)?")


def read_sidecar(recording: Path) -> dict[str, str]:
    """Read the settings beside a recording.

    Parameters
    ----------
    recording : Path
        For ``A.ser`` the files ``A.txt``, ``A.ser.txt``, ``A.anything.txt`` and ``A_word.txt`` are looked
        for, with the suffixes of `SUFFIXES`; the first by name wins where two give the same key.

    Returns
    -------
    dict
        'gain', 'exposure_s', 'binning', 'region', 'time_utc', 'start_utc', 'end_utc' where given; other keys
        as they stand, also times that are not marked as UTC. Empty where there is no such file.
    """
    beside = re.compile(re.escape(recording.stem) + r"(\..+|[_\- ][^\W\d_]+)?")
    facts: dict[str, str] = {}
    for path in sorted(recording.parent.glob("*")):
        if path.suffix.lower() in SUFFIXES and beside.fullmatch(path.stem) and path.is_file():
            for key, value in _lines(path):
                name, value = _normal(key, value)
                facts.setdefault(name, value)
    return facts


def _lines(path: Path) -> list[tuple[str, str]]:
    with path.open("rb") as file:
        data = file.read(MAX_BYTES + 1)
    if len(data) > MAX_BYTES:
        return []
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        text = data.decode("utf-16", errors="replace")
    else:
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = data.decode("cp1252", errors="replace")
    pairs = []
    for line in text.splitlines():
        key, equals, value = line.partition("=")
        if equals and key.strip() and not key.lstrip().startswith(("#", ";", "[")):
            pairs.append((key.strip(), value.strip()))
    return pairs


def _normal(key: str, value: str) -> tuple[str, str]:
    """Return the pair under its common name, or as it stands where its meaning is not certain."""
    unit = re.search(r"[\[(]\s*([^\])]*?)\s*[\])]|_(ms|us|s|utc)$", key)
    plain = key if unit is None else (key[: unit.start()] + key[unit.end() :])
    plain = re.sub(r"[\s_]+", " ", plain).strip().lower()
    unit = (unit.group(1) or unit.group(2) or "").lower() if unit is not None else ""
    if plain.endswith(" utc"):
        plain, unit = plain[:-4], "utc"
    name = KEYS.get(plain)
    if name == "exposure_s":
        seconds = _seconds(value, unit)
        return (name, f"{seconds:.10g}") if seconds is not None else (key, value)
    if name in ("time_utc", "start_utc", "end_utc"):
        time = utc(value) if unit == "utc" or plain == "date-obs" or _marked(value) else None
        return (name, time) if time is not None else (key, value)
    if name == "gain":
        number = re.match(_NUMBER, value)
        return (name, number.group()) if number else (key, value)
    if name == "binning":
        number = re.match(r"\d+", value)
        return (name, number.group()) if number else (key, value)
    return (name or key), value


def _seconds(value: str, unit: str) -> float | None:
    """Exposure in seconds; a number without a unit counts as seconds."""
    found = _EXPOSURE.match(value.strip().lower())
    if found is None:
        return None
    factor = SECONDS.get(found.group(3) or unit or "s")
    below = float(found.group(2)) if found.group(2) else 1.0
    return float(found.group(1)) / below * factor if factor is not None and below > 0 else None


def _marked(text: str) -> bool:
    found = _TIME.match(text.strip())
    return found is not None and found.group(8) is not None


def utc(text: str) -> str | None:
    """Return an ISO 8601 time as UTC with 'Z' at its end, None where it is none.

    A time without a zone counts as UTC; digits beyond microseconds are dropped.
    """
    found = _TIME.match(text.strip())
    if found is None:
        return None
    *parts, second, fraction, zone = found.groups()
    micro = (fraction or ".")[1:7].ljust(6, "0")
    offset = "+00:00" if zone in (None, "Z", "UTC") else zone
    try:
        time = datetime.fromisoformat(
            f"{'-'.join(parts[:3])}T{':'.join(parts[3:])}:{second or '00'}.{micro}{offset}"
        ).astimezone(UTC)
    except (ValueError, OverflowError):
        return None
    return time.replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"
