"""How loops are compiled that numpy and OpenCV cannot do in one go."""

from __future__ import annotations

import hashlib
import os
import sys
from functools import cache
from pathlib import Path

import numba


def compiled(function):
    """Compile on first use; keep the machine code on disk where a place for it can be written.

    The place is the person's cache (or ``NUMBA_CACHE_DIR``), not beside the source: files that a package installer does
    not know of stay when it removes the package, and what is left of the folder then hides one installed elsewhere.
    Every state of the loops has a folder of its own: the compiler looks only at the file that a loop stands in, and
    would go on with what it had compiled into it of another file.

    Strict arithmetic: with leave to contract or reorder, a last bit would depend on what the compiler chose to inline,
    and a result on which process compiled it.
    """
    options = {"nogil": True, "boundscheck": False}
    asked = numba.config.CACHE_DIR
    place = asked or _persons_cache()
    numba.config.CACHE_DIR = place and str(Path(place) / _state_of_the_loops())
    try:
        return numba.njit(cache=True, **options)(function)
    except RuntimeError:  # nowhere
        return numba.njit(**options)(function)
    finally:
        numba.config.CACHE_DIR = asked


@cache
def _state_of_the_loops() -> str:
    """Digest of all files among which loops call each other."""
    digest = hashlib.sha256()
    for path in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()[:16]


def _persons_cache() -> str:
    """Folder of the person's cache for this program; empty where there is none."""
    usual = {"win32": "~/AppData/Local", "darwin": "~/Library/Caches"}.get(sys.platform, "~/.cache")
    told = os.environ.get("LOCALAPPDATA" if sys.platform == "win32" else "XDG_CACHE_HOME", "")
    # the XDG Base Directory Specification 0.8: paths that are not absolute are ignored
    base = Path(told) if os.path.isabs(told) else Path(os.path.expanduser(usual))
    return str(base / "diskmosaic") if base.is_absolute() else ""
