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
    "told": "pseudonymous read_cohort",
    "page": "Page worded",
    "front": "cautions chart further heading history left_out margin next_steps provenance rules "
    "flow unsaid verdict",
    "methods": "averaging budget change differences drift people profiles quotable regression "
    "repeatability sensitivity structure tests two_by_two two_estimators formulas",
    "about": "athletes averaging_rules borderline effort funnel inputs laboratory maxima modes "
    "out_of_range protocol_list published reporting_lists sign_off why",
}
_WHERE = {name: f"shown.{place}" for place, names in _NAMES.items() for name in names.split()}
__all__ = sorted(_WHERE)  # noqa: PLE0605 - derived, so that nothing is listed twice


def __getattr__(name: str) -> object:
    return _opened(name, globals(), _WHERE)
