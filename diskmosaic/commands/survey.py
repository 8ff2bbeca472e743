"""``survey``: what a folder holds."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from diskmosaic.commands.console import Console, work
from diskmosaic.commands.options import common_options, folder_argument, out_option


@click.command("survey")
@folder_argument
@out_option
@common_options
def survey_command(folder: Path, out: Path | None, jobs: int, as_json: bool, quiet: bool, verbose: bool) -> None:
    """Find the recordings, tell what each one is, and note it in session.toml."""

    def action(console: Console) -> dict[str, Any]:
        from diskmosaic.job.checks import check
        from diskmosaic.session.survey import survey

        found = survey(folder, out, jobs=jobs, progress=console.progress)
        for line in _table(found.recordings):
            console.say(line)
        if len(found.groups) > 1:
            console.say("Camera settings:")
            for key, members in found.groups.items():
                console.say(f"  {', '.join(key)}: {', '.join(member.path for member in members)}")
        console.say(f"Noted in {found.session_file}")
        console.warn(list(found.warnings))
        check(found)
        return {
            "session_file": str(found.session_file),
            "recordings": [
                {
                    "path": recording.path,
                    "role": recording.role,
                    "by": recording.by,
                    "height": recording.height,
                    "width": recording.width,
                    "bits": recording.bits,
                    "frames": recording.frames,
                    "start_utc": recording.start_utc,
                    "camera": recording.camera,
                }
                for recording in found.recordings
            ],
            "warnings": list(found.warnings),
        }

    work("survey", action, as_json=as_json, quiet=quiet, verbose=verbose)


def _table(recordings: Any) -> list[str]:
    """Lay the recordings out in columns."""
    rows = [("recording", "role", "by", "frames", "size", "bits", "start (UTC)")]
    for found in recordings:
        start = (found.start_utc or "").replace("T", " ")[:19]
        size = f"{found.width}x{found.height}" if found.frames else ""
        bits = "" if found.bits is None else str(found.bits)
        rows.append((found.path, found.role, found.by, str(found.frames or ""), size, bits, start))
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
