"""Tables, figures and the one-file report; it computes no statistic. Each name is loaded when it is asked for."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .documents import ReportDocuments, ReportError
    from .page import render_report, write_page
    from .picture import render_picture
    from .spreadsheet import write_spreadsheet
    from .test_sheet import SheetRequest, render_test_sheet, write_test_sheet

__all__ = [
    "ReportDocuments",
    "ReportError",
    "SheetRequest",
    "render_picture",
    "render_report",
    "render_test_sheet",
    "write_page",
    "write_spreadsheet",
    "write_test_sheet",
]

_HOMES = {
    "documents": ("ReportDocuments", "ReportError"),
    "page": ("render_report", "write_page"),
    "picture": ("render_picture",),
    "spreadsheet": ("write_spreadsheet",),
    "test_sheet": ("SheetRequest", "render_test_sheet", "write_test_sheet"),
}


def __getattr__(name: str) -> Any:
    for module, names in _HOMES.items():
        if name in names:
            return getattr(import_module(f".{module}", __name__), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
