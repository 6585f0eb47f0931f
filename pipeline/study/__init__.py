"""The question and its answer: study file, pairing, effect, interval, verdict; tables only.

Each name is loaded when it is asked for: a run asks its question before its first capture and compares after its last.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .captures_table import CapturesTable, RowProblem, read_captures_table
    from .comparing import Outcome, compare, explore
    from .marks import FILL_IN
    from .planning import PlatformPlan, Run, fresh_plan, plan_next, run_order
    from .proposing import FoundFile, Proposal, proposed
    from .sentences import in_words, verdict_sentence
    from .slips import check_question
    from .study_file import Study, load_study, question_keys
    from .table_rows import OPTIONAL_COLUMNS, REQUIRED_COLUMNS, axes_from_text
    from .table_writing import table_text

__all__ = [
    "FILL_IN", "OPTIONAL_COLUMNS", "REQUIRED_COLUMNS", "CapturesTable", "FoundFile", "Outcome", "PlatformPlan",
    "Proposal", "RowProblem", "Run", "Study", "axes_from_text", "check_question", "compare", "explore", "fresh_plan",
    "in_words", "load_study", "plan_next", "proposed", "question_keys", "read_captures_table", "run_order",
    "table_text", "verdict_sentence",
]  # fmt: skip

_HOMES = {
    "captures_table": ("CapturesTable", "RowProblem", "read_captures_table"),
    "comparing": ("Outcome", "compare", "explore"),
    "marks": ("FILL_IN",),
    "planning": ("PlatformPlan", "Run", "fresh_plan", "plan_next", "run_order"),
    "proposing": ("FoundFile", "Proposal", "proposed"),
    "sentences": ("in_words", "verdict_sentence"),
    "slips": ("check_question",),
    "study_file": ("Study", "load_study", "question_keys"),
    "table_rows": ("OPTIONAL_COLUMNS", "REQUIRED_COLUMNS", "axes_from_text"),
    "table_writing": ("table_text",),
}


def __getattr__(name: str) -> Any:
    for module, names in _HOMES.items():
        if name in names:
            return getattr(import_module(f".{module}", __name__), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
