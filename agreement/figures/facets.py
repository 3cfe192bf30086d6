"""Several panels of one kind on the same axes: what is said once is said once."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

from matplotlib.axes import Axes

from agreement.figures.key import Key, key_of

if TYPE_CHECKING:
    from matplotlib.artist import Artist


# Ours: seaborn's FacetGrid makes a figure of its own; these panels lie on a page, which places them.
def facet(
    axes: Sequence[Axes], titles: Sequence[str], *, share: Literal["x", "y", "both"] = "both"
) -> Sequence[Axes]:
    """
    Give drawn panels the same axes, their titles, and one key below the last.

    axes: each drawn by the same function.
    titles: one for each panel.
    share: {"x", "y", "both"}. Which axis gets the same limits everywhere.
    """
    for which in ("x", "y") if share == "both" else (share,):
        ends = [end for ax in axes for end in getattr(ax, f"get_{which}lim")()]
        for ax in axes:
            getattr(ax, f"set_{which}lim")(min(ends), max(ends))
    entries: dict[str, Artist] = {}
    for ax, title in zip(axes, titles, strict=True):
        ax.set_title(title, fontsize=9.5)
        if (key := key_of(ax)) is not None:
            entries = key.entries | entries
            key.remove()
    if entries:
        axes[-1].add_artist(Key(entries))
    return axes
