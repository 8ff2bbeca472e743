"""Whether a session can be worked on; what speaks against it is one sentence."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from pathlib import Path

from diskmosaic.errors import InputError, bad_input
from diskmosaic.session.found import Found, Survey
from diskmosaic.settings import SESSION_FILE


def check(found: Survey) -> None:
    """Make sure that a session can be worked on.

    Raises
    ------
    InputError
        A file cannot be read; several sizes or depths; no tile; a tile without light.
    """
    ignore = f'set role = "ignore" for it in {SESSION_FILE} or remove it'
    for recording in found.of("unreadable"):
        raise InputError(recording.problem or recording.path)
    tiles = found.of("tile")
    if not tiles:
        roles = Counter(recording.role for recording in found.recordings)
        listing = ", ".join(f"{count} {role}" for role, count in sorted(roles.items()))
        raise bad_input(
            found.folder,
            found=f"no tiles ({listing})",
            expected="at least one",
            todo=f"set roles in {SESSION_FILE}",
        )
    for recording in tiles:
        if recording.by_content == "dark":
            raise bad_input(recording.path, found="no light in its frames", expected="a tile of the Sun", todo=ignore)
    sizes = Counter(recording.geometry for recording in tiles)
    if len(sizes) > 1:
        parts = []
        for geometry, count in sizes.most_common():
            members = [recording for recording in tiles if recording.geometry == geometry]
            names = ", ".join(member.path for member in members[:3]) + (", ..." if count > 3 else "")
            parts.append(f"{count} of {members[0].geometry_text} ({names})")
        raise bad_input(
            found.folder,
            found=f"tiles of {len(sizes)} kinds: {'; '.join(parts)}",
            expected="one size and bit depth",
            todo=f'choose by setting role = "ignore" for the others in {SESSION_FILE}',
        )
    for recording in (*found.of("flat"), *found.of("dark")):
        if recording.geometry != tiles[0].geometry:
            raise bad_input(
                recording.path,
                found=f"a {recording.role} of {recording.geometry_text}",
                expected=f"{tiles[0].geometry_text} as in {tiles[0].path}",
                todo=ignore,
            )


def check_distinct(found: Survey, hashes: Mapping[Path, str]) -> None:
    """Make sure that no recording is there twice; raises `InputError`."""
    first: dict[tuple[str, str], Found] = {}
    for recording in found.recordings:
        if recording.file in hashes:
            twin = first.setdefault((recording.role, hashes[recording.file]), recording)
            if twin is not recording:
                raise bad_input(
                    recording.path,
                    found=f"the same bytes as in {twin.path}",
                    expected="another recording",
                    todo=f'set role = "ignore" for one of them in {SESSION_FILE} or remove it',
                )
