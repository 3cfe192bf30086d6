"""The texts of a report that do not depend on its numbers; it loads nothing heavy, for kept reports."""

from collections.abc import Collection

from agreement.report.page.machine import said, stated
from agreement.report.page.markup import Block, bullets, element
from agreement.tables.options import StudyOptions
from agreement.terms import CAUTIONS


def heading_block(title: str, question: str, kind: str) -> Block:
    """Return the page's head: the study's title, and its question or what such a report asks."""
    return Block(said("first_page", "heading", title=title, question=question, kind=kind))


def cautions(*, short: bool = False) -> Block:
    """Say what every reader must know before acting; `short`: in three lines."""
    told = stated("methods", "cautions") if short else CAUTIONS
    return Block(element("div", bullets(told), class_="caution"))


def methods_block(options: StudyOptions, lacks: Collection[str] = ()) -> Block:
    """
    Return the rules in force as sentences to quote, with their sources.

    lacks: tables that the study has not, and ``profiles`` where nobody has one: no rule is told of them.
    """
    breaths = options.reference
    chosen = {  # what is unlike the usual in values from breath files
        "breaths far from their neighbours were left out": breaths.edit_breaths,
        "fixed bins of seconds count from 0 of the recording": breaths.fixed_bins_from == "clock",
        "a last fixed bin of at least half its length counts": breaths.last_bin != "drop",
    }
    unlike = [words for words, is_so in chosen.items() if is_so]
    return Block(said("methods", "block", options=options, unlike=unlike, lacks=lacks))
