"""A card for each athlete: what their number means, and what to correct before the next one."""

from collections.abc import Collection, Mapping
from math import isfinite, nan
from typing import Any, Final, NamedTuple

import pandas as pd
from markupsafe import Markup

from agreement.report.page.machine import in_words, said, stated
from agreement.report.page.markup import Block, fold, joined, lines, paragraph, table
from agreement.report.page.numbers import Names, Numbers, counted, plain, span, with_minus
from agreement.stats.causes.wrong_inputs import wrong_hr_max, wrong_mass
from agreement.stats.lines.calibration import LaboratoryEquivalent
from agreement.stats.lines.own_correction import OwnDoubts, OwnValue, own_doubts
from agreement.stats.method_data import NO_SECOND_VISIT
from agreement.terms import CARD_COLUMNS

TOGETHER = 2000  # athletes in one file of cards: what a browser opens without complaint
NOTES: Final[dict[str, str]] = stated("cards", "notes")
OF_SQUAD: Final = ["squad", "squad_low", "squad_high"]  # what it would be without the own tests
# how a note begins: on a change, on the squad's value beside the own, on what the training lacks
OF_CHANGE = (NOTES["no_visits"], NOTES["no_real"], "change of ")


class _Own(NamedTuple):
    """The athlete's own correction: tests, the value, what one more test leaves, doubts."""

    tests: int
    value: OwnValue
    after: float
    doubts: OwnDoubts


def athlete_cards(
    pairs: pd.DataFrame,
    methods: tuple[Any, ...],
    numbers: Numbers,
    lacking: Mapping[str, str] | None = None,
    outside: Collection[tuple[str, str, str]] = (),
) -> pd.DataFrame:
    """
    Return one card for each athlete, method and mode: the athlete's latest pair, interpreted.

    lacking: athlete -> intensities that the training lacks; noted where the method rests on heart
        rate.
    outside: field tests of people for whom the equation was not made.
    Returns: columns `CARD_COLUMNS` and `OF_SQUAD`, sorted by athlete, method and mode; unrounded.
    """
    results = {(one.method, one.mode): one for one in methods}
    each = ["athlete_id", "method", "mode"]
    ordered = pairs.sort_values([*each, "lab_date", "lab_test_id"])
    latest = ordered.drop_duplicates(each, keep="last")  # as it stands, known or not
    latest = latest.assign(wrong_mass=wrong_mass(latest), wrong_hr_max=wrong_hr_max(latest))
    rows = []
    for place, mine in latest.groupby(["method", "mode"], sort=False):
        result = results[place[0], place[1]]
        own = _own_of_all(result, mine)
        chances = {} if result.change is None else result.change.chances_said()
        rows += [
            _card(row, result, (own, chances), numbers, lacking or {}, outside)
            for row in mine.to_dict("records")
        ]
    cards = pd.DataFrame(rows, columns=[*CARD_COLUMNS, *OF_SQUAD])
    return cards.sort_values(["athlete_id", "method", "mode"], ignore_index=True)


def _card(
    row: dict[Any, Any],
    result: Any,
    told: tuple[Mapping[str, _Own], Mapping[str, str]],
    numbers: Numbers,
    lacking: Mapping[str, str],
    outside: Collection[tuple[str, str, str]],
) -> dict[str, object]:
    """Return one card."""
    calibration = result.calibration
    # whose heart rate a drug limits has no part in the results
    limited = (row["athlete_id"], row["lab_test_id"]) not in result.data.place
    real = numbers.get("change", "real_change_on_card", row["method"], row["mode"])
    squad, kind = LaboratoryEquivalent(nan, nan, nan, NOTES["no_calibration"]), "none"
    if calibration is not None:
        squad, kind = calibration.laboratory_equivalent(row["field"]), calibration.choice
    if limited:
        squad, kind = LaboratoryEquivalent(nan, nan, nan, NOTES["drug"]), "none"
    equivalent, weight, after = squad, nan, nan
    own, chances = told
    alone: tuple[float, ...] = (nan, nan, nan)
    if row["athlete_id"] in own and not limited:
        alone = (squad.value, squad.low, squad.high)
        mine = own[row["athlete_id"]]
        equivalent, weight, after = _with_notes(mine, squad), mine.value.weight, mine.after
        kind = "own"
    training = lacking.get(row["athlete_id"], "") if result.data.heart_rate_based else ""
    change = [chances[row["athlete_id"]]] if chances.get(row["athlete_id"]) else []
    if not real.known:  # why no change can be called real; else how likely that seen is a true one
        none = not real.note or real.note.startswith(NO_SECOND_VISIT)
        change = [NOTES["no_visits"] if none else f"{NOTES['no_real']} {real.reason}"]
    inputs = []  # what the estimator was told wrongly
    if row["wrong_mass"]:
        inputs.append(in_words(said("cards", "mass", pct=row["mass_mismatch_pct"])))
    if row["wrong_hr_max"]:
        inputs.append(in_words(said("cards", "hr_max", bpm=row["hr_max_mismatch_bpm"])))
    return {
        "athlete_id": row["athlete_id"],
        "method": row["method"],
        "mode": row["mode"],
        "field": row["field"],
        "lab_equivalent": equivalent.value,
        "lab_equivalent_low": equivalent.low,
        "lab_equivalent_high": equivalent.high,
        "smallest_real_change": real.value,
        "calibration": kind,
        "inputs_to_correct": "; ".join(inputs),
        "note": "; ".join([*change, *_notes(row, equivalent, training, outside)]),
        "own_weight": weight,
        "half_width_after_one_more": after,
        **dict(zip(OF_SQUAD, alone, strict=True)),
    }


def _own_of_all(result: Any, latest: pd.DataFrame) -> dict[str, _Own]:
    """Return the own correction of each athlete of a method; nothing where none was learnt."""
    if result.own_correction is None:
        return {}
    pairs = result.data.pairs
    people = pairs["athlete_id"].drop_duplicates()  # sorted, as their codes are
    fields = latest.set_index("athlete_id")["field"].reindex(people)
    codes = range(len(people))
    values = zip(*result.own_correction.of_athletes(codes, fields), strict=True)
    return {
        who: _Own(tests, OwnValue(*value), after, doubts)
        for who, tests, value, after, doubts in zip(
            people,
            pairs["athlete_id"].value_counts().reindex(people).tolist(),
            (map(float, value) for value in values),
            result.own_correction.one_more(codes).tolist(),
            map(own_doubts(pairs).__getitem__, people),
            strict=True,
        )
    }


def _with_notes(own: _Own, squad: LaboratoryEquivalent) -> LaboratoryEquivalent:
    """Return the athlete's own laboratory-equivalent, with what to know of it."""
    weight = f"{own.value.weight:.0%}".replace("%", " %")
    after = plain(own.after)
    notes = [
        in_words(said("sentences", "own_tests", tests=own.tests, weight=weight, after=after)),
        in_words(said("sentences", "own_doubts", **own.doubts._asdict()))
        if any(own.doubts)
        else "",
    ]
    if isfinite(squad.value):
        ends = span(squad.low, squad.high)
        notes.append(f"{NOTES['squad_alone']} {plain(squad.value)} ({ends})")
    value, low, high, _ = own.value
    return LaboratoryEquivalent(value, low, high, "; ".join(filter(None, notes)))


def _notes(
    row: dict[Any, Any],
    equivalent: LaboratoryEquivalent,
    training: str,
    outside: Collection[tuple[str, str, str]],
) -> list[str]:
    """Return what to bear in mind when reading the card."""
    notes = [equivalent.note] if equivalent.note else []
    if row["max_confirmed"] != "yes":
        notes.append(NOTES["not_confirmed"])
    if (row["athlete_id"], row["method"], row["mode"]) in outside:
        notes.append(NOTES["outside"])
    if training not in ("", "none"):
        notes.append(f"{NOTES['lacks']} {training}")  # the last note: it may hold semicolons
    return notes


def cards_block(cards: pd.DataFrame, name: Names, *, pages: str = "") -> Block:
    """Return the cards as one folded table for each method and mode; `pages`: where to print them."""
    if cards.empty:
        return paragraph("No athlete has a pair.")
    athletes = {"pages": pages, "athletes": cards["athlete_id"].nunique(), "together": TOGETHER}
    blocks = [paragraph(said("cards", "where", **athletes))] if pages else []
    every = cards.reindex(columns=[*CARD_COLUMNS, *OF_SQUAD])
    for (method, mode), own in every.groupby(["method", "mode"]):
        title = name(str(method), str(mode))
        blocks.append(fold(f"{title}: {counted(len(own), 'athlete')}", *_of_method(own, title)))
    return joined(blocks)


def _of_method(own: pd.DataFrame, title: str) -> list[Block]:
    """Return what holds of all cards of a method, said once, and a table of the rest."""
    notes = [_notes_apart(str(note)) for note in own["note"]]
    of_all = [note for note in notes[0] if all(note in one for one in notes)]
    reals = {plain(real) for real in own["smallest_real_change"]}
    real = reals.pop() if len(reals) == 1 else None
    columns = ["athlete", "field", "laboratory-equivalent"]
    columns += (
        ["own tests", "squad alone"] if (has_own := (own["calibration"] == "own").any()) else []
    )
    columns += ["smallest real change"] if real is None else []
    rows = []
    for row, mine in zip(own.to_dict("records"), notes, strict=True):
        cells = [str(row["athlete_id"]), plain(row["field"]), _with_ends(row, "lab_equivalent")]
        if has_own:
            counts = row["calibration"] == "own"
            weight = f"{row['own_weight']:.0%}".replace("%", " %") if counts else ""
            cells += [weight, _with_ends(row, "squad")]
        cells += [plain(row["smallest_real_change"])] if real is None else []
        bear = [row["inputs_to_correct"], *(note for note in mine if note not in of_all)]
        rows.append((*cells, with_minus("; ".join(filter(None, bear))) or "nothing"))
    above = said("cards", "of_all", real=real, own=has_own, notes=of_all)
    columns += ["to correct, to bear in mind"]
    caption = f"{title} (mL/kg/min), 95 % of such athletes below"
    return [paragraph(above, "note"), table(caption, columns, rows, numeric=columns[1:-1])]


def _with_ends(row: Mapping[Any, Any], value: str) -> Markup:
    return lines(plain(row[value]), span(row[f"{value}_low"], row[f"{value}_high"]))


def _notes_apart(note: str) -> list[str]:
    """Return the notes of a card that no column of the table tells."""
    before, lacks, training = note.partition(NOTES["lacks"])
    told = [one for one in before.split("; ") if one and NOTES["own_tests"] not in one]
    kept = [one for one in told if not one.startswith(NOTES["squad_alone"])]
    return [*kept, lacks + training] if lacks else kept
