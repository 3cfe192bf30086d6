"""The cards to hand out: one athlete on each sheet, cautions on every card, intensities that lack."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from printed import with_blanks

from agreement.cohort import Cohort
from agreement.report.page.machine import stated
from agreement.report.page.markup import table
from agreement.report.page.numbers import Names
from agreement.report.page.pdf import browser, print_pdf
from agreement.report.sections import card_pages
from agreement.report.sections.card_pages import NO_SESSIONS, CardFacts, card_files
from agreement.report.sections.cards import cards_block
from agreement.report.shown.told import told_of
from agreement.stats.repeats.repeatability import Repeatability
from agreement.terms import CARD_COLUMNS


@pytest.fixture(scope="module")
def page(squad):
    return with_blanks(squad.text("athlete_cards.html"))


def test_every_athlete_has_one_card_with_the_cautions(squad, page):
    cards = re.findall(r"<article.*?</article>", page, flags=re.DOTALL)
    athletes = pd.read_csv(squad.written.folder / "athlete_cards.csv")["athlete_id"].unique()
    assert [re.search(r"<h2>(.+?)</h2>", card)[1] for card in cards] == sorted(athletes)
    for card in cards:
        assert "no clearance and no prescription" in card
        three = stated("methods", "cautions")
        assert card.count("<li>") >= len(three) == 3
        assert all(caution in card for caution in three)
        assert NO_SESSIONS in card  # this study has no sessions


def test_a_card_takes_nothing_from_an_earlier_visit():
    """A body mass told wrongly in March says nothing of a reading of May that told none."""
    visits = [(f"A{i:02}", day) for i in range(12) for day in ("2026-03-01", "2026-05-01")]
    who, day = zip(*visits, strict=True)
    told = {"athlete_id": who, "mode": "run", "vo2max_ml_kg_min": np.linspace(45, 60, 24).round(1)}
    tests = pd.DataFrame(told | {"date": day, "mass_kg": 70.0})
    tests["lab_test_id"] = tests["athlete_id"] + tests["date"]
    mass = tests["date"].map({"2026-03-01": 60.0, "2026-05-01": np.nan})
    read = pd.DataFrame(told | {"method": "wrist", "set_mass_kg": mass})
    read["vo2max_ml_kg_min"] += np.tile([1.5, -1.0, 0.5, -2.0], 6)
    days = [
        read.assign(taken_at=pd.to_datetime(tests["date"]) - pd.Timedelta(days=k)) for k in (1, 2)
    ]
    cohort = Cohort.from_frames(lab_tests=tests, field_estimates=pd.concat(days))
    cards = told_of(cohort).cards
    assert len(cards) == 12
    assert (cards["inputs_to_correct"] == "").all()


def test_a_card_says_what_the_table_says(squad, page):
    table = pd.read_csv(squad.written.folder / "athlete_cards.csv").set_index("athlete_id")
    card = re.search(r'<article[^>]*aria-label="Card of A03".*?</article>', page, flags=re.DOTALL)[
        0
    ]
    row = table.loc["A03"]
    assert f"it showed {row.field:.1f}" in card
    assert f'<p class="big">{row.lab_equivalent:.1f}</p>' in card
    assert f"{row.lab_equivalent_low:.1f} and {row.lab_equivalent_high:.1f}" in card
    assert np.isnan(row.smallest_real_change)
    assert "no smallest real change: the laboratory's own error is unknown" in row.note
    assert '<p class="big">unknown</p>' in card
    assert "body mass set to 78 kg, measured 70 kg" in card
    assert card.count("<svg") == 1


def facts(lacking):
    laboratory = pd.DataFrame(
        {
            "athlete_id": ["A1", "A1"],
            "date": pd.to_datetime(["2026-03-01", "2026-04-12"]),
            "lab": [52.0, 54.4],
            "mode": "run",
            "max_confirmed": ["yes", "no"],
        }
    )
    readings = pd.DataFrame(
        {
            "athlete_id": "A1",
            "method": ["wrist", "wrist", "other"],
            "mode": "run",
            "date": pd.to_datetime(["2026-04-10", "2025-04-11", "2026-04-11"]),
            "field": [50.5, 44.0, 60.0],
        }
    )
    inputs = pd.DataFrame(
        {
            "athlete_id": "A1",
            "method": "wrist",
            "mode": "run",
            "input": ["mass_kg", "hr_max_bpm"],
            "told": [78.0, 166.0],
            "measured": [69.9, 186.0],
            "expected_shift": [float("nan"), -8.0],
            "note": "",
        }
    )
    noise = {"run": Repeatability(2.5, 18, 18, 36)}
    return CardFacts(laboratory, readings, inputs, noise, [("wrist", "run")], {"A1": lacking})


def cards_page(cards, known, title):
    ((_, text),) = card_files(cards, known, title, Names())
    return text


def card_row(method, value, note):
    return dict.fromkeys(CARD_COLUMNS, "") | {
        "athlete_id": "A1",
        "method": method,
        "mode": "run",
        "field": 50.0,
        "lab_equivalent": value,
        "lab_equivalent_low": value - 6,
        "lab_equivalent_high": value + 6,
        "smallest_real_change": 6.0,
        "note": note,
    }


def test_a_card_holds_one_equivalent_the_laboratory_and_what_to_correct():
    rows = [
        card_row("other", 47.3, ""),
        card_row("wrist", 51.2, "laboratory maximum not confirmed"),
    ]
    page = with_blanks(cards_page(pd.DataFrame(rows), facts("none"), "Crew"))
    assert re.findall(r'<p class="big">(.+?)</p>', page) == ["54.4", "51.2", "6.0"]
    assert "on 2026-04-12; one test lies within &plusmn;4.9 of the true value" in page  # 1.96 SEM
    assert "Not confirmed to be a maximum" in page
    assert "95 lie between 45.2 and 57.2" in page
    assert "other, run 47.3 (41.3 to 53.3)" in page  # one line, below
    assert "two laboratory tests: 6.9" in page  # 2.77 SEM
    heart, mass = page.index("maximal heart rate set to 166 bpm"), page.index("body mass set to 78")
    assert heart < mass  # the largest shift first
    assert "By the equations of this program that moves the number by about \u22128.0." in page
    assert "How far that moves the number is not known." in page
    assert "wrist, run, 2026-04-10: 50.5" in page
    assert "laboratory, 2026-03-01: 52.0" in page
    assert not re.findall(r"2025-04-11|other, run, 2026", page)  # long ago; another method


def test_the_page_needs_nothing_else(page):
    assert not re.findall(r"<(script|link|iframe)", page)
    assert page.count("<h1") == 1


def test_what_the_training_lacks_stands_once_and_not_in_every_line():
    note = "laboratory maximum not confirmed; the training lacks hard training; easy training"
    row = card_row("wrist", 51.0, note) | {"lab_equivalent_high": float("nan")}
    row["smallest_real_change"] = float("nan")
    page = cards_page(pd.DataFrame([row]), facts("hard training; easy training"), "Crew <1>")
    assert page.count("hard training; easy training") == 1
    assert "laboratory maximum not confirmed" in page
    assert "Crew &lt;1&gt;" in page


def test_nobody_paired_gives_a_page_that_says_so():
    assert "No athlete has a pair" in cards_page(
        pd.DataFrame(columns=CARD_COLUMNS), facts("none"), "crew"
    )


@pytest.mark.browser
@pytest.mark.slow
def test_each_card_is_one_printed_page(squad, page, tmp_path):
    if browser() is None:
        pytest.skip("No Chromium was found on this machine, so nothing can be printed.")
    target = tmp_path / "cards.pdf"
    assert print_pdf(squad.written.folder / "athlete_cards.html", target) == ""
    pages = len(re.findall(rb"/Type\s*/Page\b", target.read_bytes()))
    assert pages == page.count("<article")


def test_cards_of_many_come_in_files_of_some_thousand(monkeypatch):
    monkeypatch.setattr(card_pages, "TOGETHER", 1)
    one = facts("none")
    tests = [one.laboratory, one.laboratory.assign(athlete_id="A2")]
    both = replace(one, laboratory=pd.concat(tests))
    row = card_row("wrist", 51.0, "")
    cards = pd.DataFrame([row, row | {"athlete_id": "A2"}])
    files = dict(card_files(cards, both, "crew", Names()))
    assert list(files) == ["athlete_cards.html", "athlete_cards-2.html"]
    assert "A2" not in files["athlete_cards.html"]
    assert files["athlete_cards-2.html"] == cards_page(cards[1:], both, "crew")


def test_the_table_says_once_what_all_athletes_share():
    common = "nobody was seen at two visits"
    rows = [
        card_row("m", 51.0, f"{common}; laboratory maximum not confirmed") | {"athlete_id": "A1"},
        card_row("m", 49.0, common) | {"athlete_id": "A2"},
    ]
    html = cards_block(pd.DataFrame(rows), Names()).html
    assert html.count(common) == 1
    assert html.count("6.0") == 1  # the smallest real change
    assert html.count("laboratory maximum not confirmed") == 1


def test_what_own_tests_and_the_squad_give_are_columns(squad):
    notes = pd.read_csv(squad.written.folder / "athlete_cards.csv")["note"]
    assert notes.str.contains("by the squad's calibration:").all()
    table = with_blanks(squad.text("report.html")).partition("Athlete by athlete</h2>")[2]
    table = table.partition("</section>")[0]
    assert "calibration:" not in table
    assert "own test counts" not in table
    assert ">squad alone<" in table


def test_the_page_says_where_thousands_of_cards_are():
    cards = pd.DataFrame([card_row("m", 51.0, "") | {"athlete_id": str(i)} for i in range(2001)])
    told = cards_block(cards, Names(), pages="athlete_cards.html").html
    assert "files with a number after it hold 2001 cards" in told


def test_a_table_of_thousands_shows_the_first_and_says_so():
    shown = table("Many", ["a"], [[str(i)] for i in range(1001)]).html
    assert shown.count("<tr>") == 1001
    assert "first 1000 of 1001 lines" in shown


def test_a_note_on_every_method_names_none_and_on_some_them():
    both, one = "laboratory maximum not confirmed", "outside the range of the equation"
    rows = {
        ("chest", "run"): {"note": f"{both}; {one}"},
        ("wrist", "run"): {"note": f"{both}; {one}"},
        ("stages", "run"): {"note": both},
    }
    found = card_pages._notes(rows, ("chest", "run"), Names(several_modes=False))
    assert found == [(both, []), (one, ["chest", "wrist"])]


@pytest.mark.parametrize("df", [4, 18])
def test_how_often_a_test_lies_within_noise_that_few_repeats_gave(df):
    """Drawn, not computed: the SD is itself uncertain."""
    rng, sem = np.random.default_rng(df), 2.0
    measured = sem * np.sqrt(rng.chisquare(df, 40_000) / df)
    away = np.abs(rng.normal(0, sem, 40_000))
    floors = np.array([Repeatability(sd, df, df + 1, 2 * df + 2).noise_floor for sd in measured])
    held = Repeatability(sem, df, df + 1, 2 * df + 2).noise_holds
    assert held == pytest.approx(100 * (away < floors).mean(), abs=0.9)
    assert Repeatability(sem, 0, 0, 0, assumed=True).noise_holds == 95
