"""
A report in pieces: each section a function of a cohort and of choices, shown on a page.

What is listed here is imported when it is first used. The notebooks of the reports are made of these
calls, and each line of them works in a script.

Examples
--------
>>> from agreement import Cohort, report
>>> cohort = Cohort.from_frames(
...     lab_tests={"lab_test_id": [f"T{i}" for i in range(12)],
...                "athlete_id": [f"A{i}" for i in range(12)], "date": ["2026-03-20"] * 12,
...                "mode": ["run"] * 12, "vo2max_ml_kg_min": [45.0 + i for i in range(12)]},
...     field_estimates={"athlete_id": [f"A{i}" for i in range(12)], "taken_at": ["2026-03-19"] * 12,
...                      "method": ["wrist"] * 12, "mode": ["run"] * 12,
...                      "vo2max_ml_kg_min": [46.0 + i - i % 3 for i in range(12)]},
...     options={"pairing": {"minimum_days": 1}})
>>> shown = report.differences(cohort, methods=[("wrist", "run")], coverage=0.9)
>>> "hold 90 % of differences" in shown.html, [one.name for one in shown.pictures]
(True, ['differences-wrist-run'])
"""

from agreement import _opened

_NAMES = {
    "shown.told": "pseudonymous read_cohort",
    "shown.page": "Page athletes chart heading history provenance rules unsaid verdict worded",
    "page.texts": "cautions",
    "sections.actions": "next_steps",
    "sections.audit": "drift effort funnel margin maxima people sign_off",
    "sections.checklists": "protocol_list reporting_lists",
    "sections.closer_section": "two_estimators",
    "sections.comparison_sections": "averaging budget change differences modes profiles regression",
    "sections.doubt_sections": "repeatability",
    "sections.further": "further",
    "sections.input_sections": "averaging_rules inputs out_of_range",
    "sections.laboratory_section": "laboratory",
    "sections.ledger": "flow left_out",
    "sections.published": "published",
    "sections.training_sections": "borderline why",
    "sections.validation": "formulas quotable sensitivity structure tests",
}
_WHERE = {name: place for place, names in _NAMES.items() for name in names.split()}
__all__ = sorted(_WHERE)  # noqa: PLE0605 - derived, so that nothing is listed twice


def __getattr__(name: str) -> object:
    return _opened(name, globals(), _WHERE)


def __dir__() -> list[str]:
    return __all__
