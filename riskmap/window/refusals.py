"""What the page refuses, with the status of its answer."""

from __future__ import annotations

from riskmap.common.errors import RiskmapError


class WindowError(RiskmapError):
    """The page cannot do what was asked; `status` is that of the answer."""

    def __init__(self, message: str, status: int = 400) -> None:
        """Take the message and the status."""
        super().__init__(message)
        self.status = status
