"""`study.toml`: every key, every wrong type, and what the message says."""

import re
import tomllib
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agreement.tables.findings import Findings
from agreement.tables.new_study import new_study
from agreement.tables.options import FileFormat, Method, StudyOptions
from agreement.tables.study_file import TABLE_KEYS, read_study_file


def read(path, text):
    (path / "study.toml").write_text(text, encoding="utf-8")
    findings = Findings()
    return read_study_file(path, findings), findings.problems


@pytest.mark.parametrize(("days", "told"), [(20, []), (21, ["looks_wrong"])])
def test_repeats_as_far_apart_as_visits_are_told(tmp_path, days, told):
    text = f"[reference]\nrepeat_within_days = {days}\n[change]\nminimum_gap_days = 21\n"
    _, problems = read(tmp_path, text)
    assert [one.reason for one in problems] == told


def test_an_empty_file_gives_the_defaults(tmp_path):
    options, problems = read(tmp_path, "")
    assert options == StudyOptions()
    assert problems == []


def test_every_key_of_a_new_study_is_understood(tmp_path):
    new_study(tmp_path / "new")
    commented = (tmp_path / "new" / "study.toml").read_text(encoding="utf-8")
    keys = re.sub(r"(?m)^# (?=\[|\w+ = )", "", commented)
    options, problems = read(tmp_path, keys)
    assert [str(p) for p in problems] == []
    assert len(re.findall(r"(?m)^\w+ = ", keys)) > 60  # the comments have become keys
    assert options.margin.agreed_on == date(2026, 1, 10)
    assert options.margin.limit == 3.5
    assert options.reference.sem == 2.6
    assert options.pairing.mode_match == (("run", "walk"),)
    assert options.methods == {
        "my wrist device": Method(label="Wrist device A", heart_rate_based=True)
    }
    assert options.files["athletes"].codes == {"sex": {"1": "male", "2": "female"}}


def test_a_new_study_names_every_key_there_is(tmp_path):
    new_study(tmp_path / "new")
    commented = (tmp_path / "new" / "study.toml").read_text(encoding="utf-8")
    keys = tomllib.loads(re.sub(r"(?m)^# (?=\[|\w+ = )", "", commented))
    for table, known in TABLE_KEYS.items():
        assert set(known) <= set(keys[table]), table
    assert set(FileFormat.__slots__) <= {"codes", *keys["files"]["lab_tests"]}


def test_a_column_of_another_table_is_noted(tmp_path):
    _, problems = read(tmp_path, '[files.lab_tests]\ncodes = { sex = { "1" = "male" } }\n')
    assert [(p.severity, p.reason) for p in problems] == [("note", "unused_key")]
    assert "lab_tests has no column sex" in problems[0].what


def test_field_tests_have_their_own_pairing(tmp_path):
    options, _ = read(
        tmp_path, "[pairing]\ndays_before = 7\n[pairing.field_tests]\nsame_day = false\n"
    )
    assert options.pairing.days_before == 7
    assert options.pairing_field_tests.days_before == 14
    assert options.pairing_field_tests.same_day is False
    assert options.pairing_field_tests.summary == "nearest"


def test_an_averaging_rule_gets_its_one_spelling(tmp_path):
    options, problems = read(tmp_path, '[reference]\naveraging_rule = "Moving  30S"\n')
    assert options.reference.averaging_rule == "moving 30 s"
    assert problems == []


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[margins]\n", "Unknown table 'margins'. Did you mean 'margin'?"),
        ("titel = 'x'\n", "Unknown key 'titel'."),
        ("[study]\ntitel = 'x'\n", "Unknown key 'study.titel'. Did you mean 'study.title'?"),
        ("[pairing]\nDays_Before = 3\n", "Did you mean 'pairing.days_before'?"),
        ("[files.labtests]\n", "Did you mean 'files.lab_tests'?"),
        ("[files.lab_tests]\nsheets = 'a'\n", "Did you mean 'files.lab_tests.sheet'?"),
        (
            "[files.lab_tests.units]\nmas_kg = 'lb'\n",
            "Did you mean 'files.lab_tests.units.mass_kg'?",
        ),
        ("[methods.m]\nrest = true\n", "Did you mean 'methods.m.resting'?"),
        ("[margin]\nlimt = 5\n", "Did you mean 'margin.limit_ml_kg_min'?"),
        ("[margin]\nmean = 5\n", "Did you mean 'margin.mean_limit_ml_kg_min'?"),
        ("[reference]\nsem = 2\n", "Did you mean 'reference.sem_ml_kg_min'?"),
        ("[reference]\nSEMM = 2\n", "Did you mean 'reference.sem_ml_kg_min'?"),
        ("limit_ml_kg_min = 5\n", "Did you mean 'margin.limit_ml_kg_min'?"),
        ("[study]\nseed = 5\n", "Did you mean 'report.seed'?"),
        ("[marjin]\nlimit_ml_kg_min = 5\n", "Unknown table 'marjin'. Did you mean 'margin'?"),
        ("[study]\nzzz = 1\n", "Known are title, question, compares, time_zone, id_map."),
    ],
)
def test_unknown_keys_name_the_nearest(tmp_path, text, says):
    _, problems = read(tmp_path, text)
    assert says in str(problems[0])
    assert {p.severity for p in problems} == {"stop"}


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('study = "x"', "'study' is \"x\"; it must be a table, written [study]"),
        ("pairing = [1]", "'pairing' is [1]; it must be a table"),
        ("[pairing]\nfield_tests = 3", "it must be a table, written [pairing.field_tests]"),
        ("[study]\ntitle = 3", "'study.title' is 3; it must be text in quotes."),
        ('[study]\ntime_zone = "Oslo"', "must be the name of a time zone like"),
        ("[study]\ntime_zone = 2", "must be the name of a time zone like"),
        ('[study]\ntime_zone = "../etc/hosts"', "must be the name of a time zone like"),
        (
            "[margin]\nlimit_ml_kg_min = -1\nagreed_on = 2026-01-01",
            "must be a number above 0 to 100",
        ),
        (
            "[margin]\nlimit_ml_kg_min = nan\nagreed_on = 2026-01-01",
            "must be a number above 0 to 100",
        ),
        ("[margin]\nlimit_ml_kg_min = true\nagreed_on = 2026-01-01", "must be a number above 0"),
        ('[margin]\nlimit_ml_kg_min = 3\nagreed_on = "soon"', "must be a date like 2026-01-10"),
        ("[margin]\nlimit_ml_kg_min = 3\nagreed_on = 2026-01-01T10:00:00", "must be a date like"),
        ("[margin]\nlimit_ml_kg_min = 3", "'margin.agreed_on' is missing"),
        (
            "[margin]\nmean_limit_ml_kg_min = 3\nagreed_on = 2026-01-01",
            "'margin.limit_ml_kg_min' is missing",
        ),
        ('[reference]\naveraging_rule = "30 s"', "must be one of 'moving N s', 'fixed N s'"),
        ('[reference]\naveraging_rule = "unknown"', "must be one of 'moving N s'"),
        ('[reference]\nallow_mixed = "yes"', "must be true or false, without quotes"),
        ("[reference]\nedit_breaths = 0", "must be true or false, without quotes"),
        ('[reference]\nfixed_bins_from = "start"', 'must be "first breath" or "clock"'),
        ("[pairing]\ndays_before = 1.5", "must be a whole number of at least 0"),
        ("[pairing]\ndays_before = true", "must be a whole number of at least 0"),
        ("[pairing]\nminimum_days = 0", "must be a whole number of at least 1"),
        ('[pairing]\nsummary = "average"', 'must be "mean" or "median" or "nearest" or "last"'),
        ('[pairing]\nmode_match = ["run", "walk"]', "must be groups of modes like"),
        ('[pairing]\nmode_match = [["run", "jog"]]', "modes are run, walk"),
        ('[profile]\nuse = "guessed"', 'must be "computed" or "stated"'),
        ('[profile]\nzones = "vt"', 'must be "share of HRmax" or "own thresholds"'),
        ("[profile]\nlow_zone1_share = 85", "must be a number from 0 to 1"),
        ('[report]\nkind = "club"', 'must be "squad" or "validation" or "audit" or "brief"'),
        ("[report]\nseed = -1", "must be a whole number of at least 0"),
        ('[files.lab_tests]\nseparator = ", "', "must be one character like"),
        ('[files.lab_tests]\ndecimal = ";"', 'must be "." or ","'),
        ('[files.lab_tests]\nencoding = "latin-99"', "must be the name of a text encoding"),
        ("[files.lab_tests]\nheader_rows = 0", "must be a whole number of at least 1"),
        ('[files.lab_tests]\ndate_order = "dmy"', 'must be "year-first" or "day-first"'),
        ("[files.lab_tests]\ncolumns = { mass_kg = 3 }", "must be a table of headers"),
        ('[files.lab_tests]\nunits = { mass_kg = "stone" }', "must be one of: kg, g, lb, lbs"),
        ('[files.lab_tests]\nunits = { tag = "kg" }', "none; the column has no unit"),
        ('[files.athletes]\ncodes = { sex = "m" }', "must be tables of texts like"),
        (
            '[files.athletes]\ncodes = { sex = { "1" = "man" } }',
            "must be one of: female, male, unknown",
        ),
        ("[study\n", "does not follow the TOML form"),
        ("[study]\ntitle = 'a'\ntitle = 'b'\n", "Line 3 names again what stands above"),
    ],
)
def test_wrong_values_are_stops_that_say_what_is_expected(tmp_path, text, says):
    _, problems = read(tmp_path, text)
    assert any(says in str(p) for p in problems), "\n".join(map(str, problems))
    assert {(p.severity, p.file) for p in problems} == {("stop", "study.toml")}


def test_a_file_that_is_not_utf8_or_not_there_stops(tmp_path):
    (tmp_path / "study.toml").write_bytes(b"[study]\ntitle = '\xe5'\n")
    findings = Findings()
    read_study_file(tmp_path, findings)
    assert "not UTF-8" in findings.problems[0].what
    (tmp_path / "study.toml").unlink()
    read_study_file(tmp_path, findings)
    assert findings.problems[1].reason == "missing_file"


def test_a_byte_order_mark_and_windows_line_ends_are_harmless(tmp_path):
    (tmp_path / "study.toml").write_bytes(b'\xef\xbb\xbf[study]\r\ntitle = "a"\r\n')
    findings = Findings()
    assert read_study_file(tmp_path, findings).study.title == "a"
    assert findings.problems == []


VALUES = [
    "1",
    "-1",
    "1e400",
    "nan",
    "true",
    '"x"',
    "[]",
    "[[1]]",
    "{}",
    "{ a = { b = 1 } }",
    "2026-01-01",
    "10:00:00",
]
KEYS = [(table, key) for table, keys in TABLE_KEYS.items() for key in keys] + [
    (table, key)
    for table, keys in {
        "files.lab_tests": FileFormat.__slots__,
        "methods.m": Method.__slots__,
        "pairing.field_tests": TABLE_KEYS["pairing"],
    }.items()
    for key in keys
]


@given(
    st.lists(
        st.tuples(st.sampled_from(KEYS), st.sampled_from(VALUES)),
        max_size=8,
        unique_by=lambda kv: kv[0],
    )
)
def test_any_value_under_any_key_gives_options_and_sentences(tmp_path_factory, chosen):
    tables = {}
    for (table, key), value in chosen:
        tables.setdefault(table, []).append(f"{key} = {value}")
    text = "".join(f"[{table}]\n" + "\n".join(lines) + "\n" for table, lines in tables.items())
    options, problems = read(tmp_path_factory.getbasetemp(), text)
    assert isinstance(options, StudyOptions)
    for problem in problems:
        assert problem.severity == ("note" if problem.reason == "looks_wrong" else "stop")
        assert problem.what.endswith((".", "?"))
        assert "Error" not in problem.what


@given(
    st.dictionaries(
        st.sampled_from(["study", "margin", "files", "methods", "pairing"]), st.sampled_from(VALUES)
    )
)
def test_any_value_in_place_of_a_table_gives_sentences(tmp_path_factory, chosen):
    text = "".join(f"{table} = {value}\n" for table, value in chosen.items())
    options, problems = read(tmp_path_factory.getbasetemp(), text)
    assert options.study == StudyOptions().study
    wrong = [value for value in chosen.values() if not value.startswith("{")]
    assert len([p for p in problems if "must be a table" in p.what]) >= len(wrong)


def test_the_keys_of_judging_and_naming_are_read(tmp_path):
    options, problems = read(
        tmp_path,
        """
[study]
compares = ["wrist_a", "wrist_b"]
[margin]
limit_ml_kg_min = 3.5
against = "true value"
planned_looks = 3
look = 2
fitness_confidence = 0.9
agreed_on = 2026-01-10
[reference]
sem_degrees_of_freedom = 4
last_bin = "keep at least half"
[methods.wrist_a]
label = "Wrist device A"
[report]
png = true
[confirm]
twins = { reason = "seen by two of us", on = 2026-01-10 }
""",
    )
    assert problems == []
    assert options.study.compares == ("wrist_a", "wrist_b")
    margin = options.margin
    assert (margin.against, margin.planned_looks, margin.look) == ("true value", 3, 2)
    assert margin.fitness_confidence == 0.9
    reference = options.reference
    assert (reference.sem_degrees_of_freedom, reference.last_bin) == (4, "keep at least half")
    assert options.methods["wrist_a"].label == "Wrist device A"
    assert options.report.png
    assert options.confirm["twins"].on == date(2026, 1, 10)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ('[study]\ncompares = "wrist_a"', 'must be a list of texts like ["wrist_a", "wrist_b"]'),
        ('[margin]\nagainst = "truth"', 'must be "laboratory test" or "true value"'),
        ("[margin]\nplanned_looks = 6", "must be a whole number of at least 1 and at most 5"),
        ("[reference]\nsem_degrees_of_freedom = 0", "must be a whole number of at least 1"),
        ("[confirm]\ntwins = true", "must be a reason and a date"),
        ('[confirm]\ntwins = { reason = " ", on = 2026-01-10 }', "must be a reason and a date"),
        ('[confirm]\ntwins = { reason = "a", on = "soon" }', "must be a date like"),
        ("[files.lab_tests]\nvalues = { mode = [1] }", "must be a table of single values"),
    ],
)
def test_wrong_values_of_these_keys_say_what_is_expected(tmp_path, text, expected):
    _, problems = read(tmp_path, text)
    assert [p.reason for p in problems] == ["wrong_value"]
    assert expected in problems[0].what
