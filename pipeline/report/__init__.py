"""Tables, figures and the one-file report; it computes no statistic."""

from .documents import ReportDocuments, ReportError
from .page import render_report, write_report
from .picture import render_picture
from .test_sheet import SheetRequest, render_test_sheet, write_test_sheet

__all__ = [
    "ReportDocuments",
    "ReportError",
    "SheetRequest",
    "render_picture",
    "render_report",
    "render_test_sheet",
    "write_report",
    "write_test_sheet",
]
