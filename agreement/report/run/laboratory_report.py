"""The report of a study without a field method: the laboratory by itself."""

from agreement.report.page.markup import Block
from agreement.report.run.study_report import StudyReport
from agreement.report.sections import laboratory_section as own
from agreement.report.sections.heading import heading_block
from agreement.report.sections.ledger import files_block


class LaboratoryReport(StudyReport):
    """As `StudyReport`, without what compares field values: those sections are not shown."""

    _has_card_pages = False

    def heading(self) -> Block:
        """Show the study's title and question."""
        question = self.options.study.question or own.QUESTION
        return heading_block(self._title, question, self.kind)

    def verdict(self) -> Block:
        """Say how far one test can be trusted, and who changed."""
        return own.answer_block(self.results, self.numbers)

    def next_steps(self) -> Block:
        """Say what to check or correct next, and how many rows are used."""
        cohort = self.cohort
        tests = self.stage.tests(cohort.laboratory.frame)
        return own.next_block(self.numbers, tests, cohort.exclusions, cohort.flow)

    def flow(self) -> Block:
        """Count rows read, used, summarised and left out."""
        return files_block(self.cohort.flow)

    def _nothing(self) -> Block:
        """Show nothing: it would compare field values."""
        return Block("")

    modes = differences = profiles = why = borderline = inputs = _nothing
    regression = repeatability = budget = averaging = change = athletes = _nothing
    sensitivity = structure = tests = two_estimators = quotable = formulas = _nothing
    out_of_range = reporting_lists = chart = funnel = people = drift = _nothing
    protocol_list = _nothing

    def _sentences(self) -> list[str]:
        return own.laboratory_sentences(self.results, self.numbers)
