"""Recipes applied to the finished disk."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.colour import OWN_RAMPS, VISIBLE_NM, hue_of, ramp
from diskmosaic.arrays.contrast import lift_scales
from diskmosaic.arrays.limb_profile import Edge, find_edge
from diskmosaic.arrays.prominences import Beyond, look_beyond, show_beyond
from diskmosaic.arrays.sharpen import Spectrum, deblur, measure_spectrum
from diskmosaic.pictures.marks import lay_marks
from diskmosaic.pictures.picture import Done, Frame, Picture
from diskmosaic.pictures.recipe import Recipe, Step, default_recipes
from diskmosaic.pictures.stretch import Canvas, is_north_up, lay_canvas, lay_light, to_values, tone_of
from diskmosaic.records import Circle, Disk

if TYPE_CHECKING:
    from diskmosaic.session import Observation


@dataclass
class _Light:
    """Linear light under way, and what was measured on it."""

    image: NDArray[np.float32]
    edge: Edge | None
    spectrum: Spectrum | None
    shown: NDArray[np.uint16] | None = None


class Maker:
    """Makes the pictures of one disk; what several recipes share is done once.

    Parameters
    ----------
    disk : Disk
    observation : Observation or None
        Names, wavelength and author for colour and captions.
    jobs : int
        Threads; the pictures do not depend on it.
    """

    def __init__(self, disk: Disk, observation: Observation | None = None, *, jobs: int = 1) -> None:
        self._disk, self._observation, self._jobs = disk, observation, jobs
        self._kept: tuple[Any, _Light, list[Done], list[str]] | None = None
        self._beyond: Beyond | None = None

    @property
    def beyond(self) -> Beyond | None:
        """What stands beyond the limb; None without a limb."""
        if self._beyond is None and self._disk.limb is not None:
            edge = self._edge(self._disk.natural)
            self._beyond = None if edge is None else look_beyond(self._disk.natural, edge)
        return self._beyond

    def usual(self) -> dict[str, Recipe]:
        """Return the recipes of a session that names none, as they suit this disk."""
        wavelength = None if self._observation is None else self._observation.wavelength_nm
        there = self.beyond is not None and self.beyond.any
        return default_recipes(prominences=there, wavelength=wavelength is not None)

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
        done.append(Done("disk", _settings(first), f"the {first.kind} disk, {first.radii:g} radii around its centre"))
        light, told, warned = self._light(recipe)
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
        done.append(Done("tone", _settings(tone), f"tone curve with exponent {tone.gamma:g}{dimmed}", found))
        if negative is not None:
            done.append(Done("negative", _settings(negative), f"dark for light ({negative.of})"))
        white = negative is not None and negative.of == "all"
        gray, frame, turned = self._turned(gray, canvas, first.up, white=white)
        warnings += turned
        colours = None
        colour = recipe.get("colour")
        if colour is not None:
            colours, sentence, trouble = self._colours(colour.ramp)
            done.append(Done("colour", _settings(colour), sentence))
            warnings += trouble
        marks = recipe.get("marks")
        layer = None
        if marks is not None:
            layer = lay_marks(frame, marks, recipe.title, self._observation, dark=not white)
            done.append(Done("marks", _settings(marks), "marks laid around and over the picture"))
            warnings += layer.warnings
        return Picture(name, recipe.title, recipe, gray, colours, frame, tuple(done), layer, tuple(warnings))

    def _edge(self, image: NDArray[np.float32], blur_px: float | None = None) -> Edge | None:
        limb = self._disk.limb
        return None if limb is None else find_edge(image, limb.centre_yx, limb.radius_px, blur_px=blur_px)

    def _light(self, recipe: Recipe) -> tuple[_Light, list[Done], list[str]]:
        """Carry out the part light; what the recipe before had in common is taken from there."""
        steps = [step for step in recipe.steps if step.part == "light"]
        shared = [step for step in steps if step.step != "prominences"]
        key = [_settings(step) for step in shared[1:]], shared[0].kind
        if self._kept is None or self._kept[0] != key:
            self._kept = None  # two would not fit into the memory that large disks leave
            self._kept = key, *self._begun(shared)
        light, done, warnings = self._kept[1], list(self._kept[2]), list(self._kept[3])
        step = recipe.get("prominences")
        if step is not None:
            light, told = self._prominences(light, step)
            if told is None:
                warnings.append("the step prominences was left out: no limb is known")
            else:
                done.append(told)
        return light, done, warnings

    def _begun(self, steps: list[Step]) -> tuple[_Light, list[Done], list[str]]:
        disk = self._disk
        image = lay_light(disk.natural, disk.uniform, disk.limb, steps[0].kind)
        light = _Light(image, None, None)
        done, warnings = [], []
        if len(steps) > 1:
            first = self._edge(disk.natural)
            blur = None if first is None else first.blur_px
            light.edge = None if first is None else self._edge(image, blur)
            if light.edge is not None and blur is not None:
                light.spectrum = measure_spectrum(image, disk.weight, light.edge)
        for step in steps[1:]:
            told = self._deblur(light, step) if step.step == "deblur" else self._contrast(light, step)
            if told is None:
                reason = "no limb is known" if light.edge is None else "the limb does not tell the blur"
                warnings.append(f"the step {step.step} was left out: {reason}")
            else:
                done.append(told)
        return light, done, warnings

    def _deblur(self, light: _Light, step: Any) -> Done | None:
        if light.spectrum is None:
            return None
        made = deblur(
            light.image,
            self._disk.weight,
            light.edge,
            light.spectrum,
            strength=step.strength,
            most=step.most,
            jobs=self._jobs,
        )
        before = light.edge.blur_px
        light.image = made.image
        light.edge = self._edge(made.image, made.half_px) or light.edge
        found = {"blur_px": before, "blur_left_px": made.half_px, "noise_gain": made.noise_gain}
        sentence = (
            f"blur of {before:.2f} px taken back to {made.half_px:.2f} px (standard deviations); "
            f"noise times {made.noise_gain:.2f}"
        )
        return Done("deblur", _settings(step), sentence, found)

    def _contrast(self, light: _Light, step: Any) -> Done | None:
        if light.spectrum is None:
            return None
        scale = self._disk.arcsec_per_px or 1.0
        light.image = lift_scales(
            light.image,
            self._disk.weight,
            light.edge,
            noise=float(np.sqrt(light.spectrum.noise)),
            typical=light.spectrum.weight,
            amount=step.amount,
            finest_px=max(step.finest_arcsec / scale, 0.7),
            coarsest_px=max(step.coarsest_arcsec / scale, 1.4),
            sigma=step.sigma,
            jobs=self._jobs,
        )
        unit = "px" if self._disk.arcsec_per_px is None else "arcsec"
        sentence = (
            f"structure from {step.finest_arcsec:g} to {step.coarsest_arcsec:g} {unit} times {1 + step.amount:g} "
            f"where it stands {step.sigma:g} deviations out of the noise"
        )
        return Done("contrast", _settings(step), sentence)

    def _prominences(self, light: _Light, step: Any) -> tuple[_Light, Done | None]:
        edge = light.edge or self._edge(light.image)
        if edge is None:
            return light, None
        beyond = look_beyond(light.image, edge)
        lift = step.lift or beyond.lift
        image, shown = show_beyond(light.image, edge, beyond, lift=lift, jobs=self._jobs)
        found = {"lift": lift, "share": beyond.share, "noise": beyond.noise / beyond.level}
        sentence = f"light beyond the limb freed of scattered light and lifted {lift:.0f} times"
        return _Light(image, edge, light.spectrum, shown), Done("prominences", _settings(step), sentence, found)

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


def _settings(step: Step) -> dict[str, Any]:
    return step.model_dump(mode="json")


def _card(header: Mapping[str, object], keyword: str) -> Any:
    """Return a card's value, None where it is missing."""
    card = header.get(keyword)
    return card[0] if isinstance(card, tuple) else card
