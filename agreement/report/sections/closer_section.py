"""Which method is closer to the laboratory: sentences and table of all methods together."""

from collections.abc import Callable
from typing import Any, Final

import pandas as pd

from agreement.figures.closer import closer_caption, closer_height, compared, plot_closer
from agreement.report.page.machine import said
from agreement.report.page.markup import Block, fold, joined, paragraph, table
from agreement.report.page.numbers import Cell, Numbers
from agreement.report.page.pictures import Picture, picture
from agreement.stats.compare.closer import SHOWN_AT, Closer
from agreement.stats.compare.methods_compared import MethodsCompared, TwoApart
from agreement.stats.compare.side_by_side import EVERY_TWO
from agreement.stats.method_data import NotEstimable

TWO_BY_TWO: Final = "The size of each error, and every two methods in a sentence"
Finding = Callable[[str, str], Cell]
Naming = Callable[[str], str]
_COLUMNS: Final = (
    "method",
    "typical error",
    "95 % interval",
    "the same net of the laboratory",
    "athletes left out",
)


def closer_sentence(
    found: MethodsCompared, first: str, second: str, cell: Finding, name: Naming = str
) -> str:
    """
    Say which of two methods is closer, all methods counted; empty without a joint comparison.

    Closer only where joint p value and joint interval agree: that interval by itself is too short
    when methods are many.

    cell: statistic and method -> its line of the results table.
    name: method -> what people read.
    """
    error = found.error
    if isinstance(error, NotEstimable) or not {first, second} <= set(error.names):
        return ""
    k = error.place(error.names.index(first), error.names.index(second))
    a, b = (error.names[j] for j in error.pairs[k])
    ratio = cell("rmse_ratio", f"{a} vs {b}")
    told = {"first": name(a), "second": name(b), "tests": found.n_pairs, "n": found.n}
    told |= {"ratio": ratio, "ends": ratio.interval()}
    ends = error.joint_interval(k)
    if not error.p_joint[k] <= SHOWN_AT or ends.contains(1.0):
        p_joint = None if ends.contains(1.0) else cell("p_rmse_joint", f"{a} vs {b}")
        return said("sentences", "not_told", **told, p_joint=p_joint)
    near, far = (a, b) if error.log_ratios[k] < 0 else (b, a)
    less = _scatters_less(found, near, far)
    return said(
        "sentences",
        "closer",
        near=name(near),
        far=name(far),
        size_near=cell("rmse", near),
        size_far=cell("rmse", far),
        methods=len(found.names),
        scatters=less and name(less),
        **told,
    )


def apart_sentence(one: TwoApart, ratio: Cell, p: Cell, name: Naming = str) -> str:
    """Say what two methods show beside the joint comparison."""
    first, second = map(name, one.names)
    told = {"first": first, "second": second, "ratio": ratio, "ends": ratio.interval()}
    if isinstance(one.error, Closer):
        return said("sentences", "two_alone", tests=one.n_pairs, p_alone=p, **told)
    return said("sentences", "two_studies", **told)


def closer_section(
    results: Any, numbers: Numbers, frame: pd.DataFrame
) -> tuple[list[Picture], Block]:
    """
    Return the matrix of methods, and sizes of errors with what is shown, mode by mode.

    frame: the results table as it may be shown.
    """
    if len({one.method for one in results.methods}) == 1:
        return [], Block("")  # no other to compare with
    drawn = [closer_picture(found, frame, numbers.name.method) for found in results.compared]
    blocks = [part for found in results.compared for part in _of_mode(found, numbers)]
    if not blocks:
        return [], paragraph("No two methods share enough athletes to be compared.")
    pictures = [one for one in drawn if one is not None]
    return pictures, fold(TWO_BY_TWO, joined(blocks), kind="more") if pictures else joined(blocks)


def closer_picture(
    found: MethodsCompared, frame: pd.DataFrame, name: Naming = str
) -> Picture | None:
    """Return the matrix of all pairs of methods of one mode; None without a joint comparison."""
    order, mode = list(found.ranked), found.mode
    if not 2 <= len(order) <= EVERY_TWO or not compared(frame, mode):
        return None
    labels = {method: name(method) for method in order}
    return picture(
        f"closer-{mode}",
        lambda axes: plot_closer(frame, order, mode=mode, labels=labels, ax=axes[0]),
        closer_caption(frame, order, mode=mode, labels=labels),
        height=closer_height(len(order)),
    )


def _of_mode(found: MethodsCompared, numbers: Numbers) -> list[Block]:
    blocks = []
    if not isinstance(found.error, NotEstimable):
        rows = [_row(found, name, numbers) for name in found.ranked]
        caption = f"{found.mode}: errors on the same tests (mL/kg/min)"
        blocks.append(table(caption, _COLUMNS, rows, numeric=_COLUMNS[1:]))
        order = found.ranked[: EVERY_TWO + 1]
        pairs = [
            (a, b)
            for place, b in enumerate(order)
            for a in order[:place]
            if not found.pairs or (min(a, b), max(a, b)) in found.pairs
        ]
        blocks += [_told(found, *pair, numbers) for pair in pairs]
    for one in found.apart:
        method = " vs ".join(one.names)
        ratio, p = (
            numbers.get("closer", statistic, method, found.mode, one.group)
            for statistic in ("rmse_ratio", "p_rmse")
        )
        if not ratio.withheld:
            blocks.append(paragraph(apart_sentence(one, ratio, p, numbers.name.method)))
    return blocks


def _told(found: MethodsCompared, first: str, second: str, numbers: Numbers) -> Block:
    def cell(statistic: str, method: str) -> Cell:
        return numbers.get("closer", statistic, method, found.mode)

    if cell("rmse_ratio", " vs ".join(sorted((first, second)))).withheld:
        return Block("")
    return paragraph(closer_sentence(found, first, second, cell, numbers.name.method))


def _row(found: MethodsCompared, name: str, numbers: Numbers) -> tuple[str, ...]:
    size, net = (
        numbers.get("closer", statistic, name, found.mode)
        for statistic in ("rmse", "rmse_net_of_laboratory")
    )
    left = "" if size.withheld else f"{found.fell_out(name)} of {found.everyone[name]}"
    return numbers.name.method(name), size.shown(), size.interval(), net.shown(), left


def _scatters_less(found: MethodsCompared, near: str, far: str) -> str:
    """Return the method that is not closer but is shown to scatter less; empty if none."""
    spread = found.spread
    if isinstance(spread, NotEstimable):
        return ""
    k = spread.place(spread.names.index(near), spread.names.index(far))
    if not spread.p_joint[k] <= SHOWN_AT or spread.joint_interval(k).contains(1.0):
        return ""
    pair = [spread.names[j] for j in spread.pairs[k]]
    less = pair[0] if spread.log_ratios[k] < 0 else pair[1]
    return less if less == far else ""
