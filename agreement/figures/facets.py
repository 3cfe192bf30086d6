"""Several panels of one kind on the same axes: what is said once is said once."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

from matplotlib.axes import Axes

from agreement.figures.labels import legend_below

if TYPE_CHECKING:
    from matplotlib.artist import Artist


# Ours: seaborn's FacetGrid makes a figure of its own; these panels lie on a page, wide and narrow.
def facet(
    axes: Sequence[Axes],
    titles: Sequence[str],
    *,
    share: Literal["x", "y", "both"] = "both",
    legend_columns: int = 3,
) -> Sequence[Axes]:
    """
    Give drawn panels the same axes, their titles, and names and legend once.

    axes: each drawn by the same function, one that writes nothing above or beside its panel, in
        rows as `agreement.figures.canvas.blank` makes them.
    titles: one for each panel.
    share: {"x", "y", "both"}. Which axis gets the same limits everywhere. Names of ticks stay where
        the other differs.
    """
    for which in ("x", "y") if share == "both" else (share,):
        ends = [end for ax in axes for end in getattr(ax, f"get_{which}lim")()]
        for ax in axes:
            getattr(ax, f"set_{which}lim")(min(ends), max(ends))
    for place, (ax, title) in enumerate(zip(axes, titles, strict=True)):
        ax.set_title(title, fontsize=9.5)
        name_once(ax, last=place + across(ax) >= len(axes), shared=share != "x")
    one_legend(axes, columns=legend_columns)
    return axes


def across(ax: Axes) -> int:
    """Return how many panels stand in a row."""
    spec = ax.get_subplotspec()
    return 1 if spec is None else int(spec.get_gridspec().ncols)


def name_once(ax: Axes, *, last: bool, shared: bool = True) -> None:
    """Name the axes at the left and at the foot of the panels only; ticks too where `shared`."""
    spec = ax.get_subplotspec()
    if spec is not None and not spec.is_first_col():
        ax.set_ylabel("")
        ax.tick_params(labelleft=not shared)
    if not last:
        ax.set_xlabel("")


def one_legend(axes: Sequence[Axes], *, columns: int = 3) -> None:
    """Explain the marks of all panels once, below the first panel of the last row."""
    seen: dict[str, Artist] = {}
    for ax in axes:
        legend = ax.get_legend()
        if legend is None:
            continue
        for text, handle in zip(legend.get_texts(), legend.legend_handles, strict=True):
            if handle is not None:
                handle.set_label(text.get_text())
                seen[text.get_text()] = handle
        legend.remove()
    last = axes[len(axes) - 1 - (len(axes) - 1) % across(axes[0])]
    legend_below(last, list(seen.values()), columns=columns)
