"""The question and its answer: study file, pairing, effect, interval, verdict; tables only."""

from .captures_table import CapturesTable, RowProblem, read_captures_table
from .comparing import Outcome, compare
from .study_file import Study, load_study, question_keys
from .table_rows import OPTIONAL_COLUMNS, REQUIRED_COLUMNS, axes_from_text

__all__ = [
    "OPTIONAL_COLUMNS", "REQUIRED_COLUMNS", "CapturesTable", "Outcome", "RowProblem", "Study", "axes_from_text",
    "compare", "load_study", "question_keys", "read_captures_table",
]  # fmt: skip
