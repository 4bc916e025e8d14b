"""What a run says of one lot: `explain`, and the functions it uses."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NoReturn

from riskmap.api.codes import explain_code
from riskmap.api.shared import FileName, files_of, with_labels
from riskmap.common import codes
from riskmap.common.errors import RunFolderError, joined, shown
from riskmap.common.results import Results, Run

if TYPE_CHECKING:
    import pandas as pd

    from riskmap.outputs.waterfall import Shared
    from riskmap.run.files import RunFiles


def explain(run: FileName | Run, lot_id: str | None = None, *, units: str = "us", if_cracked: bool = False,
            outputs: FileName = "outputs", verified: bool = True) -> str:
    """Explain the estimate for one lot in plain lines; with a message code alone, explain the code.

    Parameters
    ----------
    run, outputs, verified
        As in `read`. Without `lot_id`, `run` is a message code such as `E-LOT-014`, as for `explain_code`.
    lot_id : str, optional
        Identifier as in the lot file; if it is repeated, every row is explained. If no lot has it, it is compared as in
        `screen`: without case, blanks and dashes, then without leading zeros; the lot that is found is named.
    units : str
        `us` (inch) or `si` (mm). Values are shown in steps of 0.1 in or 2 mm.
    if_cracked : bool
        Also compute the lot on cracked ground and show both results together. This takes some seconds.

    Returns
    -------
    str
        The estimate with its range, direction, phase, reasons that add up, soil, pour, notes and cautions; or the state
        and its reason.

    Raises
    ------
    RunFolderError
        No such run, or no such lot; similar identifiers are named.
    CodeError
        No such message code; the closest ones are listed.
    SettingsError
        With `if_cracked`, when the run was made with settings that are refused today.

    Examples
    --------
    >>> import riskmap
    >>> print(riskmap.explain("latest", "0010021", units="si", outputs=outputs))  # doctest: +ELLIPSIS
    Lot 0010021 (row 21 of lots.gpkg), Example town (invented), 2025-10
    3 lots share this estimate: same soil, age, slab.
    Now: middle high by ... mm (... to ...)
    ...
    """
    if lot_id is None:
        if isinstance(run, str) and codes.is_code(run):
            return explain_code(run)
        raise RunFolderError("E-RUN-082 no lot is named. Add the identifier of a lot, or give a message code such as "
                             "E-LOT-014 alone.")
    results = one_lot(run, lot_id, outputs, verified=verified, inputs=if_cracked)
    before = [text for text in (results.note, name_note(lot_id, results)) if text]
    return "\n\n".join([*before, *lot_texts(results, units=units, if_cracked=if_cracked)])


def lot_texts(results: Results, *, units: str = "us", if_cracked: bool = False) -> list[str]:
    """Explain the estimate for each lot in plain lines.

    Parameters
    ----------
    results : Results
        As returned by `one_lot`.
    units : str
        `us` or `si`.
    if_cracked : bool
        Also compute the lots on cracked ground, from `results.inputs`.

    Returns
    -------
    list of str
        One text per row.

    Raises
    ------
    KeyError
        When `results` lacks a column of `riskmap.tables.ESTIMATE`.
    SettingsError
        With `if_cracked`, when the run was made with settings that are refused today.

    Examples
    --------
    >>> from riskmap import api
    >>> [text.split(",")[0] for text in api.lot_texts(api.one_lot("latest", "0010021", outputs=outputs))]
    ['Lot 0010021 (row 21 of lots.gpkg)']
    """
    from riskmap.outputs import lot_text

    rows = range(len(results.lots))
    cracked: dict[int, str] = {}
    if if_cracked:
        from riskmap.answers import if_cracked as scenario

        cracked = scenario.sentences(results, rows, units)
    return ["\n".join(lot_text.lines(results, row, units, cracked.get(row, ""))) for row in rows]


def one_lot(run: FileName | Run, lot_id: str, outputs: FileName = "outputs", *, verified: bool = True,
            inputs: bool = False) -> Results:
    """Read one lot of a finished run, without past months. If the identifier is repeated, read all its rows.

    Parameters
    ----------
    run, outputs, verified
        As in `read`.
    lot_id : str
        Identifier as in the lot file, or as `explain` takes it.
    inputs : bool
        Also read the inputs of the computation, for all lots.

    Returns
    -------
    Results
        Results with the rows of this identifier alone; other row groups of the table are not read.

    Raises
    ------
    RunFolderError
        No such run, or no such lot; similar identifiers are named.

    Examples
    --------
    >>> from riskmap import api
    >>> api.one_lot("latest", "0010021", outputs=outputs).lots["lot_id"].tolist()
    ['0010021']
    """
    from riskmap.answers import matching
    from riskmap.run import record

    files = files_of(run, outputs, verified)
    results = record.read(files, lot_id, inputs=inputs)
    if not len(results.lots):
        ids = record.lot_ids(files)  # for all lots, but nothing else about them
        same, _ = matching.same_id(lot_id, ids)
        if len(same) != 1:
            _not_found(ids, lot_id, same)
        results = record.read(files, same[0], inputs=inputs)
    return replace(with_labels(results, files), facts={**results.facts, "shared_reasons": _shared_reasons(files)})


def _shared_reasons(files: RunFiles) -> tuple[Shared, ...]:
    """Return the reasons that nearly all lots share, from a few columns of all lots; none for a run without reasons."""
    import pyarrow.parquet as pq

    from riskmap.outputs import waterfall
    from riskmap.run import record

    with files.open(record.LOTS) as stream:
        table = pq.ParquetFile(stream, **record.CHECKED)
        if not set(waterfall.COLUMNS) <= set(table.schema_arrow.names):
            return ()
        lots = table.read(columns=list(waterfall.COLUMNS)).to_pandas()
    return waterfall.shared_by(lots)


def name_note(lot_id: str, results: Results) -> str:
    """Return a sentence when the id of a lot is not written as it was asked for, otherwise empty text.

    Parameters
    ----------
    lot_id : str
        Identifier that was asked for.
    results : Results
        As returned by `one_lot`.

    Returns
    -------
    str
        One line.

    Raises
    ------
    IndexError
        When `results` has no lot.

    Examples
    --------
    >>> from riskmap import api
    >>> api.name_note("001-0021", api.one_lot("latest", "001-0021", outputs=outputs))
    "'001-0021' is lot '0010021': parcel id compared without case, blanks and dashes."
    """
    from riskmap.answers import matching

    name = str(results.lots["lot_id"].iloc[0])
    if name == lot_id:
        return ""
    return f"'{shown(lot_id)}' is lot '{shown(name)}': {matching.same_id(lot_id, results.lots['lot_id'])[1]}."


def rows_of(results: Results, lot_id: str) -> list[int]:
    """Return the rows of an identifier.

    Parameters
    ----------
    results : Results
    lot_id : str

    Returns
    -------
    list of int
        Positions in `found.lots`, at least one.

    Raises
    ------
    RunFolderError
        No lot has it; similar identifiers are named.

    Examples
    --------
    >>> import riskmap
    >>> riskmap.api.rows_of(riskmap.read("latest", outputs), "0010021")
    [20]
    """
    ids = results.lots["lot_id"].astype("str")
    rows = [int(row) for row in ids.index[ids == lot_id]]
    if not rows:
        _not_found(ids, lot_id)
    return rows


def _not_found(ids: pd.Series, lot_id: str, same: list[str] | None = None) -> NoReturn:
    from riskmap.answers import matching

    near = matching.near_ids(lot_id, ids)
    hint = f" Similar: {joined(near)}." if near else ""
    if same:
        hint = f" It fits several: {joined(same, 5)}. Write one of them."
    raise RunFolderError(f"E-RUN-013 '{shown(lot_id)}' is not among the {len(ids):,} lots of the run.{hint}")
