"""Which way is north, is the image mirrored, and how does the surface move: what the tiles' places and times tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from diskmosaic.disk.disk import mean_time, orientation
from diskmosaic.errors import bad_input
from diskmosaic.observation import Observation
from diskmosaic.records.places import Placement
from diskmosaic.records.tile import Tile
from diskmosaic.settings import SESSION_FILE
from diskmosaic.sky.rotation import SurfaceMotion
from diskmosaic.sky.sun import ephemeris

AGREES = 0.5  # least share of the law's motion that the fitted drift must show along west to speak for a mirror
SKY_ARCSEC_PER_S = 15.0  # the Sun's diurnal motion at the celestial equator (360 deg a day)


def find_bearings(
    placement: Placement, tiles: Sequence[Tile], observation: Observation
) -> tuple[Placement, Observation, list[str]]:
    """Settle north, mirror and motion.

    Parameters
    ----------
    placement : Placement
        With the drift that was fitted, if it stood out.
    tiles : sequence of Tile
    observation : Observation

    Returns
    -------
    placement : Placement
        Its ``motion`` is set where north and mirror are known and the fitted drift, if any, does not contradict.
    observation : Observation
        North from the stopped drive, mirror from the Sun's turning, where a person left them open.
    warnings : list of str
    """
    warnings: list[str] = []
    observation, told = _north_from_drive(placement, tiles, observation)
    warnings += told
    drift, limb = np.array(placement.drift_yx), placement.limb
    time = mean_time([tile for tile, p in zip(tiles, placement.positions, strict=True) if np.isfinite(p[0])])
    if placement.times is None or limb is None or time is None:
        return placement, observation, warnings
    if observation.north_deg is None:
        if drift.any():
            ways = {
                word: np.rad2deg(np.arctan2(sign * drift[0], sign * drift[1])) % 360
                for word, sign in (("false", 1), ("true", -1))
            }
            warnings.append(
                "the Sun's turning between the tiles tells, to a few degrees: north_deg = "
                + ", or ".join(f"{angle:.0f} if mirrored = {word}" for word, angle in ways.items())
            )
        return placement, observation, warnings
    shares = {}
    for mirrored in (False, True):
        motion = SurfaceMotion(time, orientation(replace(observation, mirrored=mirrored)))
        law = np.ravel(motion.shift(*limb.centre_yx, limb.centre_yx, limb.radius_px, 1000.0)) / 1000
        shares[mirrored] = float(drift @ law / (law @ law))
    if observation.mirrored is None:
        decided = [mirrored for mirrored, share in shares.items() if share > AGREES]
        if not decided:
            warnings.append(
                f"mirrored is not known ({SESSION_FILE}) and the Sun's turning does not tell: taken as false"
            )
            return placement, observation, warnings
        observation = replace(observation, mirrored=decided[0])
        warnings.append(f"mirrored = {str(decided[0]).lower()}, as the Sun's turning between the tiles shows")
    elif drift.any() and shares[observation.mirrored] < AGREES:
        warnings.append(
            f"the surface moves otherwise than north_deg and mirrored in {SESSION_FILE} say "
            f"({100 * shares[observation.mirrored]:.0f} % of the Sun's turning along their west): the measured motion "
            "was used; check them"
        )
        return placement, observation, warnings
    if not drift.any():
        return placement, observation, warnings
    return replace(placement, motion=SurfaceMotion(time, orientation(observation))), observation, warnings


def _north_from_drive(
    placement: Placement, tiles: Sequence[Tile], observation: Observation
) -> tuple[Observation, list[str]]:
    """Tell north from two tiles between which the drive stood: the later one lies east of the other on the Sun."""
    if observation.drive_stopped is None or observation.north_deg is not None:
        return observation, []
    index = {tile.recording: k for k, tile in enumerate(tiles)}
    key = f"{SESSION_FILE}: observation.drive_stopped"
    for name in observation.drive_stopped:
        if name not in index:
            raise bad_input(key, found=f'"{name}"', expected="two tiles of this session", todo="correct it")
    first, second = (index[name] for name in observation.drive_stopped)
    between = " and ".join(observation.drive_stopped)
    step = placement.positions[second] - placement.positions[first]
    if placement.times is None or not np.isfinite(step).all() or observation.mirrored is None:
        return observation, [
            "north could not be told from the stopped drive: it needs both tiles' places and times, and mirrored"
        ]
    seconds = placement.times[second] - placement.times[first]
    east = step / np.hypot(*step) * np.sign(seconds)
    time = mean_time(tiles)
    sun = ephemeris(time)
    # a true image has east counter-clockwise of north, row 0 on top: (y, x) of north from that of east
    north = np.array([east[1], -east[0]]) * (-1 if observation.mirrored else 1)
    p = np.deg2rad(sun.p_deg)
    solar = np.cos(p) * north + np.sin(p) * east
    angle = float(np.rad2deg(np.arctan2(solar[1], -solar[0])) % 360)
    told = [f"north_deg = {angle:.1f}, from {between} (drive stopped)"]
    if placement.limb is not None:
        went = np.hypot(*step) * sun.radius_arcsec / placement.limb.radius_px
        most = SKY_ARCSEC_PER_S * abs(seconds)
        # the Sun's declination is 23.4 deg at most: cos 0.918; pointing at rest is good to a few arcsec
        if not 0.85 * most < went < 1.05 * most:
            told.append(
                f"between {between} the Sun moved by {went:.0f} arcsec in "
                f"{abs(seconds):.0f} s, not by the sky's {0.95 * most:.0f}: was the drive stopped all the time?"
            )
    return replace(observation, north_deg=angle), told
