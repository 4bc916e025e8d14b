"""Workbooks whose first sheet is other XML than a spreadsheet program would write."""

from __future__ import annotations

import zipfile
from pathlib import Path

SHEET = "xl/worksheets/sheet1.xml"
END = "</sheetData></worksheet>"


def beginning(*names: str) -> str:
    """Return the XML of a sheet up to its first row, which has these texts."""
    cells = "".join(f'<c r="{chr(ord("A") + k)}1" t="inlineStr"><is><t>{name}</t></is></c>'
                    for k, name in enumerate(names))
    return ('<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
            f'<row r="1">{cells}</row>')


def with_sheet(path: Path, content: str | bytes) -> Path:
    """Put other content in the place of the first sheet of a workbook."""
    with zipfile.ZipFile(path) as packed:
        parts = {name: packed.read(name) for name in packed.namelist()}
    parts[SHEET] = content if isinstance(content, bytes) else content.encode()
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, part in parts.items():
            packed.writestr(name, part)
    return path
