"""The head of every kind of report; it loads nothing heavy, for reports that are kept."""

from agreement.report.page.machine import said
from agreement.report.page.markup import Block


def heading_block(title: str, question: str, kind: str) -> Block:
    """
    Return the head of the page: the study's title, and what it asks.

    title, question: the study's own.
    kind: its kind of report; says what is asked where the study does not.
    """
    return Block(said("first_page", "heading", title=title, question=question, kind=kind))
