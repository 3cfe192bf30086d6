"""`agreement shelf`: one page over all reports below a folder."""

from collections.abc import Iterator
from os import walk
from pathlib import Path, PurePosixPath

from agreement.errors import AgreementError
from agreement.report.page.html import PageDraft
from agreement.report.page.markup import element, heading, lines, paragraph, table
from agreement.report.run.folder import PROVENANCE
from agreement.report.run.own_report import read_provenance
from agreement.report.studies.reports import read_report
from agreement.tables.whole_output import whole_file

PAGE = "shelf.html"
_SAID = {"no_margin": "no limit agreed", "": "none"}


def reports_below(folder: Path) -> Iterator[Path]:
    """Yield every report folder of ours below a folder, in the order of their names."""
    for place, inside, files in walk(folder):
        inside.sort()
        if PROVENANCE in files:
            inside.clear()
            try:
                read_provenance(Path(place))
            except AgreementError:
                continue
            yield Path(place)


def write_shelf(folder: Path | str) -> tuple[Path, int]:
    """
    Write one index page over all reports below a folder.

    Returns page: ``shelf.html`` in that folder; it needs no network, and a browser's own search
        finds in it.
    Returns count: reports on it.
    Raises AgreementError if there is no such folder, or no report of ours below it.
    """
    place = Path(folder)
    if not place.is_dir():
        raise AgreementError(f"{place} is no folder. Name one with reports below it.")
    rows = [_row(report, place) for report in reports_below(place)]
    if not rows:
        raise AgreementError(
            f"There is no report of ours below {place}. 'agreement report STUDY' writes one."
        )
    page = PageDraft()
    page.add(heading("Reports of this laboratory", 1), ["header"])
    page.add(paragraph(f"{len(rows)} below this folder, by name."), ["verdict"])
    page.open_section("Reports")
    columns = ("study and question", "verdicts", "kind", "date", "athletes")
    page.add(table("Study, verdict and date of each", columns, rows, numeric=("athletes",)))
    with whole_file(place / PAGE) as file:
        file.write(page.html("Reports of this laboratory").encode("utf-8"))
    return place / PAGE, len(rows)


def _row(report: Path, shelf: Path) -> tuple[str, ...]:
    """Return a report's line; one that cannot be read keeps its name and says so."""
    inside = PurePosixPath("/", (report / "report.html").relative_to(shelf).as_posix())
    link = inside.as_uri().removeprefix("file:///")
    content = read_provenance(report)
    study = content.get("options", {}).get("study", {})
    several = " beside ".join(reversed(content.get("compared", []))) or content.get("pooled")
    title = str(study.get("title") or content.get("study") or several or report.name)
    question = str(study.get("question") or "")
    name = lines(element("a", title, href=link), question)
    kind, date = str(content.get("kind") or "several studies"), str(content.get("created", ""))[:10]
    try:
        found = read_report(report)
    except AgreementError:
        return name, "", kind, date, ""
    places = found.places()
    n = max((found.number(place, "limits_of_agreement", "bias").n for place in places), default=0)
    outcomes = [(found.name(place), found.verdict(place).split(";")[0]) for place in places]
    verdicts = lines(*(f"{who}: {_SAID.get(outcome, outcome)}" for who, outcome in outcomes))
    return name, verdicts, kind, date, str(n) if n else ""
