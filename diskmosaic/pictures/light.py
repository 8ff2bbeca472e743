"""The part *light* of recipes: linear light of one disk, deblurred, with more contrast, with its prominences.

What several recipes share is done once, if they are asked for `in_order`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.contrast import lift_scales
from diskmosaic.arrays.limb_profile import Edge, find_edge
from diskmosaic.arrays.prominences import Beyond, look_beyond, show_beyond
from diskmosaic.arrays.second_light import fit_light, join
from diskmosaic.arrays.sharpen import Spectrum, deblur, measure_spectrum
from diskmosaic.pictures.picture import Done
from diskmosaic.pictures.recipe import Recipe, Step
from diskmosaic.pictures.stretch import lay_light
from diskmosaic.records.light import Disk


@dataclass(frozen=True)
class Light:
    """Linear light under way, and what was measured on it."""

    image: NDArray[np.float32]
    edge: Edge | None
    spectrum: Spectrum | None
    shown: NDArray[np.uint16] | None = None


@dataclass(frozen=True)
class _Stage:
    """How far the light of a recipe has come: the steps that led there, and what they told."""

    steps: list[Step]
    light: Light
    done: list[Done]
    warnings: list[str]


class Lights:
    """The light of one disk, as recipes ask for it.

    Parameters
    ----------
    disk : Disk
    longer : float32 (h, w), optional
        Light beyond the limb from a second, longer-exposed set, on the grid of the disk.
    jobs : int
        Threads; the light does not depend on it.
    """

    def __init__(self, disk: Disk, *, longer: NDArray[np.float32] | None = None, jobs: int = 1) -> None:
        self._disk, self._longer, self._jobs = disk, longer, jobs
        # light without, and light with prominences: more would not fit into the memory that large disks leave
        self._kept: _Stage | None = None
        self._kept_with: _Stage | None = None
        self._natural_edge: Edge | None = None
        self._beyond: Beyond | None = None

    @property
    def beyond(self) -> Beyond | None:
        """What stands beyond the limb; None without a limb."""
        if self._beyond is None and self._disk.limb is not None:
            edge = self._edge_of_natural()
            if edge is not None:
                image, edge, _ = self._with_longer(self._disk.natural, edge)
                self._beyond = look_beyond(image, edge)
        return self._beyond

    def _edge(self, image: NDArray[np.float32], blur_px: float | None = None) -> Edge | None:
        limb = self._disk.limb
        return None if limb is None else find_edge(image, limb.centre_yx, limb.radius_px, blur_px=blur_px)

    def _edge_of_natural(self) -> Edge | None:
        if self._natural_edge is None:
            self._natural_edge = self._edge(self._disk.natural)
        return self._natural_edge

    def of(self, recipe: Recipe) -> tuple[Light, list[Done], list[str]]:
        """Carry out the part light; what the recipe before had in common is taken from there."""
        steps = [step for step in recipe.steps if step.part == "light"]
        shared = [step for step in steps if step.step != "prominences"]
        kept = self._kept
        if kept is None or [_of_light(s) for s in kept.steps] != [_of_light(s) for s in shared[: len(kept.steps)]]:
            self._kept = self._kept_with = kept = None
            kept = self._begun(shared)
        if len(shared) > len(kept.steps):
            self._kept = self._kept_with = None
        for step in shared[len(kept.steps) :]:
            kept = self._further(kept, step)
        self._kept = kept
        step = recipe.get("prominences")
        if step is None:
            return kept.light, kept.done, kept.warnings
        if self._kept_with is None or self._kept_with.steps != [step]:
            self._kept_with = None
            light, told = self._prominences(kept.light, step)
            lacking = [] if told is not None else ["the step prominences was left out: no limb is known"]
            self._kept_with = _Stage([step], light, [] if told is None else [told], lacking)
        ended = self._kept_with
        return ended.light, kept.done + ended.done, kept.warnings + ended.warnings

    def _begun(self, steps: list[Step]) -> _Stage:
        """Lay the light on its sky."""
        disk = self._disk
        image = lay_light(disk.natural, disk.uniform, disk.limb, steps[0].kind)
        return _Stage(steps[:1], Light(image, None, None), [], [])

    def _further(self, stage: _Stage, step: Step) -> _Stage:
        """Carry out one more step."""
        light, done, warnings = stage.light, list(stage.done), list(stage.warnings)
        if len(stage.steps) == 1:
            light = self._measured(light)
        made, told = self._deblur(light, step) if step.step == "deblur" else self._contrast(light, step)
        if told is None:
            reason = "no limb is known" if light.edge is None else "the limb does not tell the blur"
            warnings.append(f"the step {step.step} was left out: {reason}")
        else:
            done.append(told)
        return _Stage([*stage.steps, step], made, done, warnings)

    def _measured(self, light: Light) -> Light:
        """Measure edge and spectrum, which deblurring and contrast need."""
        first = self._edge_of_natural()
        blur = None if first is None else first.blur_px
        edge = None if first is None else self._edge(light.image, blur)
        spectrum = None
        if edge is not None and blur is not None:
            spectrum = measure_spectrum(light.image, self._disk.weight, edge)
        return replace(light, edge=edge, spectrum=spectrum)

    def _deblur(self, light: Light, step: Any) -> tuple[Light, Done | None]:
        if light.spectrum is None:
            return light, None
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
        edge = self._edge(made.image, made.half_px) or light.edge
        found = {"blur_px": before, "blur_left_px": made.half_px, "noise_gain": made.noise_gain}
        sentence = (
            f"blur of {before:.2f} px taken back to {made.half_px:.2f} px (standard deviations); "
            f"noise times {made.noise_gain:.2f}"
        )
        return replace(light, image=made.image, edge=edge), Done("deblur", settings_of(step), sentence, found)

    def _contrast(self, light: Light, step: Any) -> tuple[Light, Done | None]:
        if light.spectrum is None:
            return light, None
        scale = self._disk.arcsec_per_px or 1.0
        image = lift_scales(
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
        return replace(light, image=image), Done("contrast", settings_of(step), sentence)

    def _with_longer(self, image: NDArray[np.float32], edge: Edge) -> tuple[NDArray[np.float32], Edge, float | None]:
        """Take the second set's light beyond the limb where there is one; its ratio to the first's is told then."""
        joined = None if self._longer is None else join(image, self._longer, edge)
        if joined is None:
            return image, edge, None
        # scattered light is told from the light that is shown; the ratio, from light in its own unit
        told = fit_light(self._disk.natural, self._longer, self._edge_of_natural() or edge)
        return joined[0], self._edge(joined[0], edge.blur_px) or edge, None if told is None else told[0]

    def _prominences(self, light: Light, step: Any) -> tuple[Light, Done | None]:
        edge = light.edge or self._edge(light.image)
        if edge is None:
            return light, None
        joined, edge, ratio = self._with_longer(light.image, edge)
        beyond = look_beyond(joined, edge)
        lift = step.lift or beyond.lift
        image, shown = show_beyond(joined, edge, beyond, lift=lift, jobs=self._jobs)
        found = {"lift": lift, "share": beyond.share, "noise": beyond.noise / beyond.level}
        sentence = f"light beyond the limb freed of scattered light and lifted {lift:.0f} times"
        if ratio is not None:
            found["longer"] = ratio
            sentence += f"; it is that of a second set with {ratio:.1f} times the light"
        return Light(image, edge, light.spectrum, shown), Done("prominences", settings_of(step), sentence, found)


def in_order(recipes: Mapping[str, Recipe]) -> list[str]:
    """Return the names of recipes in the order in which most of the work on the light is done once."""

    def key(name: str) -> tuple[list[str], str]:
        light = [step for step in recipes[name].steps if step.part == "light"]
        shared = [f"{step.step} {_of_light(step)}" for step in light if step.step != "prominences"]
        return shared, "".join(str(settings_of(step)) for step in light if step.step == "prominences")

    return sorted(recipes, key=key)


def _of_light(step: Step) -> dict[str, Any]:
    """Return the settings that act on the light: not how much sky there is, nor what is up."""
    return {key: value for key, value in settings_of(step).items() if step.step != "disk" or key == "kind"}


def settings_of(step: Step) -> dict[str, Any]:
    """Return a step as plain values."""
    return step.model_dump(mode="json")
