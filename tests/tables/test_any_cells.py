"""Whatever stands in the cells: an answer that adds up, or reasons; never a traceback."""

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from agreement.tables.study import inspect_study

CELLS = [
    "", " ", "-", "NA", "nan", "0", "-1", "50", "52.4", "52,4", "1e999", "1,500", "inf", "abc", "A1",
    " A1 ", "a01", "007", "Kari Normann", "2026-03-20", "2026-03-20T10:00:00Z", "2026-03-29 02:30",
    "03/04/2026", "25.12.2026", "20260320", "0001-01-01", "9999-12-31", "46101", "run", "RUN",
    "swim", "yes", "f", "1", "moving 30 s", "\ufeff", "\u00a0", "x" * 300, '"', "=1+1", "\x01",
]  # fmt: skip
LAB = "lab_test_id,athlete_id,date,mode,vo2max_ml_kg_min,mass_kg,averaging_rule,rer_max,plateau"
FIELD = "athlete_id,taken_at,method,mode,vo2max_ml_kg_min,vo2max_l_min,sensor,set_mass_kg"
PEOPLE = "athlete_id,sex,birth_year,withdrawn"
GOOD = {
    LAB: ["T{i}", "A{i}", "2026-03-20", "run", "50.5", "70", "moving 30 s", "1.1", "yes"],
    FIELD: ["A{i}", "2026-03-15T10:00:00Z", "m", "run", "49.5", "", "none", "70"],
    PEOPLE: ["A{i}", "male", "1990", "no"],
}
changes = st.lists(
    st.tuples(
        st.sampled_from(list(GOOD)), st.integers(0, 4), st.integers(0, 8), st.sampled_from(CELLS)
    ),
    max_size=6,
)


def table(header, chosen):
    rows = [[cell.format(i=i) for cell in GOOD[header]] for i in range(5)]
    for where, row, column, cell in chosen:
        if where == header:
            rows[row][column % len(rows[row])] = cell
    return "\n".join([header, *(",".join(f'"{c}"' if "," in c else c for c in r) for r in rows)])


@settings(
    max_examples=25,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(changes, st.booleans(), st.booleans())
def test_any_cells_give_an_account_or_reasons(tmp_path, chosen, zoned, with_people):
    (tmp_path / "study.toml").write_text('[study]\ntime_zone = "Europe/Oslo"' if zoned else "")
    for name, header in (("lab_tests", LAB), ("field_estimates", FIELD), ("athletes", PEOPLE)):
        path = tmp_path / f"{name}.csv"
        path.unlink(missing_ok=True)
        if with_people or name != "athletes":
            path.write_bytes(table(header, chosen).encode())
    study, problems = inspect_study(tmp_path)
    for problem in problems:
        assert problem.what.endswith((".", "?"))
        assert problem.row is None or 2 <= problem.row <= 6
    if study is None:
        assert any(p.severity == "stop" for p in problems)
        return
    for name, file in study.names.items():
        lines = study.set_aside[study.set_aside["file"] == file]
        left = int((lines["reason"] != "withdrawn").sum()) + study.withdrawn.get(file, 0)
        assert study.rows_read[name] == len(getattr(study, name)) + left
    assert study.lab_tests["vo2max"].between(8, 100).all()
    assert study.field_estimates["vo2max"].dropna().between(8, 100).all()
    assert study.field_estimates[["instant", "date", "method", "mode"]].notna().all(axis=None)
