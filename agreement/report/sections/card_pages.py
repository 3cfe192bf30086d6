"""The cards of the athletes as a page of their own: on paper, one athlete on each sheet."""

from collections.abc import Mapping
from html import escape
from itertools import takewhile
from math import isfinite
from typing import Any, Final

import pandas as pd

from agreement.cohort import Cohort
from agreement.report.page.html import whole_page
from agreement.report.page.markup import ABSENT, Block, bullets, table
from agreement.report.page.names import Names
from agreement.report.page.numbers import plain, with_minus
from agreement.report.sections.cards import LACKS
from agreement.terms import CAUTIONS

FILE: Final = "athlete_cards.html"
ZONES: Final = {"zone1": "easy", "zone2": "medium", "zone3": "hard"}
LITTLE: Final = 0.05  # share of the training below which an intensity is called lacking; our choice
NOT_KNOWN: Final = "not known: there are no training sessions with heart rate before the test"
_COLUMNS: Final = (
    "method",
    "field value",
    "laboratory-equivalent",
    "95 % of such athletes",
    "smallest real change",
    "to correct, to bear in mind",
)
_READING: Final = (
    (
        "The <em>field value</em> is what the method gave: the mean of several days where it gives "
        "one every day."
    ),
    (
        "The <em>laboratory-equivalent</em> is what the laboratory would probably have measured; "
        "for 95 of 100 athletes with this field value it lies in the range beside it."
    ),
    (
        "Between two visits, a change of the field value larger than the <em>smallest real "
        "change</em> is more than this method's noise; a smaller one may be noise alone."
    ),
)


def lacking_intensities(cohort: Cohort) -> dict[str, str]:
    """
    Say for each athlete with training sessions which intensities they lack.

    Parameters
    ----------
    cohort : Cohort

    Returns
    -------
    dict of str to str
        Athlete -> plain text; "none" when nothing lacks. From the training before the latest test
        and the latest line through sessions.
    """
    words: dict[str, list[str]] = {}
    dates = cohort.laboratory.frame.set_index("lab_test_id")["date"]
    profiles = cohort.laboratory.profiles
    profiles = profiles.assign(date=dates.reindex(profiles["lab_test_id"]).to_numpy())
    for athlete, row in _latest(profiles).items():
        words[athlete] = [
            f"{name} training ({plain(100 * row[zone], 0)} % of the time)"
            for zone, name in ZONES.items()
            if isfinite(row[zone]) and row[zone] < LITTLE
        ]
    hard = cohort.study.options.profile.zone3_from_share_of_hr_max
    for athlete, row in _latest(cohort.readings.session_lines).items():
        top = row["top_share_of_hr_max"]
        if isfinite(top) and top < hard:
            words.setdefault(athlete, []).append(
                f"steady stretches above {plain(100 * top, 0)} % of maximal heart rate"
            )
    return {athlete: "; ".join(found) or "none" for athlete, found in words.items()}


def _latest(frame: pd.DataFrame) -> dict[str, dict[Any, Any]]:
    """Return the row of the last date of each athlete."""
    if frame.empty:
        return {}
    last = frame.sort_values("date", kind="stable").drop_duplicates("athlete_id", keep="last")
    return {str(row["athlete_id"]): row for row in last.to_dict("records")}


def cards_page(
    cards: pd.DataFrame, lacking: Mapping[str, str], title: str, name: Names | None = None
) -> str:
    """
    Return the cards of all athletes as one HTML page.

    Parameters
    ----------
    cards : DataFrame
        Columns `agreement.terms.CARD_COLUMNS`.
    lacking : mapping of str to str
        From `lacking_intensities`.
    title : str
        The study's, plain text.
    name : Names, optional
        What people read for each method.
    """
    shown = [
        _card(str(athlete), own, lacking.get(str(athlete), NOT_KNOWN), title, name or Names()).html
        for athlete, own in cards.groupby("athlete_id", sort=True)
    ]
    header = '<h1 class="screen">What each athlete\u2019s number means</h1>'
    body = "\n".join(shown) or "<p>No athlete has a pair.</p>"
    return whole_page(f"{title}: athlete cards", header, body, skip_to="Skip to the cards")


def _card(athlete: str, own: pd.DataFrame, lacking: str, title: str, name: Names) -> Block:
    """Return one athlete's card."""
    rows = [_row(row, name) for row in own.to_dict("records")]
    numbers = table(f"{athlete} (mL/kg/min)", _COLUMNS, rows, numeric=_COLUMNS[1:5])
    cautions = bullets(escape(text) for text in CAUTIONS)
    return Block(
        f'<article class="card" aria-label="Card of {escape(athlete, quote=True)}">'
        f"<h2>{escape(athlete)}</h2>"
        f'<p class="study">{escape(title)}</p>{numbers.html}'
        f"<p><strong>Intensities that the training before the test lacks:</strong> "
        f"{escape(lacking)}. An estimate from heart rate has to guess what happens there.</p>"
        f"{bullets(_READING).html}"
        '<div class="caution"><p><strong>This card is no clearance and no prescription.</strong></p>'
        f"{cautions.html}</div></article>"
    )


def _row(row: dict[Any, Any], name: Names) -> tuple[str, ...]:
    low, high = row["lab_equivalent_low"], row["lab_equivalent_high"]
    interval = f"{plain(low)} to {plain(high)}" if isfinite(low) and isfinite(high) else ABSENT
    notes = (note for note in row["note"].split("; ") if note)
    own = takewhile(lambda note: not note.startswith(LACKS), notes)  # the rest stands below
    words = "; ".join(filter(None, [row["inputs_to_correct"], *own]))
    real = row["smallest_real_change"]
    return (
        escape(name(str(row["method"]), str(row["mode"]))),
        *(plain(row[kind]) if isfinite(row[kind]) else ABSENT for kind in _COLUMNS_OF_NUMBERS),
        interval,
        plain(real) if isfinite(real) else '<span class="absent">cannot be told</span>',
        escape(with_minus(words)) or "nothing",
    )


_COLUMNS_OF_NUMBERS: Final = ("field", "lab_equivalent")
