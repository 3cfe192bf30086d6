"""A report opened for a test: its sections as methods, so that a test names what it looks at."""

from functools import partial
from inspect import signature

from agreement import report
from agreement.report.shown.told import HiddenCohort, hidden, told_of


class Opened:
    """Sections of `agreement.report` of one cohort and kind; else what they share (`Told`)."""

    def __init__(self, cohort, *, kind="squad", save=None, png=None):
        if kind == "audit" and not isinstance(cohort, HiddenCohort):
            cohort = hidden(cohort)
        self.cohort, self.kind = cohort, kind
        self.page = report.Page(cohort, save=save, png=png)
        self.told = told_of(cohort)

    def save(self):
        self.page.save(kind=self.kind)

    def __getattr__(self, name):
        if name == "__setstate__" or name not in report.__all__:
            return getattr(self.told, name)
        section = getattr(report, name)
        takes = signature(section).parameters
        given = {"kind": self.kind} if "kind" in takes else {}
        given |= {"earlier": self.page.folder} if "earlier" in takes else {}
        cohort = [self.cohort] if "cohort" in takes else []
        return lambda **choices: self.page(partial(section, *cohort, **given)(**choices))


def open_both(study):
    """Open the squad report of a study and its audit, read and computed once: under the same ids."""
    squad = open_report(study)
    audit = hidden(squad.cohort)
    vars(audit).update({name: getattr(squad.cohort, name) for name in ("evidence", "results")})
    return squad, Opened(audit, kind="audit")


def open_report(study, *, kind="squad", save=None, png=None):
    """Read a study and open its report, as the notebooks do."""
    cohort = report.read_cohort(study, earlier=save)
    if kind == "audit":
        cohort = report.pseudonymous(cohort)
    return Opened(cohort, kind=kind, save=save, png=png)
