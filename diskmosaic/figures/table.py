"""The figures as a table for a person."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table

# figure, name, unit ('px', '%', 'x' or ''), aim on a plain session, aim on a hard one
ROWS: tuple[tuple[str, str, str, float | None, float | None], ...] = (
    ("placement_rms_px", "placement error, rms", "px", 0.10, 0.25),
    ("placement_max_px", "placement error, worst tile", "px", None, None),
    ("placement_turned_rms_px", "  with the turn fitted", "px", None, None),
    ("placement_scaled_rms_px", "  with turn and scale fitted", "px", None, None),
    ("scale_error", "scale error", "%", None, None),
    ("local_rms_px", "local displacement, rms", "px", 0.20, 0.40),
    ("limb_centre_px", "limb centre error", "px", 0.15, 0.30),
    ("limb_radius_px", "limb radius error", "px", 0.15, 0.30),
    ("flat_rms", "master flat against the pattern, fine scales", "%", None, None),
    ("flat_over_limit", "  over its photon limit", "x", 1.2, 1.2),
    ("dust_left", "dust left", "%", 0.02, 0.03),
    ("rings_left", "Newton's rings left, mean over tiles", "%", 0.03, 0.05),
    ("rings_left_worst", "Newton's rings left, worst tile", "%", 0.10, 0.20),
    ("seam_median", "brightness step across seams, median", "%", 0.002, 0.004),
    ("seam_p95", "brightness step across seams, 95th percentile", "%", 0.006, 0.006),
    ("level_rms", "large-scale level, a tilt fitted out, rms", "%", 0.005, 0.005),
    ("level_tilt", "  that tilt, per radius", "%", None, None),
    ("sector_rms", "uniform disk's sixteen sectors, rms", "%", 0.004, 0.004),
    ("sector_rest_rms", "  without an overall tilt", "%", None, None),
    ("contrast_bright", "contrast of bright structures against the truth's", "%", None, None),
    ("contrast_dark", "contrast of dark structures against the truth's", "%", None, None),
    ("seam_noise", "noise at seams against inside tiles", "%", None, None),
    ("uniform_profile_rms", "uniform disk's radial profile, rms", "%", 0.005, 0.008),
    ("noise_over_ideal", "noise over the ideal stack's", "x", 1.1, 1.2),
)


def print_table(figures: dict[str, float | None], *, console: Console | None = None) -> None:
    """Print what `measure` returned beside the aims for a plain and a hard session.

    Parameters
    ----------
    figures : dict
    console : rich.console.Console, optional
        Standard output by default.
    """
    table = Table(title="Result against the truth")
    table.add_column("figure")
    for column in ("found", "aim, plain", "aim, hard"):
        table.add_column(column, justify="right")
    table.add_row("tiles placed", f"{figures['tiles_placed']} of {figures['tiles']}", "all", "all")
    for key, name, unit, plain, hard in ROWS:
        aims = ["" if aim is None else "≤ " + _text(aim, unit) for aim in (plain, hard)]
        table.add_row(name, _text(figures.get(key), unit), *aims)
    (console or Console()).print(table)


def _text(value: float | None, unit: str) -> str:
    if value is None:
        return "not told"
    return f"{100 * value:.2f} %" if unit == "%" else f"{value:.3f} px" if unit == "px" else f"{value:.2f} x"
