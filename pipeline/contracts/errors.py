"""Typed errors: each says what was asked, what was found, what is allowed and what to do next."""

from __future__ import annotations

from .reasons import Reason, ReasonCode


class ThrumlineError(Exception):
    """Root of all errors raised by the pipeline and its plugins.

    Parameters
    ----------
    asked, found, allowed, todo
        What was wanted, what was there instead, what would have been accepted, what to do next.
        Empty parts are left out of the message.
    """

    def __init__(self, asked: str, *, found: str = "", allowed: str = "", todo: str = "") -> None:
        self.asked, self.found, self.allowed, self.todo = asked, found, allowed, todo
        super().__init__(self.sentence())

    def sentence(self) -> str:
        """The whole message in one line."""
        parts = [self.asked]
        parts += [f"found {self.found}"] if self.found else []
        parts += [f"allowed: {self.allowed}"] if self.allowed else []
        parts += [self.todo] if self.todo else []
        return "; ".join(parts)

    def __reduce__(self) -> tuple[object, ...]:
        return _rebuild, (type(self), self.__dict__.copy(), self.args)


def _rebuild(kind: type[ThrumlineError], state: dict[str, object], args: tuple[object, ...]) -> ThrumlineError:
    error = kind.__new__(kind)
    error.__dict__.update(state)
    error.args = args
    return error


class StudyError(ThrumlineError):
    """The study file or its captures table cannot be used as a whole."""


class RowError(ThrumlineError):
    """One row of the captures table cannot be used; ``code`` says why in the files' language."""

    def __init__(
        self, code: ReasonCode, asked: str, *, found: str = "", allowed: str = "", todo: str = ""
    ) -> None:
        super().__init__(asked, found=found, allowed=allowed, todo=todo)
        self.code = code


class RecipeError(ThrumlineError):
    """A recipe is not well formed, or names stages or settings that do not exist."""


class SchemaError(ThrumlineError):
    """A stage cannot work on what the stage before it hands over."""


class SettingsError(ThrumlineError):
    """A settings file, option or environment value cannot be used."""


class PluginError(ThrumlineError):
    """A plugin that was asked for is missing, broken, or claimed twice."""


class ReaderRefusal(ThrumlineError):
    """A reader will not turn this file into samples; ``code`` is the reason shown to the user."""

    def __init__(
        self, code: ReasonCode, asked: str, *, found: str = "", allowed: str = "", todo: str = ""
    ) -> None:
        super().__init__(asked, found=found, allowed=allowed, todo=todo)
        self.code = code

    @property
    def reason(self) -> Reason:
        """The refusal as a reason record."""
        return Reason(self.code, self.sentence())


