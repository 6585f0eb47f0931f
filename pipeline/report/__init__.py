"""Tables, figures and the one-file report; it computes no statistic."""

from .documents import ReportDocuments, ReportError
from .page import render_report, write_report

__all__ = ["ReportDocuments", "ReportError", "render_report", "write_report"]
