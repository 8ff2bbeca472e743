"""What a person can set, with defaults, units and limits.

Every stage takes one of these frozen records; `Settings` holds them all and is the ``[settings]`` table of
``session.toml``. A value out of range or a misspelt key is refused with the key's name.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

MEND_TILES = 5  # with fewer tiles, what they share on the sensor cannot be told from the Sun

Fraction = Annotated[float, Field(gt=0, le=1)]

SESSION_FILE = "session.toml"  # where a person sets it


class StageSettings(BaseModel):
    """Base of the stages' settings: frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class MasterSettings(StageSettings):
    """How masters are averaged."""

    clip_sigma: float = Field(5.0, gt=2, description="values further off than this are left out of the mean")
    flat: Literal["auto", "stare", "slewed"] = Field(
        "auto",
        description="how the flat was recorded: stare (defocused, at rest), slewed (the Sun moves), auto (look)",
    )
    mend: bool = Field(True, description="find what the flat leaves behind from all tiles together, and take it out")
    follow_shift: bool = Field(False, description="use a flat that lies displaced, after moving it")
    pilot_frames: int = Field(31, ge=5, description="frames whose median starts the clipping")


class TileSettings(StageSettings):
    """How the frames of a recording become one tile."""

    keep: Fraction = Field(0.35, description="share of the frames that is stacked, best first")
    min_frames: int = Field(20, ge=1, description="never stack fewer frames than this, where there are as many")
    local_fields: bool = Field(True, description="follow the seeing's warps patch by patch")
    field_step_px: int = Field(24, ge=16, description="grid step of the displacement field")
    per_patch: bool = Field(
        False, description="choose the best moments place by place; sharper in uneven air, up to three times the time"
    )
    clip_sigma: float = Field(
        7.0,
        ge=0,
        description="birds, satellites, cosmic hits: what differs by more deviations of noise from what is expected is "
        "taken out of a frame; 0: nothing",
    )
    finer: float = Field(
        1.0, ge=1, le=3, description="tile pixels to a camera pixel on each axis, for cameras that sample too coarsely"
    )
    pixel_share: float = Field(
        0.7, ge=0.2, le=1, description="share of its side to which a camera pixel is shrunk on a finer grid"
    )


class PlacementSettings(StageSettings):
    """How tiles find their places."""

    min_overlap: Fraction = Field(0.03, description="smallest shared share of a tile that is searched")
    significance: float = Field(8.0, gt=0, description="a pair's peak against chance, in robust sigma")
    fit_drift: bool = Field(True, description="take the Sun's rotation between the tiles out")
    refraction: bool = Field(
        True, description="make round again what the air has flattened: by place and time, or by the limb"
    )


class LevelSettings(StageSettings):
    """How tiles are made equally bright."""

    surface_order: int = Field(
        8,
        ge=0,
        le=10,
        description="highest degree of the surface fixed to the sensor, as far as overlaps need it; 0: none",
    )


class LimbSettings(StageSettings):
    """How the limb is measured."""

    rays: int = Field(1440, ge=36, description="rays along which the edge is looked for")
    shape: Literal["circle", "ellipse"] = Field(
        "circle", description="what is laid through the limb: a circle, or an ellipse (a low Sun)"
    )
    height_arcsec: float = Field(
        0.0, ge=-5, le=20, description="how far the limb stands above the photosphere in this light; white light: 0"
    )
    height_sigma_arcsec: float = Field(0.4, ge=0, le=20, description="its standard error")


class DiskSettings(StageSettings):
    """How the disk is made uniform."""

    curve: Literal["measured", "law"] = Field(
        "measured",
        description="centre-to-limb curve: as measured, or the published law of the continuum (white light only)",
    )
    even_order: int = Field(
        0, ge=0, le=6, description="order of the azimuthal unevenness taken out of the uniform disk; 0: none"
    )


class PictureSettings(StageSettings):
    """How pictures are exported."""

    jpeg_quality: int = Field(92, ge=1, le=100, description="of JPEG and WebP, 100 is best")
    web_widths_px: tuple[Annotated[int, Field(ge=16, le=16383)], ...] = Field(
        (640, 1280, 2560), description="widths of the pictures for the web"
    )
    print_widths_cm: tuple[Annotated[float, Field(gt=0)], ...] = Field(
        (10, 20, 30), description="widths of the prints, at 300 dpi"
    )
    wallpaper_px: tuple[Annotated[int, Field(ge=16)], Annotated[int, Field(ge=16)]] = Field(
        (3840, 2160), description="width and height of the wallpaper"
    )
    closeups: int = Field(4, ge=0, description="close-ups of what stands out, at most")
    longer: str = Field(
        "", description="folder of a second, longer-exposed set for the prominences, relative to the session's"
    )
    closeup_px: int = Field(1200, ge=64, description="side of a close-up, in the picture's own pixels")


class Settings(StageSettings):
    """All stages' settings."""

    masters: MasterSettings = MasterSettings()
    tiles: TileSettings = TileSettings()
    placement: PlacementSettings = PlacementSettings()
    levels: LevelSettings = LevelSettings()
    limb: LimbSettings = LimbSettings()
    disk: DiskSettings = DiskSettings()
    pictures: PictureSettings = PictureSettings()
