"""The Python facade; every front door calls this and nothing else.

Subjects: studies (the main job), captures (one file or one archived capture), archive, plugins, recipes. Each name
is loaded when it is asked for: a run that finds nothing new needs hardly any of it.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ..contracts.errors import ThrumlineError
    from ..execution.spread import Spread
    from .archive import open_capture, open_spectra
    from .captures import inspect_file
    from .plugins import plugin_listing
    from .recipes import recipe_names, recipe_text
    from .studies import run_study, run_whole
    from .study_run import StudyRun, Watch
    from .unchanged import unchanged_run

__all__ = [
    "Spread", "StudyRun", "ThrumlineError", "Watch", "inspect_file", "open_capture", "open_spectra",
    "plugin_listing", "recipe_names", "recipe_text", "run_study", "run_whole", "unchanged_run",
]  # fmt: skip

_HOMES = {
    "ThrumlineError": "..contracts.errors", "Spread": "..execution.spread", "open_capture": ".archive",
    "open_spectra": ".archive", "inspect_file": ".captures", "plugin_listing": ".plugins",
    "recipe_names": ".recipes", "recipe_text": ".recipes", "run_study": ".studies", "run_whole": ".studies",
    "StudyRun": ".study_run", "Watch": ".study_run", "unchanged_run": ".unchanged",
}  # fmt: skip


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOMES[name], __name__), name)
