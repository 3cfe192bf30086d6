"""What looks too wrong to be computed from: most stops the run until `[confirm]` says why it is right."""

from agreement.errors import Problem
from agreement.tables.options import StudyOptions
from agreement.terms import NOTED_DOUBTS


def doubt(
    options: StudyOptions,
    code: str,
    file: str,
    what: str,
    remedy: str,
    *,
    row: int | None = None,
    column: str | None = None,
) -> Problem:
    """
    Return one doubt: a stop, or a note where it is of `NOTED_DOUBTS` or confirmed to be right.

    options: its ``[confirm]`` decides.
    code: one of `agreement.terms.DOUBTS`, and the key of ``[confirm]``.
    file, what, remedy, row, column: as in `agreement.errors.Problem`; `what` is the evidence, in
        one sentence.

    >>> doubt(StudyOptions(), "twins", "lab.csv", "A and B are equal.", "Look.").severity
    'stop'
    """
    known = options.confirm.get(code)
    if known is None and code in NOTED_DOUBTS:
        return Problem("note", code, file, row, column, what, remedy)
    if known is None:
        key = f'[confirm] of study.toml: {code} = {{ reason = "...", on = YYYY-MM-DD }}'
        then = f"{remedy} If it is right, say why in {key}."
        return Problem("stop", code, file, row, column, what, then)
    said = f"Confirmed on {known.on.isoformat()}: {known.reason.rstrip('.')}."
    return Problem("note", code, file, row, column, what, said)
