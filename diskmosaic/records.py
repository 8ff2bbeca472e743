"""The frozen records that one stage hands to the next.

Arrays and points are ``(y, x)``, 0-based; masks are True where good; weights are >= 0. A tile's canvas is the sensor's
grid, put so that the weighted mean over the frames used lies where the sensor saw it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatImage = NDArray[np.float32]


@dataclass(frozen=True)
class Source:
    """A camera file that went into a product: its name and the SHA-256 of its bytes."""

    name: str
    sha256: str


@dataclass(frozen=True)
class Master:
    """An averaged dark or flat.

    Attributes
    ----------
    kind : {'dark', 'flat'}
    image : float32 (h, w)
        Dark: ADU. Flat: relative response, mean 1.
    uncertainty : float32 (h, w)
        Standard error of `image`, same unit.
    frames : int
        Frames averaged.
    clipped : float
        Share of the values left out by clipping.
    level : float
        Mean level in ADU (of the flat before it was scaled, offset taken off).
    offset : float
        ADU taken off every frame where there was no dark (0 where there was one).
    good : bool (h, w)
        False on hot and dead pixels.
    sources : tuple of Source
    warnings : tuple of str
    gain : float
        Of a flat: e-/ADU by photon transfer; NaN where not known.
    read_noise : float
        e-; NaN where not known.
    """

    kind: str
    image: FloatImage
    uncertainty: FloatImage
    frames: int
    clipped: float
    level: float
    offset: float
    good: NDArray[np.bool_]
    sources: tuple[Source, ...] = ()
    warnings: tuple[str, ...] = ()
    gain: float = np.nan
    read_noise: float = np.nan


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
        have the frames' pixels; shifts and fields count in those (`diskmosaic.finer`).
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


@dataclass(frozen=True)
class Circle:
    """A fitted limb: centre (y, x) and radius in px, with what the fit left.

    ``sigma`` holds the standard errors of centre y, centre x and radius; ``points`` the number used; ``flattening``
    is 1 - minor/major of an ellipse through the same points. ``blur_px`` is the Gaussian that the edge shows,
    ``edge_px`` how far out of the points, which blur draws inwards, the radius was taken. ``arc_deg`` is how much of
    the limb was seen. ``oval`` is not 0 where an ellipse was asked for: what it adds to the radius at the angle t from
    +x to +y is ``oval[0] cos 2t + oval[1] sin 2t``, px.
    """

    centre_yx: tuple[float, float]
    radius_px: float
    rms_px: float
    points: int
    sigma: tuple[float, float, float] = (np.nan, np.nan, np.nan)
    flattening: float = 0.0
    blur_px: float = np.nan
    edge_px: float = 0.0
    arc_deg: float = np.nan
    oval: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class Pair:
    """A measured pair: tile `b` lies at `shift_yx` from tile `a` (origin of b in a's frame).

    Both frames are the tiles' own, brought upright by their turns. ``turn_rad`` and ``stretch`` say how b is turned
    (+x towards +y) and magnified against a beyond that; NaN where not measured. ``sigma_px`` comes of what noise alone
    leaves (``noise_px``) and of warps, rms per axis, that its own ``pixels`` show (``warp_px``). A ``firm`` pair is a
    person's pin: held whatever the others say.
    """

    a: int
    b: int
    shift_yx: tuple[float, float]
    correlation: float
    significance: float
    centre_yx: tuple[float, float]  # of the overlap, in a's frame
    sigma_px: float
    residual_px: float = np.nan
    used: bool = True
    turn_rad: float = np.nan
    turn_sigma: float = np.nan
    stretch: float = np.nan
    noise_px: float = np.nan
    warp_px: float = np.nan
    pixels: int = 0
    firm: bool = False


@dataclass(frozen=True)
class Anchor:
    """What is known of a tile's place besides pairs and limb: from the mount, a grid, or a person.

    Attributes
    ----------
    tile : int
    centre_yx : (float, float)
        Where the sensor's centre lies, px of the mosaic's scale.
    sigma_px : float
        Standard error of each coordinate.
    origin : {'free', 'limb'}
        What `centre_yx` counts from: one unknown point common to all anchors of this kind, or the disk's centre.
    firm : bool
        True: held whatever the pairs say (a pin). False: an outlier among its like loses its say.
    """

    tile: int
    centre_yx: tuple[float, float]
    sigma_px: float
    origin: str = "free"
    firm: bool = False


@dataclass(frozen=True)
class Given:
    """What is known before tiles are placed.

    Attributes
    ----------
    anchors : tuple of Anchor
    forbidden : frozenset of (int, int)
        Pairs of tiles, in either order, that must not be compared.
    turns : float (n, 2, 2) or None
        Matrix on (y, x) of every tile that brings it upright (turned, mirrored, stretched); None: the identity.
    pins : tuple of Pair
        Firm ones: where a person holds one tile against another.
    """

    anchors: tuple[Anchor, ...] = ()
    pins: tuple[Pair, ...] = ()
    forbidden: frozenset[tuple[int, int]] = frozenset()
    turns: NDArray[np.float64] | None = None

    def forbids(self, a: int, b: int) -> bool:
        """Whether tiles a and b must not be compared."""
        return (a, b) in self.forbidden or (b, a) in self.forbidden


@dataclass(frozen=True)
class Placement:
    """Where the tiles lie on the mosaic: ``mosaic = turns[k] @ (y, x) + positions[k]``.

    Attributes
    ----------
    positions : float (n, 2)
        Mosaic (y, x) of each tile's pixel (0, 0); NaN for tiles left out.
    pairs : tuple of Pair
    left_out : dict
        Tile -> (reason, best score).
    limb : Circle or None
    drift_yx : (float, float)
        Motion of the disk centre's surface in px/s on the mosaic; the velocity falls with depth towards the limb.
    times : float (n,) or None
        Seconds from the reference time.
    warnings : tuple of str
    turns : float (n, 2, 2) or None
        Each tile's own rotation, mirror and scale, on (y, x); None: none has any.
    sigma : float (n, 2) or None
        Standard errors of where the sensors' centres lie against the mean of all; None: not known.
    loops : tuple of (a, b, c, px)
        Loops of three pairs that were used, and by how much each fails to close.
    motion : rotation.SurfaceMotion or None
        How the surface moves by a published law; None: by the drift.
    """

    positions: NDArray[np.float64]
    pairs: tuple[Pair, ...]
    left_out: dict[int, tuple[str, float]]
    limb: Circle | None
    drift_yx: tuple[float, float] = (0.0, 0.0)
    times: NDArray[np.float64] | None = None
    warnings: tuple[str, ...] = ()
    turns: NDArray[np.float64] | None = None
    sigma: NDArray[np.float64] | None = None
    loops: tuple[tuple[int, int, int, float], ...] = ()
    motion: Any = None

    def turn(self, k: int) -> NDArray[np.float64]:
        """Return the 2x2 matrix on (y, x) from tile k's pixels to the mosaic."""
        return np.eye(2) if self.turns is None else self.turns[k]

    def to_mosaic(self, k: int, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return mosaic (..., 2) of points (..., 2) on tile k."""
        return points @ self.turn(k).T + self.positions[k]

    def between(self, a: int, b: int) -> NDArray[np.float64]:
        """Return the 2x3 matrix from tile b's (y, x) to tile a's."""
        back = np.linalg.inv(self.turn(a))
        return np.column_stack([back @ self.turn(b), back @ (self.positions[b] - self.positions[a])])


@dataclass(frozen=True)
class Levels:
    """What makes tiles equally bright: ``corrected = (tile - offset) / (gain * surface * exp(slope . x))``.

    ``gain_sigma`` and ``offset_sigma`` are standard errors (of log gain; ADU), NaN where not known; ``slope`` (n, 2) is
    what a tile has of its own along (y, x) of the sensor, x in [-1, 1]; ``tilt`` is the part of `surface` that
    overlaps cannot see, as a slope of the disk per radius on the mosaic's (y, x), None where it was not looked for;
    ``focus`` (`focus.Focus`) tells how clearly tiles show structure, None where overlaps do not tell.
    """

    gain: NDArray[np.float64]
    offset: NDArray[np.float64]
    surface: FloatImage
    gain_sigma: NDArray[np.float64]
    seam_rms: float
    warnings: tuple[str, ...] = ()
    offset_sigma: NDArray[np.float64] | None = None
    slope: NDArray[np.float64] | None = None
    tilt: tuple[float, float] | None = None
    tilt_sigma: float = np.nan
    focus: Any = None

    def correct(self, tile: int, image: FloatImage) -> FloatImage:
        """Return a tile's image made as bright as the others."""
        corrected = (image - np.float32(self.offset[tile])) / (np.float32(self.gain[tile]) * self.surface)
        if self.slope is not None and self.slope[tile].any():
            y, x = (np.linspace(-1, 1, n, dtype=np.float32) for n in image.shape)
            slope = self.slope[tile].astype(np.float32)
            corrected *= np.exp(-slope[0] * y)[:, None] * np.exp(-slope[1] * x)
        return corrected


@dataclass(frozen=True)
class Mosaic:
    """The blended disk, linear: ``image`` NaN and ``weight`` 0 where uncovered, ``tile`` -1 there."""

    image: FloatImage
    weight: FloatImage
    tile: NDArray[np.int16]


@dataclass(frozen=True)
class Disk:
    """The finished disk.

    ``to_disk[k]`` is the 2x3 matrix from sensor (y, x) of tile k to (y, x) here (NaN for tiles left out);
    ``header`` are FITS cards (keyword -> value or (value, comment)); ``profile`` has columns r/R and quiet level.
    ``arcsec_per_px_sigma`` is the scale's standard error; None where not known.
    """

    natural: FloatImage
    uniform: FloatImage
    weight: FloatImage
    tile: NDArray[np.int16]
    to_disk: NDArray[np.float64]
    limb: Circle | None
    header: dict[str, object]
    profile: NDArray[np.float64]
    arcsec_per_px: float | None
    warnings: tuple[str, ...] = ()
    arcsec_per_px_sigma: float | None = None
