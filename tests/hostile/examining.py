"""What every study folder must give, whatever is in it: an answer that adds up, or reasons."""

import csv
import io
import json
import re
import signal
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Any, get_args

from agreement.cohort import Cohort, inspect_cohort
from agreement.errors import AgreementWarning, Problem
from agreement.report.run.any_size import check_study, in_parts
from agreement.report.run.talk import findings_json, grouped_findings
from agreement.report.run.templates import stated_kind
from agreement.tables.options import Kind
from agreement.tables.writers import csv_bytes
from agreement.terms import OUTPUT_COLUMNS, REASONS

ACTIVE = ("=", "+", "-", "@", "\t", "\r")
MACHINE_TALK = re.compile(r"Traceback|object at 0x|\bnan\b.*\bnan\b.*\bnan\b|<class|Error\(|dtype")
_PLAIN_NUMBER = re.compile(r"-?\d+(\.\d+)?(e[-+]?\d+)?")


class HangError(Exception):
    """The time was up."""


@contextmanager
def time_limit(seconds: float) -> Iterator[None]:
    """End the block with `HangError` after so much work, or ten times as long of waiting."""

    def stop(_: int, __: FrameType | None) -> None:
        raise HangError

    clocks = {signal.SIGPROF: (signal.ITIMER_PROF, seconds),
              signal.SIGALRM: (signal.ITIMER_REAL, 10 * seconds)}  # fmt: skip
    before = {number: signal.signal(number, stop) for number in clocks}
    for clock, limit in clocks.values():
        signal.setitimer(clock, limit)
    try:
        yield
    finally:
        for number, (clock, _) in clocks.items():
            signal.setitimer(clock, 0)
            signal.signal(number, before[number])


def examine(root: Path, *, seconds: float = 20) -> bool:
    """Read and pair a folder; return whether it could be used; raise what breaks a promise."""
    return examined(root, seconds=seconds)[0]


def examined(root: Path, *, seconds: float = 20) -> tuple[bool, str]:
    """Return what `examine` does, and every message."""
    with time_limit(seconds), warnings.catch_warnings():
        warnings.simplefilter("error")
        warnings.simplefilter("ignore", AgreementWarning)
        cohort, problems = inspect_cohort(root)
        assert stated_kind(root) in get_args(Kind)
        if in_parts(root):  # the commands then read it piece by piece
            usable, found = check_study(root, workers=1)
            assert usable == (cohort is not None), list(map(str, found))[:3]
            problems += found
        for problem in problems:
            check_message(problem)
        json.loads(findings_json(problems).encode("utf-8"))
        grouped_findings(problems).encode("utf-8")
        stops = [p for p in problems if p.severity == "stop"]
        assert bool(stops) == (cohort is None), stops[:3]
        if cohort is not None:
            check_ledger(cohort)
            check_pairs(cohort)
            check_exports(cohort)
    return cohort is not None, " ".join(map(str, problems))


def check_message(problem: Problem) -> None:
    """A message has a place, says what, and what to do."""
    said = repr(problem)
    assert problem.file, said
    assert problem.row is None or (type(problem.row) is int and problem.row >= 1), said
    assert problem.column is None or isinstance(problem.column, str), said
    assert re.search(r"\w", problem.what), said
    assert problem.what.rstrip().endswith((".", "?")), said
    assert re.search(r"\w", problem.remedy), said
    line_to_copy = problem.remedy.startswith("Write it as: ")  # ends as the file should
    assert line_to_copy or problem.remedy.rstrip().endswith((".", ")", "?")), said
    assert not MACHINE_TALK.search(problem.what + problem.remedy), said


def check_ledger(cohort: Cohort) -> None:
    """Rows read = used + summarised + excluded, and every excluded row has one line."""
    flow, lines = cohort.flow, cohort.exclusions
    read = {cohort.study.names[name]: n for name, n in cohort.study.rows_read.items()}
    assert dict(zip(flow["file"], flow["rows_read"], strict=True)) == read
    whole = flow[["used", "summarised", "excluded"]]
    assert (whole >= 0).all().all(), flow.to_string()
    assert (flow["rows_read"] == whole.sum(axis=1)).all(), flow.to_string()
    assert set(lines["reason"]) <= set(REASONS), set(lines["reason"]) - set(REASONS)
    single = lines[lines["row"].notna()]
    assert not single.duplicated(["file", "row"]).any(), single.to_string()
    counts = dict.fromkeys(flow["file"], 0)
    for line in lines.itertuples():
        gone = line.reason == "withdrawn"
        table = line.file if line.file in counts else line.file.split("/")[0]  # a folder of parts
        counts[table] += int(re.match(r"\d+", line.message)[0]) if gone else 1
    assert counts == dict(zip(flow["file"], flow["excluded"], strict=True)), flow.to_string()


def check_pairs(cohort: Cohort) -> None:
    """Every pair has finite, plausible values, field minus laboratory."""
    pairs = cohort.pairs
    assert not pairs.duplicated(["method", "mode", "lab_test_id"]).any(), pairs.to_string()
    assert pairs[["lab", "field"]].apply(lambda v: v.between(4, 130)).all().all(), pairs.to_string()
    assert ((pairs["field"] - pairs["lab"] - pairs["difference"]).abs() < 1e-9).all()
    assert (pairs["n_estimates"] >= pairs["n_days"]).all()
    assert (pairs["n_days"] >= 1).all()


def check_exports(cohort: Cohort) -> None:
    """The tables read back with as many rows, and no text of the study is active in them."""
    for name, frame in (
        ("pairs", cohort.pairs),
        ("exclusions", cohort.exclusions),
        ("flow", cohort.flow),
    ):
        text = csv_bytes(frame[list(OUTPUT_COLUMNS[name])]).decode("utf-8")
        head, *records = list(csv.reader(io.StringIO(text, newline=""), strict=True))
        assert head == list(OUTPUT_COLUMNS[name])
        assert len(records) == len(frame)
        for record in records:
            assert len(record) == len(head)
            assert not any(_is_active(cell) for cell in record), record


def _is_active(cell: str) -> bool:
    """Whether a spreadsheet would take a cell for a formula; a sign alone is none."""
    return len(cell) > 1 and cell.startswith(ACTIVE) and not _PLAIN_NUMBER.fullmatch(cell)


def describe(folder: dict[str, Any]) -> str:
    """Return what is in a folder, for a failure's message."""
    return ", ".join(f"{name} ({'link' if isinstance(c, str) else c and len(c)})"
                     for name, c in folder.items())  # fmt: skip
