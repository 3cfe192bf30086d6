"""Random small studies against a slow pairing written from the rules alone, one reading at a time."""

import itertools
import statistics
from dataclasses import dataclass

import numpy as np
import pytest
from turns import slowly

GROUPS = {"no groups": (), "run and walk": (("run", "walk"),)}


@dataclass(frozen=True)
class Rules:
    """The keys of [pairing]."""

    before: int
    after: int
    same_day: bool
    summary: str
    summary_days: int
    minimum: int
    stale: int
    groups: tuple
    repeat: int

    def toml(self):
        groups = str([list(g) for g in self.groups]).replace("'", '"')
        return f"""
[reference]
repeat_within_days = {self.repeat}
[pairing]
days_before = {self.before}
days_after = {self.after}
same_day = {str(self.same_day).lower()}
summary = "{self.summary}"
summary_days = {self.summary_days}
minimum_days = {self.minimum}
stale_after_days = {self.stale}
mode_match = {groups}
"""

    def match(self, reading, test):
        return (
            reading == test
            or reading == "resting"
            or any(reading in g and test in g for g in self.groups)
        )


@dataclass(frozen=True)
class Reading:
    """One row of field_estimates of one athlete; the row counts as a spreadsheet does."""

    row: int
    day: int
    clock: str
    mode: str
    value: float


@dataclass
class Unit:
    """A laboratory test with its repeats."""

    name: str
    day: int
    mode: str
    values: list
    rows: list


def make_units(tests, rules):
    units = []
    for name, day, mode, value, row in sorted(tests, key=lambda t: (t[1], t[0])):
        last = next((u for u in reversed(units) if u.mode == mode), None)
        if last is not None and day - last.day <= rules.repeat:
            last.values.append(value)
            last.rows.append(row)
        else:
            units.append(Unit(name, day, mode, [value], [row]))
    return units


def copies(readings, why):
    left = []
    for _, rows in itertools.groupby(
        sorted(readings, key=lambda r: (r.day, r.clock, r.row)), key=lambda r: (r.day, r.clock)
    ):
        first, *rest = rows
        if all(r.value == first.value for r in rest):
            left.append(first)
            why.update(dict.fromkeys((r.row for r in rest), "copy"))
        else:
            why.update(dict.fromkeys((r.row for r in (first, *rest)), "conflicting_copy"))
    return left


def stale(readings, why, limit):
    days = {}
    for r in sorted(readings, key=lambda r: r.row):
        days.setdefault(r.day, []).append(r)
    steady = {d: rs[0].value for d, rs in days.items() if len({r.value for r in rs}) == 1}
    left = [r for d, rs in days.items() if d not in steady for r in rs]
    while steady:
        start = min(steady)
        end = start
        while steady.get(end + 1) == steady[start]:
            end += 1
        run = [r for d in range(start, end + 1) for r in days[d]]
        if end - start + 1 > limit:
            why.update(dict.fromkeys((r.row for r in run[1:]), "stale"))
            run = run[:1]
        left += run
        for d in range(start, end + 1):
            del steady[d]
    return left


def place(reading, units, rules):
    """Return the unit that a reading serves, or why there is none."""
    matching = [u for u in units if rules.match(reading.mode, u.mode)]

    def gap(u):
        return u.day - reading.day

    def window(u):
        return -rules.after <= gap(u) <= rules.before

    if not rules.same_day and any(gap(u) == 0 for u in matching):
        return "same_day"
    candidates = [u for u in matching if window(u)]
    if candidates:
        return min(candidates, key=lambda u: (abs(gap(u)), u.mode != reading.mode, -u.day, u.name))
    if not units:
        return "athlete_without_laboratory_test"
    if any(window(u) for u in units if u not in matching):
        return "mode_mismatch"
    if matching and -rules.before <= min((gap(u) for u in matching), key=abs) < 0:
        return "after_test"
    return "outside_window"


def summarise(unit, rows, rules, why):
    """Return field, n_estimates, n_days and gap of a pair, or None."""
    days = {}
    for r in rows:
        days.setdefault(unit.day - r.day, []).append(r)
    near = {g: rs for g, rs in days.items() if abs(g) <= rules.summary_days}
    if len(near) < rules.minimum:
        for g, rs in days.items():  # the text leaves open which of the two the far rows carry
            code = {"too_few_readings"} if g in near else {"too_few_readings", "not_summarised"}
            why.update(dict.fromkeys((r.row for r in rs), code))
        return None
    if rules.summary == "nearest":
        near = {g: near[g] for g in [min(near, key=lambda g: (abs(g), -g))]}
    if rules.summary == "last":
        near = {min(near): near[min(near)]}
    used = [r for rs in near.values() for r in rs]
    why.update(dict.fromkeys((r.row for r in rows if r not in used), "not_summarised"))
    means = [statistics.fmean(r.value for r in rs) for rs in near.values()]
    middle = statistics.median(means) if rules.summary == "median" else statistics.fmean(means)
    return middle, len(used), len(near), min(near, key=lambda g: (abs(g), -g))


def expected(readings, tests, rules):
    """Return pairs {(unit, mode): ...}, reasons of readings and reasons of tests, of one athlete."""
    why, pairs, served, lab_why = {}, {}, {}, {}
    units = make_units(tests, rules)
    for mode in {r.mode for r in readings}:
        left = copies([r for r in readings if r.mode == mode], why)
        for r in stale(left, why, rules.stale):
            found = place(r, units, rules)
            if isinstance(found, str):
                why[r.row] = found
            else:
                served.setdefault((found.name, mode), []).append(r)
    for unit in units:
        mine = {key: rows for key, rows in served.items() if key[0] == unit.name}
        for key, rows in mine.items():
            found = summarise(unit, rows, rules, why)
            if found:
                pairs[key] = (statistics.fmean(unit.values), *found)
        if not any(key in pairs for key in mine):
            code = "too_few_readings" if mine else "no_estimate_in_window"
            lab_why.update(dict.fromkeys(unit.rows, code))
    return pairs, why, lab_why


def random_rules(rng):
    return Rules(
        before=int(rng.integers(0, 15)),
        after=int(rng.integers(0, 8)),
        same_day=bool(rng.integers(2)),
        summary=str(rng.choice(["mean", "median", "nearest", "last"])),
        summary_days=int(rng.integers(1, 12)),
        minimum=int(rng.integers(1, 4)),
        stale=int(rng.integers(1, 5)),
        groups=GROUPS[str(rng.choice(list(GROUPS)))],
        repeat=int(rng.integers(0, 11)),
    )


SEEDS = [*range(2), *slowly(range(2, 24))]


@pytest.mark.parametrize("seed", SEEDS)
def test_random_studies(study, date_of, seed):
    rng = np.random.default_rng(seed)
    rules = random_rules(rng)
    study.toml = rules.toml()
    who, number, row, lab_row = {}, 0, 2, 2
    for a in range(12):
        athlete = f"A{a:02}"
        tests, readings = [], []
        for _ in range(int(rng.integers(0, 5))):
            name, day = f"T{number}", int(rng.integers(20, 60))
            number += 1
            mode, value = (
                str(rng.choice(["run", "run", "walk", "cycle"])),
                50 + rng.integers(40) / 4,
            )
            study.lab(athlete, day, value, mode=mode, lab_test_id=name)
            tests.append((name, day, mode, float(value), lab_row))
            lab_row += 1
        for _ in range(int(rng.integers(0, 40))):
            day, clock = int(rng.integers(8, 66)), str(rng.choice(["07:00:00", "19:30:00"]))
            mode = str(rng.choice(["run", "run", "run", "walk", "resting"]))
            value = float(rng.choice([48.5, 48.5, 50.25, 51]))
            study.reading(athlete, date_of(day, clock), value, mode=mode)
            readings.append(Reading(row, day, clock, mode, value))
            row += 1
        who[athlete] = expected(readings, tests, rules)
    if not number:
        pytest.skip("no laboratory test was drawn")
    paired = study.pair()
    pairs = {
        (p.athlete_id, p.lab_test_id, p.mode): (p.lab, p.field, p.n_estimates, p.n_days, p.gap_days)
        for p in paired.pairs.itertuples()
    }
    wanted = {(a, *key): value for a, (found, _, _) in who.items() for key, value in found.items()}
    assert set(pairs) == set(wanted)
    for key, value in wanted.items():
        assert pairs[key] == pytest.approx(value, abs=1e-9), key
    reasons, lab_reasons = paired.reasons(), paired.reasons("lab_tests.csv")
    want_reasons = {r: w for _, why, _ in who.values() for r, w in why.items()}
    assert set(reasons) == set(want_reasons)
    for at, want in want_reasons.items():
        assert reasons[at] in (want if isinstance(want, set) else {want}), at
    assert lab_reasons == {r: w for _, _, why in who.values() for r, w in why.items()}
    flow = paired.flow
    assert (flow.rows_read == flow.used + flow.summarised + flow.excluded).all()
