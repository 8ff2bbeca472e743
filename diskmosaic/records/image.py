"""What an image is."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatImage = NDArray[np.float32]
