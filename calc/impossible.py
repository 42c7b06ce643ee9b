"""The one exception for a preparation that can't be: a code for programs, a sentence for people."""

from __future__ import annotations


class ImpossibleError(ValueError):
    """A request that no preparation fulfils.

    ``code`` is a short stable name (``target-above-stock``); the message is one sentence that
    says what is wrong and what to do.
    """

    def __init__(self, code: str, message: str) -> None:
        super().__init__(message)
        self.code = code
