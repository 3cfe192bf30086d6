"""Ids: text as it stands, joined by nothing but `id_map`, and never names."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agreement.tables.ids import _ANYBODY, _PEOPLE, likely_pairs

HEAD = "athlete_id,taken_at,method,mode,vo2max_ml_kg_min\n"


def estimates(*ids):
    return HEAD + "".join(f"{one},2026-03-15T09:00:00Z,wrist,run,50.5\n" for one in ids)


def test_007_and_na_stay_as_they_are(folder):
    odd = ["007", "NA", "nan", "1e3", "TRUE", "-", "1.0"]
    kept = folder.put(field_estimates_csv=estimates(*odd)).inspect().tables.field_estimates
    assert list(kept["athlete_id"]) == odd


def test_blanks_around_an_id_are_trimmed_with_a_note(folder):
    found = folder.put(field_estimates_csv=estimates(" A1", "A1 ", "A2")).inspect()
    assert list(found.tables.field_estimates["athlete_id"]) == ["A1", "A1", "A2"]
    assert found.one("note", "trimmed").what == "Blanks around 2 values were removed, first 'A1'."


def test_a_missing_id_is_set_aside(folder):
    found = folder.put(field_estimates_csv=estimates("A1", " ")).inspect()
    assert found.reasons() == {3: "missing_value"}
    assert found.one("set_aside", "missing_value").column == "athlete_id"


def test_likely_matches_are_listed_and_not_used(folder):
    folder.put(lab_tests_csv=folder.LAB.replace("A1,", "A-07,"))
    found = folder.put(field_estimates_csv=estimates("a07", "7", "A07_2024", "B7", "A2")).inspect()
    notes = [p.what for p in found.of("note", "likely_match")]
    assert [n.split(";")[0] for n in notes] == [
        "Id '7' looks like 'A-07' in lab_tests.csv",
        "Id 'A07_2024' looks like 'A-07' in lab_tests.csv",
        "Id 'a07' looks like 'A-07' in lab_tests.csv",
    ]
    remedy = found.of("note", "likely_match")[0].remedy
    assert "join the two by a line of id_map: a CSV file" in remedy
    assert "named by id_map in [study] of study.toml" in remedy
    assert set(found.tables.field_estimates["athlete_id"]) == {"a07", "7", "A07_2024", "B7", "A2"}


def test_id_map_joins_what_it_names(folder):
    folder.put(
        study_toml='[study]\nid_map = "ids.csv"\n' + folder.ZONE.removeprefix("[study]\n"),
        ids_csv="found,athlete_id\na07,A1\n7,A1\n",
        field_estimates_csv=estimates("a07", "7", "A2"),
    )
    found = folder.inspect()
    assert list(found.tables.field_estimates["athlete_id"]) == ["A1", "A1", "A2"]
    assert "ids.csv" in {one.name for one in found.tables.inputs}


@pytest.mark.parametrize(
    ("ids", "reason", "says"),
    [
        (None, "missing_file", "The file of unequal ids is missing."),
        ("found,athlete_id\na,A1\na,A2\n", "duplicate_key", "'a' leads to 'A1' and to 'A2'."),
        (
            "found,athlete_id\na,\n",
            "missing_value",
            "The cell is empty, so 'a' is joined with nothing.",
        ),
        ("found,id\na,A1\n", "missing_column", "The column 'athlete_id' is missing."),
    ],
)
def test_an_id_map_that_cannot_be_used_stops(folder, ids, reason, says):
    folder.put(study_toml='[study]\nid_map = "ids.csv"\n')
    if ids:
        folder.put(ids_csv=ids)
    stop = folder.inspect().one("stop", reason)
    assert (stop.file, stop.what) == ("ids.csv", says)


@pytest.mark.parametrize(
    "name", ["Kari Normann", '"Normann, Kari"', "kari normann", "Anne-Lise Ås"]
)
def test_name_like_ids_stop_without_spreading_the_name(folder, name):
    found = folder.put(field_estimates_csv=estimates("A1", name)).inspect()
    stop = found.one("stop", "name_like_id")
    assert (stop.row, stop.column) == (3, "athlete_id")
    assert "Use codes as ids" in stop.remedy
    assert name.strip('"').split()[0].strip(",").casefold() not in str(found.problems).casefold()


@pytest.mark.parametrize("code", ["A 7", "crew 12", "AB", "x-y", "S_01 b", "S01, 2026"])
def test_codes_are_no_names(folder, code):
    quoted = f'"{code}"'
    assert not folder.put(field_estimates_csv=estimates(quoted)).inspect().of("stop")


def test_names_are_allowed_where_id_map_makes_codes_of_them(folder):
    folder.put(
        study_toml='[study]\nid_map = "ids.csv"\n',
        ids_csv="found,athlete_id\nKari Normann,A1\n",
        field_estimates_csv=estimates("Kari Normann"),
    )
    assert list(folder.inspect().tables.field_estimates["athlete_id"]) == ["A1"]


@pytest.mark.parametrize(
    ("table", "old", "new", "key"),
    [
        ("lab_tests", "T2,", "T1,", "lab_test_id"),
        ("sessions", "S2,", "S1,", "session_id"),
        ("athletes", "A2,", "A1,", "athlete_id"),
    ],
)
def test_a_key_that_stands_twice_stops(folder, table, old, new, key):
    folder.put(
        sessions_csv="session_id,athlete_id,started_at,mode,duration_min\n"
        "S1,A1,2026-03-01T08:00:00Z,run,30\nS2,A1,2026-03-02T08:00:00Z,run,30\n",
        athletes_csv="athlete_id,sex\nA1,male\nA2,female\nA3,female\n",
    )
    name = f"{table}.csv"
    folder.files[name] = folder.files[name].replace(old, new)
    stop = folder.inspect().one("stop", "duplicate_key")
    assert (stop.file, stop.row, stop.column) == (name, 3, key)
    assert f"'{new[:-1]}' stands in rows 2, 3" in stop.what


@pytest.mark.parametrize(
    ("known", "found", "says"),
    [
        ("A1", "\u04101", "in other letters"),  # looks the same
        ("A1", "\u03911", "in other letters"),
        (
            "\u00c51",
            "A\u030a1",
            "in other letters",
        ),  # decomposed, as some systems write
        ("1E5", "100000", "as a spreadsheet writes it"),
        ("1E5", "1.00E+05", "as a spreadsheet writes it"),
        ("MAR-1", "01-Mar", "as a spreadsheet writes it"),
        ("OKT-12", "12. Okt", "as a spreadsheet writes it"),
        ("SEPT2", "2-Sep", "as a spreadsheet writes it"),
    ],
)
def test_an_id_in_other_letters_or_from_a_spreadsheet_gets_a_hint(folder, known, found, says):
    people = f"athlete_id\n{known}\nB2\n"
    folder.put(athletes_csv=people, field_estimates_csv=estimates(found, "B2"))
    folder.put(
        lab_tests_csv=f"lab_test_id,athlete_id,date,mode,vo2max_ml_kg_min\nT1,{known},2026-03-02,run,50\n"
    )
    told = [one.what for one in folder.inspect().of("note", "likely_match")]
    assert any(f"'{known}'" in one and says in one for one in told), told


def test_ids_that_a_spreadsheet_would_turn_are_noted_once(folder):
    folder.put(
        athletes_csv="athlete_id\nMAR-1\n1E5\n",
        lab_tests_csv="lab_test_id,athlete_id,date,mode,vo2max_ml_kg_min\n"
        "T1,MAR-1,2026-03-02,run,50\nT2,1E5,2026-03-02,run,50\n",
        field_estimates_csv=estimates("MAR-1", "1E5"),
    )
    note = folder.inspect().one("note", "spreadsheet_ids")
    assert note.what.startswith("2 ids such as 'MAR-1' become")


WORDS = ["Kari", "Ola", "Astrid", "Nils", "Tuva", "Sindre"]
NUMBERS = ["91234567", "40112233", "98765432", "22334455", "47111111"]
RUNNING = ["20260001", "20260002", "20260003", "20260004", "20260105"]


@pytest.mark.parametrize(
    ("ids", "stops"),
    [
        (WORDS, True),
        ([one.lower() for one in WORDS], True),
        (["KBerg", "OHansen", "ANilsen", "TLund", "SMoe"], True),
        (NUMBERS, True),
        (RUNNING, False),
        (["QXTA", "BKPL", "ZRWA", "MNBC", "LKJH", "WRTS"], False),  # letters drawn by lot
        (["a", "b", "c", "d", "e", "f"], False),
        (WORDS[:3], False),  # too few to tell
    ],
)
def test_first_names_and_telephone_numbers_stop_where_nearly_all_ids_are_such(folder, ids, stops):
    folder.put(
        athletes_csv="athlete_id\n" + "".join(f"{one}\n" for one in ids),
        lab_tests_csv="lab_test_id,athlete_id,date,mode,vo2max_ml_kg_min\n"
        + "".join(f"T{i},{one},2026-03-02,run,{50 + i}\n" for i, one in enumerate(ids)),
        field_estimates_csv=estimates(*ids),
    )
    found = folder.inspect().of("stop", "ids_are_codes")
    assert bool(found) == stops
    assert not any(one in str(found) for one in ids)


LIKE_PEOPLE = [
    "anna.berg",
    "a@b.se",
    "1990-02-03",
    "070-123 45 67",
    "A.Berg",
    "AnnaBerg",
    "a.berg\nb",
]


@given(st.lists(st.sampled_from(LIKE_PEOPLE) | st.text("aZbé019 ./-@+_()A\n,", max_size=12)))
def test_many_ids_at_once_are_doubted_as_each_alone(labels):
    alone = {one for one in labels if any(kind.fullmatch(one) for kind in _PEOPLE.values())}
    at_once = set(_ANYBODY.findall("\n".join(labels)))
    assert {one for one in labels if one in at_once} == alone


def test_an_id_without_letters_and_digits_is_like_no_other():
    assert likely_pairs({"x1y", "K"}, {"-"}) == []
