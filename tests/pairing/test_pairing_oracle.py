"""
Pairing against a slow reading of its rules, in loops over plain records, on random small studies.

The oracle shares no code with the package; it follows the eight steps in their order.
"""

from itertools import groupby
from statistics import mean, median

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

# --- the oracle -----------------------------------------------------------------------------------


def modes_match(reading_mode, test_mode, groups):
    if reading_mode == test_mode or reading_mode == "resting":
        return True
    return any(reading_mode in group and test_mode in group for group in groups)


def make_units(tests, repeat_within_days):
    """Step 3: tests in order of date and id; a repeat joins the unit whose first test is close."""
    made = []
    for test in sorted(tests, key=lambda t: (t["day"], t["lab_test_id"])):
        for unit in made:
            first = unit[0]
            same = (first["athlete_id"], first["mode"]) == (test["athlete_id"], test["mode"])
            if same and test["day"] - first["day"] <= repeat_within_days:
                unit.append(test)
                break
        else:
            made.append([test])
    return made


def unit_mass(unit):
    return next((t["mass_kg"] for t in unit if t["mass_kg"] is not None), None)


def choose_unit(reading, units, rules):
    """Steps 3 and 5: the unit that the reading serves, or the reason why none."""
    own = [u for u in units if u[0]["athlete_id"] == reading["athlete_id"]]
    if not own:
        return None, "athlete_without_laboratory_test"
    gap = {id(u): u[0]["day"] - reading["day"] for u in own}
    fitting = [u for u in own if modes_match(reading["mode"], u[0]["mode"], rules.mode_match)]
    if not rules.same_day and any(gap[id(u)] == 0 for u in fitting):
        return None, "same_day"

    def in_window(unit):
        return -rules.days_after <= gap[id(unit)] <= rules.days_before

    candidates = [u for u in fitting if in_window(u)]
    if candidates:

        def preference(unit):
            first = unit[0]
            other_mode = first["mode"] != reading["mode"]
            return abs(gap[id(unit)]), other_mode, -first["day"], first["lab_test_id"]

        return min(candidates, key=preference), None
    if any(in_window(u) for u in own):
        return None, "mode_mismatch"
    if fitting:
        nearest = min(fitting, key=lambda u: abs(gap[id(u)]))
        if gap[id(nearest)] < 0 and -gap[id(nearest)] <= rules.days_before:
            return None, "after_test"
    return None, "outside_window"


def drop_copies(readings, reason):
    """Step 1."""

    def moment(r):
        return r["source"], r["athlete_id"], r["method"], r["mode"], r["day"], r["moment"]

    for _, same in groupby(sorted(readings, key=lambda r: (str(moment(r)), r["row"])), moment):
        same = list(same)
        if any(abs(r["value"] - same[0]["value"]) > 1e-9 for r in same):
            reason.update((r["row"], "conflicting_copy") for r in same)
        else:
            reason.update((r["row"], "copy") for r in same[1:])


def drop_stale(readings, reason, stale_after_days):
    """Step 2."""
    series = {}
    for r in readings:
        if r["source"] == "field_estimates" and r["row"] not in reason:
            key = (r["athlete_id"], r["method"], r["mode"])
            series.setdefault(key, {}).setdefault(r["day"], []).append(r)
    for days in series.values():
        run = []
        for day in range(min(days), max(days) + 2):  # one day beyond ends the last run
            here = days.get(day, [])
            values = {round(r["value"], 8) for r in here}
            before = round(days[run[-1]][0]["value"], 8) if run else None
            if run and values != {before}:
                close_run(run, days, reason, stale_after_days)
                run = []
            if len(values) == 1:
                run.append(day)


def close_run(run, days, reason, stale_after_days):
    if len(run) > stale_after_days:
        first_row = min(r["row"] for r in days[run[0]])
        for day in run:
            reason.update((r["row"], "stale") for r in days[day] if r["row"] != first_row)


def summarise(readings, rules):
    """Step 4 for the readings of one unit: rows behind the value, value, days and gap, or None."""
    by_day = {}
    for r in readings:
        by_day.setdefault(r["gap"], []).append(r)
    near = {gap: rows for gap, rows in by_day.items() if abs(gap) <= rules.summary_days}
    if len(near) < rules.minimum_days:
        return None
    if rules.summary == "nearest":
        best = min(near, key=lambda gap: (abs(gap), gap < 0))
        near = {best: near[best]}
    elif rules.summary == "last":
        best = min(near)
        near = {best: near[best]}
    day_means = [mean(r["value"] for r in rows) for rows in near.values()]
    return {
        "rows": [r for rows in near.values() for r in rows],
        "field": median(day_means) if rules.summary == "median" else mean(day_means),
        "n_days": len(near),
        "gap_days": min(near, key=lambda gap: (abs(gap), gap < 0)),
    }


def oracle(tests, readings, options):
    """All steps: pairs by (method, mode, athlete, unit), the reason of each row, the units' fates."""
    units = make_units(tests, options.reference.repeat_within_days)
    reason, serves = {}, {}
    for r in readings:
        rules = options.pairing_field_tests if r["source"] == "field_tests" else options.pairing
        serves[r["row"], r["source"]], why = choose_unit(r, units, rules)
        r["why"] = why
        if r["value"] is None:
            unit = serves[r["row"], r["source"]]
            mass = unit_mass(unit) if unit else None
            if mass is None:
                reason[r["row"]] = "no_mass"
            else:
                r["value"] = r["litres"] * 1000 / mass
    usable = [r for r in readings if r["row"] not in reason]
    drop_copies(usable, reason)
    drop_stale(usable, reason, options.pairing.stale_after_days)
    groups = {}
    for r in (r for r in usable if r["row"] not in reason):
        if r["why"]:
            reason[r["row"]] = r["why"]
            continue
        unit = serves[r["row"], r["source"]]
        r["gap"] = unit[0]["day"] - r["day"]
        key = (r["method"], r["mode"], r["athlete_id"], unit[0]["lab_test_id"])
        groups.setdefault(key, []).append(r)
    pairs, few = {}, set()
    for key, rows in groups.items():
        tests_only = rows[0]["source"] == "field_tests"
        rules = options.pairing_field_tests if tests_only else options.pairing
        found = summarise(rows, rules)
        if found is None:
            few.add(key[3])
            reason.update((r["row"], "too_few_readings") for r in rows)
            continue
        behind = {r["row"] for r in found["rows"]}
        reason.update((r["row"], "not_summarised") for r in rows if r["row"] not in behind)
        pairs[key] = found
    return units, pairs, reason, few


# --- random studies -------------------------------------------------------------------------------

ATHLETES = ("A", "B")
DAYS = st.integers(0, 26)
tests_drawn = st.lists(
    st.tuples(
        st.sampled_from(ATHLETES), DAYS, st.sampled_from(["run", "run", "cycle", "walk"]),
        st.sampled_from([70.0, 80.0, None]), st.sampled_from(["yes", "no", "unknown"]),
    ),
    max_size=6,
)  # fmt: skip
one_reading = st.tuples(
    st.sampled_from([*ATHLETES, "C"]), DAYS, st.integers(0, 2), st.sampled_from(["m", "w"]),
    st.sampled_from(["run", "run", "walk", "resting"]), st.sampled_from([50.0, 52.0, 52.0, 4.0]),
    st.sampled_from(["chest_strap", "wrist_optical", None]),
)  # fmt: skip
# Whole weeks of one value, so that stale runs are met often.
runs = st.tuples(st.sampled_from(ATHLETES), DAYS, st.integers(2, 9), st.sampled_from([50.0, 52.0]))
field_tests = st.tuples(
    st.sampled_from(ATHLETES), DAYS, st.sampled_from(["f1", "f2", None]),
    st.sampled_from(["run", "walk"]), st.sampled_from([48.0, 49.0, 51.5]),
)  # fmt: skip
rules_drawn = st.fixed_dictionaries(
    {
        "days_before": st.integers(0, 14),
        "days_after": st.integers(0, 10),
        "same_day": st.booleans(),
        "summary": st.sampled_from(["mean", "median", "nearest", "last"]),
        "summary_days": st.integers(0, 10),
        "minimum_days": st.integers(1, 3),
        "stale_after_days": st.integers(1, 6),
        "mode_match": st.sampled_from([(), (("run", "walk"),), (("run", "cycle", "walk"),)]),
    }
)


def fill(study, tests, readings, blocks, results):
    """Add what was drawn to a study, and return it as the oracle's plain records."""
    for athlete, on, mode, mass, confirmed in tests:
        study.lab(athlete, on, 40.0 + on, mode=mode, mass_kg=mass, max_confirmed=confirmed)
    for athlete, on, length, value in blocks:
        for day in range(on, on + length):
            study.reading(athlete, day, value)
    for athlete, on, hour, method, mode, value, sensor in readings:
        litres = value if value < 10 else None
        number = None if litres else value
        more = {"method": method, "mode": mode, "sensor": sensor, "field_l_min": litres}
        study.reading(athlete, on, number, hour=hour, **more)
    for athlete, on, name, mode, value in results:
        study.field_test(athlete, on, value, name, mode=mode)
    start = study.tests[0]["date"] if study.tests else None
    origin = min([r["date"] for r in study.rows] + ([start] if start else []), default=None)
    plain_tests = [
        t | {"day": (t["date"] - origin).days, "lab_test_id": t["lab_test_id"]} for t in study.tests
    ]
    plain = [
        {
            "source": r["source"],
            "row": r["row"] + (10_000 if r["source"] == "field_tests" else 0),
            "athlete_id": r["athlete_id"],
            "method": r["method"],
            "mode": r["mode"],
            "day": (r["date"] - origin).days,
            "moment": str(r["id"] if r["source"] == "field_tests" else r["instant"]),
            "value": r["field"],
            "litres": r.get("field_l_min"),
            "sensor": r.get("sensor"),
        }
        for r in study.rows
    ]
    return plain_tests, plain


drawn_studies = st.fixed_dictionaries(
    {
        "tests": tests_drawn,
        "readings": st.lists(one_reading, max_size=14),
        "blocks": st.lists(runs, max_size=2),
        "results": st.lists(field_tests, max_size=4),
    }
)


@settings(max_examples=30)
@given(drawn_studies, rules_drawn, rules_drawn, st.integers(0, 2**31))
def test_pairs_and_reasons_are_those_of_the_slow_oracle(
    new_study, reasons, drawn, rules, test_rules, seed
):
    compare(new_study, reasons, drawn, rules, test_rules, seed)


@pytest.mark.slow
@settings(max_examples=200)
@given(drawn_studies, rules_drawn, rules_drawn, st.integers(0, 2**31))
def test_pairs_and_reasons_are_those_of_the_slow_oracle_on_many_studies(
    new_study, reasons, drawn, rules, test_rules, seed
):
    compare(new_study, reasons, drawn, rules, test_rules, seed)


def compare(new_study, reasons, drawn, rules, test_rules, seed):
    study = new_study().rules(**rules).field_test_rules(**test_rules)
    plain_tests, plain = fill(study, **drawn)
    units, pairs, reason, few = oracle(plain_tests, plain, study.options)
    found = study.shuffled(seed).pair()

    told = reasons(found)
    told |= {row + 10_000: why for row, why in reasons(found, "tests.csv").items()}
    assert told == reason
    rows = {(p.method, p.mode, p.athlete_id, p.lab_test_id): p for p in found.pairs.itertuples()}
    assert list(rows) == sorted(pairs)
    unit_of = {unit[0]["lab_test_id"]: unit for unit in units}
    for key, pair in rows.items():
        expected, unit = pairs[key], unit_of[key[3]]
        assert pair.field == pytest.approx(expected["field"], abs=1e-9)
        assert pair.lab == pytest.approx(mean(t["lab"] for t in unit), abs=1e-9)
        assert pair.difference == pair.field - pair.lab
        assert pair.n_estimates == len(expected["rows"])
        assert (pair.n_days, pair.gap_days) == (expected["n_days"], expected["gap_days"])
        sensors = {r["sensor"] or "unknown" for r in expected["rows"]}
        assert pair.sensor == (sensors.pop() if len(sensors) == 1 else "mixed")
        confirmed = {t["max_confirmed"] for t in unit}
        assert pair.max_confirmed == (
            "no" if "no" in confirmed else "yes" if confirmed == {"yes"} else "unknown"
        )

    paired = {key[3] for key in pairs}
    expected_tests = {
        int(t["row"]): "too_few_readings"
        if unit[0]["lab_test_id"] in few
        else "no_estimate_in_window"
        for unit in units
        for t in unit
        if unit[0]["lab_test_id"] not in paired
    }
    assert reasons(found, "lab.csv") == expected_tests
    flow = found.flow.set_index("file")
    alone = sum(len(unit) == 1 for unit in units if unit[0]["lab_test_id"] in paired)
    repeats = sum(len(unit) for unit in units if unit[0]["lab_test_id"] in paired) - alone
    assert tuple(flow.loc["lab.csv", ["used", "summarised"]]) == (alone, repeats)
    if "watch.csv" in flow.index:
        sizes = [len(p["rows"]) for p in pairs.values() if p["rows"][0]["source"] != "field_tests"]
        counted = tuple(flow.loc["watch.csv", ["used", "summarised"]])
        assert counted == (sizes.count(1), sum(size for size in sizes if size > 1))


@settings(max_examples=10)
@given(drawn_studies, rules_drawn, st.integers(0, 2**31))
def test_the_tables_are_the_same_bytes_in_any_order_of_the_rows(new_study, drawn, rules, seed):
    study = new_study().rules(**rules)
    fill(study, **drawn)
    one, other = study.pair(), study.shuffled(seed).pair()
    for name in ("pairs", "exclusions", "flow", "daily", "repeats", "units"):
        assert getattr(one, name).to_csv() == getattr(other, name).to_csv(), name
    assert one.problems == other.problems
