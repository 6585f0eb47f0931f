"""The Python facade; every front door calls this and nothing else.

Subjects: studies (the main job), captures (one file or one archived capture), archive, plugins, recipes.
"""

from ..contracts.errors import ThrumlineError
from ..execution.spread import Spread
from .archive import open_capture, open_spectra
from .captures import inspect_file
from .plugins import plugin_listing
from .recipes import recipe_names, recipe_text
from .studies import StudyRun, Watch, run_study

__all__ = [
    "Spread", "StudyRun", "ThrumlineError", "Watch", "inspect_file", "open_capture", "open_spectra",
    "plugin_listing", "recipe_names", "recipe_text", "run_study",
]  # fmt: skip
