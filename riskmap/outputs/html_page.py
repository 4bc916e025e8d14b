"""Fills the skeleton of a page: an HTML file with named slots, such as $title; $colors and $fonts fill themselves."""

from __future__ import annotations

import html
from collections.abc import Mapping
from pathlib import Path
from string import Template

from riskmap.outputs import palette, typeface


def filled(skeleton: Path, texts: Mapping[str, object], markup: Mapping[str, str] | None = None) -> str:
    """Return a skeleton with its slots filled, without the newline at its end.

    Parameters
    ----------
    skeleton : Path
        The HTML file.
    texts : mapping of str to object
        The text of each slot; it is escaped, so it may come from data.
    markup : mapping of str to str, optional
        The markup of each slot, which is not escaped: HTML that was made from escaped texts, styles and scripts of the
        package.

    Raises
    ------
    ValueError
        When the slots and the values do not have the same names, or a name is in both mappings.
    """
    template, parts = Template(skeleton.read_text(encoding="utf-8").removesuffix("\n")), dict(markup or {})
    slots = set(template.get_identifiers())
    parts |= {name: made() for name, made in (("colors", palette.css), ("fonts", typeface.css)) if name in slots}
    values = {*texts, *parts}
    if slots != values or set(texts) & set(parts):
        wrong = sorted((slots ^ values) | (set(texts) & set(parts)))
        raise ValueError(f"{skeleton.name}: slots and values differ in {', '.join(wrong)}")
    return template.substitute({**{name: html.escape(str(value)) for name, value in texts.items()}, **parts})
