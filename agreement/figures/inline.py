"""
A drawn figure as a part of a page: small, in the page's own colours, told point by point.

Files keep plain colours, because programs that draw for print know no variables. In a page each
colour of the house is a variable with the plain colour as its default, so the page may set others
for dark screens; where a page sets none, as in a notebook, the figure brings its white paper along.
"""

import re
from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise
from typing import Final
from xml.etree import ElementTree as ET  # reads only what matplotlib has just written
from zlib import crc32

from markupsafe import escape

from agreement.figures.colours import (
    BAND,
    FAINT,
    FIELD,
    INK,
    MARGIN,
    MARKS,
    NOISE,
    OWN,
    PAPER,
    SOFT,
    WASH,
)

_SVG: Final = "{http://www.w3.org/2000/svg}"
_LINK: Final = "{http://www.w3.org/1999/xlink}href"
_ROOT_STYLE: Final = (
    "max-width:34rem;stroke-linejoin:round;stroke-linecap:butt;font-family:"
    "var(--fig-font,'DejaVu Sans',Verdana,Helvetica,Arial,sans-serif)"
)
_PANEL: Final = "data-panel"  # only until panels are parted
_LONG_NUMBER: Final = re.compile(r"-?\d+\.\d{3,}")
_REFERRED: Final = re.compile(r"(?<=url\(#)[^)]+")
_ABOUT_LETTER: Final = re.compile(r" ?([MLCQz]) ?")
_MEASURES: Final = frozenset(("d", "x", "y", "transform", "width", "height", "points"))
_COLOUR: Final = re.compile(r"#[0-9a-f]{6}")

# name of the variable, colour on light paper, colour on a dark screen
_NAMED: Final = (
    ("ink", INK, "#e6ebef"),
    ("soft", SOFT, "#b6c0c9"),
    ("faint", FAINT, "#6f7b86"),
    ("field", FIELD, "#6fc3d1"),
    ("band", BAND, "#2c5a64"),
    ("margin", MARGIN, "#f0935a"),
    ("noise", NOISE, "#a3a9af"),
    ("wash", WASH, "#232b32"),
    ("own", OWN, "#c9a4e0"),
)
_DARK_MARKS: Final = ("#6fc3d1", "#f2a65a", "#c9a4e0", "#84bfe3", "#ee8fa6", "#b4cf6a", "#c9c9c9")
_PALETTE: Final = {
    **{
        mark.colour: (f"mark-{place}", dark)
        for place, (mark, dark) in enumerate(zip(MARKS, _DARK_MARKS, strict=True), 1)
    },
    **{light: (name, dark) for name, light, dark in _NAMED},
    PAPER: ("hole", "#161b20"),
}


def figure_css(*, dark: bool = False) -> str:
    """
    Return what a page needs for inline figures: their width, panels side by side, and the paper.

    dark: whether the page itself turns dark by the reader's setting; figures turn with it.
    """
    shown = (
        ":root{--fig-paper:none}"
        ".drawn svg{display:block;width:100%;height:auto}"
        ".drawn svg g:has(>title):hover{outline:1px solid currentColor}"
        ".panels{display:grid;gap:1rem;grid-template-columns:1fr 1fr}"
        "@media screen and (max-width:34rem){.panels{grid-template-columns:1fr}}"
    )
    if not dark:
        return shown
    colours = ";".join(f"--fig-{name}:{shade}" for name, shade in _PALETTE.values())
    return shown + f"@media screen and (prefers-color-scheme:dark){{:root{{{colours}}}}}"


def inline_svg(
    svg: str, *, name: str, alts: Sequence[str], tops: Sequence[float] = ()
) -> list[str]:
    """
    Return the panels of a figure as elements to stand in a page; it places them.

    svg: from `agreement.figures.canvas.svg_text`.
    name: unique on the page: ids that the figure refers to follow from it.
    alts: what each panel shows, plain text or markup; one of them: what all show, as one element.
    tops: where panels begin, and the last ends, from the top. [pt]
    """
    root = ET.fromstring(svg)  # our own text, see above
    prefix = f"f{crc32(name.encode()):x}"
    _lighten(root)
    _rename(root, prefix)
    for old in ("width", "height", "version"):
        root.attrib.pop(old, None)
    root.set("style", _ROOT_STYLE)
    ET.register_namespace("", _SVG.strip("{}"))
    told = []
    for place, (one, alt) in enumerate(zip(_parted(root, alts, tops), alts, strict=True)):
        label = f"{prefix}-alt{place}"  # of words that are heard: their numbers name their lines
        one.attrib |= {"role": "img", "aria-labelledby": label}
        text = ET.tostring(one, encoding="unicode").replace(" />", "/>")
        text = re.sub(r">\s+<", "><", text).replace(' xmlns="http://www.w3.org/2000/svg"', "", 1)
        told.append(f'{text}<span hidden="" id="{label}">{escape(alt)}</span>')
    return told


def _parted(root: ET.Element, alts: Sequence[str], tops: Sequence[float]) -> list[ET.Element]:
    """Give each panel an element of its own; what they share stays in the first."""
    panels = [one for one in root if one.attrib.pop(_PANEL, "")]
    if len(alts) == 1:
        return [root]
    wide = root.attrib["viewBox"].split()[2]
    parts = [root, *(ET.Element(root.tag, root.attrib) for _ in alts[1:])]
    for part, panel, (top, foot) in zip(parts, panels, pairwise(tops), strict=True):
        part.set("viewBox", f"0 {top:.1f} {wide} {foot - top:.1f}")
        if part is not root:
            root.remove(panel)
            part.append(panel)
    return parts


def _lighten(root: ET.Element) -> None:
    """Drop what a page does not need, round coordinates, name colours."""
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag in (f"{_SVG}metadata", f"{_SVG}style") or (
                child.tag == f"{_SVG}defs" and all(c.tag == f"{_SVG}style" for c in child)
            ):
                parent.remove(child)
    for element in root.iter():
        own = element.attrib
        for key in _MEASURES & own.keys():
            # numbers rounded, without blanks about the letters of a path
            short = " ".join(_LONG_NUMBER.sub(lambda m: f"{float(m[0]):.2f}", own[key]).split())
            is_path = len(short) > 1 and short[0] == "M"
            own[key] = _ABOUT_LETTER.sub(r"\1", short) if is_path else short
        if "style" in own:
            own["style"] = _style(own["style"])
        if own.get("transform", "").startswith("rotate(-0 "):
            del own["transform"]
    white = f"fill:{named(PAPER)}"
    papers = [one for one in root.iter(f"{_SVG}path") if one.get("style") == white][:1]
    for group in root.iter(f"{_SVG}g"):  # the paper of a panel is its first patch
        first = next(group.iter(f"{_SVG}path"), None)
        whole = group.get("id", "").startswith("axes_")
        papers += [first] if whole and first is not None and first.get("style") == white else []
    for place, paper in enumerate(papers):
        paper.set("style", f"fill:var(--fig-paper,{PAPER})" if place == 0 else "fill:none")


@lru_cache(maxsize=4096)
def _style(text: str) -> str:
    """Return a style without blanks, fonts that the root names, and with named colours."""
    kept = [
        part.strip().replace(": ", ":", 1)
        for part in text.split(";")
        if part.strip() and not part.strip().startswith("font-family")
    ]
    return _COLOUR.sub(lambda m: named(m[0]), ";".join(kept))


def named(colour: str) -> str:
    """Return a colour of the house as a variable that a dark page may change, any other as it is."""
    known = _PALETTE.get(colour)
    return colour if known is None else f"var(--fig-{known[0]},{colour})"


def _rename(root: ET.Element, prefix: str) -> None:
    """Keep only ids that are referred to, short and unique on the page; unpack bare groups."""
    short: dict[str, str] = {}

    def renamed(old: str) -> str:
        return short.setdefault(old, f"{prefix}-{len(short)}")

    for element in root.iter():
        if _LINK in element.attrib:
            element.set("href", f"#{renamed(element.attrib.pop(_LINK)[1:])}")
        for key, value in element.attrib.items():
            if "url(#" in value:
                element.set(key, _REFERRED.sub(lambda m: renamed(m[0]), value))
    for element in root.iter():
        own = element.attrib.pop("id", "")
        if own.startswith("axes_"):
            element.set(_PANEL, own)
        if "/" in own:  # the line of the results table that is drawn here
            element.set("data-drawn", own)
        if own in short:
            element.set("id", short[own])
    _unpack(root)


def _unpack(element: ET.Element) -> None:
    """Replace groups that carry nothing by what they hold."""
    held: list[ET.Element] = []
    for child in list(element):
        _unpack(child)
        titled = any(c.tag == f"{_SVG}title" for c in child)
        bare = child.tag == f"{_SVG}g" and not child.attrib and not titled
        held.extend(list(child) if bare else [child])
    element[:] = held
