"""Write the table of defaults into notebooks/method.md, section 15: `python notebooks/make_method_table.py`.

Run it after changing a default or its source; a test asks for it.
"""

from __future__ import annotations

from pathlib import Path

from riskmap import sources

PAGE = Path(__file__).resolve().parent / "method.md"
BEGIN, END = "<!-- table of defaults: begin -->\n", "<!-- table of defaults: end -->\n"


def with_table(text: str) -> str:
    """Return the page with the table between its two marks as the code gives it now."""
    before, _, rest = text.partition(BEGIN)
    _, _, after = rest.partition(END)
    return f"{before}{BEGIN}{sources.as_markdown()}\n{END}{after}"


if __name__ == "__main__":
    PAGE.write_text(with_table(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
