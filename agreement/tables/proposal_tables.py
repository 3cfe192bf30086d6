"""Which export is which table of a study, and what its file or its name decides."""

import re
from collections import Counter
from dataclasses import replace
from typing import Final

from agreement.tables.columns import INPUTS, MOMENT, VO2MAX_COLUMNS, is_missing
from agreement.tables.proposal_columns import (
    OF_PEOPLE,
    Proposal,
    ProposedColumn,
    columns_of,
    date_order_of,
    decide_codes,
    decide_unit,
    filled,
)
from agreement.tables.proposal_gathering import block_rows, clock_at, gather, named_ours
from agreement.tables.proposal_sources import ExportTable
from agreement.tables.proposal_words import (
    ABOUT,
    CODE_WORDS,
    HEADER_WORDS,
    fits,
    plain,
    plain_moment,
    taken_apart,
)
from agreement.tables.study_lines import OPEN

# what a table cannot do without though its unit is not known
_NEEDED: Final = ("vo2max", "mass", "duration", "distance", "speed", "time_min")
_ZONED: Final = re.compile(r"(Z|[+-]\d\d:?\d\d)$")  # ends such a time
_RAW_ROWS: Final = 40  # fewer rows are no recording
_ROWS_OF_ONE: Final = 1.5  # in a table of athletes, on average
_OF_LABORATORY: Final = ("rer_max", "rpe_max", "lactate_mmol_l", "plateau", "averaging_rule")


def split_people(lab: Proposal) -> Proposal | None:
    """Return an athletes table of what a laboratory table says of people; None where it says nothing."""
    block = lab.blocks[0]
    every, taken = columns_of(block, "athletes"), {c.at for c in lab.columns}
    columns = [c for c in every if c.ours in OF_PEOPLE and c.at not in taken]
    person = next((c for c in every if c.ours == "athlete_id"), None)
    if len(lab.blocks) > 1 or not columns or person is None:
        return None
    one = Proposal("athletes", [block], [person, *columns])
    for column in columns:
        kind = INPUTS["athletes"].columns[column.ours]
        if kind.kind == "code":
            decide_codes(column, kind.codes, block.column(column.at))
        else:
            decide_unit(column, block.column(column.at))
    one.columns = [c for c in one.columns if c.unit != OPEN]
    people: dict[str, dict[str, set[str]]] = {}
    for _, cells in block.rows:
        if is_missing(cells[person.at]):
            continue
        known = people.setdefault(cells[person.at].strip(), {})
        for c in columns:
            known.setdefault(c.ours, set()).update(filled([cells[c.at].strip()]))
    one.rows = []
    for who, known in people.items():
        said = {ours: min(found) if len(found) == 1 else "" for ours, found in known.items()}
        one.rows.append({"athlete_id": who} | said)
    one.why_gathered = [f"{block.name} says this of people beside their tests"]
    named_ours(one)
    return one


def split_methods(lab: Proposal) -> Proposal | None:
    """Return field estimates that stand in further columns of VO2max of a laboratory table."""
    block = lab.blocks[0]
    named = [taken_apart(header) for header in block.headers]
    vo2 = [at for at, one in enumerate(named) if fits("vo2max", one)]
    of_lab = [c for c in lab.columns if c.ours in VO2MAX_COLUMNS]
    others = [at for at in vo2 if set(named[at].words.split()) & set(ABOUT["field_estimates"])]
    person, moment = lab.column("athlete_id"), lab.column("date")
    if not others or person is None or moment is None or len(lab.blocks) > 1:
        return None
    if any(c.at in others for c in of_lab):
        rest = [at for at in vo2 if at not in others]
        if len(rest) != 1:
            return None
        lab.columns = [c for c in lab.columns if c not in of_lab]
        own = ProposedColumn("vo2max", block.headers[rest[0]], rest[0], named[rest[0]])
        decide_unit(own, block.column(rest[0]))
        lab.columns.append(own)
    found = [ProposedColumn("vo2max", block.headers[at], at, named[at]) for at in others]
    for column in found:
        decide_unit(column, block.column(column.at))
    if len({(c.ours, c.unit) for c in found}) > 1:
        return None
    column, mode, rows = found[0], lab.column("mode"), []
    for one in found:
        label = re.sub(r"\W+", "_", named[one.at].words.replace("vo2max", " ")).strip("_")
        for at, cells in block.rows:
            day = plain_moment(cells[moment.at])
            row = {"athlete_id": cells[person.at].strip(), "taken_at": day.strip(), "method": label}
            row[column.ours] = cells[one.at].strip()
            said = {} if mode is None else {"mode": cells[mode.at].strip()}
            rows.append(row | {"from_file": block.name, "from_row": str(at)} | said)
    names = ("athlete_id", "taken_at", "method")
    columns = [ProposedColumn(n, n) for n in names]
    columns.append(replace(column, theirs=column.ours, header=column.theirs))
    estimates = Proposal("field_estimates", [block], columns, rows=rows, order=lab.order)
    estimates.why_gathered = [f"the methods stand side by side in {block.name}"]
    if mode is None:
        estimates.constants["mode"] = lab.constants["mode"]
    else:
        estimates.columns.append(replace(mode, theirs="mode", header=mode.theirs))
    return estimates


def table_of(block: ExportTable) -> str | None:
    """Return the table that a block is most like; None where nothing decides it."""
    has = {name: {c.ours for c in columns_of(block, name)} for name in INPUTS}
    words = _words(block)
    if len(block.rows) >= _RAW_ROWS and "athlete_id" not in has["lab_tests"]:
        if "t_s" in has["breaths"] and {"vo2_ml_min", "vo2_ml_kg_min"} & has["breaths"]:
            return "breaths"
        if {"t_s", "hr_bpm"} <= has["samples"]:
            return "samples"
    score = {name: 3.0 * len(words & set(about)) for name, about in ABOUT.items() if name in INPUTS}
    if "vo2max" in has["lab_tests"]:
        score["lab_tests"] += 3 + 2 * len(has["lab_tests"] & set(_OF_LABORATORY))
        score["field_estimates"] += 3 + 3 * ("method" in has["field_estimates"])
        told = {"set_mass_kg", "set_hr_max_bpm"} & has["field_estimates"]
        score["field_estimates"] += 2 * len(told)
        score["field_estimates"] += 2 * (_readings_each(block) > 4)
        score["lab_tests"] += len({"mass_kg", "lab_test_id", "hr_max_bpm"} & has["lab_tests"])
        score["sessions"] = score["field_tests"] = score["athletes"] = 0
    else:
        tests = has["field_tests"]
        # without its VO2max a laboratory's list goes by its name and the tests' ids: breaths have it
        score["lab_tests"] *= {"lab_test_id", "date"} <= has["lab_tests"]
        score["field_estimates"] = 0
        score["field_tests"] += 3 * ("protocol" in tests) + 2 * len({"distance_m", "stage"} & tests)
        lasting = "duration_min" in has["sessions"]
        score["sessions"] += 2 * lasting + 3 * ("zone1_min" in has["sessions"])
        score["sessions"] += 2 * ("session_id" in has["sessions"]) + ("mode" in has["sessions"])
        if "date" not in tests:
            score["athletes"] += 3 + len(has["athletes"] & set(OF_PEOPLE))
            if _readings_each(block) > _ROWS_OF_ONE:  # no list of people names one so often
                score["athletes"] = 0
            score["field_tests"] = score["sessions"] = 0
        elif not lasting:
            score["sessions"] = 0
    ranked = sorted(score.items(), key=lambda one: -one[1])
    best, second = ranked[0], ranked[1]
    return best[0] if best[1] >= 3 and best[1] > second[1] else None


def says_field_value(block: ExportTable) -> bool:
    """Whether a file or its title says that it holds values of VO2max outside the laboratory."""
    return bool(_words(block) & {*ABOUT["field_estimates"], *HEADER_WORDS["vo2max"]})


def _words(block: ExportTable) -> set[str]:
    """Return the words of a file's name, its sheet's, and what stands above the table."""
    above = (cell for cells in block.above for cell in cells)
    return set(plain(" ".join([block.file.stem, block.sheet or "", *above])).split())


def _readings_each(block: ExportTable) -> float:
    """Return how many rows a person has on average."""
    at = next((c.at for c in columns_of(block, "field_estimates") if c.ours == "athlete_id"), None)
    people = set() if at is None else set(block.column(at))
    return len(block.rows) / max(1, len(people))


def proposed(name: str, blocks: list[ExportTable], people: set[str], *, alone: bool) -> Proposal:
    """Return a table as its blocks propose it; those that do not go together are `dropped`."""
    every = [_decided(name, block) for block in blocks]
    lacks = [_lacks(one, every, people) for one in every]
    first, *others = alike = [one for one, no in zip(every, lacks, strict=True) if not no] or every
    for one, no in zip(every, lacks, strict=True):
        if one not in alike:
            listed = ", ".join(f"'{header}'" for header in one.blocks[0].headers if header)
            first.dropped.append(
                f"{one.blocks[0].name}: left out of {name}, because none of its columns is known as "
                f"{no}: {listed}. Call that column {no} and run this again."
            )
    if others:
        gather(first, alike, people)
    else:
        _as_it_is(first, alone=alone)
    return first


def _lacks(one: Proposal, every: list[Proposal], people: set[str]) -> str:
    """Return the column without which no row of a block counts though other blocks have it, or ""."""
    words = set(re.split(r"[\s_.]+", one.blocks[0].sheet or one.blocks[0].file.stem))
    for ours in ("athlete_id", MOMENT.get(one.name, "")):
        has = [p.column(ours) is not None or ours in p.constants for p in every]
        named = ours == "athlete_id" and words & people
        if any(has) and not has[every.index(one)] and not named:
            return ours
    return ""


def _decided(name: str, block: ExportTable) -> Proposal:
    """Return one block as a table of its own, every column decided or open."""
    one = Proposal(name, [block], columns_of(block, name))
    for column in list(one.columns):
        cells, kind = block.column(column.at), INPUTS[name].columns.get(column.ours)
        if column.ours == "vo2max" or (kind and kind.kind == "number"):
            decide_unit(column, cells)
            needed = ("duration",) if name == "sessions" else _NEEDED
            if column.unit == OPEN and not column.ours.startswith(needed):
                one.columns.remove(column)
        elif kind and kind.kind == "code":
            decide_codes(column, kind.codes, cells)
            if OPEN in column.codes.values() and column.ours in ("tag", "plateau", "sensor"):
                one.columns.remove(column)
        elif kind and column.ours == MOMENT.get(name):
            one.order = date_order_of(cells, column.named)
            unzoned = (c for c in filled(cells) if ":" in c and not _ZONED.search(c))
            one.timed = next(unzoned, "")
    _constants(one, block)
    return one


def _constants(one: Proposal, block: ExportTable) -> None:
    """Give columns that the block lacks the value that its title or its name says."""
    said = said_above(block)
    have = {c.ours for c in one.columns}
    for ours in (name for name in INPUTS[one.name].columns if name in said and name not in have):
        one.constants[ours] = (said[ours], "stands above the header")
    if "mode" in INPUTS[one.name].columns and "mode" not in have | set(one.constants):
        words = plain(f"{block.file.stem} {block.sheet or ''}").split()
        modes = {CODE_WORDS["mode"][w] for w in words if w in CODE_WORDS["mode"] and len(w) > 2}
        if len(modes) == 1:
            one.constants["mode"] = (modes.pop(), f"the name of {block.name} says it")
        elif one.name != "field_tests":
            listed = '"run", "walk", "cycle", "row", "ski", "step" or "other"'
            one.constants["mode"] = (OPEN, f"no column says how people exercised: {listed}")
    if one.name == "field_estimates" and "method" not in have:
        label = re.sub(r"\W+", "_", block.sheet or block.file.stem).strip("_").lower()
        why = "a label, after the name of the file; change it as you like"
        one.constants["method"] = (label, why)
    if one.name == "field_tests" and "protocol" not in have:
        why = "no column names the test: an id of `agreement protocols`"
        one.constants["protocol"] = (OPEN, why)


def said_above(block: ExportTable) -> dict[str, str]:
    """Return what lines above the header say of the whole table: "Subject: A07", or two cells."""
    said: dict[str, str] = {}
    for record in block.above:
        cells = [cell.strip() for cell in record if cell.strip()]
        pairs = [tuple(map(str.strip, c.split(":", 1))) for c in cells if c.count(":") == 1]
        pairs += [(cells[0], cells[1])] if len(cells) == 2 else []
        for key, value in pairs:
            for ours in ("athlete_id", "lab_test_id", "date", "mode"):
                if value and fits(ours, taken_apart(key)) == 3 and ours not in said:
                    said[ours] = (
                        CODE_WORDS["mode"].get(plain(value), "") if ours == "mode" else value
                    )
    return {ours: value for ours, value in said.items() if value}


def _as_it_is(one: Proposal, *, alone: bool) -> None:
    """Leave a single block in its own file, or gather its rows where the file cannot serve."""
    block, key, why = one.blocks[0], INPUTS[one.name].key, []
    twice = {name for name, n in Counter(block.headers).items() if name and n > 1}
    if block.joined or any(not c.theirs or c.theirs in twice for c in one.columns):
        why.append("its header does not name each column once")
    if not block.file.name.casefold().endswith(INPUTS[one.name].endings):
        why.append("this form of file is not read for this table")
    if block.wide:
        why.append("each athlete has a column of their own")
    if not alone:
        why.append("another table stands in the same file")
    if key and key != "athlete_id" and one.column(key) is None:
        why.append(f"it has no {key}: its rows are numbered")
    if moment := one.column(MOMENT.get(one.name, "")):
        if clock_at(one, moment) is not None:
            why.append("date and time stand in two columns")
        if any(plain_moment(c) != c for c in filled(block.column(moment.at))):
            why.append("months are written as words, or hours with AM and PM")
    if why and one.name in MOMENT | {"athletes": ""}:
        one.why_gathered, one.rows = why, block_rows(one)
        named_ours(one)
