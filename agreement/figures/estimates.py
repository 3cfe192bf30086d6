"""What figures are given, and what their words are made of: numbers with their intervals."""

from collections.abc import Mapping
from math import isfinite, nan
from typing import Any, NamedTuple

import pandas as pd

from agreement.stats.record import HasFrame
from agreement.terms import KEY_COLUMNS

AnyRows = HasFrame | pd.DataFrame  # a result, or rows of one
Labels = Mapping[str, str] | None  # what people read for a method; default: its key


class Estimate(NamedTuple):
    """
    One number with its 95 % interval.

    `key` names it as the results table does (``analysis/method/mode/group/statistic``); the line
    or point drawn for it carries the key as its SVG id. "" when the number comes from no table.
    """

    value: float
    low: float = nan
    high: float = nan
    key: str = ""

    @property
    def known(self) -> bool:
        """Whether there is a number to draw."""
        return isfinite(self.value)

    @property
    def bounded(self) -> bool:
        """Whether both ends of its interval are there to draw."""
        return isfinite(self.low) and isfinite(self.high)

    def digits(self, usual: int = 1) -> int:
        """Return the decimals that its record declares; `usual`: of a number from no table."""
        from agreement.stats.catalogue import statistic_of  # plain arrays are drawn without records

        key = self.key.split("/")
        return statistic_of(key[0], key[-1]).digits if self.key else usual

    @classmethod
    def of(cls, row: Mapping[Any, Any]) -> "Estimate":
        """Return a line of the results table, or of one result alone, which has no key."""
        value, low, high = (float(row[name]) for name in ("value", "low", "high"))
        whole = all(name in row for name in KEY_COLUMNS)
        key = "/".join(str(row[name]) for name in KEY_COLUMNS) if whole else ""
        return cls(value, low, high, key)


ABSENT = Estimate(nan)


def estimates(result: AnyRows) -> dict[str, Estimate]:
    """
    Return the statistics of a result, by name.

    result: a result of `agreement.stats`, or rows of one analysis, method, mode and group of the
        results table.
    Returns those of group ``all``, where there are several groups.
    Raises ValueError with several groups of which none is ``all``, or rows of several analyses,
        methods or modes: one of them would be drawn as the study.
    """
    frame = result if isinstance(result, pd.DataFrame) else result.to_frame()
    for column in ("analysis", "method", "mode"):
        if column in frame and len(set(frame[column])) > 1:
            named = ", ".join(sorted(map(str, set(frame[column]))))
            raise ValueError(f"rows of several values of '{column}' ({named}); choose those of one")
    names = list(dict.fromkeys(frame["group"])) if "group" in frame else []
    if len(names) > 1:
        if "all" not in names:
            several = ", ".join(map(str, names))
            raise ValueError(f"rows of several groups ({several}); choose those of one")
        frame = frame[frame["group"] == "all"]
    value, low, high = (frame[name].tolist() for name in ("value", "low", "high"))
    keys = [""] * len(frame)
    if set(KEY_COLUMNS) <= set(frame.columns):
        parts = (map(str, frame[name].tolist()) for name in KEY_COLUMNS)
        keys = ["/".join(key) for key in zip(*parts, strict=True)]
    statistics = map(str, frame["statistic"].tolist())
    return dict(zip(statistics, map(Estimate, value, low, high, keys), strict=True))


def chosen(result: AnyRows, *names: str) -> list[Estimate]:
    """Return some statistics of a result; `ABSENT` for one that it has not."""
    known = estimates(result)
    return [known.get(name, ABSENT) for name in names]


class Caption(NamedTuple):
    """
    The name of a figure's template and what fills it.

    The words stand in ``report/page/templates/figures.j2``: the caption, and the alternative text
    for those who do not see the figure. `agreement.report.worded` writes either; numbers that come
    from the results table are `Estimate` with their key, so that both name their lines.
    """

    figure: str
    values: Mapping[str, Any]

    def of(self, name: str, **more: Any) -> "Caption":
        """Return the same with the name of the method, and what else only a report knows."""
        return self._replace(values={**self.values, "name": name, **more})
