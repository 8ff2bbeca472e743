"""``session.toml``: what a person knows about a session, and what they want.

The file is written once by ``survey`` (see `session_text`), made to be read and edited. Its word wins over
names and content.
"""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from diskmosaic.errors import bad_input
from diskmosaic.observation import Observation
from diskmosaic.pictures.recipe import Recipe
from diskmosaic.session.slips import explain
from diskmosaic.settings import SESSION_FILE, Settings

Role = Literal["tile", "flat", "dark", "ignore"]
Positive = Annotated[float, Field(gt=0)]
Point = tuple[Annotated[float, Field(allow_inf_nan=False)], Annotated[float, Field(allow_inf_nan=False)]]


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class SessionTable(_Table):
    """``[session]``."""

    name: str = Field("", description="title of the session, for captions and the report")
    author: str = Field("", description="who made it, for captions and the pictures' metadata")
    credit: str = Field("", description="credit line of the pictures; the author unless given")
    rights: str = Field("", description="who owns the pictures and how they may be used, for their metadata")
    caption: str = Field("", description="caption of the pictures; written from the facts unless given")


class InstrumentTable(_Table):
    """``[instrument]``: what the light went through; every value may be left out."""

    telescope: str = Field("", description="name of the telescope, for captions")
    telescope_focal_mm: Positive | None = Field(None, description="focal length of the telescope alone, mm")
    extender: Positive = Field(1.0, description="factor of the focal extender; 1: none")
    aperture_mm: Positive | None = Field(None, description="free aperture, mm")
    camera: str = Field("", description="name of the camera, for captions")
    pixel_um: Positive | None = Field(None, description="size of a recorded (binned) pixel, micrometres")
    wavelength_nm: Positive | None = Field(None, description="centre of the passband, nm")
    mosaic: Literal["auto", "none", "RGGB", "GRBG", "GBRG", "BGGR"] = Field(
        "auto", description="a colour camera's first 2 x 2 px in reading order; auto: as the files say"
    )
    channel: Literal["auto", "red", "green", "blue", "mean", "all"] = Field(
        "auto",
        description="what is taken of a colour camera: one colour (narrow band), the mean of each 2 x 2 px or of three "
        "planes, or all pixels as if it were mono; auto: by wavelength and light",
    )


class PlaceTable(_Table):
    """``[place]``: where it was recorded; only for captions and refraction."""

    name: str = Field("", description="name of the place, for captions")
    latitude_deg: Annotated[float, Field(ge=-90, le=90)] | None = Field(None, description="north positive")
    longitude_deg: Annotated[float, Field(ge=-180, le=180)] | None = Field(None, description="east positive")


class ObservationTable(_Table):
    """``[observation]``: when, and how the Sun lay on the sensor."""

    time_utc: AwareDatetime | None = Field(
        None,
        description="reference time with its zone, instead of the times in the recordings",
    )
    north_deg: Annotated[float, Field(ge=-360, le=360)] | None = Field(
        None,
        description="where solar north lies on the frame shown with its first row on top: "
        "0 up, 90 right, 180 down, 270 left (clockwise)",
    )
    mirrored: bool | None = Field(
        None,
        description="false: with north up the Sun's east limb is on the left, as the naked eye sees it; "
        "true: on the right (an odd number of mirrors)",
    )
    drive_stopped: tuple[str, str] | None = Field(
        None,
        description="two tiles between which the drive stood still: they tell north_deg (with times, and mirrored)",
    )


class LayoutTable(_Table):
    """``[layout]``: the order in which the tiles were recorded, if it was a grid."""

    order: Literal["rows", "serpentine"] | None = Field(
        None, description="rows: every row (or column) from the same side; serpentine: every other one backwards"
    )
    rows: Annotated[int, Field(ge=1)] | None = Field(None, description="of the grid")
    columns: Annotated[int, Field(ge=1)] | None = Field(None, description="of the grid")
    along: Literal["rows", "columns"] = Field("rows", description="what was recorded first: a row, or a column")
    first: Literal["top left", "top right", "bottom left", "bottom right"] = Field(
        "top left",
        description="corner of the grid where the first tile lies, as a frame shows the Sun with its first row on top",
    )
    overlap: Annotated[float, Field(ge=0, le=0.9)] = Field(
        0.25, description="share of a tile's side that neighbours have in common"
    )
    tolerance: Annotated[float, Field(gt=0, le=1)] = Field(
        0.1, description="how far tiles may lie from grid or near, share of a tile's shorter side (standard error)"
    )


class HandTable(_Table):
    """What a person says of a tile's place, in ``[recordings."NAME"]``."""

    cell: tuple[Annotated[int, Field(ge=1)], Annotated[int, Field(ge=1)]] | None = Field(
        None, description="row and column in the grid of [layout], from 1, top left first; instead of its turn"
    )
    near_yx_px: Point | None = Field(
        None, description="about where it lies: px down and right on the unturned mosaic, from any point common to all"
    )
    near_arcsec: Point | None = Field(
        None, description="the same as the mount tells it: arcsec east and north on the sky, from any common point"
    )
    pin_to: str | None = Field(
        None, description='it is pinned to this recording, or to "sun", the centre of the disk; with pin_yx_px'
    )
    pin_yx_px: Point | None = Field(
        None, description="exactly where its first pixel lies, px down and right of the other's first pixel (or of sun)"
    )
    nudge_yx_px: Point | None = Field(None, description="moved by so many px down and right when all is placed")
    not_with: tuple[str, ...] = Field((), description="recordings with which it is never matched")


class RecordingTable(HandTable):
    """``[recordings."NAME"]``."""

    role: Role
    note: str = ""


class SessionDocument(_Table):
    """The whole of ``session.toml``, checked."""

    session: SessionTable = SessionTable()
    instrument: InstrumentTable = InstrumentTable()
    place: PlaceTable = PlaceTable()
    observation: ObservationTable = ObservationTable()
    layout: LayoutTable = LayoutTable()
    recordings: dict[str, RecordingTable] = Field(default_factory=dict)
    recipes: dict[str, Recipe] = Field(default_factory=dict)
    settings: Settings = Settings()


def observation_of(document: SessionDocument) -> Observation:
    """Gather the numbers of a session that the disk and the pictures need."""
    instrument, place, observation = document.instrument, document.place, document.observation
    time = observation.time_utc
    return Observation(
        name=document.session.name,
        author=document.session.author,
        credit=document.session.credit,
        rights=document.session.rights,
        caption=document.session.caption,
        telescope=instrument.telescope,
        camera=instrument.camera,
        place=place.name,
        telescope_focal_mm=instrument.telescope_focal_mm,
        extender=instrument.extender,
        aperture_mm=instrument.aperture_mm,
        pixel_um=instrument.pixel_um,
        wavelength_nm=instrument.wavelength_nm,
        latitude_deg=place.latitude_deg,
        longitude_deg=place.longitude_deg,
        time_utc=None if time is None else _iso_utc(time),
        north_deg=observation.north_deg,
        mirrored=observation.mirrored,
        drive_stopped=observation.drive_stopped,
    )


def _iso_utc(time: datetime) -> str:
    return time.astimezone(UTC).replace(tzinfo=None).isoformat()


def read_session(path: Path) -> SessionDocument:
    """Read and check a ``session.toml``.

    Parameters
    ----------
    path : pathlib.Path

    Returns
    -------
    SessionDocument

    Raises
    ------
    InputError
        When it is no TOML, or a key or a value is wrong; the sentence names the key.
    """
    return parse_session(_read_text(path), path.name)


def parse_session(text: str, name: str = SESSION_FILE) -> SessionDocument:
    """Check the text of a ``session.toml``; like `read_session`."""
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise bad_input(name, found=f"a slip of the pen ({error})", expected="TOML", todo="correct that line") from None
    try:
        return SessionDocument.model_validate(values)
    except ValidationError as error:
        raise explain(name, error, SessionDocument) from None


def _read_text(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError:
        raise bad_input(
            path.name, found="bytes that are no UTF-8 text", expected="a text file", todo="save it as UTF-8"
        ) from None
    except OSError as error:
        raise bad_input(
            path,
            found=(error.strerror or "an error").lower(),
            expected="a readable file",
            todo="check its permissions",
        ) from None
