"""Kit for plugin authors and for our own demo, tests and benches: simulated captures with known truth."""

from .closed_forms import steady_sine, steady_sines, two_sines, white_noise
from .components import TrueLine
from .faults import FAULTS, FaultKind
from .fleet import FleetCapture, FleetSpec, PlantedFault, demo_fleet, fleet_captures, true_changes, write_fleet
from .platforms import PlatformSpec, invented_platforms
from .simulator import IdleSpec, LoadState, SimulatedCapture, Slam, idle_capture
from .writer import TextDialect, as_written, capture_text, write_text, write_wav

__all__ = [
    "FAULTS", "FaultKind", "FleetCapture", "FleetSpec", "IdleSpec", "LoadState", "PlantedFault", "PlatformSpec",
    "SimulatedCapture", "Slam", "TextDialect", "TrueLine", "as_written", "capture_text", "demo_fleet",
    "fleet_captures", "idle_capture", "invented_platforms", "steady_sine", "steady_sines", "true_changes",
    "two_sines", "white_noise", "write_fleet", "write_text", "write_wav",
]  # fmt: skip
