"""What people and machines put where it does not belong: cells of tables, values of the study file."""
# fmt: off

CELLS = (
    "", " ", "NA", "nan", "NaN", "inf", "-inf", "Infinity", "null", "-", ".", "None", "True",
    "0", "-0", "-5", "1e308", "1e-320", "1e999", "9" * 400, "1" + "0" * 20, "0.1" + "0" * 400,
    "1,5", "1.500", "1,500", "1.5.2", "1e5", "0x10", "1_000", "1 000", "5%", "50\u00a0", "\u22125",
    "\u0663\u0664", "\uff11\uff12", "\u00bd", "\u202e52", "\u200b", "50\u200b", "\ufeff50", "\u2028",
    "2026-13-45", "0001-01-01", "9999-12-31", "2026-02-30", "26-3-2", "2026", "2026-03", "45000",
    "2026-03-02T25:00", "2026-03-02T09:00:00+99:99", "2026-03-02T09:00:00Z", "2026-03-29T02:30",
    "2026-03-02T24:00:00", "2026-03-02T09:00:60", "2026-03-02 09:00:00.1234567891+01:00", "09:00",
    "02/03/2026", "13/03/2026", "3.2.26", "Mon, 02 Mar 2026", "today", "20260302", "2026-W10-1",
    "2262-04-12T00:00:00Z", "1677-09-21", "2026-10-25T02:30", "2026-03-02T09:00-00:00",
    "=1+1", "+1", "@SUM(A1)", "-2+3+cmd|' /C calc'!A0", "<script>alert(1)</script>", "{{7*7}}",
    "../../etc/passwd", "a/b", "..", "CON", "a\\b", "'", '"', '""', 'a"b', "'''", "\\", "%s", "{0}",
    "Ola Nordmann", "O'Brien, Pat", "x" * 5000, "e\u0301", "\u00e9", "\U0001f3c3", "\U000e0001", "\t",
    "run", "walk", "resting", "other", "yes", "no", "unknown", "female", "moving 0 s", "moving 30 s",
    "moving 99999999999 s", "middle 9 of 3 breaths", "fixed 1 breaths", "shuttle_20m_1982", "007",
    "run_1_5mile_1993", "step_3min_1972", "cycle_submax_1954", "hr_ratio_2004", "K3", "T1", "S1",
    "\x85", "\x1c", "race_time_1979", "cycle_max_power_1990", "run_12min_1968", "walk_treadmill_1991",
)
TOML_VALUES = (
    "0", "-1", "1", "3.5", "1e400", "inf", "nan", "-inf", "9" * 30, "9" * 5000, "true", '""', '"x"',
    "[]", "[[]]", "{}", "{ a = 1 }", '["run"]', '[["run", "run"]]', '[["run", 1]]', "2026-01-10",
    "2026-01-10T09:00:00Z", "09:00:00", "0001-01-01", "9999-12-31", '"Europe/Oslo"', '"UTC"',
    '"../../etc/passwd"', '"/etc/passwd"', '"."', '".."', '"a\\u0000b"', '"C:\\\\x"', '"~/x"',
    '"' + "x" * 300 + '"', '"' + "d/" * 3000 + 'x"', '"lab.csv"', '"breaths"', '"ids.csv"', '"no.csv"',
    '"moving 30 s"', '"latin-1"', '"utf-16"', '"utf-32"', '"rot13"', '"zlib"', '"idna"', '"unknown"',
    '";"', '","', '"\\t"', '"|"', '"\\n"', '"\\u202e"', "[" * 3000, '"day-first"', '"month-first"',
    '{ vo2max_l_min = "VO2" }', '{ mass_kg = "VO2" }', '{ athlete_id = "VO2" }', '{ mass_kg = "m" }',
    '{ vo2max_ml_kg_min = "ml/min" }', '{ date = "lb" }', '{ sex = { "1" = "x" } }', '{ sex = 1 }',
    '"../study"', '"\\\\\\\\server\\\\share"', '"Etc/GMT+12"', '"../zoneinfo"', '"Europe"', '"nearest"',
)
TOML_LINES = (
    "[files.field_estimates]", "[files.samples]\npath = 'breaths'", "[files.breaths]\nsheet = '1'",
    "[files.sessions]\npath = 'lab.csv'", "[files.field_tests]\nunits = { distance_m = 'mi' }",
    "[study]", "[[margin]]", "files = 3", "methods = []", "[methods.'']", "study.x = 1", "\u202e = 1",
    "[files.athletes]\npath = 'study.toml'", "[methods.'<b>']\nresting = true", "a.b.c.d = {}",
    "[files.ids]", "[profile.x]", "[pairing.field_tests]", "'' = 1", "limit = 3", "\x1b[31m",
)
ENDS = (b"\r\n", b"\r", b"\n\r", b"\r\r\n", b"\xe2\x80\xa8", b"\n\n", b"\x0b")
BITS = (b"\0", b"\xef\xbb\xbf", b'"', b"\r", b"\n\n", b"\xff\xfe", b"\xed\xa0\x80", b",", b";", b"\x1a")
LINKS = (
    "/etc/hostname", "/dev/zero", "/dev/stdin", "../outside.csv", "nowhere", ".", "..", "lab.csv",
    "/proc/self/mem", None,
)


def file_names(name: str) -> tuple[str, ...]:
    """Return names that a file of a study may be given instead of its own."""
    stem, _, ending = name.partition(".")
    return (
        name.upper(), f"{stem}.xlsx", f"{stem}.parquet", f"{stem}.tsv", f"{stem}.CSV", f"{stem}.txt",
        f"{name}.gz", f"{stem}2.{ending}", f"breaths/{stem}.csv", f"samples/{stem}.csv",
        f"{stem}/x.csv", f"breaths/T1.{ending}", "breaths/T\udcff.csv", "samples/\u202e.csv",
        f"{stem}\n.csv", "field_tests.xlsx", "field_estimates.parquet", "athletes.xlsx",
        "samples/S2.csv", "field_estimates/1.csv", "field_estimates/2.parquet",
    )


def header_names(name: str, others: list[str]) -> tuple[str, ...]:
    """Return headers that a column may be given instead of its own."""
    return (
        name.upper(), f" {name} ", f"{name} (kg)", f"\u200b{name}", f'"{name}"', others[0], others[-1],
        "", "x", "vo2max_ml_min", "vo2max_l_min", "mass_kg", *CELLS[::7],
    )
