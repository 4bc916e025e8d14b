"""The invented example town: where it is, and a copy of it for a folder that has none.

The example has one home, `layers/example` of the project. A wheel contains the folder `layers` as
`riskmap/example_layers` (pyproject.toml), so that an installed riskmap has it too.
"""

from __future__ import annotations

import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path

from riskmap.common.errors import RunFolderError

IN_PROJECT = Path("layers") / "example" / "area.toml"
COPY = Path("riskmap-example")
_PACKAGE = Path(__file__).parent.parent
_HOMES = (_PACKAGE / "example_layers", _PACKAGE.parent / "layers")  # installed from a wheel; a checkout


@dataclass(frozen=True)
class Example:
    """The example area as a command uses it.

    Attributes
    ----------
    area : Path
        Its area file, relative to the current folder.
    note : str
        Where the files of the example are, as a sentence; empty in the project's folder.
    """

    area: Path
    note: str = ""


def at_hand() -> Example:
    """Return the example of the current folder: the project's own, or a copy that is made when there is none.

    Returns
    -------
    Example
        `layers/example/area.toml` in the project's folder, elsewhere `riskmap-example/area.toml`. A copy that is
        already there is used as it is.

    Raises
    ------
    RunFolderError
        The installed riskmap has no example, something else has the name of the copy, or it cannot be written.
    """
    if IN_PROJECT.is_file():
        return Example(IN_PROJECT)
    area = COPY / IN_PROJECT.name
    if area.is_file():
        return Example(area, f"The example in {COPY} is used as it is; delete this folder to get a new copy.")
    if COPY.exists() or COPY.is_symlink():
        raise RunFolderError(f"E-RUN-086 {COPY}: the example is copied to this name, and something without "
                             f"{IN_PROJECT.name} has it already. Rename or delete it, or go to another folder.")
    home = next((one for one in _HOMES if (one / "example" / IN_PROJECT.name).is_file()), None)
    if home is None:
        raise RunFolderError("E-RUN-081 the installed riskmap has no example area. Install it again, or run this from "
                             "the project's folder.")
    try:
        _copy(home)
    except OSError as error:
        raise RunFolderError(f"E-RUN-087 {COPY}: the example could not be copied to the current folder: "
                             f"{error.strerror or type(error).__name__}. Check the disk and your rights, or go to "
                             "another folder.") from None
    return Example(area, f"The example was copied to {COPY}; its README.md says what is in it, and layers.md there "
                   "is the page that messages call layers/README.md.")


def _copy(home: Path) -> None:
    """Copy the example in one step: whoever looks at the folder sees all of it or nothing."""
    with tempfile.TemporaryDirectory(dir=Path(), prefix=f".{COPY}-") as place:
        whole = Path(place) / COPY
        whole.mkdir()
        for file in sorted(one for one in (home / "example").iterdir() if one.is_file() and one.suffix != ".py"):
            shutil.copyfile(file, whole / file.name)  # the content alone: installed files may be read-only
        shutil.copyfile(home / "README.md", whole / "layers.md")
        whole.rename(COPY)
