"""From stacked tiles to the disk, its pictures and the report."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from diskmosaic.errors import bad_input
from diskmosaic.job.job import ASSEMBLY, DISK, MASTERS, ONTO, PICTURES, REPORT, TILES, ZOOM, Job
from diskmosaic.job.second_set import STEP as SECOND_SET
from diskmosaic.job.second_set import load, second_set
from diskmosaic.settings import SESSION_FILE
from diskmosaic.steps import fingerprint

if TYPE_CHECKING:
    from diskmosaic.observation import Observation
    from diskmosaic.pictures.export import Exported
    from diskmosaic.records.light import Disk
    from diskmosaic.records.places import Placement
    from diskmosaic.records.tile import Tile

MOVES = 0.001  # rms of a pattern that, taken out of the tiles, may change where they are placed


def archived_tiles(job: Job) -> list[Path]:
    """List the stacked tiles in OUT, those whose recording a person ignores left out."""
    from diskmosaic.files.tilefile import tile_recording

    ignored = {path for path, entry in job.document.recordings.items() if entry.role == "ignore"}
    paths = sorted((job.out / TILES).glob("[!.]*.fits"))
    kept = [path for path in paths if not ignored or tile_recording(path) not in ignored]
    if not kept:
        raise bad_input(job.out / TILES, found="no tiles", expected="stacked tiles", todo="stack them first")
    return kept


def assemble_tiles(job: Job, tiles: Sequence[Path]) -> None:
    """Place, level and blend the tiles, find the limb, finish the disk."""
    paths = sorted(tiles)
    outputs = [job.out / DISK, job.out / ASSEMBLY]
    settings, observation = job.settings, job.observation
    masters = sorted((job.out / MASTERS).glob("[!.]*.fits"))
    parts = [
        {path.name: job.steps.digest(f"tile {path.stem}", path) for path in paths},
        {path.name: job.steps.digest(path.stem, path) for path in masters},
        {stage: getattr(settings, stage).model_dump() for stage in ("masters", "placement", "levels", "limb", "disk")},
        dataclasses.asdict(observation),
        job.document.layout.model_dump(),
        {path: table.model_dump(exclude={"role", "note"}) for path, table in job.document.recordings.items()},
        job.early_warnings(),
    ]
    job.step("assemble", parts, outputs, lambda: _assemble(job, paths, masters, outputs))
    job.read_outcome()


def _assemble(job: Job, paths: Sequence[Path], masters: Sequence[Path], outputs: list[Path]) -> list[Path]:
    import numpy as np

    from diskmosaic.blend.seam_steps import seam_steps
    from diskmosaic.disk.bearings import find_bearings
    from diskmosaic.disk.disk import finish_disk
    from diskmosaic.disk.rounding import blend_round
    from diskmosaic.files.assembly import assembly_document, placed_only, write_assembly
    from diskmosaic.files.diskfile import write_disk
    from diskmosaic.files.masterfile import read_master
    from diskmosaic.files.tilefile import read_tile
    from diskmosaic.levels.levels import solve_levels
    from diskmosaic.placement.hints import apply_hints, hints_of
    from diskmosaic.placement.placement import place_tiles
    from diskmosaic.remainder.motion import mend_by_motion
    from diskmosaic.remainder.remainder import mend_tiles

    settings = job.settings
    tiles = [read_tile(path) for path in job.progress(paths, "reading tiles", len(paths), "tiles")]
    _check_shapes(tiles, paths)
    observation = _on_the_tiles(job.observation, tiles)
    hints = hints_of(job.document, tiles, observation)

    def place(tiles: Sequence[Tile]) -> Placement:
        found = place_tiles(tiles, settings.placement, given=hints.given, jobs=job.jobs, progress=job.progress)
        return apply_hints(found, tiles, hints)

    placement = place(tiles)
    if settings.masters.mend:
        tiles, standing = mend_by_motion(tiles, jobs=job.jobs, progress=job.progress)
        flats = [read_master(path).image for path in masters if path.stem == "flat"]
        tiles, remainder = mend_tiles(tiles, flats[0] if flats else None, placement, progress=job.progress)
        found = [float(np.std(standing))] if standing is not None else []
        found += [remainder.rms] if remainder is not None else []
        if max(found, default=0.0) > MOVES:
            placement = place(tiles)
    levels = solve_levels(tiles, placement, settings.levels)
    placement, observation, bearings = find_bearings(placement, tiles, observation)
    made = blend_round(tiles, placement, levels, observation, settings)
    disk = finish_disk(
        made.mosaic, made.layout, made.placement, made.limb, tiles, observation, settings.limb, settings.disk
    )
    disk = placed_only(disk, made.placement)
    told = [*job.early_warnings(), *(text for path in masters for text in read_master(path).warnings)]
    told += [text for tile in tiles for text in tile.told()]
    told += [*placement.warnings, *bearings, *made.warnings, *levels.warnings, *disk.warnings]
    write_disk(outputs[0], disk)
    seams = seam_steps(disk.uniform, disk.tile, disk.limb)
    write_assembly(outputs[1], assembly_document(tiles, made.placement, levels, disk, told, made.rounding, seams))
    return outputs


def put_on_map(job: Job, map_path: Path) -> None:
    """Put the finished disk onto another map's grid, into ``onto/NAME.fits`` of OUT.

    Raises
    ------
    InputError
        The map is no helioprojective map, or lies too far off in time; the disk has no coordinates, or its north is
        not known.
    """
    from diskmosaic.files.solarmap import read_grid
    from diskmosaic.steps import file_sha256

    disk, grid = job.out / DISK, read_grid(map_path)
    output = job.out / ONTO / f"{map_path.name.split('.')[0]}.fits"
    if output.resolve() == map_path.resolve():
        raise bad_input(map_path, found="a result of this command", expected="another map", todo="choose another map")
    parts = [job.steps.digest("assemble", disk), file_sha256(map_path), grid.name]
    job.step(f"onto {output.stem}", parts, [output], lambda: _put_on_map(job, disk, map_path, output))


def _put_on_map(job: Job, disk: Path, map_path: Path, output: Path) -> list[Path]:
    from diskmosaic.disk.onto import MOST_HOURS, put_onto, seconds_between
    from diskmosaic.files.diskfile import read_layers
    from diskmosaic.files.solarmap import grid_of, read_grid, write_on_grid

    header, layers = read_layers(disk, ("NATURAL", "UNIFORM", "WEIGHT"))
    if not header.get("NORTHUP", False):
        raise bad_input(
            disk,
            found="a disk whose north is not known" if "CTYPE1" in header else "a disk without solar coordinates",
            expected="a map",
            todo=f"set north_deg, mirrored (and time_utc) under [observation] in {SESSION_FILE} and assemble again",
        )
    target, source = read_grid(map_path), grid_of(header, layers["NATURAL"].shape, disk.name)
    hours = abs(seconds_between(target, source)) / 3600
    if hours > MOST_HOURS:
        raise bad_input(
            map_path,
            found=f"a map {hours / 24:.1f} days away from the disk",
            expected=f"one of the same {MOST_HOURS / 24:.0f} days",
            todo="choose another map",
        )
    linear = [name == "WEIGHT" for name in layers]
    images = put_onto(target, source, list(layers.values()), linear=linear, progress=job.progress)
    output.parent.mkdir(parents=True, exist_ok=True)
    write_on_grid(output, target, dict(zip(layers, images, strict=True)), source.time_utc)
    return [output]


def _on_the_tiles(observation: Observation, tiles: Sequence[Tile]) -> Observation:
    """See the camera as the tiles do, whose pixels may lie further apart than its own, or nearer."""
    if observation.pixel_um is None or tiles[0].step == 1:
        return observation
    return dataclasses.replace(observation, pixel_um=observation.pixel_um * tiles[0].step)


def present_disk(job: Job, *, everything: bool = False) -> None:
    """Export the pictures and write the report; `everything`: also the pictures for a purpose, and the page."""
    disk, assembly = job.out / DISK, job.out / ASSEMBLY
    if not disk.exists():
        raise bad_input(disk, found="no such file", expected="the finished disk", todo="assemble the tiles first")
    job.read_outcome()
    digests = {path.name: job.steps.digest("assemble", path) for path in (disk, assembly)}
    observation = dataclasses.asdict(job.observation)
    recipes = {name: recipe.model_dump(mode="json") for name, recipe in job.recipes.items()}
    longer = second_set(job, lambda: _disk(job))
    light = None if longer is None else job.steps.digest(SECOND_SET, longer)
    parts = [digests, job.settings.pictures.model_dump(), recipes, observation, light]
    made = _Pictures(
        job, longer, {name: not job.steps.done(name, fingerprint(parts)) for name in ("pictures", "showing")}
    )
    job.step("pictures", parts, [], lambda: made.of(everything).whole)
    if everything:
        job.step("showing", parts, [job.out / ZOOM / "index.html"], lambda: made.of(everything).showing)
    job.outcome.files += sorted(path for path in (job.out / PICTURES).rglob("[!.]*") if path.is_file())
    files = [*(job.out / MASTERS).glob("[!.]*.fits"), *(job.out / TILES).glob("[!.]*.fits")]
    for path in sorted(files):
        step = f"tile {path.stem}" if path.parent.name == TILES else path.stem
        digests[path.relative_to(job.out).as_posix()] = job.steps.digest(step, path)
    text = job.settings_text()
    job.step("report", [digests, observation, text], [job.out / REPORT], lambda: _report(job, text))


def _disk(job: Job) -> Disk:
    import numpy as np

    from diskmosaic.files.assembly import read_assembly
    from diskmosaic.files.diskfile import read_disk

    tiles = read_assembly(job.out / ASSEMBLY)["tiles"]
    disk = read_disk(job.out / DISK, np.array([tile["to_disk"] for tile in tiles], float).reshape(-1, 2, 3))
    # no picture shows which tile a pixel is from
    return dataclasses.replace(disk, tile=np.zeros((0, 0), np.int16))


class _Pictures:
    """The pictures, made once for both steps that write them, as far as they are not written yet."""

    def __init__(self, job: Job, longer: Path | None, wanted: Mapping[str, bool]) -> None:
        self._job, self._longer, self._wanted = job, longer, wanted
        self._made: Exported | None = None

    def of(self, everything: bool) -> Exported:
        from diskmosaic.pictures.export import export_pictures

        if self._made is None:
            job = self._job
            self._made = export_pictures(
                _disk(job),
                job.out / PICTURES,
                job.observation,
                job.settings.pictures,
                job.recipes,
                whole=self._wanted["pictures"],
                page=job.out / ZOOM if everything and self._wanted["showing"] else None,
                longer=None if self._longer is None else load(self._longer),
                jobs=job.jobs,
            )
        return self._made


def _report(job: Job, settings_text: str) -> list[Path]:
    from diskmosaic.report.report import write_report

    title = job.document.session.name or job.folder.resolve().name
    return [write_report(job.out, title=title, settings_text=settings_text, warnings=job.early_warnings())]


def _check_shapes(tiles: Sequence[Tile], paths: Sequence[Path]) -> None:
    """Refuse archived tiles of several sizes: the sensor's pattern is shared by all."""
    for tile, path in zip(tiles, paths, strict=True):
        if tile.image.shape != tiles[0].image.shape:
            height, width = tile.image.shape
            first_height, first_width = tiles[0].image.shape
            raise bad_input(
                path,
                found=f"{width}x{height} px",
                expected=f"{first_width}x{first_height} px as in {paths[0].name}",
                todo=f'set role = "ignore" for its recording in {SESSION_FILE}',
            )
