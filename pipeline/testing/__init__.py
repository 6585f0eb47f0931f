"""Kit for plugin authors and for our own demo, tests and benches: simulated captures with known truth."""

from .closed_forms import steady_sine, steady_sines, two_sines, white_noise
from .components import TrueLine
from .simulator import IdleSpec, LoadState, SimulatedCapture, Slam, idle_capture

__all__ = [
    "IdleSpec", "LoadState", "SimulatedCapture", "Slam", "TrueLine", "idle_capture", "steady_sine",
    "steady_sines", "two_sines", "white_noise",
]  # fmt: skip
