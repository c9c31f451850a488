"""What can go wrong with the logbook, as one exception with advice; imports nothing heavy."""

from __future__ import annotations


class LogbookError(Exception):
    """The logbook could not be read or written: ``reason``, and ``advice`` on what to do."""

    def __init__(self, reason: str, advice: str) -> None:
        super().__init__(f"{reason} {advice}")
        self.reason, self.advice = reason, advice
