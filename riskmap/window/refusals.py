"""What the page refuses, with the status of its answer, and the refusals that several modules share."""

from __future__ import annotations

from riskmap.common.errors import RiskmapError


class WindowError(RiskmapError):
    """The page cannot do what was asked; `status` is that of the answer."""

    def __init__(self, message: str, status: int = 400) -> None:
        """Take the message and the status."""
        super().__init__(message)
        self.status = status


def no_such() -> WindowError:
    """Return the refusal of a run or file that is not there."""
    return WindowError("E-WIN-003 there is no such run or file. Go back to the area.", 404)


def cannot_write(name: str, error: OSError) -> WindowError:
    """Return the refusal of an area whose folder cannot be written."""
    return WindowError(f"E-WIN-004 {name}: the folder of the area cannot be written: {error.strerror}. Check the disk "
                       "and your rights.", 507)


def too_long() -> WindowError:
    """Return the refusal of a form whose fields are too long or too many."""
    return WindowError("E-WIN-006 the fields of the form are too long or too many. Shorten them, or choose fewer.", 413)


def too_large(most_bytes: int) -> WindowError:
    """Return the refusal of files that are larger together than a form may bring."""
    return WindowError(f"E-WIN-008 the files are larger than {most_bytes / 1e6:,.0f} MB together. Give fewer or "
                       "smaller files, or use the commands, which read files where they are.", 413)


def no_form(what: str) -> WindowError:
    """Return the refusal of a form that brings no whole file."""
    return WindowError(f"E-WIN-009 {what}. Choose files and send the form again.")


def no_room(why: str) -> WindowError:
    """Return the refusal of files that the disk cannot take."""
    return WindowError(f"E-WIN-010 the files cannot be written: {why}. Free some space and send them again.", 507)


def no_token() -> WindowError:
    """Return the refusal of a form that is not one of ours."""
    return WindowError("E-WIN-012 this form is not one of this window. Load the page again and send the form again.",
                       403)
