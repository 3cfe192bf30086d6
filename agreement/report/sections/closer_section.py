"""Which method is closer to the laboratory: what all methods together show, and every two in a table."""

from collections.abc import Sequence
from typing import Any, Final, NamedTuple

from markupsafe import Markup

from agreement.cohort import Cohort
from agreement.figures.closer import BETWEEN, closer_caption, closer_height, compared, plot_closer
from agreement.report.page.machine import said
from agreement.report.page.markup import NONE, Block, Text, fold, joined, paragraph, table
from agreement.report.page.numbers import Cell, Numbers
from agreement.report.page.pictures import Picture, drawing, picture
from agreement.report.sections.answer import smaller
from agreement.report.sections.comparison import withheld_note
from agreement.report.shown.told import of_field_values, shown, told_of
from agreement.stats.compare.methods_compared import APART, EVERY_TWO, TWO, MethodsCompared
from agreement.stats.method_data import NotEstimable
from agreement.terms import mode_word

TWO_BY_TWO: Final = "The size of each error, and every two methods"
_SIZES: Final = (
    "method",
    "error (root mean square)",
    "95 % interval",
    "net of the laboratory",
    "athletes left out",
)
_PAIRS: Final = ("first over second", "ratio of errors, all counted", "p, all counted", "closer")
_ALONE: Final = ("tests of these two", "ratio on these", "p, for these two alone")


@of_field_values
def two_estimators(cohort: Cohort) -> Block:
    """Show the matrix of methods, and sizes of errors with what is shown, mode by mode."""
    told, drawn, blocks = told_of(cohort), list[Picture](), list[Block]()
    if len({one.method for one in told.results.methods}) == 1:
        return Block("")  # no other to compare with
    for found in told.results.compared:
        order, mode = list(found.ranked), found.mode
        if 2 <= len(order) <= EVERY_TWO and compared(told.frame, mode):
            words: dict[str, Any] = {
                "mode": mode,
                "labels": {one: told.numbers.name.method(one) for one in order},
            }
            draw = drawing(plot_closer, told.frame, order, **words)
            caption, height = closer_caption(told.frame, order, **words), closer_height(len(order))
            drawn.append(picture(f"closer-{mode}", draw, caption, height=height))
        blocks += _of_mode(found, told.numbers)
    if not blocks:
        return paragraph("No two methods share enough athletes to be compared.")
    return shown(drawn, fold(TWO_BY_TWO, joined(blocks), kind="more") if drawn else joined(blocks))


def _of_mode(found: MethodsCompared, numbers: Numbers) -> list[Block]:
    """Return sizes of errors on the same tests, what is shown, and every two methods."""
    mode, two = found.mode, list[Two]()
    for method, of in numbers.places("closer"):
        if of == mode and BETWEEN in method:
            one = Two.of(method, mode, numbers)
            two += [one] if one.withheld or one.ratio.known or one.alone.known else []
    sizes, told = Block(""), [one for one in two if not one.withheld]
    if not isinstance(found.error, NotEstimable):
        rows = []
        for name in found.ranked:
            cell = numbers.of(name, mode)
            size, net = cell("closer", "rmse"), cell("closer", "rmse_net_of_laboratory")
            left = "" if size.withheld else f"{found.fell_out(name)} of {found.everyone[name]}"
            called = numbers.name.method(name)
            rows.append((called, size.shown(), size.interval(), net.shown(), left))
        caption = f"{mode_word(mode)}: errors on the same tests (mL/kg/min)"
        sizes = table(caption, _SIZES, rows, numeric=_SIZES[1:])
    hidden = withheld_note([one.name(numbers) for one in two if one.withheld])
    if not told:
        return [one for one in (sizes, hidden) if one.html]
    heads = (*_PAIRS, *(_ALONE if any(one.alone.known for one in told) else ()))
    pairs = [one.row(numbers)[: len(heads)] for one in told]
    caption = f"{mode_word(mode)}: every two methods, 95 % intervals below"
    words = paragraph(closer_sentence(found, told, numbers))
    return [sizes, words, table(caption, heads, pairs, numeric=(*heads[1:3], *_ALONE)), hidden]


class Two(NamedTuple):
    """Two methods: on the tests of all, and on their own; `near`: the closer one, "" if none is shown."""

    first: str
    second: str
    ratio: Cell
    p: Cell
    alone: Cell
    p_alone: Cell
    near: str
    scatters: str  # the one that is shown to scatter less

    @classmethod
    def of(cls, method: str, mode: str, numbers: Numbers) -> "Two":
        """Return what the results say of two methods of a mode."""
        first, second = method.split(BETWEEN)
        cell, groups = numbers.of(method, mode), numbers.groups("closer", method, mode)
        ratio, p = (cell("closer", one) for one in ("rmse_ratio", "p_rmse_joint"))
        group = next((one for one in (TWO, APART) if one in groups), TWO)
        alone, p_alone = (cell("closer", one, group) for one in ("rmse_ratio", "p_rmse"))
        near, less = (smaller(numbers, first, second, mode, kind) for kind in ("rmse", "sd"))
        return cls(first, second, ratio, p, alone, p_alone, near, less)

    @property
    def withheld(self) -> bool:
        """Whether its numbers are kept from the reader."""
        return self.ratio.withheld or self.alone.withheld

    @property
    def apart(self) -> bool:
        """Whether each was read against tests of its own."""
        return self.alone.known and not self.p_alone.known

    def name(self, numbers: Numbers) -> str:
        """Return both names."""
        return " over ".join(map(numbers.name.method, (self.first, self.second)))

    def row(self, numbers: Numbers) -> tuple[Text, ...]:
        """Return its line of the table."""
        near = numbers.name.method(self.near) if self.near else "not told apart"
        joint = (
            (self.ratio.stacked(), self.p.shown(), near) if self.ratio.known else (NONE, NONE, NONE)
        )
        tests = "different ones" if self.apart else str(self.alone.n_pairs)
        own = (tests, self.alone.stacked(), self.p_alone.shown() or NONE)
        if not self.alone.known:
            own = ("about as many as all share", NONE, NONE)
        return (self.name(numbers), *joint, *own)


def closer_sentence(found: MethodsCompared, two: Sequence[Two], numbers: Numbers) -> Markup:
    """Say once which methods are shown to be closer, and what that does not say."""
    name = numbers.name.method
    closer: dict[str, list[str]] = {}
    for one in two:
        if one.near:
            far = one.second if one.near == one.first else one.first
            closer.setdefault(name(one.near), []).append(name(far))
    told = {
        "open": sum(one.ratio.known and not one.near for one in two),
        "scatters": [
            name(one.scatters) for one in two if one.near and one.scatters not in ("", one.near)
        ],
        "apart": [one.name(numbers) for one in two if one.apart],
    }
    counts = {"tests": found.n_pairs, "n": found.n, "methods": len(found.names)}
    return said("sentences", "closer", closer=closer, **told, **counts)
