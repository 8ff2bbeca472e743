"""How far a result is from the truth of a simulated session."""

from diskmosaic.figures.measure import measure
from diskmosaic.figures.table import print_table

__all__ = ["measure", "print_table"]
