"""Put notebooks into their stored form: no output, no counts, one line per line of source, sorted keys.

`python notebooks/tidy.py` rewrites every notebook of this folder. Run it after editing in Jupyter; a test checks the
form.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).resolve().parent
METADATA = {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
            "language_info": {"name": "python"}}


def tidied(text: str) -> str:
    """Return the stored form of a notebook."""
    cells = []
    for number, cell in enumerate(json.loads(text)["cells"], start=1):
        source = "".join(cell["source"]).rstrip()
        kept: dict[str, Any] = {"cell_type": cell["cell_type"], "id": f"cell-{number:02d}", "metadata": {},
                                "source": source.splitlines(keepends=True)}
        if cell["cell_type"] == "code":
            kept |= {"execution_count": None, "outputs": []}
        cells.append(kept)
    whole = {"cells": cells, "metadata": METADATA, "nbformat": 4, "nbformat_minor": 5}
    return json.dumps(whole, indent=1, ensure_ascii=False, sort_keys=True) + "\n"


def main() -> None:
    """Rewrite the notebooks that are not in this form, and name them."""
    for path in sorted(FOLDER.glob("*.ipynb")):
        text = path.read_text(encoding="utf-8")
        if (wanted := tidied(text)) != text:
            path.write_text(wanted, encoding="utf-8", newline="\n")
            print(path.name)


if __name__ == "__main__":
    main()
