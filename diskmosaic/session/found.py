"""What a survey found: the recordings of a session, each with its role."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from diskmosaic.observation import Observation
from diskmosaic.recordings.channels import Channel
from diskmosaic.session.session import SessionDocument, observation_of
from diskmosaic.settings import Settings

if TYPE_CHECKING:
    from diskmosaic.recordings.recordings import Recording


@dataclass(frozen=True)
class Found:
    """One camera file of a session.

    Attributes
    ----------
    path : str
        Below the session folder, with ``/``: its name in ``session.toml`` and in every product.
    file : pathlib.Path
    role : {'tile', 'flat', 'dark', 'ignore', 'unreadable'}
    by : str
        What decided: ``session.toml``, ``name``, ``content``, or why nothing could.
    by_name, by_content : str or None
        The role that each of them tells.
    height, width, planes : int
        0 where the file was not opened (ignored or unreadable).
    bits : int or None
        Bit depth as the file says, else of its numbers.
    bayer : str or None
    levels : tuple of float
        Of each colour (`diskmosaic.recordings.channels.levels_of`), ADU.
    channel : Channel or None
        What is taken of a colour camera's frames; `height`, `width` and `planes` are of that.
    frames : int
    start_utc, end_utc : str or None
    camera : dict
        What is known of the camera's settings.
    warnings : tuple of str
    problem : str or None
        Why it is unreadable, in one sentence.
    """

    path: str
    file: Path
    role: str
    by: str
    by_name: str | None = None
    by_content: str | None = None
    height: int = 0
    width: int = 0
    planes: int = 0
    bits: int | None = None
    bayer: str | None = None
    levels: tuple[float, ...] = ()
    channel: Channel | None = None
    frames: int = 0
    start_utc: str | None = None
    end_utc: str | None = None
    camera: dict[str, str] = dataclasses.field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    problem: str | None = None

    def open(self) -> Recording:
        """Open it, seen through its channel; raises `InputError`."""
        from diskmosaic.recordings.channels import take
        from diskmosaic.recordings.recordings import open_recording

        return take(open_recording(self.file), self.channel)

    @property
    def geometry(self) -> tuple[int, int, int, int | None]:
        """Height, width, planes and bit depth: what all files of one session share."""
        return self.height, self.width, self.planes, self.bits

    @property
    def geometry_text(self) -> str:
        """The same for a person, width first as cameras say it."""
        colour = "" if self.planes == 1 else f", {self.planes} colours"
        if self.channel is not None:
            colour = f", {self.channel.text}"
        return f"{self.width}x{self.height} px, {self.bits} bit{colour}"


@dataclass(frozen=True)
class Survey:
    """All recordings of a session, in order of their paths, and what is known about it."""

    folder: Path
    out: Path
    session_file: Path
    document: SessionDocument
    recordings: tuple[Found, ...]
    warnings: tuple[str, ...]

    def of(self, role: str) -> tuple[Found, ...]:
        """Return the recordings of one role."""
        return tuple(found for found in self.recordings if found.role == role)

    @property
    def settings(self) -> Settings:
        """The settings of ``session.toml``."""
        return self.document.settings

    @property
    def observation(self) -> Observation:
        """What ``session.toml`` tells of instrument, place and sky."""
        return observation_of(self.document)

    @property
    def groups(self) -> dict[tuple[str, ...], tuple[Found, ...]]:
        """Recordings by camera settings: size and depth, colour pattern, binning, gain."""
        groups: dict[tuple[str, ...], list[Found]] = {}
        for found in self.recordings:
            if found.frames:
                told = [f"{key} {found.camera[key]}" for key in ("binning", "gain") if key in found.camera]
                key = (found.geometry_text, *([found.bayer] if found.bayer else []), *told)
                groups.setdefault(key, []).append(found)
        return {key: tuple(members) for key, members in groups.items()}
