"""A recipe applied to the finished disk."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from diskmosaic.pictures.picture import Done, Frame, Picture
from diskmosaic.pictures.recipe import Recipe
from diskmosaic.pictures.stretch import is_north_up, lay_canvas, render
from diskmosaic.records import Circle, Disk


def make_picture(name: str, recipe: Recipe, disk: Disk) -> Picture:
    """Carry out a recipe.

    Parameters
    ----------
    name : str
        Of the recipe.
    recipe : Recipe
    disk : Disk

    Returns
    -------
    Picture
    """
    kind, gamma = recipe.steps[0].kind, recipe.steps[-1].gamma
    north_up = is_north_up(disk.header)
    light = disk.uniform if kind == "uniform" else disk.natural
    gray = render(disk.natural, light, disk.limb, gamma=gamma, north_up=north_up)
    done = (
        Done("disk", recipe.steps[0].model_dump(), f"the {kind} disk"),
        Done("tone", recipe.steps[-1].model_dump(), f"tone curve with exponent {gamma:g}"),
    )
    return Picture(name, recipe.title, gray, None, frame_of(disk, north_up=north_up), done)


def frame_of(disk: Disk, *, north_up: bool) -> Frame:
    """Say where the disk lies on its canvas."""
    top, left, height, width = lay_canvas(disk.natural, disk.limb)
    flip = -1.0 if north_up else 1.0
    matrix = np.array([[flip, 0.0, top + height - 1.0 if north_up else -top], [0.0, 1.0, -left]])
    limb = disk.limb
    if limb is not None:
        centre = matrix[:, :2] @ limb.centre_yx + matrix[:, 2]
        limb = Circle((float(centre[0]), float(centre[1])), limb.radius_px, limb.rms_px, limb.points, limb.sigma)
    time = _card(disk.header, "DATE-OBS")
    return Frame(
        matrix=matrix,
        shape=(height, width),
        limb=limb,
        arcsec_per_px=disk.arcsec_per_px,
        north_deg=0.0 if north_up else None,
        time_utc=None if time is None else str(time),
        p_deg=_card(disk.header, "SOLAR_P0"),
        b0_deg=_card(disk.header, "HGLT_OBS"),
        l0_deg=_card(disk.header, "CRLN_OBS"),
    )


def _card(header: Mapping[str, object], keyword: str) -> object:
    """Return a card's value, None where it is missing."""
    card = header.get(keyword)
    return card[0] if isinstance(card, tuple) else card
