"""The same number from another library: the table that sets theirs beside ours."""

from collections.abc import Iterable

from agreement.report.page.machine import said
from agreement.report.page.markup import Block, code, fold, paragraph, table
from agreement.report.page.numbers import with_minus
from agreement.stats.limits.limits import FEW_FOR_REPORTS
from agreement.stats.method_data import MethodData
from agreement.stats.same_numbers import same_numbers


def same_numbers_block(methods: Iterable[tuple[str, MethodData]]) -> Block:
    """Return the folded table, on the first pair of each athlete of the largest method."""
    known = [(name, data) for name, data in methods if data.n >= FEW_FOR_REPORTS]
    if not known:
        return Block("")
    name, most = max(known, key=lambda one: one[1].n)
    pairs = most.pairs.sort_values(["lab_date", "lab_test_id"]).drop_duplicates("athlete_id")
    rows = [
        (
            one.statistic,
            with_minus(f"{one.ours:.8g}"),
            with_minus(f"{one.theirs:.8g}"),
            code(one.function),
            str(one.digits),
        )
        for one in same_numbers(pairs, most.options.margin.limit)
    ]
    columns = ("statistic", "ours", "theirs", "their function", "digits in common")
    numeric = ("ours", "theirs", "digits in common")
    words = paragraph(said("inputs", "other_library", name=name, n=most.n))
    shown = table("The same number from another library", columns, rows, numeric=numeric)
    return fold("The same number from another library", words, shown)
