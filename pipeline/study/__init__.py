"""The question and its answer: study file, pairing, effect, interval, verdict; tables only."""

from .captures_table import CapturesTable, RowProblem, read_captures_table
from .comparing import Outcome, compare
from .study_file import Study, load_study

__all__ = ["CapturesTable", "Outcome", "RowProblem", "Study", "compare", "load_study", "read_captures_table"]
