"""Which numbers of a page name the line of results.csv that they come from, and which do not."""

import re
from html import unescape
from html.parser import HTMLParser

import pandas as pd

from agreement.report.page.machine import in_words, worded

KEY = ["analysis", "method", "mode", "group", "statistic"]
# captions of tables whose numbers are one person's, or are no results: rows, versions, settings
OF_ONE_PERSON = (
    "each athlete's sessions and error",
    "the parts of each error",
    ": to correct",
    "Tests without a training profile",
    "Notes on the files",
    "Program, versions and seed",
    "Every formula and its source",  # constants of the sources
    "Source of every equation used",
    "Equations of the field values",
    "The same number from another library",  # theirs has no line, ours stands in its section too
)
CARDS = r".+ \(mL/kg/min\)(, 95 % of such athletes below)?"  # of each athlete
SAID_ANYWHERE = (
    r"[zZ] = 1\.96|plus and minus 1\.96|agreement \d+\.\d+\.\d+|"
    r"laboratory values [\d.]+ to [\d.]+ mL/kg/min|\d\.\d mL/kg/min \(a published|"
    r"by 0\.4 mL/kg/min|s times 1\.96|zone (ends|begins) at [\d.]+ %|"
    r"Smallest real change: \d+\.\d mL/kg/min|"  # of each card
    # of how many methods were judged; the widest of single tests; two spreads in a caution
    r"in up to [\d.]+ %|differ by [\d.]+ mL/kg/min from|spread [\d.]+ times .*\(p = [\d.]+\)"
)


def words_of(caption, part="alt", name="m", **more):
    """A figure's words as plain text: what it shows, or its caption."""
    return in_words(worded(caption.of(name, **more), part))


def with_blanks(page):
    """A page with plain blanks where a number and its unit do not part."""
    return page.replace("\u00a0", " ")


def rounds_to(text, value):
    """Whether a printed number is this one, rounded; prose may say "low" for a minus sign."""
    if text == "below 0.001":
        return value < 0.001
    if text == "below 1 %":
        return value < 0.01
    if text == "above 99 %":
        return value > 0.99
    if text.endswith(" %"):
        return rounds_to(text[:-2], 100 * value)
    printed, digits = float(text.replace("\u2212", "-")), len(text.partition(".")[2])
    error = min(abs(printed - value), abs(abs(printed) - abs(value)))
    return error <= 0.5 * 10**-digits + 1e-9


def by_key(results: pd.DataFrame) -> pd.DataFrame:
    """Results by the key that pages name."""
    return results.assign(key=results[KEY].astype(str).agg("/".join, axis=1)).set_index("key")


def wrong_numbers(html, results):
    """Marked numbers that are not those of their lines, and how many are marked."""
    marked = re.findall(r'data-statistic="([^"]+)">([^<]+)<', with_blanks(html))
    lines = by_key(results)["value"]
    return [(k, t) for k, t in marked if not rounds_to(t, lines.get(unescape(k)))], len(marked)


class Bare(HTMLParser):
    """Collects text outside marked numbers, by the caption or heading above it."""

    def __init__(self):
        super().__init__()
        self.open, self.under, self.found = [], "", []

    def handle_starttag(self, tag, attributes):
        if tag not in ("br", "img", "col", "hr"):
            self.open.append((tag, dict(attributes)))

    def handle_endtag(self, tag):
        while self.open and self.open.pop()[0] != tag:
            pass

    def handle_data(self, text):
        tag, attributes = self.open[-1] if self.open else ("", {})
        if tag in ("caption", "h2", "h3"):
            self.under = text.strip()
        elif "svg" in (name for name, _ in self.open):  # its numbers carry `data-drawn`
            return
        elif not {"data-statistic", "data-interval-of", "data-note-of"} & set(attributes):
            self.found.append((self.under, text))


def bare_numbers(html):
    """Decimals of several people that name no line, with the caption or heading above them."""
    page = Bare()
    page.feed(re.sub(r"<style>.*?</style>", "", html, flags=re.DOTALL))
    return [
        (under, text)
        for under, text in page.found
        if re.search(r"\d\.\d", re.sub(SAID_ANYWHERE, "", text))
        and not re.fullmatch(CARDS, under)
        and not any(words in under for words in OF_ONE_PERSON)
    ]
