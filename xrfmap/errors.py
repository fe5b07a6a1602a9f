"""Errors that tell a user where to look and what to do."""

from __future__ import annotations

__all__ = ["CalibrationError", "InputError", "XrfmapError"]


class XrfmapError(Exception):
    """Base of every error that is shown to a user without a traceback."""


class InputError(XrfmapError):
    """Something given to the program cannot be used.

    Parameters
    ----------
    where : str
        File, or file and place in it.
    field : str
        The field, dataset or keyword; may be empty when the whole file is meant.
    found : str
        What stands there.
    expected : str
        What should stand there.
    remedy : str
        What the user can do about it.
    """

    def __init__(
        self, where: str, field: str = "", *, found: str, expected: str, remedy: str
    ) -> None:
        self.where = where
        self.field = field
        self.found = found
        self.expected = expected
        self.remedy = remedy
        place = f"{where}: {field}" if field else where
        super().__init__(f"{place}: found {found}; expected {expected}; {remedy}")

    def __reduce__(self) -> tuple[object, ...]:
        # the default passes the message alone, which keyword-only arguments refuse:
        # an error raised in a worker process could not come home
        return _rebuild, (self.where, self.field, self.found, self.expected, self.remedy)


def _rebuild(where: str, field: str, found: str, expected: str, remedy: str) -> InputError:
    return InputError(where, field, found=found, expected=expected, remedy=remedy)


class CalibrationError(XrfmapError):
    """The energy scale cannot be found from the data; the message says why."""
