"""Run a report again from its provenance, and say what differs."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from agreement.errors import AgreementError
from agreement.report.privacy.sharing import recomputed_results, share_report
from agreement.report.run.any_size import pair_study, report_study
from agreement.report.run.exports import write_tables
from agreement.report.run.folder import PAGE, PROVENANCE, keep_for_the_next
from agreement.report.run.output_versions import (
    first_lines,
    flat,
    key_of_study_file,
    option_in_words,
    same_but_for_rounding,
    table_differences,
    unlike,
)
from agreement.report.run.own_report import changed_files, checksums, read_provenance
from agreement.report.run.provenance import installed, versions_of
from agreement.scale.engine import Progress
from agreement.tables.paths import KEY_FILE
from agreement.tables.whole_output import work_folder

_IDS: Final = ("athlete_id", "lab_test_id", "id")  # of a shared table: under a key thrown away
_DATED: Final = (PAGE, "report.ipynb")  # they say when they were made
_PAPER: Final = ".pdf"  # dated by the browser, and made of the pages


@dataclass(frozen=True, slots=True)
class Verified:
    """What became of a check."""

    changed: tuple[str, ...]  # files that are not as they were written
    differences: tuple[str, ...]  # what differs between the report and a new run of it
    remarks: tuple[str, ...]  # what was done, or why the report was not run again


def verified(
    report: str | Path, study: str | Path | None = None, *, progress: Progress | None = None
) -> Verified:
    """
    Compare a report's files with their checksums, and the report with a new run of it.

    report: a report's folder, or what `pair` or `share` wrote.
    study: default: one of the name in the provenance, in the current folder or beside the report.
    """
    place = Path(report)
    changed = tuple(changed_files(place))
    content = read_provenance(place)
    named, here = versions_of(content), versions_of(installed())  # a share may not name them all
    now = {name: here.get(name) for name, version in named.items() if version}
    older = [
        f"{name} was {was}, is now {then or 'not named'}."
        for name, was, then in unlike({name: named[name] for name in now}, now)
    ]
    if content.get("rows_of_people"):  # they are all that is behind its numbers
        with work_folder() as work:
            write_tables({"results": recomputed_results(place, content)}, work)
            new = work / "results.csv"
            said = tuple(table_differences("results.csv", place / "results.csv", new))
        came = "they differ as said" if said else "nothing differs"
        told = f"Its numbers were computed again from the rows in it: {came}."
        return Verified(changed, said, (told, *older))
    found, why = _study(place, content, study)
    if found is None:
        return Verified(changed, (), (why, *older))
    with work_folder() as work:
        again, kind = work / "again", content.get("kind")
        again.mkdir()
        keep_for_the_next(place, again)  # what it had judged, and the reports before it
        if kind is None:
            pair_study(found, again, progress=progress)
        else:
            report_study(found, again, kind=kind, progress=progress)
        if content.get("shared"):
            share_report(again, work / "shared")
            again = work / "shared"
        made = json.loads((again / PROVENANCE).read_text(encoding="utf-8"))
        causes = (*older, *_inputs(content, made), *_choices(content, made))
        outputs = _outputs(place, again, content, made)
    differences = (*causes, *outputs)
    came = "nothing differs" if not differences else "it differs as said"
    remarks = [f"It was run again from {found}: {came}."]
    if outputs and not causes and not changed:
        remarks.append(
            "Versions, files and choices are the same: another state of agreement "
            f"{content.get('version')} wrote it, or a machine that computes otherwise."
        )
    return Verified(changed, differences, tuple(remarks))


def _study(
    report: Path, content: dict[str, Any], named: str | Path | None
) -> tuple[Path | None, str]:
    """Return the study folder to run again, or why there is none."""
    if named is not None and not Path(named).is_dir():
        raise AgreementError(f"{named} is no folder. Name the study folder with --study.")
    name = content.get("study")
    if {"pooled", "compared"} & content.keys():
        return None, "It was not run again: it was made of reports. Make it again from them."
    if named is None and name is None:
        return None, (
            "It was not run again: a shared folder does not say from which study it came. "
            "Name the study folder with --study."
        )
    near = [folder / str(name) for folder in (Path.cwd(), *report.resolve().parents[:3])]
    places = (one for one in near if (one / "study.toml").exists())
    found = next(places, None) if named is None else Path(named)
    if found is None:
        return None, (
            f"It was not run again: no study folder '{name}' was found here or beside the report. "
            "Name it with --study."
        )
    if content.get("kind") == "audit" and not (found / KEY_FILE).is_file():
        return None, (
            f"It was not run again: the key of its pseudonyms, {KEY_FILE}, is no longer in {found}."
        )
    return found, ""


def _choices(old: dict[str, Any], new: dict[str, Any]) -> list[str]:
    """Return which options are not what they were."""
    return [
        f"Option {key_of_study_file(name)} was {option_in_words(was)}, is now {option_in_words(now)}."
        for name, was, now in unlike(flat(old.get("options", {})), flat(new.get("options", {})))
    ]


def _outputs(report: Path, again: Path, old: dict[str, Any], new: dict[str, Any]) -> list[str]:
    """Return which files differ, and their lines where they are tables."""
    before, after = checksums(report), checksums(again)
    said = [
        f"{n} is not in the new run." for n in before if n not in after and not n.endswith(_PAPER)
    ]
    said += [f"{n} is only in the new run." for n in after if n not in before]
    hidden = _IDS if old.get("shared") and old.get("kind") != "audit" else ()
    for name in sorted(before.keys() & after.keys()):
        if before[name] == after[name] or name.endswith(_PAPER):
            continue
        in_bytes = ""
        if name.endswith(".csv"):
            lines = table_differences(name, report / name, again / name, without=hidden)
            said += lines
            if lines or hidden:
                continue
            in_bytes = " in its bytes"
        texts = [
            (folder / name)
            .read_text(encoding="utf-8", errors="replace")
            .replace(str(content.get("created")) if name in _DATED else "\0", "")
            for folder, content in ((report, old), (again, new))
        ]
        if not same_but_for_rounding(*texts):
            said.append(f"{name} differs from the new run{in_bytes}.")
    return said


def _inputs(old: dict[str, Any], new: dict[str, Any]) -> list[str]:
    """Return which files of the study are not what was read."""
    was, now = (
        {one["name"]: one["sha256"] for one in content.get("inputs", [])} for content in (old, new)
    )
    if not was:
        return []
    changed = [f"Input {n} has changed since." for n in was if n in now and was[n] != now[n]]
    gone = [f"Input {n} is no longer in the study." for n in was if n not in now]
    added = [f"Input {n} has been added since." for n in now if n not in was]
    return [line for lines in (changed, gone, added) for line in first_lines(lines)]
