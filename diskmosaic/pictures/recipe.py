"""Recipes: what a picture is made of, as an ordered list of steps, each with few settings.

A recipe is a table ``[recipes.NAME]`` of ``session.toml``. Steps are carried out in the order in which they are
written; each belongs to a part of the work, and the parts follow one another: *light* (linear), *tone* (the
values of a picture), *colour*, *marks*.
"""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

PARTS = ("light", "tone", "colour", "marks")


class Step(BaseModel):
    """Base of the steps: frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    part: ClassVar[str]


class DiskStep(Step):
    """Which disk is shown, and how much sky around it."""

    part: ClassVar[str] = "light"
    step: Literal["disk"] = "disk"
    kind: Literal["natural", "uniform"] = Field(
        "uniform", description="natural: limb darkening kept; uniform: divided out"
    )


class ToneStep(Step):
    """Linear light becomes the values of a picture; nothing is clipped."""

    part: ClassVar[str] = "tone"
    step: Literal["tone"] = "tone"
    gamma: float = Field(0.8, gt=0, le=5, description="exponent of the tone curve; 1 is linear, less is brighter")


AnyStep = Annotated[DiskStep | ToneStep, Field(discriminator="step")]
STEPS: dict[str, type[Step]] = {model.model_fields["step"].default: model for model in (DiskStep, ToneStep)}


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
        if names.count("disk") > 1 or names.count("tone") != 1:
            raise ValueError("a list with one step disk and one step tone")
        places = [PARTS.index(step.part) for step in self.steps]
        for name, before, after in zip(names[1:], places, places[1:], strict=False):
            if after < before:
                raise ValueError(f"the step {name} earlier in the list: its part is {PARTS[after]}")
        return self


def default_recipes() -> dict[str, Recipe]:
    """Return the recipes of a session that names none, by name."""
    return {"disk": Recipe(title="The whole disk, evenly bright", steps=(DiskStep(), ToneStep()))}
