"""How loops are compiled that numpy and OpenCV cannot do in one go."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import numba


def compiled(function):
    """Compile on first use; keep the machine code on disk where a place for it can be written.

    The place is the person's cache (or ``NUMBA_CACHE_DIR``), not beside the source: files that a package installer does
    not know of stay when it removes the package, and what is left of the folder then hides one installed elsewhere.

    Strict arithmetic: with leave to contract or reorder, a last bit would depend on what the compiler chose to inline,
    and a result on which process compiled it.
    """
    options = {"nogil": True, "boundscheck": False}
    asked = numba.config.CACHE_DIR
    numba.config.CACHE_DIR = asked or _persons_cache()
    try:
        return numba.njit(cache=True, **options)(function)
    except RuntimeError:  # nowhere
        return numba.njit(**options)(function)
    finally:
        numba.config.CACHE_DIR = asked


def _persons_cache() -> str:
    """Folder of the person's cache for this program; empty where there is none."""
    usual = {"win32": "~/AppData/Local", "darwin": "~/Library/Caches"}.get(sys.platform, "~/.cache")
    told = os.environ.get("LOCALAPPDATA" if sys.platform == "win32" else "XDG_CACHE_HOME", "")
    # the XDG Base Directory Specification 0.8: paths that are not absolute are ignored
    base = Path(told) if os.path.isabs(told) else Path(os.path.expanduser(usual))
    return str(base / "diskmosaic") if base.is_absolute() else ""
