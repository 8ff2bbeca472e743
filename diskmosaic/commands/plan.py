"""``plan``: what a session at the telescope will need."""

from __future__ import annotations

import dataclasses
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import click

from diskmosaic.commands.console import Console, work
from diskmosaic.commands.options import common_options
from diskmosaic.errors import bad_input

if TYPE_CHECKING:
    from diskmosaic.planning import Equipment, Schedule, SessionNeeds

CAUTION = (
    "Never look at the Sun through optics, and never point optics at it, without a certified full-aperture filter "
    "fixed firmly at the front, or a dedicated solar telescope in good order.",
    "Cover or remove finders; never leave the instrument unattended while it can see the Sun, above all with children "
    "near.",
    "Use energy-rejection filters as their makers prescribe. An extender changes where the light is brought together: "
    "ask whether the filter's maker allows one, and where.",
    "A defocused flat is recorded with the same filters in place. Follow the makers' instructions and the local rules.",
)
SAFE_OVERLAP = 0.2  # common practice, no source
Positive = click.FloatRange(min=0, min_open=True)


@click.command("plan")
@click.option("--focal-mm", type=Positive, required=True, help="Focal length of the telescope alone, mm.")
@click.option("--pixel-um", type=Positive, required=True, help="Size of a recorded (binned) pixel, micrometres.")
@click.option("--width", type=click.IntRange(min=16), required=True, help="Width of a frame, px.")
@click.option("--height", type=click.IntRange(min=16), required=True, help="Height of a frame, px.")
@click.option("--extender", type=Positive, default=1.0, show_default=True, help="Factor of the focal extender.")
@click.option("--aperture-mm", type=Positive, help="Free aperture, mm; without it nothing is said of sampling.")
@click.option("--wavelength-nm", type=Positive, default=656.28, show_default=True, help="Centre of the passband, nm.")
@click.option("--date", help="Day or time (UTC) of the session, ISO 8601; without it today.")
@click.option(
    "--overlap",
    type=click.FloatRange(0, 0.9),
    default=0.25,
    show_default=True,
    help="Least share of a tile's side that neighbours have in common.",
)
@click.option(
    "--margin",
    type=click.FloatRange(0, 2),
    default=0.05,
    show_default=True,
    help="Sky beyond the limb on every side, solar radii.",
)
@click.option("--frames", type=click.IntRange(min=1), default=1000, show_default=True, help="Frames of a tile.")
@click.option("--fps", type=Positive, default=60.0, show_default=True, help="Frames a second.")
@click.option(
    "--pause-s",
    type=click.FloatRange(min=0),
    default=15.0,
    show_default=True,
    help="From one tile to the next: moving, settling, focus.",
)
@click.option("--bits", type=click.Choice(["8", "16"]), default="8", show_default=True, help="Of a stored value.")
@common_options
def plan_command(jobs: int, as_json: bool, quiet: bool, verbose: bool, **asked: Any) -> None:
    """Compute tiles, overlap, sampling and time from telescope, extender and camera.

    Only numbers: nothing is read or written.
    """

    def action(console: Console) -> dict[str, Any]:
        from diskmosaic.planning import Equipment, Schedule, plan_session

        equipment = Equipment(
            focal_mm=asked["focal_mm"],
            pixel_um=asked["pixel_um"],
            size_px=(asked["height"], asked["width"]),
            extender=asked["extender"],
            aperture_mm=asked["aperture_mm"],
            wavelength_nm=asked["wavelength_nm"],
        )
        schedule = Schedule(
            time_utc=_time(asked["date"]),
            overlap=asked["overlap"],
            margin=asked["margin"],
            frames=asked["frames"],
            frames_per_s=asked["fps"],
            pause_s=asked["pause_s"],
            bits=int(asked["bits"]),
        )
        needs = plan_session(equipment, schedule)
        advice = advise(equipment, schedule, needs)
        for line in (*describe(equipment, schedule, needs), "", *advice, "", "Safety:", *CAUTION):
            console.say(line)
        return {
            "equipment": dataclasses.asdict(equipment),
            "schedule": dataclasses.asdict(schedule),
            **dataclasses.asdict(needs),
            "tiles": needs.tiles,
            "advice": advice,
            "safety": list(CAUTION),
        }

    work("plan", action, as_json=as_json, quiet=quiet, verbose=verbose)


def _time(date: str | None) -> str:
    """Return noon of a day, or the time itself; raises `InputError`."""
    if date is None:
        return f"{datetime.now(UTC):%Y-%m-%d}T12:00:00"
    try:
        time = datetime.fromisoformat(date.strip())
    except ValueError:
        raise bad_input(
            "--date", found=f"'{date}'", expected="a day or a time such as 2031-06-04", todo="correct it"
        ) from None
    return date if "T" in date or " " in date.strip() else f"{time:%Y-%m-%d}T12:00:00"


def describe(equipment: Equipment, schedule: Schedule, needs: SessionNeeds) -> list[str]:
    """Lay the numbers out in lines."""
    height, width = equipment.size_px
    down, across = needs.down, needs.across
    lines = [
        f"Focal length    {needs.focal_mm:.0f} mm ({equipment.focal_mm:g} mm x {equipment.extender:g})"
        + (f", f/{needs.focal_ratio:.1f}" if needs.focal_ratio else ""),
        f"Pixel           {needs.arcsec_per_px:.3f} arcsec",
        f"Frame           {width}x{height} px: {needs.field_arcsec[1] / 60:.1f}' x {needs.field_arcsec[0] / 60:.1f}'",
        f"Sun             {needs.disk_arcsec / 60:.2f}' on {schedule.time_utc[:10]}: {needs.disk_px:.0f} px across; "
        f"with {schedule.margin:g} radii of sky {needs.area_arcsec / 60:.1f}'",
    ]
    sampling = needs.sampling
    if sampling is not None:
        lines.append(
            f"Sampling        the aperture shows {sampling.rayleigh_arcsec:.2f} arcsec (Rayleigh) and asks for pixels "
            f"of {sampling.critical_arcsec:.2f} arcsec (f/{sampling.critical_focal_ratio:.1f}); these are "
            f"{sampling.ratio:.2f} x as fine"
        )
    shared = " and ".join(
        f"{100 * axis.overlap:.0f} % {word}"
        for axis, word in ((across, "across"), (down, "down"))
        if axis.overlap is not None
    )
    return [
        *lines,
        f"Tiles           {down.tiles} rows x {across.tiles} columns = {needs.tiles}"
        + (f"; spread evenly they overlap by {shared}" if shared else ""),
        f"Time            {needs.tile_s:.0f} s a tile ({schedule.frames} frames), "
        f"{needs.session_s / 60:.1f} min in all with {schedule.pause_s:g} s between tiles",
        f"Flat            {needs.flat_frames} frames, {needs.flat_s:.0f} s",
        f"Room            {needs.tile_bytes / 1e9:.2f} GB a tile, {needs.session_bytes / 1e9:.1f} GB in all",
        f"The Sun turns   {needs.drift_arcsec_per_h:.1f} arcsec/h at the disk's centre: "
        f"{needs.tile_drift_px:.2f} px in a tile, {needs.session_drift_px:.1f} px in all",
    ]


def advise(equipment: Equipment, schedule: Schedule, needs: SessionNeeds) -> list[str]:
    """Say what should be otherwise, and what to mind."""
    advice = []
    sampling = needs.sampling
    if sampling is not None and sampling.ratio < 0.9:
        factor = sampling.critical_focal_ratio * equipment.aperture_mm / equipment.focal_mm
        advice.append(
            f"Pixels are coarser than the aperture's detail: an extender of {factor:.1f}x would take it all, in the "
            "best air."
        )
    elif sampling is not None and sampling.ratio > 1.6:
        advice.append(
            f"Pixels are {sampling.ratio:.1f} x finer than the aperture's detail: a weaker extender (or binning) gives "
            "fewer tiles, more light and no less detail."
        )
    if needs.tiles == 1:
        advice.append("The whole disk fits on one frame: no mosaic is needed.")
    elif min(axis.overlap for axis in (needs.down, needs.across) if axis.overlap is not None) < 0.15:
        advice.append("An overlap under 15 % leaves quiet tiles little to be matched by: 20 to 30 % is safe.")
    for axis, field, word in (
        (needs.down, needs.field_arcsec[0], "row"),
        (needs.across, needs.field_arcsec[1], "column"),
    ):
        fewer = (axis.tiles - 1) * field - needs.area_arcsec
        if axis.tiles > 2 and fewer / ((axis.tiles - 2) * field) >= SAFE_OVERLAP:
            share = 100 * fewer / ((axis.tiles - 2) * field)
            advice.append(f"With one {word} less they would overlap by {share:.0f} %, which is enough.")
    if needs.tile_s > needs.longest_tile_s:
        advice.append(
            f"Within one tile the surface moves by {needs.tile_drift_px:.1f} px against the limb: record at most "
            f"{needs.longest_tile_s:.0f} s (a pixel)."
        )
    if needs.session_drift_px > 1:
        advice.append(
            "Over the session the surface moves against the limb: keep the recordings' times (UTC), and note north_deg "
            "and mirrored in session.toml, so that it is taken out."
        )
    advice.append(
        f"Flat: telescope on the disk's centre, defocused, camera untouched, {needs.flat_frames} frames for "
        f"{schedule.frames} of a tile."
    )
    return advice
