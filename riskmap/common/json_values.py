"""Values as JSON can represent them, without a path that shows whose machine it was."""

from __future__ import annotations

import math
from datetime import date
from pathlib import Path
from typing import Any


def portable(path: Path) -> str:
    """Return a relative path unchanged, and only the name of an absolute one."""
    return path.name if path.is_absolute() or path.drive else path.as_posix()


def plain(value: Any) -> Any:
    """Return a value as JSON can represent it: paths portable, numbers finite or None, everything else text."""
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Path):
        return portable(value)
    if isinstance(value, dict):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(entry) for entry in (sorted(value) if isinstance(value, set | frozenset) else value)]
    if hasattr(value, "tolist"):  # NumPy scalar or array
        return plain(value.tolist())
    if isinstance(value, date):
        return value.isoformat()
    return str(value)
