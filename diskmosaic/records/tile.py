"""A stacked tile, and what is known of its frames."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from diskmosaic.records.image import FloatImage

FRAME_DTYPE = np.dtype(
    [
        ("frame", "i4"),  # index in the recording
        ("quality", "f4"),  # contrast of fine structure, relative; larger is sharper
        ("level", "f4"),  # mean brightness relative to the recording's median
        ("shift_y", "f4"),  # px that moves the frame onto the tile
        ("shift_x", "f4"),
        ("weight", "f4"),  # in the stack; 0: not used
    ]
)


@dataclass(frozen=True)
class SensorGrid:
    """How pixels that are not the sensor's own lie on it.

    Attributes
    ----------
    step : float
        Sensor px from one pixel to the next, on both axes.
    first_yx : (float, float)
        Where pixel (0, 0) lies, sensor px.
    sensor_shape : (int, int)
        Of the sensor, px.
    """

    step: float
    first_yx: tuple[float, float]
    sensor_shape: tuple[int, int]

    def from_sensor(self) -> NDArray[np.float64]:
        """Return the 3x3 matrix from sensor (y, x, 1) to these pixels' (y, x, 1)."""
        y, x = self.first_yx
        return np.array([[1.0, 0.0, -y], [0.0, 1.0, -x], [0.0, 0.0, self.step]]) / self.step


@dataclass(frozen=True)
class Tile:
    """The stacked image of one recording.

    Attributes
    ----------
    name : str
        The recording's file name without its suffix, unique in the session.
    image : float32 (h, w)
        Calibrated ADU; NaN where no frame has light.
    weight : float32 (h, w)
        Sum of the frames' weights at each pixel; with `places`, how many frames of equal weight would be as quiet.
    noise : float
        Standard deviation of the pixel noise at the median level, ADU.
    frames : structured array of FRAME_DTYPE
        One row per frame graded.
    sharpness : float
        Contrast of fine structure of the frames used, relative; larger is sharper.
    time_utc : str or None
        ISO 8601 weighted mean time of the frames used.
    recording : str
        File name of the recording.
    masters : dict
        Role -> SHA-256 of the master's pixels. Role ``pattern``: the flat whose imprint was fitted in a tile that
        was stacked elsewhere.
    warnings : tuple of str
    remainder : float32 (h, w) or None
        Logarithm of what every frame was divided by besides the masters, on the sensor; None: nothing.
    fields : float32 (used frames, rows, columns, 2) or None
        How the frames that were used are sampled besides their shifts, px (y, x) at the centres of the cells of a grid
        over the sensor; None: not known, or nothing.
    sensor_mean : float32 (h, w) or None
        The same weighted mean of the same frames as they lie on the sensor, not aligned: with `image` it tells what
        stands still on the sensor from what moves. None: not known.
    places : float32 (used frames, rows, columns) or None
        What each frame counts at the centres of the cells of `fields`' grid, on the canvas, where frames were chosen
        place by place; the weights in `frames` are their means. None: a frame counts the same everywhere.
    grid : SensorGrid or None
        How the pixels lie on the recording's sensor; None: they are its own.
    channel : str
        The colour that was taken of a colour camera's frames; empty: all there was.
    finer : float
        Pixels of `image` and `weight` to a pixel of the frames on each axis. `remainder`, `sensor_mean` and the masters
        have the frames' pixels; shifts and fields count in those (`diskmosaic.tiles.finer`).
    pixel_share : float
        On a finer grid: to what share of their sides the frames' pixels were shrunk.
    """

    name: str
    image: FloatImage
    weight: FloatImage
    noise: float
    frames: NDArray[np.void]
    sharpness: float
    time_utc: str | None
    recording: str
    masters: dict[str, str] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    remainder: FloatImage | None = None
    fields: NDArray[np.float32] | None = None
    sensor_mean: FloatImage | None = None
    grid: SensorGrid | None = None
    channel: str = ""
    finer: float = 1.0
    pixel_share: float = 1.0
    places: FloatImage | None = None

    @property
    def step(self) -> float:
        """Sensor px from one pixel to the next."""
        return 1.0 if self.grid is None else self.grid.step

    @property
    def frame_shape(self) -> tuple[int, int]:
        """Height and width of the frames, px."""
        return self.image.shape if self.sensor_mean is None else self.sensor_mean.shape

    def told(self) -> tuple[str, ...]:
        """Return the warnings, each with the tile's name in front."""
        return tuple(text if text.startswith(self.name) else f"{self.name}: {text}" for text in self.warnings)

    def moves(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the shifts (n, 2), px (y, x), and the weights (n,) of the frames that were used."""
        used = self.frames[self.frames["weight"] > 0]
        shifts = np.stack([used["shift_y"], used["shift_x"]], axis=1).astype(np.float64)
        return shifts, used["weight"].astype(np.float64)

    def local_moves(self) -> tuple[NDArray[np.float64], NDArray[np.floating]]:
        """Return the frames' displacements (n, rows, columns, 2) at cells, and weights (n,) or (n, rows, columns).

        Raises
        ------
        ValueError
            If the tile has no fields.
        """
        if self.fields is None:
            raise ValueError(f"tile {self.name} has no fields")
        shifts, weights = self.moves()
        # a field samples, a shift moves: their signs are opposite
        return shifts[:, None, None] - self.fields, weights if self.places is None else self.places


def tile_times(tiles: Sequence[Tile]) -> NDArray[np.float64] | None:
    """Return seconds of each tile from the mean of all; None where a tile has no time."""
    if any(tile.time_utc is None for tile in tiles):
        return None
    stamps = np.array([np.datetime64(tile.time_utc, "ms").astype(np.int64) for tile in tiles], float) / 1000
    return stamps - stamps.mean()
