"""The question and its answer: study file, pairing, effect, interval, verdict; tables only."""

from .captures_table import CapturesTable, RowProblem, read_captures_table
from .comparing import Outcome, compare
from .planning import PlatformPlan, Run, fresh_plan, plan_next, run_order
from .sentences import in_words, verdict_sentence
from .study_file import Study, load_study, question_keys
from .table_rows import OPTIONAL_COLUMNS, REQUIRED_COLUMNS, axes_from_text

__all__ = [
    "OPTIONAL_COLUMNS", "REQUIRED_COLUMNS", "CapturesTable", "Outcome", "PlatformPlan", "RowProblem", "Run", "Study",
    "axes_from_text", "compare", "fresh_plan", "in_words", "load_study", "plan_next", "question_keys",
    "read_captures_table", "run_order", "verdict_sentence",
]  # fmt: skip
