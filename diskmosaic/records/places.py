"""Where tiles lie: pairs, anchors, the limb, places."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray


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
