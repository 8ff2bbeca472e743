"""What an image is."""

from __future__ import annotations
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any
import numpy as np
from numpy.typing import NDArray



FloatImage = NDArray[np.float32]
