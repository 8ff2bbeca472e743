"""One colour of a colour camera: a recording seen through the pixels behind one of its filters.

The frames of a colour mosaic are never interpolated between colours: a colour's own pixels are taken as they are, so
that dark and flat act on the very pixels that they were measured with, and what stands on the sensor stays sharp.
Where two pixels of every four have the colour, or all four are wanted, their mean is taken: it lies in their middle.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diskmosaic.files.rawfile import Contents
from diskmosaic.records.tile import SensorGrid

if TYPE_CHECKING:
    from diskmosaic.recordings.recordings import Recording

LETTERS = {"red": "R", "green": "G", "blue": "B"}
CORNERS = ((0, 0), (0, 1), (1, 0), (1, 1))  # of a mosaic, in reading order
MEAN = "mean"
EVEN = 0.03  # colours whose levels differ by less show no mosaic: a mono camera whose files call it a colour one
ALONE = 0.6  # of the brightest colour's level: where the others stay below, the band is narrow
RED_NM, GREEN_NM = 580.0, 490.0  # where the colours of usual filters meet (common practice, no source)


@dataclass(frozen=True)
class Channel:
    """What is taken of a colour camera's frames.

    Attributes
    ----------
    colour : str
        'red', 'green', 'blue' or 'mean'.
    mosaic : str or None
        Colours of the mosaic's first 2 x 2 px in reading order; None: three planes, red first.
    """

    colour: str
    mosaic: str | None

    @property
    def text(self) -> str:
        """For a person."""
        where = "three planes" if self.mosaic is None else f"the {self.mosaic} mosaic"
        return f"{self.colour} of {where}"

    @property
    def corners(self) -> tuple[tuple[int, int], ...]:
        """Which pixels (y, x) of each 2 x 2 are taken."""
        if self.mosaic is None or self.colour == MEAN:
            return CORNERS
        places = zip(CORNERS, self.mosaic, strict=True)
        return tuple(place for place, letter in places if letter == LETTERS[self.colour])

    @property
    def step(self) -> int:
        """Sensor px from one taken pixel to the next."""
        return 1 if self.mosaic is None else 2

    def size(self, height: int, width: int) -> tuple[int, int]:
        """Size of what is taken of frames of such a size."""
        return height // self.step, width // self.step

    def grid(self, height: int, width: int) -> SensorGrid | None:
        """How the taken pixels lie on a sensor of such a size; None: as its own."""
        if self.mosaic is None:
            return None
        first = tuple(float(value) for value in np.mean(self.corners, axis=0))
        return SensorGrid(2.0, (first[0], first[1]), (height, width))


def choose(
    mosaic: str | None, levels: Sequence[Sequence[float]], wavelength_nm: float | None, wish: str
) -> Channel | None:
    """Decide what to take of a colour camera's frames.

    Parameters
    ----------
    mosaic : str or None
        Of the recordings; None: they have three planes.
    levels : sequence of sequence of float
        `levels_of` recordings of the Sun.
    wavelength_nm : float or None
        Centre of the passband.
    wish : {'auto', 'red', 'green', 'blue', 'mean', 'all'}
        'all': every pixel as it is.

    Returns
    -------
    Channel or None
        None: every pixel as it is (three planes: their mean).
    """
    if wish == "all":
        return None
    if wish != "auto":
        return Channel(wish, mosaic)
    if not levels:
        return None
    found: dict[str, list[float]] = {}
    for letter, level in zip(mosaic or "RGB", np.median(levels, axis=0), strict=True):
        found.setdefault(letter, []).append(float(level))
    common = {letter: float(np.mean(values)) for letter, values in found.items()}
    brightest = max(common, key=lambda letter: common[letter])
    others = [level for letter, level in common.items() if letter != brightest]
    if min(others) >= (1 - EVEN) * common[brightest]:
        return None
    colours = {letter: colour for colour, letter in LETTERS.items()}
    if brightest in colours and wavelength_nm is not None:
        return Channel("red" if wavelength_nm > RED_NM else "green" if wavelength_nm > GREEN_NM else "blue", mosaic)
    if brightest in colours and max(others) < ALONE * common[brightest]:
        return Channel(colours[brightest], mosaic)
    return None if mosaic is None else Channel(MEAN, mosaic)


def levels_of(frame: NDArray) -> list[float]:
    """Level of each colour: the mean over the brighter half of the frame.

    Parameters
    ----------
    frame : (h, w) or (h, w, 3)

    Returns
    -------
    list of float
        ADU; of the four corners of each 2 x 2 px in reading order, or of the three planes.
    """
    if frame.ndim == 3:
        planes = [frame[..., k] for k in range(3)]
    else:
        height, width = (side // 2 * 2 for side in frame.shape)
        planes = [frame[y:height:2, x:width:2] for y, x in CORNERS]
    total = np.sum([plane.astype(np.float32) for plane in planes], axis=0)
    lit = total >= np.median(total)
    return [float(plane[lit].mean(dtype=np.float64)) for plane in planes]


def take_colour(recording: Recording, colour: str) -> Recording:
    """See a recording through a colour that was chosen of others; as it is where it has none, or none was chosen.

    Parameters
    ----------
    recording : Recording
        As the camera wrote it.
    colour : str
        As `Channel` names it; empty: none was chosen.

    Returns
    -------
    Recording
    """
    coloured = recording.bayer is not None or recording.planes == 3
    return take(recording, Channel(colour, recording.bayer) if coloured and colour else None)


def take(recording: Recording, channel: Channel | None) -> Recording:
    """See a recording through one colour.

    Parameters
    ----------
    recording : Recording
        With the channel's mosaic, or three planes.
    channel : Channel or None
        None: the recording as it is.

    Returns
    -------
    Recording
        Of one plane. It keeps the file open that it was made from, and closes it.
    """
    if channel is None:
        return recording
    height, width = channel.size(recording.height, recording.width)
    planes = range(3) if channel.colour == MEAN else ("RGB".index(LETTERS[channel.colour]),)
    single = len(channel.corners if channel.mosaic else planes) == 1
    dtype = recording.dtype if single else np.dtype(np.float32)

    def read(index: int, out: NDArray) -> None:
        frame = recording.frame(index)
        if channel.mosaic is None:
            parts = [frame[..., k] for k in planes]
        else:
            parts = [frame[y : 2 * height : 2, x : 2 * width : 2] for y, x in channel.corners]
        out[...] = parts[0]
        for part in parts[1:]:
            out += part
        if not single:
            out /= len(parts)

    return replace(
        recording,
        height=height,
        width=width,
        planes=1,
        dtype=dtype,
        bayer=None,
        channel=channel.colour,
        grid=channel.grid(recording.height, recording.width),
        _contents=Contents(recording.kind, height, width, 1, dtype, recording.frame_count, read, recording.close),
    )
