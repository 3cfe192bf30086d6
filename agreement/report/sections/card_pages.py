"""The cards of the athletes as a page of their own: on paper, one athlete on each sheet."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from itertools import takewhile
from math import isfinite
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from markupsafe import Markup

from agreement.cohort import Cohort
from agreement.figures.estimates import Estimate
from agreement.figures.weeks import weeks_caption, weeks_svg
from agreement.physiology.inputs import ODD_MAXIMUM
from agreement.report.page.html import whole_page
from agreement.report.page.machine import in_words, said, stated, worded
from agreement.report.page.markup import Block, element, joined, paragraph
from agreement.report.page.numbers import Names, plain, span, with_minus
from agreement.report.sections.cards import NOTES, OF_CHANGE, TOGETHER
from agreement.stats.repeats.repeatability import Repeatability

CARDS_FILE: Final = "athlete_cards.html"
INPUT_WORDS: Final = {
    "mass_kg": ("body mass", "kg"),
    "hr_max_bpm": ("maximal heart rate", "bpm"),
    "age_years": ("age", "years"),
}
ZONE_WORDS: Final = {"zone1": "easy", "zone2": "medium", "zone3": "hard"}
LITTLE: Final = 0.05  # share of the training below which an intensity is called lacking; our choice
NO_SESSIONS: Final = "not known: there are no training sessions with heart rate before the test"
RECENT: Final = np.timedelta64(6, "W")  # before the last laboratory test, and after it: recent


def lacking_intensities(cohort: Cohort) -> dict[str, str]:
    """
    Say for each athlete with training sessions which intensities they lack.

    Returns: athlete -> plain text; "none" when nothing lacks. From the training before the latest
        test and the latest line through sessions.
    """
    words: dict[str, list[str]] = {}
    dates = cohort.laboratory.frame.set_index("lab_test_id")["date"]
    profiles = cohort.laboratory.profiles
    profiles = profiles.assign(date=dates.reindex(profiles["lab_test_id"]).to_numpy())
    for athlete, row in _latest(profiles).items():
        words[athlete] = [
            f"{name} training ({plain(100 * row[zone], 0)} % of the time)"
            for zone, name in ZONE_WORDS.items()
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


class _Rows:
    """Rows of each athlete, found without looking through everybody's for each card."""

    def __init__(self, frame: pd.DataFrame) -> None:
        self._columns = {str(name): frame[name].to_numpy() for name in frame}
        self._places = frame.groupby("athlete_id", sort=False).indices

    def of(self, athlete: str) -> dict[str, npt.NDArray[Any]]:
        """Return the columns of one athlete, in the order of the frame."""
        places = self._places.get(athlete, np.empty(0, np.intp))
        return {name: column[places] for name, column in self._columns.items()}


@dataclass(frozen=True)
class CardFacts:
    """What a card says beside the numbers of ``athlete_cards.csv``."""

    # laboratory, readings: frames of `laboratory_values` and of the field readings
    laboratory: pd.DataFrame
    readings: pd.DataFrame
    inputs: pd.DataFrame  # from `agreement.physiology.inputs.input_audit`
    # the laboratory's own error, by mode
    noise: Mapping[str, Repeatability] = field(default_factory=dict)
    # the best first: those the question is about, then the closest to the laboratory
    order: Sequence[tuple[str, str]] = ()
    lacking: Mapping[str, str] = field(default_factory=dict)  # from `lacking_intensities`

    @classmethod
    def of(
        cls, cohort: Cohort, order: Sequence[tuple[str, str]], inputs: pd.DataFrame
    ) -> "CardFacts":
        """Return the facts of a study; `inputs`: all that were told, from `input_audit`."""
        readings, laboratory = cohort.readings, cohort.laboratory.frame
        inputs = inputs[inputs["to_correct"] == "yes"]
        noise = cohort.results.of_laboratory("repeatability")
        lacking = lacking_intensities(cohort)
        return cls(laboratory, readings.frame, inputs, noise, order, lacking)

    @cached_property
    def rows(self) -> dict[str, _Rows]:
        """Tests by date, readings and inputs, each by athlete."""
        tests = self.laboratory.sort_values("date", kind="stable")
        readings = self.readings[["athlete_id", "method", "mode", "date", "field"]]
        found = {"tests": tests, "readings": readings, "inputs": self.inputs}
        return {name: _Rows(frame) for name, frame in found.items()}


def card_files(
    cards: pd.DataFrame, facts: CardFacts, title: str, name: Names, day: str = ""
) -> Iterator[tuple[str, str]]:
    """Yield files of cards, name and text: one of all athletes, or of 2000 at a time."""
    athletes, (stem, ending) = sorted(cards["athlete_id"].unique()), CARDS_FILE.split(".")
    for number, start in enumerate(range(0, max(len(athletes), 1), TOGETHER), start=1):
        who = athletes[start : start + TOGETHER]
        file = CARDS_FILE if number == 1 else f"{stem}-{number}.{ending}"
        some = cards[cards["athlete_id"].isin(who)]
        told = {"title": title, "cautions": stated("methods", "cautions")}
        shown = [
            said("cards", "card", one=_card(str(who), own.to_dict("records"), facts, name), **told)
            for who, own in some.groupby("athlete_id")
        ]
        header = element("h1", "What each athlete\u2019s number means", class_="screen")
        body = joined(map(Block, shown)) if shown else paragraph("No athlete has a pair.")
        page = f"{title}: athlete cards"
        yield file, whole_page(page, header, body.html, skip_to="Skip to the cards", day=day)


def _card(athlete: str, own: list[dict[Any, Any]], facts: CardFacts, name: Names) -> dict[str, Any]:
    """Return what stands on one athlete's card."""
    rows, order = {(str(row["method"]), str(row["mode"])): row for row in own}, list(facts.order)
    found = {place: order.index(place) if place in order else len(order) for place in rows}
    ranked = sorted(rows, key=lambda place: (found[place], place))
    known = [place for place in ranked if isfinite(rows[place]["lab_equivalent"])]
    best = known[0] if known else None
    tests = facts.rows["tests"].of(athlete)
    card = dict.fromkeys(("lab", "noise", "lab_change", "picture"), "") | {
        "athlete": athlete,
        "lacking": facts.lacking.get(athlete, NO_SESSIONS),
        "others": [f"{name(*place)} {_equivalent(rows[place])}" for place in known[1:]],
        "inputs": _inputs(facts.rows["inputs"].of(athlete), name),
        "notes": _notes(rows, best, name),
        "best": "" if best is None else name(*best),
    }
    if len(tests["date"]):
        place, error = best or ranked[0], facts.noise.get(str(tests["mode"][-1]))
        card |= {
            "lab": plain(float(tests["lab"][-1])),
            "lab_day": str(tests["date"][-1].astype("datetime64[D]")),
            "confirmed": tests["max_confirmed"][-1] == "yes",
            "noise": "" if error is None else plain(error.noise_floor),
            "noise_holds": "" if error is None else str(error.noise_holds),
            "declared": "yes" if error is not None and error.assumed else "",
            "lab_change": "" if error is None else plain(error.smallest_real_change),
        }
        readings = facts.rows["readings"].of(athlete)
        card["picture"] = _picture(tests, readings, rows[place], error, name(*place))
    if best is None:
        return card
    row = rows[best]
    ends = row["lab_equivalent_low"], row["lab_equivalent_high"]
    return card | {  # the one laboratory-equivalent, and what change is real between two visits
        "field": plain(row["field"]),
        "equivalent": plain(row["lab_equivalent"]),
        "interval": span(*ends, between=" and "),
        "real": plain(row["smallest_real_change"]),
        "why_no_change": next((n for n in row["note"].split("; ") if n.startswith(OF_CHANGE)), ""),
    }


def _equivalent(row: dict[Any, Any]) -> str:
    ends = span(row["lab_equivalent_low"], row["lab_equivalent_high"])
    return f"{plain(row['lab_equivalent'])} ({ends})" if ends else plain(row["lab_equivalent"])


def _inputs(own: Mapping[str, npt.NDArray[Any]], name: Names) -> list[Markup]:
    """Say what the estimators were told wrongly, the largest shift first, and how far it moves them."""
    words = []
    sizes = np.nan_to_num(np.abs(own["expected_shift"].astype(np.float64)), nan=-1.0)
    for k in np.argsort(-sizes, kind="stable"):
        row = {column: values[k] for column, values in own.items()}
        if row["input"] == "sensor":
            continue
        what, unit = INPUT_WORDS[row["input"]]
        shift = row["expected_shift"]
        told = {
            "method": name(str(row["method"]), str(row["mode"])),
            "what": what,
            "told": f"{row['told']:g} {unit}",
            "measured": f"{row['measured']:g} {unit}",
            "odd": row["note"] == ODD_MAXIMUM,
            "shift": plain(shift, sign=True) if isfinite(shift) else None,
        }
        words.append(said("cards", "input", **told))
    return words


def _notes(
    rows: Mapping[tuple[str, str], dict[Any, Any]], best: tuple[str, str] | None, name: Names
) -> list[tuple[str, list[str]]]:
    """Return what else to bear in mind, of the best method first, and of which, where not of all."""
    found: dict[str, list[str]] = {}
    for place in sorted(rows, key=lambda one: one != best):
        notes = filter(None, rows[place]["note"].split("; "))
        for note in takewhile(lambda note: not note.startswith(NOTES["lacks"]), notes):
            other = (
                place != best and NOTES["own_tests"] in note
            )  # said of the value that the card shows
            if not other and not note.startswith((NOTES["squad_alone"], *OF_CHANGE)):
                found.setdefault(note, []).append(name(*place))
    every = len(rows)
    return [(with_minus(note), of if len(of) < every else []) for note, of in found.items()]


def _picture(
    tests: Mapping[str, npt.NDArray[Any]],
    readings: Mapping[str, npt.NDArray[Any]],
    row: Mapping[Any, Any],
    error: Repeatability | None,
    name: str,
) -> Markup:
    """Draw the field values of recent weeks with the laboratory's in them."""
    last = tests["date"][-1]
    mine = (readings["method"] == row["method"]) & (readings["mode"] == row["mode"])
    mine &= np.abs(readings["date"] - last) <= RECENT
    field = _days(readings["date"][mine], readings["field"][mine])
    labs = _days(*(tests[column][last - tests["date"] <= RECENT] for column in ("date", "lab")))
    equivalent = Estimate(*(row[f"lab_equivalent{end}"] for end in ("", "_low", "_high")))
    shown = weeks_caption([value for _, value in field], labs[-1][1], equivalent)
    svg = weeks_svg(
        field,
        labs,
        half_width=None if error is None else error.noise_floor,
        equivalent=equivalent,
        name=name,
        alt=in_words(worded(shown, "alt")),
    )
    return Markup(svg)


def _days(days: npt.NDArray[Any], values: npt.NDArray[Any]) -> list[tuple[date, float]]:
    return list(zip(days.astype("datetime64[D]").tolist(), map(float, values), strict=True))
