"""The one error type that a user of gapvision can meet.

This module imports nothing from the rest of the package except the code
registry, so that every room can raise it.
"""

from __future__ import annotations

from gapvision.codes import CODES

#: Exit codes of the commands: done; a negative answer; wrong usage or unreadable input; photo refused.
EXIT_OK, EXIT_NO, EXIT_USAGE, EXIT_REFUSED = 0, 1, 2, 3


class GapvisionError(Exception):
    """A refusal in workshop words: what is wrong, and what to do next.

    Parameters
    ----------
    code : str
        Kebab-case reference, listed in :mod:`gapvision.codes`.
    message : str
        What is wrong, one sentence.  Empty: the registry's own sentence.
    next_step : str
        What to do about it, one sentence.  Empty: the registry's own advice.

    Raises
    ------
    ValueError
        If the code is not registered (a programming fault).
    """

    def __init__(self, code: str, message: str = "", next_step: str = "") -> None:
        if code not in CODES:
            raise ValueError(f"unregistered code {code!r}; add it to gapvision/codes.py")
        entry = CODES[code]
        self.code = code
        self.message = message or entry.text
        self.next_step = next_step or entry.next_step
        # Positional arguments keep the exception picklable for worker processes.
        super().__init__(code, self.message, self.next_step)

    def __str__(self) -> str:
        return f"{self.message} {self.next_step}".strip()


def require(code: str, holds: bool, message: str = "", next_step: str = "") -> None:
    """Refuse unless something holds; the rest as :class:`GapvisionError`, which it raises."""
    if not holds:
        raise GapvisionError(code, message, next_step)
