"""Section of the report that shows the flat's trial: its pattern beside the recordings' own."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from pathlib import Path
from typing import Any

import numpy as np

from diskmosaic.report.figures import inline_jpeg, number, stretched
from diskmosaic.report.layout import details, known, picture, section, table
from diskmosaic.trial.document import DOCUMENT, PICTURES, UNIT, read_document

_GRAINS = 12  # rows shown of each list


def trial_section(out: Path) -> str:
    """What the trial of the flat found; nothing where there was none.

    Parameters
    ----------
    out : Path
        Holds ``masters``.
    """
    folder = out / "masters"
    if not (folder / DOCUMENT).exists() or not (folder / PICTURES).exists():
        return ""
    trial = read_document(folder / DOCUMENT)
    notes = "".join(f"<li>{escape(text)}</li>" for text in trial["notes"])
    return section(
        "The flat on trial",
        f"<p>{escape(trial['verdict'][:1].upper() + trial['verdict'][1:])}.</p>",
        f"<ul>{notes}</ul>" if notes else "",
        f'<div class="row">{_pictures(folder / PICTURES)}</div>',
        table("What was compared", ["", "found"], _rows(trial), words=(1,)),
        _grains(trial),
        details("Recordings", _recordings(trial)),
    )


def _pictures(path: Path) -> str:
    with np.load(path) as stored:
        factor = int(stored["factor"])
        bands = {name: stored[name].astype(np.float32) * np.float32(UNIT) for name in ("flat", "recordings")}
    bands["difference"] = bands["recordings"] - bands["flat"]
    span = max(float(np.percentile(np.abs(bands["flat"]), 99)), 1e-3)
    scale = f"gray is 0, ± {number(100 * span, 2)} %"
    scale += f"; {factor} × {factor} pixels made one" if factor > 1 else ""
    captions = {
        "flat": f"Fine pattern of the flat ({scale}).",
        "recordings": "The same in the recordings' mean frames, no flat applied: what they share.",
        "difference": "Recordings less flat: what the flat would leave, and what is left of the Sun.",
    }
    return "".join(
        picture(inline_jpeg(stretched(band, -span, span)), captions[name].split(":")[0].rstrip("."), captions[name])
        for name, band in bands.items()
    )


def _rows(trial: Mapping[str, Any]) -> list[tuple[str, str]]:
    dust, pixels, flat = trial["dust"], trial["pixels"], trial["flat"]
    y, x = dust["shift"]
    rows = [
        (
            "dust",
            f"shift y {number(y, 2)}, x {number(x, 2)} px{_turned(dust)}; correlation {known(dust['correlation'], 2)}, "
            f"significance {known(dust['significance'], 3)} (next orientation {known(dust['second'], 2)}, "
            f"to be expected {known(dust['expected'], 3)})",
        ),
        (
            "single pixels",
            f"shift y {number(pixels['shift'][0], 2)}, x {number(pixels['shift'][1], 2)} px{_turned(pixels)}; "
            f"correlation {known(pixels['correlation'], 2)}, significance {known(pixels['significance'], 3)}",
        ),
        ("strength of the dust", f"{known(trial['strength'], 3)} ± {known(trial['strength_sigma'], 1)}"),
        (
            "dust grains",
            f"{trial['grains']} in the flat; {len(trial['gone'])} gone and {len(trial['added'])} new in the recordings",
        ),
    ]
    if trial["rings"]:
        rings = trial["rings"]
        change = f"moved by {number(rings['change'], 2)} ± {known(rings['sigma'], 1)} of a fringe"
        rows.append(("rings", f"{change}, strength {number(rings['strength'], 2)}"))
    gains = known(flat["gain_e_per_adu"], 3), known(trial["recordings_gain_e_per_adu"], 3)
    rows += [
        ("gain of the camera", f"{gains[0]} e-/ADU in the flat, {gains[1]} in the recordings"),
        ("read noise", f"{known(flat['read_noise_e'], 2)} e-"),
        (
            "light of the flat",
            f"level {known(flat['level_adu'], 4)} ADU, darkest corner {known(100 * flat['corner'], 3)} % "
            f"of the middle, change across the sensor {known(100 * flat['gradient'], 2)} %",
        ),
    ]
    return rows


def _turned(likeness: Mapping[str, Any]) -> str:
    turned = f", turned by {90 * likeness['turns']}°" if likeness["turns"] else ""
    return (", mirrored" if likeness["mirrored"] else "") + turned


def _grains(trial: Mapping[str, Any]) -> str:
    rows = []
    for where, grains in (("only in the flat", trial["gone"]), ("only in the recordings", trial["added"])):
        for k, grain in enumerate(grains[:_GRAINS], 1):
            y, x = grain["place_yx"]
            depth = f"{number(100 * grain['depth'], 2)} %"
            rows.append((k, where, known(y, 4), known(x, 4), known(grain["across_px"], 2), depth))
    if not rows:
        return ""
    head = ["", "where", "y, px", "x, px", "across, px", "depth"]
    return table("Dust grains that moved, the deepest first", head, rows, words=(1,))


def _recordings(trial: Mapping[str, Any]) -> str:
    rows = []
    for look in trial["recordings"]:
        shift = look["shift_yx"]
        rows.append(
            (
                look["name"],
                known(look["level"], 4),
                f"{number(100 * look['saturated'], 2)} %",
                "hidden by its Sun" if shift is None else f"{number(shift[0], 2)}, {number(shift[1], 2)}",
                known(look["significance"], 2),
                look["stacked"],
                "–" if look["flat_noise"] is None else f"{number(100 * look['flat_noise'], 2)} %",
                look["enough"] or "–",
            )
        )
    head = [
        "recording",
        "level, ADU",
        "saturated",
        "shift y, x, px",
        "significance",
        "frames stacked",
        "the flat's noise adds",
        "flat frames enough",
    ]
    return table("Each recording by itself; noise and frames without any jitter", head, rows, words=(3,))
