"""The register of message codes: what each one means and what to do. The entries are in `codes.toml`.

The register is read when somebody asks for a code, never when a message is made: a message has its own sentences, which
name the file, the row and the value.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from riskmap.common.errors import CodeError, closest, joined, shown

REGISTER = Path(__file__).with_name("codes.toml")
CLOSEST_SHOWN = 5  # judgement: this many codes of a list can be read at a glance
_FORM = re.compile(r"[EW]-[A-Z]{2,5}-[0-9]{1,4}")


@dataclass(frozen=True)
class Code:
    """One entry of the register.

    Attributes
    ----------
    code : str
        `E-...` for a value, row or file that was not used, or a command that was refused; `W-...` for what was used
        with a caution.
    meaning : str
        What is wrong, in one sentence.
    remedy : str
        What to do, in one sentence.
    """

    code: str
    meaning: str
    remedy: str

    def __str__(self) -> str:
        return f"{self.code}: {self.meaning}\nWhat to do: {self.remedy}"


def is_code(text: str) -> bool:
    """Return whether a text has the form of a code, such as `E-LOT-014`; capitals do not matter."""
    return _FORM.fullmatch(text.strip().upper()) is not None


@cache
def register() -> dict[str, Code]:
    """Return every code, in the order of the file."""
    entries = tomllib.loads(REGISTER.read_text(encoding="utf-8"))
    return {code: Code(code, entry["meaning"], entry["remedy"]) for code, entry in entries.items()}


def look_up(text: str) -> Code:
    """Return the entry of a code; capitals do not matter.

    Raises
    ------
    CodeError
        When the register has no such code; the closest ones are listed.
    """
    wanted = text.strip().upper()
    entry = register().get(wanted)
    if entry is None:
        near = joined(closest(wanted, register())[:CLOSEST_SHOWN])
        raise CodeError(f"E-COD-001 '{shown(text)}' is not a code that this version knows. The closest are {near}. "
                        "Write a code as messages show it.")
    return entry
