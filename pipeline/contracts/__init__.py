"""What a plugin author imports: schema, stage contracts, records, reason codes, errors, hooks."""

from .errors import (
    PluginError,
    ReaderRefusal,
    RecipeError,
    RowError,
    SchemaError,
    SettingsError,
    StudyError,
    ThrumlineError,
)
from .hookspecs import ENTRY_POINT_GROUP, PROJECT, hookimpl
from .products import (
    CombinedSpectra,
    Line,
    Lines,
    OrderAmplitude,
    OrderSpectra,
    OrderSpectrum,
    ScreenFacts,
    Spectra,
    SpeedMap,
    SpeedTrack,
)
from .reasons import Level, Reason, ReasonCode, level_of
from .records import (
    AxisSource,
    CaptureHead,
    CaptureRow,
    ChannelHead,
    ChannelMapping,
    Clock,
    Comparison,
    Cut,
    Fitness,
    GroupHead,
    OverPlatforms,
    Reading,
)
from .sections import ReportSection
from .sensor_floor import NOISE_FACT, SensorFloor, judged_by_floor, sensor_floor
from .signal import Aside, Block, ChainSchema, ChannelSpec, Context, ProductSpec, SignalSpec
from .stages import (
    Accumulator,
    BlockFlow,
    Derivation,
    Estimator,
    Metric,
    Reader,
    Sink,
    Source,
    Stage,
    StageSettings,
    Transform,
)

__all__ = [
    "ENTRY_POINT_GROUP", "NOISE_FACT", "PROJECT", "Accumulator", "Aside", "AxisSource", "Block", "BlockFlow",
    "CaptureHead", "CaptureRow", "ChainSchema", "ChannelHead", "ChannelMapping", "ChannelSpec", "Clock",
    "CombinedSpectra", "Comparison", "Context", "Cut", "Derivation", "Estimator", "Fitness", "GroupHead", "Level",
    "Line", "Lines", "Metric", "OrderAmplitude", "OrderSpectra", "OrderSpectrum", "OverPlatforms", "PluginError",
    "ProductSpec",
    "Reader", "ReaderRefusal", "Reading", "Reason", "ReasonCode", "RecipeError", "ReportSection", "RowError",
    "SchemaError", "ScreenFacts", "SensorFloor", "SettingsError", "SignalSpec", "Sink", "Source", "Spectra",
    "SpeedMap", "SpeedTrack", "Stage", "StageSettings", "StudyError", "ThrumlineError", "Transform", "hookimpl",
    "judged_by_floor", "level_of", "sensor_floor",
]  # fmt: skip
