"""The methods of a study against each other, mode by mode: who is compared, and the rows of it."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, groupby
from math import nan
from typing import Any, Final

import numpy as np
import pandas as pd

from agreement.stats.basics.intervals import Interval
from agreement.stats.compare.closer import Closer, DifferentTests, closer, different_tests
from agreement.stats.limits.limits import FEW_FOR_REPORTS
from agreement.stats.method_data import NOT_ESTIMABLE, TOO_FEW, MethodData, NotEstimable
from agreement.stats.record import recorded
from agreement.stats.repeats.laboratory_variance import lab_tests_behind, laboratory_of
from agreement.stats.result import Row, in_group

EVERY_TWO: Final = 20  # methods; 300 of them make 44 850 pairs, which nobody reads


def side_by_side(studied: Sequence[MethodData]) -> list[tuple[MethodData, MethodData]]:
    """
    Return the pairs of methods that have rows of their own, in the order of the methods.

    Up to 20 methods every two. Above, each method beside the one of its mode with the smallest root
    mean square error, and every two that the question is about; what counts all pairs (joint p
    values and intervals) goes on counting all of them.
    """
    every = combinations(studied, 2)
    if len(studied) <= EVERY_TWO:
        return list(every)
    closest: dict[str, tuple[float, str]] = {}
    for data in studied:
        if data.n_pairs:
            size = float(np.sqrt(np.mean(np.square(data.difference))))
            closest[data.mode] = min(
                (size, data.method), closest.get(data.mode, (size, data.method))
            )
    asked = set(studied[0].options.study.compares)

    def shown(a: MethodData, b: MethodData) -> bool:
        best = {name for _, name in (closest.get(one.mode, (0.0, "")) for one in (a, b))}
        return {a.method, b.method} <= asked or (
            a.mode == b.mode and bool({a.method, b.method} & best)
        )

    return [(a, b) for a, b in every if shown(a, b)]


FEWEST_FOR_SHARES: Final = 20
MUCH_MORE: Final = 1.2  # athletes of two methods over those of all, to be shown beside
TWO: Final = "two methods"  # group: tests that these two share, whatever the others have
APART: Final = "different tests"  # group: each on all of its own tests
_SHARES_TOO_FEW: Final = f"{TOO_FEW}: shares too few tests with the other methods"
_KEY: Final = ["athlete_id", "lab_test_id"]
CloserOrNot = Closer | NotEstimable


@dataclass(frozen=True, slots=True, eq=False)
class TwoApart:
    """Two methods beside what all methods share: on their own common tests, or on different ones."""

    names: tuple[str, str]
    group: str
    n: int
    n_pairs: int
    error: Closer | DifferentTests
    spread: Closer | DifferentTests


@dataclass(frozen=True, slots=True, eq=False)
class MethodsCompared:
    """All methods of one mode of exercise against each other."""

    mode: str
    everyone: dict[str, int]  # every method of the mode -> its athletes
    # those that share at least 10 athletes' laboratory tests: compared jointly
    names: tuple[str, ...]
    # n, n_pairs: athletes and tests with all of these
    n: int
    n_pairs: int
    # error, spread: by root mean square error, and apart from bias
    error: CloserOrNot
    spread: CloserOrNot
    # root mean square error with the laboratory's noise taken out, where that is known
    net: dict[str, float]
    apart: tuple[TwoApart, ...]
    pairs: tuple[tuple[str, str], ...] = ()  # those with rows of their own; default: every two

    @property
    def ranked(self) -> tuple[str, ...]:
        """Names of the methods compared jointly, the smallest error first."""
        if isinstance(self.error, NotEstimable):
            return ()
        order = np.argsort(self.error.sizes, kind="stable")
        return tuple(self.error.names[k] for k in order)

    def fell_out(self, name: str) -> int:
        """Return how many athletes of a method lack a test with all the others."""
        return self.everyone[name] - self.n

    def rows(self) -> Iterator[tuple[str, Iterable[Row]]]:
        """Yield the rows of every method and of two by two, under their label."""
        for name in self.everyone:
            yield name, self._of_one(name)
        beside = {one.names: one for one in self.apart}
        for names in self.pairs or tuple(combinations(self.everyone, 2)):
            rows = in_group("all", self._of_two(names))
            if names in beside:
                rows += in_group(beside[names].group, _beside(beside[names]))
            yield " vs ".join(names), rows

    def _of_one(self, name: str) -> Iterator[Row]:
        """Yield size, size net of the laboratory and share of one method."""
        if isinstance(self.error, NotEstimable) or name not in self.names:
            apart = str(self.error) if isinstance(self.error, NotEstimable) else _SHARES_TOO_FEW
            for statistic in ("rmse", "rmse_net_of_laboratory", _SHARE):
                yield self._row(statistic, nan, note=apart)
            return
        k = self.error.names.index(name)
        note = f"{self.fell_out(name)} of {self.everyone[name]} athletes left out"
        yield self._row("rmse", float(self.error.sizes[k]), self.error.size_interval(k), note=note)
        net = self.net.get(name, nan)
        unknown = "" if name in self.net else f"{NOT_ESTIMABLE}: the laboratory's error is unknown"
        yield self._row("rmse_net_of_laboratory", net, note=unknown)
        few = self.n < FEWEST_FOR_SHARES
        share = nan if few else float(self.error.share_closest[k])
        told = f"{len(self.names)} methods"
        said = f"{TOO_FEW}: below {FEWEST_FOR_SHARES} athletes" if few else told
        yield self._row(_SHARE, share, note=said)

    def _of_two(self, names: tuple[str, str]) -> Iterator[Row]:
        """Yield ratio and p values of two methods, of error and of spread."""
        for found, words in ((self.error, "rmse"), (self.spread, "sd")):
            values: tuple[Any, ...] = (nan, nan, nan, None)
            if isinstance(found, NotEstimable):
                note = str(found)
            elif not set(names) <= set(found.names):
                note = _SHARES_TOO_FEW
            else:
                k = found.place(*(found.names.index(name) for name in names))
                note = f"{NOT_ESTIMABLE}: both err by the same amount on every athlete"
                if not np.isnan(found.p[k]):
                    note = f"{len(self.names)} methods"
                    values = found.ratio(k), found.p[k], found.p_joint[k], found.joint_interval(k)
            yield self._row(f"{words}_ratio", values[0], values[3], note=note)
            yield self._row(f"p_{words}", values[1], note=note)
            yield self._row(f"p_{words}_joint", values[2], note=note)

    def _row(self, name: str, value: float, ends: Interval | None = None, note: str = "") -> Row:
        n, n_pairs = (0, 0) if note == _SHARES_TOO_FEW else (self.n, self.n_pairs)
        return Row.of(name, value, ends, n=n, n_pairs=n_pairs, note=note)


def methods_compared(studied: Iterable[MethodData]) -> tuple[MethodsCompared, ...]:
    """
    Compare the methods of each mode on the laboratory tests that they share.

    Returns results by mode; modes of one method are not there.

    All methods are compared on the tests that all of them have. Where fewer than 10 athletes have
    such a test, the method whose absence leaves most athletes goes first, until 10 are left; it is
    then shown beside the others two by two.
    """
    ordered = sorted(studied, key=lambda data: (data.mode, data.method))
    modes = {mode: list(own) for mode, own in groupby(ordered, key=lambda data: data.mode)}
    return tuple(_of_mode(mode, own) for mode, own in modes.items() if len(own) > 1)


def _of_mode(mode: str, studied: list[MethodData]) -> MethodsCompared:
    # a row per athlete and laboratory test, a column per method
    columns = {data.method: data.pairs.set_index(_KEY)["difference"] for data in studied}
    wide = pd.DataFrame(columns).sort_index()
    able = [data.method for data in studied if np.abs(data.difference).max(initial=0.0) > 0.0]
    names = _jointly(wide, able)
    complete = wide[names].dropna()
    n = _athletes(complete)
    two = side_by_side(studied)
    error, spread = (_closer(complete, studied[0].seed, spread=one) for one in (False, True))
    net = {} if isinstance(error, NotEstimable) else _net(studied, complete, error)
    return MethodsCompared(
        mode,
        {data.method: data.n for data in studied},
        tuple(names),
        n,
        len(complete),
        error,
        spread,
        net,
        tuple(_apart(two, wide, names, n)),
        tuple((a.method, b.method) for a, b in two),
    )


def _athletes(rows: pd.DataFrame) -> int:
    return rows.index.get_level_values(0).nunique()


def _jointly(wide: pd.DataFrame, names: list[str]) -> list[str]:
    """Return the methods that are compared jointly: as many as leave 10 athletes or more."""
    kept, missing = list(names), wide[names].isna().to_numpy()
    codes = pd.factorize(wide.index.get_level_values(0))[0]
    while len(kept) > 2:
        lacks = missing.sum(axis=1)
        whole = np.unique(codes[lacks == 0])
        if whole.size >= FEW_FOR_REPORTS:
            break
        row, place = np.nonzero(missing & (lacks == 1)[:, None])
        gained = np.unique(np.column_stack([place, codes[row]]), axis=0)
        sizes = np.bincount(gained[~np.isin(gained[:, 1], whole), 0], minlength=len(kept))
        out = int(np.argmax(sizes))
        kept.pop(out)
        missing = np.delete(missing, out, axis=1)
    return kept


def _closer(rows: pd.DataFrame, seed: int, *, spread: bool) -> CloserOrNot:
    n = _athletes(rows)
    if n < FEW_FOR_REPORTS or rows.shape[1] < 2:
        few = f"fewer than {FEW_FOR_REPORTS} athletes have a test with all methods."
        return NotEstimable(few, TOO_FEW)
    try:
        return closer(
            rows.to_numpy(),
            athlete=rows.index.get_level_values(0),
            names=[str(name) for name in rows.columns],
            spread=spread,
            rng=seed,
        )
    except ValueError as problem:
        return NotEstimable(str(problem))


def _net(studied: list[MethodData], rows: pd.DataFrame, error: Closer) -> dict[str, float]:
    """Root mean square errors less the laboratory's variance, where it is known."""
    found = {}
    for data in studied:
        if data.method not in error.names:
            continue
        try:
            variance = laboratory_of(data).variance
        except NotEstimable:
            continue
        tests = rows.index.get_level_values(1).to_numpy(dtype=object)
        shared = pd.Index(data.texts("lab_test_id")).get_indexer(pd.Index(tests))
        who = np.unique(data.athlete[shared], return_inverse=True)[1]
        of_athletes = np.bincount(who, 1.0 / lab_tests_behind(data)[shared]) / np.bincount(who)
        noise = variance * float(of_athletes.mean())
        size = float(error.sizes[error.names.index(data.method)])
        found[data.method] = float(np.sqrt(max(size**2 - noise, 0.0)))
    return found


def _apart(
    two: list[tuple[MethodData, MethodData]], wide: pd.DataFrame, names: list[str], n: int
) -> Iterator[TwoApart]:
    """Yield what two methods show beside the joint comparison."""
    for a, b in two:
        both = wide[[a.method, b.method]].dropna()
        shared, joint = _athletes(both), {a.method, b.method} <= set(names)
        if shared >= FEW_FOR_REPORTS:
            if joint and shared <= MUCH_MORE * n:
                continue
            error, spread = (_closer(both, a.seed, spread=one) for one in (False, True))
            if isinstance(error, Closer) and isinstance(spread, Closer):
                yield TwoApart((a.method, b.method), TWO, shared, len(both), error, spread)
        elif len(both) < FEW_FOR_REPORTS and min(a.n, b.n) >= FEW_FOR_REPORTS:
            columns = [(one.difference, one.pairs["athlete_id"].to_numpy(str)) for one in (a, b)]
            try:
                of_error, of_spread = (
                    different_tests(*columns[0], *columns[1], spread=one) for one in (False, True)
                )
            except ValueError:  # a method without any error
                continue
            pairs = a.n_pairs + b.n_pairs
            yield TwoApart((a.method, b.method), APART, of_error.n, pairs, of_error, of_spread)


def _beside(one: TwoApart) -> Iterator[Row]:
    """Yield ratio and p of two methods on what they share, or ratios alone of different tests."""
    counts: dict[str, Any] = {"n": one.n, "n_pairs": one.n_pairs, "note": one.group}
    for found, words in ((one.error, "rmse"), (one.spread, "sd")):
        if isinstance(found, Closer):
            yield Row.of(f"{words}_ratio", found.ratio(0), found.interval(0), **counts)
            yield Row.of(f"p_{words}", float(found.p[0]), **counts)
        else:
            yield Row.of(f"{words}_ratio", found.ratio, found.interval, **counts)


_SHARE: Final = "share_closest"
RECORD: Final = recorded("""
    closer, place 410, compares methods, own section: which method is closer, on the same tests
    rmse: typical error on the shared tests
      Root mean square of field minus laboratory, every athlete of equal weight.
      = root of the mean over athletes of mean d^2; interval by jackknife of its log | Fisher 1935;
      Miller 1968
    rmse_net_of_laboratory: the same net of the laboratory
      Typical error that is left when the laboratory's own noise is taken out.
      = root of mean d^2 less the laboratory's variance, not below 0 | Fuller 1987
    share_closest [1] .1: how far it is believed to be the closest
      How far these tests support that this method errs least; no verdict.
      = log errors shrunk to their mean, half-t prior with scale 0.2 on their spread | Gelman 2006
    rmse_ratio [1]: ratio of both errors
      Typical error of the first method over the second's on the same tests; below 1 the first is
      closer. The interval holds for all pairs of methods at once.
      = first over second; interval by jackknife of its log and the largest Student t of the flips |
      Miller 1968; Westfall & Young 1993
    p_rmse [p]: p of equal errors
      How often chance alone would make the errors of these two methods this unequal.
      = each athlete's difference of mean d^2 keeps or changes its sign, 9999 times | Fisher 1935;
      Miller 1968
    p_rmse_joint [p]: p of equal errors, all methods counted
      How often chance alone would make the errors of some two methods this unequal.
      = the same flips, largest Student t among all pairs of methods | Westfall & Young 1993
    sd_ratio [1]: ratio of both spreads
      Spread of the first method's error over the second's, bias taken out; below 1 the first
      scatters less. The interval holds for all pairs of methods at once.
      = as rmse_ratio
    p_sd [p]: p of equal spread
      How often chance alone would make both spreads this unequal.
      = as p_rmse
    p_sd_joint [p]: p of equal spread, all methods counted
      How often chance alone would make some two spreads this unequal.
      = as p_rmse_joint
    """).by(of_registry=("rmse_ratio", "p_rmse_joint"))
