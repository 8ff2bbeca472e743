"""Full-disk mosaics of the Sun from overlapping tiles recorded at long focal length."""

from diskmosaic._version import __version__

__all__ = ["__version__"]
