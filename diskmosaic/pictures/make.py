"""Recipes applied to the finished disk."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.colour import OWN_RAMPS, VISIBLE_NM, hue_of, ramp
from diskmosaic.pictures.frame import Frame
from diskmosaic.pictures.light import Lights, settings_of
from diskmosaic.pictures.marks import lay_marks
from diskmosaic.pictures.picture import Done, Picture
from diskmosaic.pictures.recipe import Recipe, default_recipes
from diskmosaic.pictures.stretch import Canvas, is_north_up, lay_canvas, to_values, tone_of
from diskmosaic.records.light import Disk
from diskmosaic.records.places import Circle

if TYPE_CHECKING:
    from diskmosaic.observation import Observation


class Maker:
    """Makes the pictures of one disk; see `diskmosaic.pictures.light.in_order`.

    Parameters
    ----------
    disk : Disk
    observation : Observation or None
        Names, wavelength and author for colour and captions.
    longer : float32 (h, w), optional
        Light of a second set; see `diskmosaic.pictures.light.Lights`.
    jobs : int
        Threads; the pictures do not depend on it.
    """

    def __init__(
        self,
        disk: Disk,
        observation: Observation | None = None,
        *,
        longer: NDArray[np.float32] | None = None,
        jobs: int = 1,
    ) -> None:
        self._disk, self._observation = disk, observation
        self._lights = Lights(disk, longer=longer, jobs=jobs)

    def usual(self) -> dict[str, Recipe]:
        """Return the recipes of a session that names none, as they suit this disk."""
        wavelength = None if self._observation is None else self._observation.wavelength_nm
        there = self._lights.beyond is not None and self._lights.beyond.any
        oriented = is_north_up(self._disk.header) and _card(self._disk.header, "HGLT_OBS") is not None
        return default_recipes(prominences=there, wavelength=wavelength is not None, oriented=oriented)

    def make(self, name: str, recipe: Recipe) -> Picture:
        """Carry out a recipe.

        Parameters
        ----------
        name : str
        recipe : Recipe

        Returns
        -------
        Picture
            A step that this disk cannot have (without a limb there is no deblurring) is left out, with a warning.
        """
        disk, done, warnings = self._disk, [], []
        first, tone = recipe.get("disk"), recipe.get("tone")
        done.append(Done("disk", settings_of(first), f"the {first.kind} disk, {first.radii:g} radii around its centre"))
        light, told, warned = self._lights.of(recipe)
        done += told
        warnings += warned
        canvas = lay_canvas(disk.natural, disk.limb, first.radii)
        curve = tone_of(light.image, disk.limb, tone.gamma)
        negative = recipe.get("negative")
        gray = to_values(
            light.image,
            disk.limb,
            canvas,
            curve,
            brightness=tone.brightness,
            shown=light.shown,
            negative="" if negative is None else negative.of,
        )
        found = {"black": curve.black, "white": curve.white}
        dimmed = f", the disk darkened to {100 * tone.brightness:.0f} %" if tone.brightness < 1 else ""
        done.append(Done("tone", settings_of(tone), f"tone curve with exponent {tone.gamma:g}{dimmed}", found))
        if negative is not None:
            done.append(Done("negative", settings_of(negative), f"dark for light ({negative.of})"))
        white = negative is not None and negative.of == "all"
        gray, frame, turned = self._turned(gray, canvas, first.up, white=white)
        warnings += turned
        colours = None
        colour = recipe.get("colour")
        if colour is not None:
            colours, sentence, trouble = self._colours(colour.ramp)
            done.append(Done("colour", settings_of(colour), sentence))
            warnings += trouble
        marks = recipe.get("marks")
        layer = None
        if marks is not None:
            layer = lay_marks(frame, marks, recipe.title, self._observation, dark=not white)
            done.append(Done("marks", settings_of(marks), "marks laid around and over the picture"))
            warnings += layer.warnings
        return Picture(name, recipe.title, recipe, gray, colours, frame, tuple(done), layer, tuple(warnings))

    def _colours(self, name: str) -> tuple[NDArray[np.uint16] | None, str, list[str]]:
        if name != "wavelength":
            return ramp(*OWN_RAMPS[name]), f"the ramp {name}", []
        nm = None if self._observation is None else self._observation.wavelength_nm
        if nm is None:
            return None, "gray", ["no wavelength is known (instrument.wavelength_nm): the picture stays gray"]
        hue = hue_of(nm)
        unseen = "" if VISIBLE_NM[0] <= nm <= VISIBLE_NM[1] else ", which no eye sees: that of the nearest it does"
        return ramp(hue, hue, 1.0, deepen=True), f"the hue of {nm:g} nm{unseen}", []

    def _turned(
        self, gray: NDArray[np.uint16], canvas: Canvas, up: str, *, white: bool
    ) -> tuple[NDArray[np.uint16], Frame, list[str]]:
        """Bring what is wanted up; say where the disk lies then."""
        disk = self._disk
        north_up = is_north_up(disk.header)
        to_canvas = np.array([[1.0, 0.0, -canvas.top], [0.0, 1.0, -canvas.left]])
        turn, warnings = np.eye(2), []
        p = _card(disk.header, "SOLAR_P0")
        if north_up:
            turn = np.diag([-1.0, 1.0])
            if up == "camera" and len(disk.to_disk):
                turn = np.linalg.inv(disk.to_disk[0][:, :2])
                turn /= np.sqrt(abs(np.linalg.det(turn)))  # a colour's pixels lie further apart than the sensor's
            elif up == "celestial north" and p is not None:
                # celestial north lies P clockwise of solar north: the picture turns counter-clockwise
                turn = _rotation(np.deg2rad(-p)) @ turn
            elif up != "solar north":
                warnings.append(f"{up} cannot be put up: not known; solar north is")
        elif up != "camera":
            warnings.append("north is not known: the picture shows the disk as the camera saw it")
        middle = (np.array(gray.shape) - 1) / 2
        matrix = np.column_stack([turn @ to_canvas[:, :2], turn @ (to_canvas[:, 2] - middle) + middle])
        if np.allclose(np.abs(turn), np.eye(2), atol=1e-9):
            gray = gray[:: int(np.sign(turn[0, 0])), :: int(np.sign(turn[1, 1]))]
        else:
            back = np.linalg.inv(turn)
            offset = middle - back @ middle
            # OpenCV's points are (x, y)
            inverse = np.array([[back[1, 1], back[1, 0], offset[1]], [back[0, 1], back[0, 0], offset[0]]])
            flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
            edge = 65535 if white else 0
            warped = cv2.warpAffine(gray.astype(np.float32), inverse, gray.shape[::-1], flags=flags, borderValue=edge)
            gray = np.rint(np.clip(warped, 0, 65535)).astype(np.uint16)
        north = turn @ np.array([1.0, 0.0])
        west = turn @ np.array([0.0, 1.0])
        limb = disk.limb
        if limb is not None:
            centre = matrix[:, :2] @ limb.centre_yx + matrix[:, 2]
            limb = Circle((float(centre[0]), float(centre[1])), limb.radius_px, limb.rms_px, limb.points, limb.sigma)
        time = _card(disk.header, "DATE-OBS")
        frame = Frame(
            matrix=matrix,
            shape=gray.shape,
            limb=limb,
            arcsec_per_px=disk.arcsec_per_px,
            north_deg=float(np.rad2deg(np.arctan2(north[1], -north[0]))) + 0.0 if north_up else None,
            # on the true image west is clockwise of north
            mirrored=bool(north_up and north[1] * west[0] - north[0] * west[1] < 0),
            time_utc=None if time is None else str(time),
            p_deg=p,
            b0_deg=_card(disk.header, "HGLT_OBS"),
            l0_deg=_card(disk.header, "CRLN_OBS"),
            radius_arcsec=_card(disk.header, "RSUN_OBS"),
        )
        return gray, frame, warnings


def _rotation(angle: float) -> NDArray[np.float64]:
    """Return the matrix on (y, x) that turns a picture with row 0 on top clockwise."""
    return np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])


def _card(header: Mapping[str, object], keyword: str) -> Any:
    """Return a card's value, None where it is missing."""
    card = header.get(keyword)
    return card[0] if isinstance(card, tuple) else card
