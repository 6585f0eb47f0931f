"""The question and its answer: study file, pairing, effect, interval, verdict; tables only."""

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
