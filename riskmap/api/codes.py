"""What a message code means."""

from __future__ import annotations

from riskmap.common import codes


def explain_code(code: str) -> str:
    """Return what a message code means and what to do about it. No run is opened.

    Parameters
    ----------
    code : str
        A code as messages show it, such as `E-LOT-014`; capitals do not matter.

    Returns
    -------
    str
        The code with its meaning, and on the next line what to do.

    Raises
    ------
    CodeError
        There is no such code; the closest ones are listed.

    Examples
    --------
    >>> import riskmap
    >>> print(riskmap.api.explain_code("e-lot-081"))
    E-LOT-081: The lot file does not exist.
    What to do: Correct lots.path in the area file; it is relative to the area file.
    """
    return str(codes.look_up(code))
