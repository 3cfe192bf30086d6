"""The cards to hand out: one athlete on each sheet, cautions on every card, intensities that lack."""

import re

import numpy as np
import pandas as pd
import pytest

from agreement.report.page.pdf import browser, print_pdf
from agreement.report.sections.card_pages import NOT_KNOWN, cards_page
from agreement.terms import CARD_COLUMNS, CAUTIONS


@pytest.fixture(scope="module")
def page(squad):
    return squad.text("athlete_cards.html")


def test_every_athlete_has_one_card_with_the_cautions(squad, page):
    cards = re.findall(r"<article.*?</article>", page, flags=re.DOTALL)
    athletes = pd.read_csv(squad.written.folder / "athlete_cards.csv")["athlete_id"].unique()
    assert [re.search(r"<h2>(.+?)</h2>", card)[1] for card in cards] == sorted(athletes)
    for card in cards:
        assert "no clearance and no prescription" in card
        assert all(caution in card.replace("&#x27;", "'") for caution in CAUTIONS)
        assert NOT_KNOWN in card  # this study has no sessions


def test_a_card_says_what_the_table_says(squad, page):
    table = pd.read_csv(squad.written.folder / "athlete_cards.csv").set_index("athlete_id")
    card = re.search(r'<article[^>]*aria-label="Card of A03".*?</article>', page, flags=re.DOTALL)[
        0
    ]
    row = table.loc["A03"]
    for value in (row.field, row.lab_equivalent):
        assert f">{value:.1f}<" in card
    assert f"{row.lab_equivalent_low:.1f} to {row.lab_equivalent_high:.1f}" in card
    assert np.isnan(row.smallest_real_change)
    assert "no smallest real change: the laboratory's own error is unknown" in row.note
    assert "body mass (+11 %" in card  # told 78 kg where 70 were measured


def test_the_page_needs_nothing_else(page):
    assert not re.findall(r"<(script|link|iframe)", page)
    assert page.count("<h1") == 1


def test_what_the_training_lacks_stands_once_and_not_in_every_line():
    row = dict.fromkeys(CARD_COLUMNS, "") | {
        "athlete_id": "A1",
        "method": "wrist",
        "mode": "run",
        "field": 50.0,
        "lab_equivalent": 51.0,
        "lab_equivalent_low": 45.0,
        "lab_equivalent_high": float("nan"),
        "smallest_real_change": float("nan"),
        "note": "laboratory maximum not confirmed; the training lacks hard training; easy training",
    }
    page = cards_page(pd.DataFrame([row]), {"A1": "hard training; easy training"}, "Crew <1>")
    assert page.count("hard training; easy training") == 1
    assert "laboratory maximum not confirmed" in page
    assert "Crew &lt;1&gt;" in page


def test_nobody_paired_gives_a_page_that_says_so():
    assert "No athlete has a pair" in cards_page(pd.DataFrame(columns=CARD_COLUMNS), {}, "crew")


@pytest.mark.browser
@pytest.mark.slow
def test_each_card_is_one_printed_page(squad, page, tmp_path):
    if browser() is None:
        pytest.skip("No Chromium was found on this machine, so nothing can be printed.")
    target = tmp_path / "cards.pdf"
    assert print_pdf(squad.written.folder / "athlete_cards.html", target) == ""
    pages = len(re.findall(rb"/Type\s*/Page\b", target.read_bytes()))
    assert pages == page.count("<article")
