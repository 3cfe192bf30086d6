"""Every row accounted for: what was read, what was used, what was left out and why."""

import pandas as pd

from agreement.cohort import Cohort
from agreement.errors import Problem, as_argument
from agreement.report.page.machine import in_words, said
from agreement.report.page.markup import Block, code, fold, lines, paragraph, table
from agreement.report.page.numbers import counted
from agreement.report.privacy.left_out import WORDS, rows_by_reason
from agreement.report.privacy.view import WITHHELD
from agreement.report.sections.comparison import frame_table
from agreement.report.shown.told import told_of
from agreement.terms import DOUBTS, REASONS

_MOST_ROWS = 60  # of one table of the page; the CSV file has them all


def flow(cohort: Cohort) -> Block:
    """Count rows read, used, summarised and left out; pairs by method, and who is judged apart."""
    told = told_of(cohort)
    block, name = files_block(told.view.flow), told.numbers.name
    if cohort.study.laboratory_only or (pairs := told.view.rows(cohort.pairs)) is None:
        return block
    if pairs.empty:
        return block + paragraph("No field value could be paired with a laboratory value.")
    judged = {(one.method, one.mode): one.data.n for one in told.results.methods}
    columns = ["method", "pairs", "athletes", "under a drug, apart", "of a confirmed maximum"]
    counted = []
    for (method, mode), own in pairs.groupby(["method", "mode"]):
        people = own["athlete_id"].nunique()
        apart = people - judged.get((str(method), str(mode)), people)
        confirmed = int((own["max_confirmed"] == "yes").sum())
        counted.append((name(str(method), str(mode)), len(own), people, apart, confirmed))
    frame = pd.DataFrame(counted, columns=columns)
    if not frame[columns[3]].any():
        frame = frame.drop(columns=columns.pop(3))
    shown = frame.astype(str).itertuples(index=False)
    return block + table("Pairs by method", columns, list(shown), numeric=columns[1:])


def files_block(flow: pd.DataFrame) -> Block:
    """Return the count of rows by file."""
    # objects: pandas' own texts would forget that this is markup
    names = [code(file) for file in flow["file"]]
    told = flow.assign(file=pd.Series(names, index=flow.index, dtype=object))
    shown = (
        "file: file; rows read: rows_read; used alone: used; summarised: summarised; "
        "left out: excluded"
    )
    return frame_table("Rows by file", told, shown)


def left_out(cohort: Cohort) -> Block:
    """Show reasons, rows and notes."""
    view = told_of(cohort).view
    return left_out_block(view.exclusions, view.problems)


def left_out_block(exclusions: pd.DataFrame, problems: tuple[Problem, ...]) -> Block:
    """Return the reasons with their counts, and the notes."""
    notes = _notes(tuple(one for one in problems if one.reason not in DOUBTS))
    confirmed = [one for one in problems if one.severity == "note" and one.reason in DOUBTS]
    if confirmed:  # what would have stopped the run, and why the study says that it is right
        seen = [(f"{one.file}: {one.what}".removeprefix(": "), one.remedy) for one in confirmed]
        caption = "Looked wrong, and confirmed as right by whoever keeps the study"
        notes = table(caption, ["what was seen", "confirmed"], dict.fromkeys(seen)) + notes
    if exclusions.empty:
        return paragraph("Nothing was left out.") + notes
    by_place = rows_by_reason(exclusions).groupby(["reason", "file"], sort=False)
    counts = by_place["rows"].sum().reset_index()
    order = {reason: place for place, reason in enumerate(REASONS)}
    counts = counts.sort_values("reason", key=lambda reasons: reasons.map(order), kind="stable")
    rows = [
        (
            lines(WORDS.get(str(reason), ""), code(reason)),
            lines(*map(code, own["file"])),
            lines(*map(str, own["rows"])),
        )
        for reason, own in counts.groupby("reason", sort=False)
    ]
    columns = ["reason", "file", "rows"]
    return table("Why rows were left out", columns, rows, numeric=["rows"]) + notes


def _notes(problems: tuple[Problem, ...]) -> Block:
    """Return what the reader should know about the files."""
    notes = [problem for problem in problems if problem.severity == "note"]
    if any(note.reason == WITHHELD for note in notes):
        return paragraph(said("ledger", "notes_stay_out"))
    if not notes:
        return Block("")
    rows = [
        (
            code(note.file),
            "whole file" if note.row is None else str(note.row),
            "all" if note.column is None else code(note.column),
            f"{note.what} {note.remedy}".strip(),
        )
        for note in notes[:_MOST_ROWS]
    ]
    shown = table("Notes on the files", ["file", "row", "column", "what"], rows)
    rest = len(notes) - _MOST_ROWS
    more = [paragraph(said("ledger", "more_notes", rest=rest), "note")] if rest > 0 else []
    return fold(f"{counted(len(notes), 'note')} on the files", shown, *more)


def remarks(flow: pd.DataFrame, problems: tuple[Problem, ...], study: str) -> list[str]:
    """Say how much was left out and noted; `study`: name of its folder."""
    withheld = any(problem.reason == WITHHELD for problem in problems)
    notes = sum(problem.severity == "note" for problem in problems) - withheld
    counts = {"rows": int(flow["excluded"].sum()), "notes": notes}
    return [
        in_words(said("ledger", "remarks", withheld=withheld, study=as_argument(study), **counts))
    ]
