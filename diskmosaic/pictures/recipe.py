"""Recipes: what a picture is made of, as an ordered list of steps, each with few settings.

A recipe is a table ``[recipes.NAME]`` of ``session.toml``. Steps are carried out in the order in which they are
written; each belongs to a part of the work, and the parts follow one another: *light* (linear), *tone* (the
values of a picture), *colour*, *marks*.
"""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

PARTS = ("light", "tone", "colour", "marks")


class Step(BaseModel):
    """Base of the steps: frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    part: ClassVar[str]


class DiskStep(Step):
    """Which disk is shown, how much sky around it, and what is up."""

    part: ClassVar[str] = "light"
    step: Literal["disk"] = "disk"
    kind: Literal["natural", "uniform"] = Field(
        "uniform", description="natural: limb darkening kept; uniform: divided out"
    )
    radii: float = Field(1.08, ge=1.02, le=2, description="half the side of the picture, in radii of the disk")
    up: Literal["solar north", "celestial north", "camera"] = Field(
        "solar north", description="solar north, celestial north, or camera: as the camera saw it"
    )


class DeblurStep(Step):
    """The blur that the limb shows is taken back, as far as the noise allows."""

    part: ClassVar[str] = "light"
    step: Literal["deblur"] = "deblur"
    strength: float = Field(1.0, ge=0, le=2, description="share of the change; 1 is the least expected error")
    most: float = Field(3.0, gt=1, le=20, description="largest factor on any scale of the structure")


class ContrastStep(Step):
    """Structure between two scales is lifted where it stands out of the noise."""

    part: ClassVar[str] = "light"
    step: Literal["contrast"] = "contrast"
    amount: float = Field(0.5, ge=0, le=5, description="1 doubles")
    finest_arcsec: float = Field(1.5, gt=0, description="finest structure lifted, arcsec (px where no scale is known)")
    coarsest_arcsec: float = Field(24.0, gt=0, description="coarsest structure lifted, likewise")
    sigma: float = Field(3.0, ge=0, description="of a scale's noise: what is fainter stays as it is")


class ProminencesStep(Step):
    """What stands beyond the limb is freed of scattered light and lifted."""

    part: ClassVar[str] = "light"
    step: Literal["prominences"] = "prominences"
    lift: float = Field(0.0, ge=0, le=1000, description="factor; 0: 10 to 100, from their brightness and the noise")


class ToneStep(Step):
    """Linear light becomes the values of a picture; nothing is clipped."""

    part: ClassVar[str] = "tone"
    step: Literal["tone"] = "tone"
    gamma: float = Field(0.8, gt=0, le=5, description="exponent of the tone curve; 1 is linear, less is brighter")
    brightness: float = Field(1.0, ge=0, le=1, description="factor on the disk's values; 0.1: prominences alone")


class NegativeStep(Step):
    """Dark for light."""

    part: ClassVar[str] = "tone"
    step: Literal["negative"] = "negative"
    of: Literal["all", "disk"] = Field("all", description="all, or disk: what stands beyond the limb stays light")


class ColourStep(Step):
    """Gray values become colours of the same order of lightness."""

    part: ClassVar[str] = "colour"
    step: Literal["colour"] = "colour"
    ramp: Literal["wavelength", "ember", "straw", "sea"] = Field(
        "wavelength", description="hue of the wavelength, or a ramp of our own: ember, straw, sea"
    )


class MarksStep(Step):
    """What is drawn around and over the disk, kept apart from it."""

    part: ClassVar[str] = "marks"
    step: Literal["marks"] = "marks"
    caption: bool = Field(True, description="title, time, light, instrument and author below the picture")
    scale_bar: bool = Field(True, description="a bar of 100,000 km with its arcsec")
    earth: bool = Field(True, description="the Earth to scale")
    directions: bool = Field(True, description="N and E at the limb")
    grid: bool = Field(False, description="heliographic grid, equator and poles")
    grid_deg: float = Field(15.0, ge=5, le=45, description="step of the grid, degrees")


_MODELS = (
    DiskStep,
    DeblurStep,
    ContrastStep,
    ProminencesStep,
    ToneStep,
    NegativeStep,
    ColourStep,
    MarksStep,
)
AnyStep = Annotated[
    DiskStep | DeblurStep | ContrastStep | ProminencesStep | ToneStep | NegativeStep | ColourStep | MarksStep,
    Field(discriminator="step"),
]
STEPS: dict[str, type[Step]] = {model.model_fields["step"].default: model for model in _MODELS}


class Recipe(BaseModel):
    """A named picture: its title and its steps in order."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    title: str = Field("", description="of the picture, for its caption")
    steps: tuple[AnyStep, ...] = Field(description="in the order in which they are carried out")

    @model_validator(mode="after")
    def _in_order(self) -> Recipe:
        """Check that each step stands where it can work."""
        names = [step.step for step in self.steps]
        if names[:1] != ["disk"]:
            raise ValueError("a list that begins with the step disk")
        if "tone" not in names:
            raise ValueError("a list with one step tone")
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f"a list with one step {name}")
        places = [PARTS.index(step.part) for step in self.steps]
        for name, before, after in zip(names[1:], places, places[1:], strict=False):
            if after < before:
                raise ValueError(f"the step {name} earlier in the list: its part is {PARTS[after]}")
        if "prominences" in names and [n for n, p in zip(names, places, strict=True) if p == 0][-1] != "prominences":
            raise ValueError("the step prominences as the last of the part light")
        return self

    def get(self, name: str) -> Any:
        """Return the step of that name, None where there is none."""
        return next((step for step in self.steps if step.step == name), None)


def default_recipes(*, prominences: bool = True, wavelength: bool = True, oriented: bool = True) -> dict[str, Recipe]:
    """Return the recipes of a session that names none, by name.

    Parameters
    ----------
    prominences : bool
        Whether there are any: without, the picture of them alone is left out.
    wavelength : bool
        Whether it is known: without, the coloured picture takes a ramp of our own.
    oriented : bool
        Whether north and time are known: without, the picture with the grid is left out.
    """
    colour = ColourStep(ramp="wavelength" if wavelength else "ember")
    wide = {"radii": 1.2}
    recipes = {
        "disk": Recipe(title="The Sun, evenly bright", steps=(DiskStep(), DeblurStep(), ToneStep())),
        "natural": Recipe(title="The Sun as it is", steps=(DiskStep(kind="natural"), ToneStep(gamma=0.6))),
        "colour": Recipe(
            title="The Sun in its own light" if wavelength else "The Sun in warm colours",
            steps=(
                DiskStep(**(wide if prominences else {})),
                DeblurStep(),
                *([ProminencesStep()] if prominences else []),
                ToneStep(),
                colour,
                MarksStep(),
            ),
        ),
        "prominences": Recipe(
            title="Prominences at the Sun's edge",
            steps=(DiskStep(**wide), DeblurStep(), ProminencesStep(), ToneStep(brightness=0.12), colour, MarksStep()),
        ),
        "negative": Recipe(
            title="The Sun, dark for light",
            steps=(DiskStep(), DeblurStep(), ContrastStep(), ToneStep(), NegativeStep()),
        ),
        "map": Recipe(
            title="The Sun with its grid",
            steps=(DiskStep(), DeblurStep(), ToneStep(), MarksStep(grid=True)),
        ),
    }
    if not prominences:
        del recipes["prominences"]
    if not oriented:
        del recipes["map"]
    return recipes
