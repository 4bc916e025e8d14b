"""Standardised drought indices, one file each, found by listing this folder.

In: arrays (n_series, n_month) of consecutive months, NaN where a month is unknown.
Out: the index, same shape; NaN where it is not known. To add an index, add a file with `NAME`, `UNIT`, `NEEDS`
(argument names in order), `RANGE`, `SOURCE` and `compute(*needs, first_calendar_month=..., accumulation_months=...)`.
The file may also be in a folder of your own, which you then pass to `modules`.
Method: notebooks/method.md, section 3.
"""

from __future__ import annotations

import importlib
import pkgutil
from importlib import util
from pathlib import Path
from types import ModuleType

from riskmap.common.errors import LayerError

DECLARED = ("NAME", "UNIT", "NEEDS", "RANGE", "SOURCE", "compute")


def modules(folder: Path | None = None) -> tuple[ModuleType, ...]:
    """Return every index module, by name. Names that start with an underscore are helpers.

    Parameters
    ----------
    folder : Path, optional
        A further folder of index files. They are executed as they are, so give only files that you have read.

    Raises
    ------
    LayerError
        A file of `folder` does not declare all of `DECLARED`, has another name than its `NAME`, or has the name of an
        index that exists already.

    Examples
    --------
    >>> [index.NAME for index in modules()]
    ['spei', 'spi']
    """
    names = sorted(module.name for module in pkgutil.iter_modules(__path__) if not module.name.startswith("_"))
    here = tuple(importlib.import_module(f"{__name__}.{name}") for name in names)
    if folder is None:
        return here
    own = sorted(module.name for module in pkgutil.iter_modules([str(folder)]) if not module.name.startswith("_"))
    if twice := sorted(set(own) & set(names)):
        raise LayerError(f"E-CLI-050 {twice[0]}.py: there is an index of this name already. Give it another name.")
    return here + tuple(_from_file(folder / f"{name}.py") for name in own)


def _from_file(path: Path) -> ModuleType:
    """Return the index that a single file outside the package contains."""
    spec = util.spec_from_file_location(f"{__name__}.{path.stem}", path)
    if spec is None or spec.loader is None or not path.is_file():
        raise LayerError(f"E-CLI-051 {path.name}: is not a Python file of its own.")
    module = util.module_from_spec(spec)
    spec.loader.exec_module(module)
    if missing := [name for name in DECLARED if not hasattr(module, name)]:
        raise LayerError(f"E-CLI-052 {path.name}: an index declares {', '.join(DECLARED)}; missing: "
                         f"{', '.join(missing)}.")
    if path.stem != module.NAME:
        raise LayerError(f"E-CLI-053 {path.name}: NAME is '{module.NAME}'; an index has the name of its file.")
    return module
