"""Faults to exit codes and messages: the one place that maps error roots to what a user sees."""

from __future__ import annotations

import os
import traceback

import click

DONE, UNEXPECTED, USAGE, BAD_STUDY, SOME_LEFT_OUT, COULD_NOT_CHECK, DAMAGE = 0, 1, 2, 3, 4, 5, 6


def exit_code_of(error: BaseException) -> int:
    """Exit code for an error that reached the front door."""
    from ...pipeline.contracts.errors import (
        PluginError,
        ReaderRefusal,
        RecipeError,
        SchemaError,
        SettingsError,
        StudyError,
    )

    if isinstance(error, ReaderRefusal):
        return SOME_LEFT_OUT
    if isinstance(error, StudyError | RecipeError | SchemaError | SettingsError | PluginError):
        return BAD_STUDY
    if _is_archive_fault(error):
        return BAD_STUDY
    return UNEXPECTED


def _is_archive_fault(error: BaseException) -> bool:
    """Faults of the archive come through the API under their own root; known by the parts they carry."""
    return all(hasattr(error, part) for part in ("asked", "found", "todo"))


OPTION_OF_COLUMN = {"unit": "--unit", "scale": "--scale", "sample_rate_hz": "--rate", "axes": "--axes"}
"""Options of ``inspect`` and ``check`` that say of one file what a column of the captures table says."""


def _on_the_command_line(text: str) -> str:
    """A way out by a column of the table, with the option that says the same of a single file."""
    for column, option in OPTION_OF_COLUMN.items():
        if f"column '{column}'" in text:
            return f"{text} (for a single file: {option})"
    return text


def tell(error: BaseException) -> None:
    """Say what is wrong, what was expected, and what to do next, on the error stream."""
    if all(hasattr(error, part) for part in ("asked", "found", "allowed", "todo")):
        code = getattr(error, "code", None)
        click.echo(f"error: {error.asked}" + (f"  [{code}]" if code else ""), err=True)  # type: ignore[attr-defined]
        for label, part in (("found", "found"), ("allowed", "allowed"), ("next", "todo")):
            text = getattr(error, part)
            if text:
                click.echo(f"  {label + ':':9}{text if code is None else _on_the_command_line(text)}", err=True)
        return
    click.echo(f"error: {type(error).__name__}: {error}", err=True)
    click.echo("  this is a fault of thrumline, not of your files; nothing that was done is lost", err=True)
    if os.environ.get("THRUMLINE_TRACEBACK"):
        click.echo("".join(traceback.format_exception(error)), err=True)
    else:
        click.echo("  next:    set THRUMLINE_TRACEBACK=1 and run it again for the details", err=True)
