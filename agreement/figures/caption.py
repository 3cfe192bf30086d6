"""What the words of a figure are made of: reports write them, as its caption and for the ear."""

from collections.abc import Mapping
from typing import Any, NamedTuple


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
