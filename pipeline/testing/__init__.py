"""Kit for plugin authors and for our own demo, tests and benches: simulated captures with known truth."""

from .agreement import differences
from .closed_forms import steady_sine, steady_sines, two_sines, white_noise
from .components import TrueLine
from .estimator_suite import EstimatorSuite
from .examples import StageExample, example_of, stamped
from .faults import FAULTS, FaultKind
from .fleet import FleetCapture, FleetSpec, PlantedFault, demo_fleet, fleet_captures, true_changes, write_fleet
from .gathering import GatheringSink, GivenFile
from .metric_suite import DerivationSuite, MetricSuite
from .platforms import PlatformSpec, invented_platforms
from .reader_suite import ReaderExample, ReaderSuite, RefusedExample
from .simulator import IdleSpec, LoadState, SimulatedCapture, Slam, idle_capture
from .transform_suite import TransformSuite
from .writer import TextDialect, as_written, capture_text, write_text, write_wav

__all__ = [
    "FAULTS", "DerivationSuite", "EstimatorSuite", "FaultKind", "FleetCapture", "FleetSpec", "GatheringSink",
    "GivenFile", "IdleSpec", "LoadState", "MetricSuite", "PlantedFault", "PlatformSpec", "ReaderExample",
    "ReaderSuite", "RefusedExample", "SimulatedCapture", "Slam", "StageExample", "TextDialect", "TransformSuite",
    "TrueLine", "as_written", "capture_text", "demo_fleet", "differences", "example_of", "fleet_captures",
    "idle_capture", "invented_platforms", "stamped", "steady_sine", "steady_sines", "true_changes", "two_sines",
    "white_noise", "write_fleet", "write_text", "write_wav",
]  # fmt: skip
