"""What a validation adds: sensitivity to the choices papers differ in, and words to quote."""

from collections.abc import Iterable, Sequence

from agreement import __version__
from agreement.cohort import Cohort
from agreement.physiology.field_tests import PROTOCOLS
from agreement.report.page.machine import said, stated
from agreement.report.page.markup import Block, code, fold, joined, paragraph, table
from agreement.report.page.numbers import part_name, plain, with_minus
from agreement.report.sections.checklists import facts_of
from agreement.report.sections.comparison import Comparison, TableLine
from agreement.report.sections.doubt_sections import by_level
from agreement.report.sections.further import FORMULA_HEADS, Formula, every_formula
from agreement.report.shown.told import Methods, of_each_method, of_field_values, told_of
from agreement.stats.basics.intervals import z_of
from agreement.stats.catalogue import BY_NAME, statistic_of
from agreement.stats.limits.limits import FEW_FOR_REPORTS
from agreement.stats.limits.limits_by_convention import CONVENTIONS
from agreement.stats.method_data import MethodData
from agreement.stats.record import OURS
from agreement.stats.same_numbers import same_numbers
from agreement.terms import NOT_ENOUGH_DATA


@of_each_method
def structure(one: Comparison) -> Block:
    """Show lines with error on both sides, trend and concordance."""
    return one.table(
        "structure of the difference",
        deming=("slope", "intercept"),
        passing_bablok=("slope", "intercept"),
        trend=("slope_on_mean", "p_slope", "p_spread"),
        concordance=("ccc", "icc_a1", "icc_c1"),
        equivalence=("p_tost",),
    )


@of_each_method
def tests(one: Comparison) -> Block:
    """Show every test that was made, significant or not, and why others were not."""
    rows = [
        (words, cell.shown() or cell.missing)
        for words, *place in stated("tables", "tests")
        for cell in [one.cell(*place)]
    ]
    rows += [
        (f"bias of {group} is that of the mean of profiles (Holm)", cell.shown())
        for group in one.groups("profile_bias")
        for cell in [one.cell("profile_bias", "p_difference", group)]
        if cell.known
    ]
    return table(f"{one.name}: every test made", ("what is tested", "p"), rows, numeric=("p",))


@of_each_method
def sensitivity(one: Comparison) -> Block:
    """Show what the limits would be under the choices that papers differ in."""
    analysis = "limits_by_convention"
    first = one.cell(analysis, "lower_limit", "t")
    blocks = [one.without("limits by other conventions", first)]
    if first.known:  # by each factor of the standard deviation
        factors = [(words, analysis, group) for words, group in CONVENTIONS.items()]
        shown, caption = "factor; lower_limit; upper_limit", "limits by convention (mL/kg/min)"
        blocks = [one.lines(caption, "convention", factors, shown)]
    naive, several = stated("tables", "naive")
    bare = not (one.pairs["training_profile"].dropna() != NOT_ENOUGH_DATA).any()
    places = [place.split("/") for place in stated("tables", "choices")]
    choices = [
        (part_name(group), name, group)
        for name, group in places
        if not (bare and group == "without_borderline_profiles")
    ]
    if one.cell(several, "bias").known:  # only where some athlete has several pairs
        choices.append((naive, several, "all"))
    blocks.append(_choices(one, "bias and limits by choice of pairs", choices))
    rules = [(part_name(name), "pairing_rule", name) for name in stated("tables", "rules")]
    rules.insert(0, ("as in this study", "limits_of_agreement", "all"))
    if {*one.groups("pairing_rule")} - {"all"}:
        blocks.append(_choices(one, "bias and limits by pairing rule", rules, by="pairing rule"))
    axes = stated("tables", "axes")  # what stands on the horizontal axis
    slopes = [(statistic_of(*place.split("/")).label, one.at(place).stacked()) for place in axes]
    columns = ("slope", "value, 95 % interval below")
    caption = f"{one.name}: does the difference grow with the level? It depends on the axis"
    blocks.append(table(caption, columns, slopes, numeric=columns[1:]))
    trend = one.results.trend
    shown_above = trend is not None and trend.depends_on_level
    return joined([*blocks, Block("") if shown_above else by_level(one)])


def _choices(one: Comparison, caption: str, choices: Sequence[TableLine], **of: str) -> Block:
    """Return the table of choices that change something, the first of all pairs; and name the others."""

    def told(choice: TableLine) -> tuple[float, ...]:
        bias = one.cell(choice[1], "bias", choice[2])
        return (bias.value, bias.low, bias.high, bias.n, bias.n_pairs)

    same = [choice for choice in choices[1:] if told(choice) == told(choices[0])]
    kept = [choice for choice in choices if choice not in same]
    names = [str(words) for words, *_ in same]
    unchanged = Block(said("sentences", "unchanged", name=one.name, names=names) if names else "")
    shown = one.parts(caption, kept, **of) if len(kept) > 1 else Block("")
    return shown + unchanged


@of_field_values
def quotable(cohort: Cohort, *, methods: Methods = None) -> Block:
    """Give a methods and a results paragraph, numbers filled in, to be quoted."""
    comparisons, facts = told_of(cohort).some(methods), facts_of(cohort)
    if not comparisons:
        return paragraph("There is no result to quote: no pair was found.")
    places = stated("tables", "quoted")
    results = [
        {"name": one.name, "n": one.results.data.n, "pairs": len(one.pairs)}
        | {word: one.at(place) for word, place in places.items()}
        for one in comparisons
    ]
    limits = any(one.cell("limits_of_agreement", "upper_limit").known for one in comparisons)
    told = {
        "multiple": plain(z_of(0.95), 2) if limits else "",
        "repeated": facts.pairs.duplicated(["athlete_id", "method", "mode"]).any(),
        "results": results,
    }
    return Block(said("quotable", "block", facts=facts, version=__version__, **told))


@of_field_values
def formulas(cohort: Cohort, *, methods: Methods = None) -> Block:
    """Name the source of every equation used; formulas and numbers of other libraries are folded."""
    compared, numbers = told_of(cohort).some(methods), told_of(cohort).numbers
    known = numbers.frame[numbers.frame["value"].notna()]
    some = set(zip(known["analysis"], known["statistic"], strict=True))
    used: dict[str, list[Formula]] = {}
    for one in every_formula(some=some):
        if one.source != OURS:
            used.setdefault(one.source, []).append(one)
    sources = sorted(used.items(), key=lambda one: (not one[0][:1].isupper(), one[0]))
    of_methods = dict.fromkeys(
        one.results.method for one in compared if one.results.method in PROTOCOLS
    )
    equations = [
        (numbers.name.method(name), one.population, one.source, one.provenance)
        for name, one in ((name, PROTOCOLS[name]) for name in of_methods)
    ]
    caption = "Every formula and its source"
    columns = ("equation", "made on", "source", "coefficients seen")
    found = [table("Equations of the field values", columns, equations)] if equations else []
    told = [(source, "; ".join(_explained(formulas))) for source, formulas in sources]
    found.append(table("Source of every equation used", ("source", "of"), told, kind="sources"))
    found.append(fold(caption, table(caption, FORMULA_HEADS, [one[1:] for one in every_formula()])))
    return joined([*found, same_numbers_block((one.name, one.results.data) for one in compared)])


def _explained(formulas: list[Formula]) -> Iterable[str]:
    """Return what a source explains: one or two statistics, or the analyses of more of them."""
    names = dict.fromkeys(label for one in formulas for label in one.statistic.split("; "))
    if len(names) <= 2:
        return names
    return dict.fromkeys(BY_NAME[name].label for one in formulas for name in one.analyses)


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
            *(with_minus(f"{number:.8g}") for number in (one.ours, one.theirs)),
            *(code(one.function), str(one.digits)),
        )
        for one in same_numbers(pairs, most.options.margin.limit)
    ]
    columns = ("statistic", "ours", "theirs", "their function", "digits in common")
    numeric = ("ours", "theirs", "digits in common")
    words = paragraph(said("inputs", "other_library", name=name, n=most.n))
    shown = table("The same number from another library", columns, rows, numeric=numeric)
    return fold("The same number from another library", words, shown)
