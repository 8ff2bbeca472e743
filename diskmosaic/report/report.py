"""One page that shows what was made and why it can be trusted.

It is written from the product files alone, holds every picture in itself, asks nothing of a network and has
no clock time in it: the same products give the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from html import escape
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Any

from diskmosaic._version import __version__
from diskmosaic.files.assembly import read_assembly
from diskmosaic.files.atomic import write_text
from diskmosaic.report.curves import grading_curves, level_table, limb_residuals, radial_profile, seam_table
from diskmosaic.report.data import DiskView, read_disk_view, read_masters, read_tiles
from diskmosaic.report.layout import known, section, table
from diskmosaic.report.pictures import disk_picture, flat_comparison, master_pictures, tile_ties
from diskmosaic.report.trial import trial_section

REPORT = "report.html"


_CAUTIONS = """<ul> <li>Never look at the Sun through optics, and never point optics at it, without a
certified full-aperture filter fixed at the front, or a dedicated solar telescope in good order. Check them
for damage before each use.</li> <li>Cover or remove finders. Never leave the instrument unattended while it
can see the Sun.</li> <li>Use energy-rejection filters as their makers prescribe: the whole chain, in its
order.</li> <li>Follow the makers' instructions and local rules. This program never replaces them.</li>
</ul>"""


def write_report(out: Path, *, title: str, settings_text: str, warnings: Sequence[str] = ()) -> Path:
    """Write ``report.html`` from the products in a folder.

    Parameters
    ----------
    out : Path
        Holds ``disk.fits``, ``assembly.json`` and, where they were made, ``masters`` and ``tiles``.
    title : str
    settings_text : str
        What repeats the run: the command and ``session.toml``.
    warnings : sequence of str
        Shown first, before those that the products carry.

    Returns
    -------
    Path
        Of the page.

    Raises
    ------
    InputError
        If a product is missing or damaged.
    OutputError
        If the page cannot be written.
    """
    assembly = read_assembly(out / "assembly.json")
    view = read_disk_view(out, assembly)
    masters = read_masters(out)
    tiles = read_tiles(out)
    told = [*warnings, *assembly["warnings"]]
    told += [text for master in masters.values() for text in master.warnings]
    told += [text for tile in tiles for text in tile.warnings]
    sections = [
        _warnings(dict.fromkeys(told)),
        _left_out(assembly),
        disk_picture(view, assembly),
        tile_ties(view, assembly, tiles),
        master_pictures(masters),
        trial_section(out),
        flat_comparison(assembly, tiles, masters),
        grading_curves(tiles),
        level_table(assembly, tiles),
        limb_residuals(view),
        radial_profile(view),
        seam_table(assembly),
        section("To repeat this run", f'<pre tabindex="0">{escape(settings_text)}</pre>'),
        section("Safety", _CAUTIONS),
    ]
    package = files("diskmosaic")
    page = Template(package.joinpath("report.html").read_text(encoding="utf-8")).substitute(
        title=escape(title),
        subtitle=escape(_subtitle(view)),
        css=package.joinpath("report.css").read_text(encoding="utf-8"),
        body="\n".join(section for section in sections if section),
        version=escape(__version__),
    )
    write_text(out / REPORT, page)
    return out / REPORT


def _subtitle(view: DiskView) -> str:
    time = view.header.get("DATE-OBS")
    height, width = view.shape
    words = [f"{time} UTC" if time else "time unknown", f"{width} × {height} px"]
    return " · ".join(words)


def _warnings(texts: Iterable[str]) -> str:
    items = "".join(f"<li>{escape(text)}</li>" for text in texts)
    if not items:
        return "<p>No warnings.</p>"
    return f'<section class="note"><h2>Warnings</h2><ul>{items}</ul></section>'


def _left_out(assembly: Mapping[str, Any]) -> str:
    rows = [
        (entry["recording"], entry["reason"], known(entry.get("best_score"), 3))
        for entry in assembly.get("left_out", [])
    ]
    if not rows:
        return ""
    listed = table("Recordings that are not on the disk", ["recording", "reason", "score"], rows, words=(1,))
    return f'<section class="note"><h2>Tiles left out</h2>{listed}</section>'
