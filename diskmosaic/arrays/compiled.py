"""How loops are compiled that numpy and OpenCV cannot do in one go."""

from __future__ import annotations

import numba


def compiled(function):
    """Compile on first use; keep the machine code on disk where a place for it can be written.

    Strict arithmetic: with leave to contract or reorder, a last bit would depend on what the compiler chose to inline,
    and a result on which process compiled it.
    """
    options = {"nogil": True, "boundscheck": False}
    try:
        return numba.njit(cache=True, **options)(function)
    except RuntimeError:  # neither beside the source nor in the person's cache
        return numba.njit(**options)(function)
