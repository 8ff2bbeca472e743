"""A better master on archived tiles, without the raw video.

Tiles are rewritten one by one, each whole or not at all, with the new identity; ``masters/flat.fits`` takes the new
flat only after the last of them, so that a stopped job goes on where it was. The masters that were there before are
kept in ``masters/previous``; the choice is noted first (`diskmosaic.job.chosen`).
"""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diskmosaic.errors import bad_input
from diskmosaic.files.atomic import replacing, write_json
from diskmosaic.job.chosen import NOTE, Chosen, choose, note_tile, read_chosen, stored_offset
from diskmosaic.job.finish import archived_tiles
from diskmosaic.job.job import MASTERS, TILES, Job
from diskmosaic.job.mending import STEP as REMAINDER
from diskmosaic.job.trying import STEP as TRIAL
from diskmosaic.steps import STEPS_FOLDER, file_sha256

if TYPE_CHECKING:
    from diskmosaic.masters.calibration import Calibration
    from diskmosaic.records.image import FloatImage
    from diskmosaic.records.master import Master
    from diskmosaic.records.tile import Tile

PREVIOUS = "previous"
PATTERN = "pattern"  # role of a flat whose imprint was fitted
FITTED = "stacked elsewhere"


def reflat_tiles(job: Job, flat: Path, dark: Path | None) -> list[Path]:
    """Put a new flat, and maybe a new dark, on the archived tiles.

    Parameters
    ----------
    job : Job
        Its session read.
    flat, dark : path
        A master that this program wrote, or a recording.

    Returns
    -------
    list of pathlib.Path
        The tiles that there are now, in order.

    Raises
    ------
    InputError
        No tiles; a new master of another size; a tile's own master is not at hand; a tile that was stacked elsewhere
        and does not show the flat's pattern. Nothing is changed then.
    """
    from diskmosaic.files.tilefile import read_tile

    paths = archived_tiles(job)
    masters = _Masters(job, flat, dark)
    todo = []
    for path in job.progress(paths, "reading tiles", len(paths), "tiles"):
        tile = read_tile(path)
        masters.check(path, tile)
        if not masters.carried(tile):
            if stacked_elsewhere(tile):
                masters.imprint(path, tile)
            todo.append(path)
    chosen = choose(job, masters.given(), paths)
    changed = masters.announce(chosen)
    _convert(job, masters, todo)
    for path in paths:
        changed |= note_tile(job, chosen, path)
    changed |= masters.settle()
    job.outcome.steps["reflat"] = "done" if changed or todo else "unchanged"
    job.outcome.files += paths
    return paths


def stacked_elsewhere(tile: Tile) -> bool:
    """Tell whether nothing is known of a tile's frames: a still that no flat of this program has divided."""
    return len(tile.frames) == 1 and "flat" not in tile.masters


def _convert(job: Job, masters: _Masters, paths: Sequence[Path]) -> None:
    from diskmosaic.files.tilefile import read_tile, write_tile
    from diskmosaic.parallel import ordered_map

    def convert(path: Path) -> None:
        write_tile(path, masters.convert(path, read_tile(path)))

    done = ordered_map(convert, paths, jobs=job.jobs)
    for _ in job.progress(done, "new flat on the tiles", len(paths), "tiles"):
        pass


class _Masters:
    """The new masters and all old ones that are at hand."""

    def __init__(self, job: Job, flat: Path, dark: Path | None) -> None:
        self._job = job
        self.folder = job.out / MASTERS
        self.names = {"flat": flat.name} | ({} if dark is None else {"dark": dark.name})
        self._known: dict[str, Master] = {}
        self.new: dict[str, Master] = {}
        self._imprints: dict[Path, Any] = {}
        self._calibrations: dict[tuple[str | None, str | None, bool], Calibration] = {}
        for role in ("dark", "flat"):
            for path in (self.folder / f"{role}.fits", self.folder / PREVIOUS / f"{role}.fits"):
                if path.exists():
                    self._learn(path)
        self.offset = self._old_offset()
        from diskmosaic.files.tilefile import tiles_channel

        self._colour = tiles_channel(job.out / TILES)
        if dark is not None:
            self.new["dark"] = self._load("dark", dark)
        self.new["flat"] = self._load("flat", flat)
        self.sha = {role: self._identity(master) for role, master in self.new.items()}

    def _identity(self, master: Master) -> str:
        from diskmosaic.files.masterfile import pixels_sha256

        identity = pixels_sha256(master.image)
        self._known[identity] = master
        return identity

    def _learn(self, path: Path) -> None:
        from diskmosaic.files.masterfile import read_master

        self._identity(read_master(path))

    def _old_offset(self) -> float:
        flats = [master.offset for master in self._known.values() if master.kind == "flat"]
        return stored_offset(self._job) or next(iter(flats), 0.0)

    def _load(self, role: str, path: Path) -> Master:
        """Read a master, or make it of a recording (a step of its own: it is not averaged again the next time)."""
        from diskmosaic.files.masterfile import is_master, read_master

        if not path.is_file():
            raise bad_input(path, found="no such file", expected=f"a {role}", todo="check the path")
        if is_master(path):
            master = read_master(path)
            if master.kind != role:
                raise bad_input(path, found=f"a master {master.kind}", expected=f"a master {role}", todo="give that")
            return master
        made = self._job.out / STEPS_FOLDER / "reflat" / f"{role}.fits"
        base = self._dark() if role == "flat" else None
        parts = [file_sha256(path), path.name, self._job.settings.masters.model_dump()]
        parts += [None if base is None else self._identity(base), self.offset, self._colour]
        self._job.step(f"reflat {role}", parts, [], lambda: self._average(role, path, base, made))
        return read_master(made)

    def _dark(self) -> Master | None:
        """The dark for a new flat: the new one, else the session's."""
        from diskmosaic.files.masterfile import read_master

        path = self.folder / "dark.fits"
        return self.new.get("dark") or (read_master(path) if path.exists() else None)

    def _average(self, role: str, path: Path, base: Master | None, made: Path) -> list[Path]:
        from diskmosaic.files.masterfile import write_master
        from diskmosaic.masters import masters
        from diskmosaic.recordings.channels import take_colour
        from diskmosaic.recordings.recordings import open_recording
        from diskmosaic.records.master import Source

        settings, sources = self._job.settings.masters, (Source(path.name, file_sha256(path)),)
        common = {"sources": sources, "jobs": self._job.jobs, "progress": self._job.progress}
        with take_colour(open_recording(path), self._colour) as recording:
            if role == "dark":
                master = masters.make_dark([recording], settings, **common)
            else:
                master = masters.make_flat([recording], base, settings, offset=self.offset, **common)
        write_master(made, master)
        return [made]

    def carried(self, tile: Tile) -> bool:
        """Tell whether a tile carries the new masters already."""
        if tile.masters.get(PATTERN) is not None or stacked_elsewhere(tile):
            return tile.masters.get(PATTERN) == self.sha["flat"]
        return all(tile.masters.get(role) == identity for role, identity in self.sha.items())

    def check(self, path: Path, tile: Tile) -> None:
        """Refuse a tile whose size is another, or whose masters are not at hand."""
        for master in self.new.values():
            if master.image.shape != tile.frame_shape:
                size, wanted = (f"{shape[1]}x{shape[0]} px" for shape in (master.image.shape, tile.frame_shape))
                raise bad_input(
                    self.names[master.kind], found=size, expected=f"{wanted} as {path.name} has", todo="give another"
                )
        for role in ("dark", "flat"):
            identity = tile.masters.get(role)
            if identity is not None and identity not in self._known:
                raise bad_input(
                    path,
                    found=f"a tile that was made with another {role} (pixels {identity[:12]}...)",
                    expected=f"the one in {MASTERS}/{role}.fits or {MASTERS}/{PREVIOUS}/{role}.fits",
                    todo=f"put that {role} back there, or stack the tile again",
                )

    def imprint(self, path: Path, tile: Tile) -> Any:
        """Return the new flat's imprint in a tile that was stacked elsewhere; refuse where there is none."""
        from diskmosaic.remainder.imprint import find_imprint
        from diskmosaic.tiles.regions import find_regions

        if path not in self._imprints:
            image = _as_given(tile)
            disk = find_regions([replace(tile, image=image)])[0].disk
            found = find_imprint(image, disk, self.new["flat"].image)
            if not found.found:
                raise bad_input(
                    path,
                    found=f"nothing of the pattern of {self.names['flat']} (significance {found.significance:.1f})",
                    expected="its dust or rings within 20 px",
                    todo='give the flat of that camera, or set role = "ignore" for its recording',
                )
            self._imprints[path] = found
        return self._imprints[path]

    def convert(self, path: Path, tile: Tile) -> Tile:
        """Return the tile with the new masters."""
        from diskmosaic.remainder.imprint import reflat_tile

        if stacked_elsewhere(tile):
            return self._without_imprint(tile, self.imprint(path, tile))
        old = self._calibration(tile.masters.get("dark"), tile.masters.get("flat"))
        dark = self.sha.get("dark", tile.masters.get("dark"))
        identities = {**tile.masters, **self.sha}
        return replace(reflat_tile(tile, old, self._calibration(dark, self.sha["flat"])), masters=identities)

    def _without_imprint(self, tile: Tile, found: Any) -> Tile:
        import numpy as np

        said = (
            f"{tile.name}: {FITTED}; the pattern of {self.names['flat']} was found at ({found.shift_yx[0]:+.2f}, "
            f"{found.shift_yx[1]:+.2f}) px, smeared by {found.smear_px:.1f} px, with strength "
            f"{found.strength:.2f}, and taken out"
        )
        return replace(
            tile,
            image=_as_given(tile) * np.exp(-found.pattern),
            remainder=found.pattern,
            masters={**tile.masters, PATTERN: self.sha["flat"]},
            warnings=(*(text for text in tile.warnings if FITTED not in text), said),
        )

    def _calibration(self, dark: str | None, flat: str | None) -> Calibration:
        from diskmosaic.masters.calibration import Calibration

        key = (dark, flat)
        if key not in self._calibrations:
            masters = [None if identity is None else self._known[identity] for identity in key]
            shape = self.new["flat"].image.shape
            self._calibrations[key] = Calibration(*masters, self.offset if dark is None else 0.0, shape)
        return self._calibrations[key]

    def given(self) -> dict[str, dict[str, str]]:
        """Return the new masters as the note names them."""
        return {role: {"name": self.names[role], "pixels": identity} for role, identity in self.sha.items()}

    def announce(self, chosen: Chosen) -> bool:
        """Keep the masters that are to be replaced and write the note, before any tile changes; tell whether it did."""
        for path, _ in self._replaced():
            if path.exists():
                with replacing(self.folder / PREVIOUS / path.name) as part:
                    shutil.copyfile(path, part)
        if read_chosen(self._job) == chosen:
            return False
        write_json(self.folder / NOTE, {"masters": chosen.masters, "stacked": chosen.stacked})
        return True

    def settle(self) -> bool:
        """Let the new masters be those of OUT; tell whether they were not."""
        from diskmosaic.files.masterfile import write_master

        replaced = self._replaced()
        if replaced:
            # what the old flat left behind is in the tiles no more, and its trial tells nothing of the new one
            self._job.steps.forget(REMAINDER)
            self._job.steps.forget(TRIAL)
        for path, role in replaced:
            write_master(path, self.new[role])
        return bool(replaced)

    def _replaced(self) -> list[tuple[Path, str]]:
        paths = [(self.folder / f"{role}.fits", role) for role in self.sha]
        return [(path, role) for path, role in paths if not path.exists() or self._is_other(path, self.sha[role])]

    @staticmethod
    def _is_other(path: Path, identity: str) -> bool:
        from diskmosaic.files.masterfile import pixels_sha256, read_master

        return pixels_sha256(read_master(path).image) != identity


def _as_given(tile: Tile) -> FloatImage:
    """Return the image of a tile that was stacked elsewhere, as it came."""
    import numpy as np

    return tile.image if tile.remainder is None else tile.image * np.exp(tile.remainder)
