"""What a picture says about itself, in the forms that agencies, museums and programs read.

XMP with the names of the IPTC (credit, rights, caption, alternative text) and of Astronomy Visualization Metadata 1.2;
EXIF with the time. Nothing here is the time of writing: the same picture says the same.

Coordinates. AVM has no solar frame. Three things are said, each where the standard allows it: ``Spatial.*`` is the
place of the Sun among the stars at the picture's time, with scale and rotation; ``Spatial.FITSheader`` is the
helioprojective header of ``disk.fits`` carried to this picture's pixels; ``Spatial.Notes`` says centre, radius and
north in words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from PIL import Image

from diskmosaic._version import __version__
from diskmosaic.files.cards import ascii_text
from diskmosaic.files.xmp import Ordered, Said, Unordered, xmp_packet
from diskmosaic.pictures.frame import Frame
from diskmosaic.pictures.picture import Done
from diskmosaic.sky.sun import ephemeris, helioprojective_cards, read_time, sky_place

if TYPE_CHECKING:
    from diskmosaic.observation import Observation

AGENT = f"diskmosaic {__version__}"
_VISIBLE_NM = (380.0, 780.0)  # CIE; what AVM calls the optical band is taken a little wider
_DESCRIPTION, _MODEL, _SOFTWARE, _ARTIST, _COPYRIGHT, _EXIF = 0x010E, 0x0110, 0x0131, 0x013B, 0x8298, 0x8769
_TIME_TAKEN, _TIME_FRACTION, _TIME_ZONE = 0x9003, 0x9291, 0x9011


@dataclass(frozen=True)
class Words:
    """What is said of a picture in words.

    Attributes
    ----------
    title, caption, alternative : str
        The alternative text stands for the picture where it cannot be seen.
    author, credit, rights : str
        Empty where a person named none.
    telescope, camera, place : str
    wavelength_nm : float or None
    coloured : bool
        Not gray.
    done : tuple of Done
        How it was made.
    """

    title: str
    caption: str
    alternative: str
    author: str = ""
    credit: str = ""
    rights: str = ""
    telescope: str = ""
    camera: str = ""
    place: str = ""
    wavelength_nm: float | None = None
    coloured: bool = False
    done: tuple[Done, ...] = ()


@dataclass(frozen=True)
class Metadata:
    """What is embedded: a line of text, an XMP packet, EXIF as TIFF bytes, and the XMP as text."""

    caption: str
    xmp: bytes
    exif: bytes
    tags: tuple[tuple[int, str], ...]


def words_of(
    title: str, frame: Frame, alternative: str, observation: Observation | None, *, coloured: bool, done: Sequence[Done]
) -> Words:
    """Gather the words; the caption is the person's, else what, when, in which light, with what."""
    if observation is None:
        return Words(title, caption_of(title, frame, None), alternative, coloured=coloured, done=tuple(done))
    return Words(
        title=observation.name or title,
        caption=observation.caption or caption_of(title, frame, observation),
        alternative=alternative,
        author=observation.author,
        credit=observation.credit or observation.author,
        rights=observation.rights,
        telescope=observation.telescope,
        camera=observation.camera,
        place=observation.place,
        wavelength_nm=observation.wavelength_nm,
        coloured=coloured,
        done=tuple(done),
    )


def caption_of(title: str, frame: Frame, observation: Observation | None) -> str:
    """One line: what, when, in which light, with what, where."""
    parts = ["The Sun", title]
    if frame.time_utc is not None:
        parts.append(f"{read_time(frame.time_utc):%Y-%m-%d %H:%M} UTC")
    if observation is not None:
        parts[0] = observation.name or parts[0]
        if observation.wavelength_nm is not None:
            parts.append(f"{observation.wavelength_nm:g} nm")
        parts += [observation.telescope, observation.place]
    return ", ".join(part for part in parts if part)


def metadata_of(words: Words, frame: Frame) -> Metadata:
    """Write words and geometry in the standards' forms.

    Parameters
    ----------
    words : Words
    frame : Frame
        Of the picture that is written: after cropping and scaling.

    Returns
    -------
    Metadata
    """
    time = None if frame.time_utc is None else read_time(frame.time_utc)
    stamp = None if time is None else time.isoformat(timespec="seconds")
    properties = {
        "dc:title": Said(words.title),
        "dc:description": Said(words.caption),
        "dc:creator": Ordered((words.author,) if words.author else ()),
        "dc:rights": Said(words.rights),
        "dc:subject": Unordered(("Sun",)),
        "xmpRights:Marked": "True" if words.rights else "",
        "xmpRights:UsageTerms": Said(words.rights),
        "photoshop:Headline": words.title,
        "photoshop:Credit": words.credit,
        "photoshop:Source": words.author,
        "photoshop:DateCreated": stamp and f"{stamp}Z",
        "exif:DateTimeOriginal": stamp and f"{stamp}Z",
        "xmp:CreatorTool": AGENT,
        "Iptc4xmpCore:AltTextAccessibility": Said(words.alternative),
        "Iptc4xmpCore:Location": words.place,
        "xmpMM:History": Ordered(tuple(_event(done) for done in words.done)),
        "avm:Type": "Observation",
        "avm:Subject.Category": Unordered(("A.3",)),  # solar system, star; from memory
        "avm:Facility": Ordered((words.telescope,) if words.telescope else ()),
        "avm:Instrument": Ordered((words.camera,) if words.camera else ()),
        "avm:Temporal.StartTime": Ordered((stamp,) if stamp else ()),
        **_light(words),
        **_coordinates(frame),
        "avm:MetadataVersion": "1.2",
    }
    xmp = xmp_packet(properties)
    tags = [(_DESCRIPTION, ascii_text(words.caption)), (_SOFTWARE, AGENT)]
    for tag, text in ((_MODEL, words.camera), (_ARTIST, words.author), (_COPYRIGHT, words.rights)):
        if text:
            tags.append((tag, ascii_text(text)))
    exif = Image.Exif()
    for tag, text in tags:
        exif[tag] = text
    if time is not None:
        exif[_EXIF] = {
            _TIME_TAKEN: f"{time:%Y:%m:%d %H:%M:%S}",
            _TIME_FRACTION: f"{time.microsecond // 1000:03d}",
            _TIME_ZONE: "+00:00",
        }
    return Metadata(words.caption, xmp, exif.tobytes().removeprefix(b"Exif\0\0"), tuple(sorted(tags)))


def _event(done: Done) -> dict[str, str]:
    """A step as an event of the file's history (XMP, part 2: ResourceEvent)."""
    settings = ", ".join(f"{key} = {value}" for key, value in done.settings.items() if key != "step")
    return {
        "stEvt:action": "produced",
        "stEvt:parameters": f"{done.step}: {done.sentence}" + (f" ({settings})" if settings else ""),
        "stEvt:softwareAgent": AGENT,
    }


def _light(words: Words) -> dict[str, object]:
    """AVM's description of the light; its four lists go together, an item for each picture that was combined."""
    if words.wavelength_nm is None:
        return {}
    low, high = _VISIBLE_NM
    band = (
        "Optical" if low <= words.wavelength_nm <= high else "Infrared" if words.wavelength_nm > high else "Ultraviolet"
    )
    return {
        "avm:Spectral.ColorAssignment": Ordered(("Pseudocolor" if words.coloured else "Grayscale",)),
        "avm:Spectral.Band": Ordered((band,)),
        "avm:Spectral.CentralWavelength": Ordered((f"{words.wavelength_nm:g}",)),
    }


def _coordinates(frame: Frame) -> dict[str, object]:
    """AVM's Spatial tags; pixels count from 1 at the lower left, as FITS has them."""
    height, width = frame.shape
    if frame.limb is None:
        return {}
    y, x = frame.limb.centre_yx
    notes = (
        f"Disk centre at ({x + 1:.2f}, {height - y:.2f}) px from the lower left, radius {frame.limb.radius_px:.2f} px"
    )
    if None in (frame.north_deg, frame.time_utc, frame.arcsec_per_px, frame.p_deg, frame.b0_deg, frame.l0_deg):
        return {"avm:Spatial.Notes": Said(f"{notes}. Solar north is not known.")}
    notes += (
        f", {frame.arcsec_per_px:.5f} arcsec/px; solar north {frame.north_deg:g} deg clockwise from up"
        f"{', east on the right of it' if frame.mirrored else ''}; P {frame.p_deg:.3f}, B0 {frame.b0_deg:.3f}, "
        f"L0 {frame.l0_deg:.3f} deg. The frame among the stars holds for {frame.time_utc} UTC and the Earth's centre; "
        "Spatial.FITSheader has the solar coordinates."
    )
    spatial: dict[str, object] = {"avm:Spatial.Notes": Said(notes), "avm:Spatial.FITSheader": solar_header(frame)}
    spatial["avm:Spatial.ReferenceDimension"] = Ordered((str(width), str(height)))
    if frame.mirrored:  # AVM's scale and rotation cannot say it: only the header does
        return spatial
    ra, dec, pole = sky_place(frame.time_utc)
    scale = frame.arcsec_per_px / 3600
    # the y axis is celestial north turned by this, counter-clockwise on the picture being eastward
    rotation = (-(pole + frame.north_deg) + 180) % 360 - 180
    return spatial | {
        "avm:Spatial.CoordinateFrame": "ICRS",
        "avm:Spatial.Equinox": "2000.0",
        "avm:Spatial.ReferenceValue": Ordered((f"{ra:.7f}", f"{dec:.7f}")),
        "avm:Spatial.ReferencePixel": Ordered((f"{x + 1:.4f}", f"{height - y:.4f}")),
        "avm:Spatial.Scale": Ordered((f"{-scale:.12f}", f"{scale:.12f}")),
        "avm:Spatial.Rotation": f"{rotation:.6f}",
        "avm:Spatial.CoordsystemProjection": "TAN",
        "avm:Spatial.Quality": "Full",
    }


def solar_header(frame: Frame) -> str:
    """Write the helioprojective header of a picture, cards of 80 letters without line ends.

    Pixels are those that FITS would have: row 1 at the bottom.
    """
    from astropy.io import fits

    height, width = frame.shape
    y, x = frame.limb.centre_yx
    sun = ephemeris(frame.time_utc)
    cards = helioprojective_cards(
        time_utc=frame.time_utc,
        centre_yx=(height - 1 - y, x),
        arcsec_per_px=frame.arcsec_per_px,
        ephemeris=sun,
        rotation_deg=0.0,
    )
    turn = np.deg2rad(frame.north_deg)
    side = -1.0 if frame.mirrored else 1.0
    # rows: solar west, solar north, on (x right, y up); north is turned clockwise from up
    matrix = [[side * np.cos(turn), -side * np.sin(turn)], [np.sin(turn), np.cos(turn)]]
    header = fits.Header([("NAXIS", 2), ("NAXIS1", width), ("NAXIS2", height)])
    for keyword, (value, comment) in cards.items():
        header[keyword] = (value, comment)
    for i in (0, 1):
        for j in (0, 1):
            header[f"PC{i + 1}_{j + 1}"] = float(matrix[i][j]) + 0.0
    return header.tostring(padding=False)
