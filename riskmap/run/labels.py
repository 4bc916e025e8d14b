"""The labels of a run's lots, such as addresses, in a file of their own: written only where the area file asks for one.

No other file of a run contains them. A command that shows them asks for them here; what is exported, compared, stored
or published never does.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from riskmap.common.errors import RunFolderError, visible
from riskmap.run.record import CHECKED, FOLDER, SUMS

if TYPE_CHECKING:
    from pathlib import Path

    from riskmap.run.files import RunFiles

NAME = f"{FOLDER}/labels.parquet"
MOST_CHARACTERS = 200  # as `layers.lots.LABEL_CHARACTERS`: no run writes a longer one


def write(labels: pd.Series, folder: Path) -> Path:
    """Write `record/labels.parquet` into a run folder and return its path.

    Parameters
    ----------
    labels : Series of str
        One per lot, in the order of the lots. Empty ones are not written.
    folder : Path
        A run folder with its record.
    """
    path = folder / NAME
    given = np.flatnonzero((labels != "").to_numpy(dtype=bool))
    table = pd.DataFrame({"lot_row": given, "label": labels.iloc[given].to_numpy(dtype=object)})
    table.astype({"label": "str"}).to_parquet(path, compression="zstd", index=False, **SUMS)
    return path


def read(files: RunFiles) -> pd.Series | None:
    """Return the labels of a run's lots by `lot_row`; lots without one are left out. None where the run has none.

    Raises
    ------
    RunFolderError
        The file was changed or is damaged.
    """
    if not files.has(NAME):
        return None
    try:
        with files.open(NAME) as stream:
            table = pd.read_parquet(stream, columns=["lot_row", "label"], **CHECKED)
        row, label = table["lot_row"], table["label"]
        good = row.dtype.kind in "iu" and row.is_unique and bool((row >= 0).all()) and (
            label.map(type).eq(str).all() and bool((label.str.len() <= MOST_CHARACTERS).all()))
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        good = False
    if not good:
        raise RunFolderError(f"E-RUN-083 {visible(files.folder.as_posix())}: the file {NAME} of the run is damaged. "
                             "Nothing of it was used. `riskmap verify` compares all files; run the estimate again.")
    return pd.Series(label.to_numpy(dtype=object), index=row.to_numpy(np.int64), dtype="str")
