"""What is found in many parts, told as of one table."""

from agreement.tables.findings import Findings, merged_problems


def told(parts, shown):
    """Return the problems of parts in which so many rows have the same fault, merged."""
    found = []
    for number, rows in enumerate(parts):
        findings, file = Findings(), f"estimates/{number}.csv"
        findings.each(
            "note", "time_zone", file, range(2, 2 + rows), "taken_at", str, "Look.", shown=shown
        )
        found += findings.problems
    return merged_problems(found, "estimates")


def test_a_note_shown_once_in_a_part_is_shown_once_for_all_and_the_rest_counted():
    first, rest = told([3, 1, 2], shown=1)
    assert (first.file, first.row) == ("estimates/0.csv", 2)
    assert (rest.file, rest.row) == ("estimates", None)
    assert rest.what.startswith("5 more rows ")


def test_notes_that_no_part_cuts_short_all_stand():
    assert [(one.file, one.row) for one in told([1, 2], shown=20)] == [
        ("estimates/0.csv", 2), ("estimates/1.csv", 2), ("estimates/1.csv", 3)
    ]  # fmt: skip
