"""A known Sun, its recordings and their flaws: sessions with truth, for demo, tests and benchmarks."""

from diskmosaic.synthetic.plan import SessionPlan, hard, plain
from diskmosaic.synthetic.sensor import SensorPattern, pattern, sensor_pattern
from diskmosaic.synthetic.session import make_session
from diskmosaic.synthetic.sun import Sun, drift_px_per_s, invented_sun
from diskmosaic.synthetic.truth import TileTruth, Truth, read_truth

__all__ = [
    "SensorPattern",
    "SessionPlan",
    "Sun",
    "TileTruth",
    "Truth",
    "drift_px_per_s",
    "hard",
    "invented_sun",
    "make_session",
    "pattern",
    "plain",
    "read_truth",
    "sensor_pattern",
]
