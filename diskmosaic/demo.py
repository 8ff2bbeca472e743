"""The demo: a session that never was, with its truth known, run from the recordings to the report.

The place, the telescope, the camera and the evening are invented. The camera stands 12 degrees off north, the
tiles are recorded half a minute apart in random order, so that the Sun turns under them, and the sensor has
dust, Newton's rings, vignetting and uneven pixels. What comes out is measured against the truth.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diskmosaic.errors import bad_input
from diskmosaic.files.atomic import write_text
from diskmosaic.progress import Progress, silent
from diskmosaic.session.session import observation_of, parse_session
from diskmosaic.settings import SESSION_FILE

if TYPE_CHECKING:
    from diskmosaic.job.job import Outcome
    from diskmosaic.synthetic import SessionPlan

FIRST_LINE = "# The demo of diskmosaic: an invented evening at an invented place."

SESSION_TEXT = f"""\
{FIRST_LINE}

[session]
name = "The demo Sun"

[instrument]
telescope = "Lanternfish refractor"
telescope_focal_mm = 440.0
extender = 2.0
aperture_mm = 80.0
camera = "Pebble 640"
pixel_um = 5.6
wavelength_nm = 656.28

[place]
name = "Quillmere Island"
latitude_deg = 12.0
longitude_deg = 38.0

[observation]
north_deg = -12.0
mirrored = false
"""

# What the demo must reach: figure, name, unit, aim.
AIMS: tuple[tuple[str, str, str, float], ...] = (
    ("placement_rms_px", "placement error, rms over tiles", "px", 0.3),
    ("limb_centre_px", "limb centre error", "px", 0.3),
    ("limb_radius_px", "limb radius error", "px", 0.3),
    ("dust_left", "dust left", "%", 0.03),
    ("uniform_profile_rms", "uniform disk's radial profile, rms", "%", 0.01),
)
# What is told beside, without an aim.
ALSO: tuple[tuple[str, str, str], ...] = (
    ("local_rms_px", "local displacement, rms", "px"),
    ("rings_left", "Newton's rings left, mean over tiles", "%"),
    ("seam_median", "brightness step across seams, median", "%"),
    ("flat_over_limit", "flat's noise over its photon limit", "x"),
    ("noise_over_ideal", "noise over the ideal stack's", "x"),
)


@dataclass(frozen=True)
class Scenario:
    """A session to be made: its plan, its seed and its ``session.toml``.

    Attributes
    ----------
    plan : SessionPlan
    seed : int
        Of the Sun and the session; the same seed gives the same bytes.
    session_text : str
        Starts with `FIRST_LINE`. Time and plate scale in it and in `plan` give the Sun's size in pixels.
    """

    plan: SessionPlan
    seed: int = 41
    session_text: str = SESSION_TEXT

    @property
    def radius_px(self) -> float:
        """Radius of the Sun, px: its angular radius at the time over the instrument's plate scale."""
        from diskmosaic.sky.sun import ephemeris

        scale = observation_of(parse_session(self.session_text)).arcsec_per_px
        return ephemeris(self.plan.start_utc).radius_arcsec / scale


def demo_scenario() -> Scenario:
    """Return the scenario of ``diskmosaic demo``: 12 tiles of 640x480 px, 24 frames each, about 110 MB."""
    from diskmosaic.synthetic import plain

    plan = plain(frames=24, flat_frames=60, dark_frames=12, camera_angle_deg=12.0, minutes_between_tiles=0.5)
    return Scenario(plan)


def run_demo(
    folder: Path,
    *,
    jobs: int = 1,
    progress: Progress = silent,
    say: Callable[[str], None] = print,
    warn: Callable[[list[str]], None] = lambda texts: None,
    scenario: Scenario | None = None,
) -> dict[str, Any]:
    """Make the session where it is not there yet, run it, measure it against its truth, tell the figures.

    Parameters
    ----------
    folder : path
        Of the session; the truth goes to its neighbour ``<folder>-truth``.
    jobs : int
        Threads.
    progress : callable
        See `diskmosaic.progress`.
    say, warn : callable
        Take a line of the result; take a list of warnings.
    scenario : Scenario, optional
        Instead of `demo_scenario`.

    Returns
    -------
    dict
        ``Outcome.document()`` with ``session``, ``truth``, ``figures`` (as `diskmosaic.figures.measure` gives
        them) and ``aims``: figure -> ``{aim, reached}``.

    Raises
    ------
    DiskmosaicError
        Where `folder` holds something else, or a step cannot be done.
    """
    from diskmosaic import pipeline
    from diskmosaic.figures import measure

    scenario = demo_scenario() if scenario is None else scenario
    folder = Path(folder) if Path(folder).name else Path(folder).resolve()
    truth = folder.with_name(f"{folder.name}-truth")
    made = make_demo_session(folder, truth, scenario, progress=progress)
    say(f"{'Made' if made else 'Found'} the demo session in {folder}, its truth in {truth}.")
    outcome = pipeline.run(folder, jobs=jobs, progress=progress)
    warn(outcome.warnings)
    figures = measure(outcome.out, truth)
    aims = judge(figures)
    for line in [*_table(figures, aims), "", *_where(outcome)]:
        say(line)
    more = {"session": str(folder), "truth": str(truth), "figures": figures, "aims": aims}
    return outcome.document() | more


def make_demo_session(folder: Path, truth: Path, scenario: Scenario, *, progress: Progress = silent) -> bool:
    """Record the session and its truth; False where both are there already.

    The truth is put in its place last, so that a session that was stopped half-way is made again.

    Raises
    ------
    InputError
        Where `folder` holds anything but this demo.
    """
    import numpy as np

    from diskmosaic.synthetic import invented_sun, make_session

    file = folder / SESSION_FILE
    if folder.exists() and not _is_ours(folder):
        raise bad_input(folder, found="other files", expected="a new or empty folder", todo="name another folder")
    if _is_made(folder, truth, scenario):
        return False
    if not file.exists():
        write_text(file, scenario.session_text)
    part = truth.with_name(f".{truth.name}.part")
    try:
        sun = invented_sun(scenario.radius_px, np.random.default_rng(scenario.seed))
        make_session(
            folder,
            sun,
            scenario.plan,
            seed=scenario.seed,
            truth=part,
            progress=lambda tiles: progress(tiles, "recording the demo session", len(tiles), "tiles"),
        )
        if truth.exists():
            shutil.rmtree(truth)
        part.rename(truth)
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return True


def judge(figures: dict[str, float | None]) -> dict[str, dict[str, Any]]:
    """Hold the figures against what the demo must reach.

    Parameters
    ----------
    figures : dict
        As `diskmosaic.figures.measure` gives them; None (not to be told) does not reach its aim.

    Returns
    -------
    dict
        Figure -> ``{"aim": largest allowed (tiles_placed: number), "reached": bool}``.
    """
    placed = {"aim": figures["tiles"], "reached": figures["tiles_placed"] == figures["tiles"]}
    judged = {"tiles_placed": placed}
    for key, _, _, aim in AIMS:
        found = figures.get(key)
        judged[key] = {"aim": aim, "reached": found is not None and abs(found) <= aim}
    return judged


def _is_ours(folder: Path) -> bool:
    """Tell whether a folder is empty or was made by the demo."""
    file = folder / SESSION_FILE
    if not folder.is_dir():
        return False
    if not file.is_file():
        return not any(folder.iterdir())
    return file.read_text("utf-8", errors="replace").startswith(FIRST_LINE)


def _is_made(folder: Path, truth: Path, scenario: Scenario) -> bool:
    from diskmosaic.synthetic import read_truth

    if not truth.is_dir():
        return False
    known = read_truth(truth)
    recordings = ["flat.ser"] * bool(scenario.plan.flat_frames) + ["dark.ser"] * bool(scenario.plan.dark_frames)
    recordings += [tile.recording for tile in known.tiles]
    return known.plan == scenario.plan and all((folder / name).is_file() for name in recordings)


def _table(figures: dict[str, float | None], aims: dict[str, dict[str, Any]]) -> list[str]:
    """Lay figures and aims out in columns."""
    placed = f"{figures['tiles_placed']} of {figures['tiles']}"
    rows = [("Result against the truth", "found", "aim", "")]
    rows.append(("tiles placed", placed, "all", _verdict(aims["tiles_placed"])))
    for key, name, unit, aim in AIMS:
        rows.append((name, _text(figures.get(key), unit), f"<= {_text(aim, unit)}", _verdict(aims[key])))
    rows += [(name, _text(figures.get(key), unit), "", "") for key, name, unit in ALSO]
    width = [max(len(row[k]) for row in rows) for k in range(4)]
    return [
        f"{name:<{width[0]}}  {found:>{width[1]}}  {aim:>{width[2]}}  {verdict}".rstrip()
        for name, found, aim, verdict in rows
    ]


def _verdict(judged: dict[str, Any]) -> str:
    return "reached" if judged["reached"] else "MISSED"


def _text(value: float | None, unit: str) -> str:
    if value is None:
        return "not told"
    value = abs(value)
    return f"{100 * value:.2f} %" if unit == "%" else f"{value:.3f} px" if unit == "px" else f"{value:.2f} x"


def _where(outcome: Outcome) -> list[str]:
    """Say where to look."""
    return [
        "Where to look:",
        f"  {outcome.out / 'pictures' / 'disk.jpg'}  the picture",
        f"  {outcome.out / 'report.html'}  what was done and how well; opens in any browser",
        f"  {outcome.out / 'disk.fits'}  the linear disk, natural and uniform, with coordinates",
    ]
