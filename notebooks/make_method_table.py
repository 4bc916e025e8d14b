"""Write the table of defaults into notebooks/method.md, section 15: `python notebooks/make_method_table.py`.

Run it after changing a default or its source; a test checks that the table is up to date.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from riskmap.evidence import constants_sources

PAGE = Path(__file__).resolve().parent / "method.md"
BEGIN, END = "<!-- table of defaults: begin -->\n", "<!-- table of defaults: end -->\n"
COLUMNS = ("part", "constant", "value", "unit", "meaning", "standing", "source")


def shown(value: Any) -> str:
    """Return a value as the page writes it: `3 to 4` for two numbers, `2: 0.64, 3: 0.77` for a table of them."""
    if isinstance(value, dict):
        return ", ".join(f"{key}: {shown(one)}" for key, one in value.items())
    if isinstance(value, tuple):
        return (" to " if len(value) == 2 else ", ").join(map(shown, value))
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def table() -> str:
    """Return every constant with its source as one Markdown table, in the order of `sources.CONSTANTS`."""
    rows = [(c.part, f"`{c.where}`", shown(c.value), c.unit or "–", c.meaning, c.standing, c.source)
            for c in constants_sources.CONSTANTS]
    return "\n".join("| " + " | ".join(row) + " |" for row in (COLUMNS, ["---"] * len(COLUMNS), *rows))


def with_table(text: str) -> str:
    """Return the page with the table between its two marks as the code gives it now."""
    before, _, rest = text.partition(BEGIN)
    _, _, after = rest.partition(END)
    return f"{before}{BEGIN}{table()}\n{END}{after}"


if __name__ == "__main__":
    PAGE.write_text(with_table(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
