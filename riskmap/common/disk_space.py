"""A full disk, recognised whatever a library reports."""

from __future__ import annotations

import errno
import os
from contextlib import suppress
from pathlib import Path

NOTHING_KEPT = "Nothing of this run was kept."
_PROBE_BYTES = 1024**2  # judgement: a disk without room for this is full, even when a half-made file was just removed
_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


def no_room_in(error: BaseException) -> OSError | None:
    """Return the error of a full disk that is behind another error, if there is one."""
    seen: list[BaseException] = []
    one: BaseException | None = error
    while one is not None and one not in seen:
        if isinstance(one, OSError) and one.errno in _NO_ROOM:
            return one
        seen.append(one)
        one = one.__cause__ or one.__context__
    return None


def no_room(folder: Path, name: str = "") -> OSError | None:
    """Return the system's error when a small file cannot be written into a folder, otherwise None.

    Databases report a full disk as whatever they could not do next ("no such table", "cannot rollback").

    Parameters
    ----------
    folder : Path
    name : str
        File to name in the error, where one is being written.
    """
    probe = folder / ".riskmap-probe"
    try:
        with probe.open("wb") as file:
            file.write(bytes(_PROBE_BYTES))
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        return OSError(error.errno, os.strerror(error.errno or errno.EIO), str(folder / name))
    finally:
        with suppress(OSError):
            probe.unlink(missing_ok=True)
    return None
