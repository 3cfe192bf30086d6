"""
Takes only what a share shows and subtracts: no set of fewer than five people, no pseudonym linked.

Knows nothing of how the program decides: which groups share nobody is written down here again, from
what the groups are called.
"""

import re
from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from test_closed_cells import odd_cohort, odd_results

from agreement.report.privacy.cells import hidden_groups
from agreement.report.privacy.sharing import share_report
from agreement.report.run.exports import write_tables
from agreement.report.run.own_report import seal
from agreement.report.run.provenance import write_provenance
from agreement.terms import CARD_COLUMNS, EXCLUSION_COLUMNS, FLOW_COLUMNS

FEWEST = 5
SHARE_NOBODY = ("profile_bias", "profile_at_equal_level", "borderline_moved", "by_sex", "by_age")
SOME_OF_ALL = ("confirmed", "no_hr_limiting_drug", "chest_strap")
CELL = ["analysis", "method", "mode", "group"]


def written(seed, folder):
    """Write what `share` reads of a squad report: its tables and provenance, sealed."""
    evidence, (frame, members) = odd_cohort(seed), odd_results(seed)
    groups = sorted(hidden_groups(frame, {("wrist", "run"): members}))
    pairs = evidence.pairs.assign(lab_date=evidence.pairs["lab_date"].dt.date)
    lines = [("lab.csv", 3, "A01", "copy", "."), ("lab.csv", 4, "A02", "copy", ".")]
    folder.mkdir()
    write_tables(
        {
            "results": frame,
            "pairs": pairs,
            "exclusions": pd.DataFrame(lines, columns=EXCLUSION_COLUMNS),
            "flow": pd.DataFrame([("lab.csv", 9, 7, 0, 2)], columns=FLOW_COLUMNS),
            "athlete_cards": pd.DataFrame([{"athlete_id": "A01"}], columns=CARD_COLUMNS),
        },
        folder,
    )
    provenance = {"written_by": "agreement", "kind": "squad", "options": {}}
    provenance |= {"small_groups": groups, "rows_of_few": {}}
    write_provenance(provenance, folder)
    seal(folder)
    return folder


def isolated(folder):
    """Return every set of one to four people that the shown numbers of a folder leave over."""
    results = pd.read_csv(folder / "results.csv")
    shown = results[results["value"].notna()]
    sizes = shown.groupby(CELL)["n"].max()
    found = [f"shown: {place}" for place, n in sizes.items() if n < FEWEST]
    for (method, mode), _ in shown.groupby(["method", "mode"]):
        whole = sizes.get(("limits_of_agreement", method, mode, "all"))
        own = sizes.xs((method, mode), level=("method", "mode"))
        if whole is None or own.empty:
            continue
        for analysis, groups in own.groupby(level=0):
            parts = {g: n for (_, g), n in groups.items() if g != "all"}
            unions = [
                chosen
                for many in range(1, 1 + (len(parts) if analysis in SHARE_NOBODY else 0))
                for chosen in combinations(parts, many)
            ]
            if analysis not in SHARE_NOBODY:
                unions = [(g,) for g in parts if g in SOME_OF_ALL or g.startswith("without_")]
            found += [
                f"{analysis}: all less {chosen}"
                for chosen in unions
                if 0 < whole - sum(parts[g] for g in chosen) < FEWEST
            ]
        found += counted_twice(shown[(shown["mode"] == mode) & (shown["method"] == method)], whole)
        found += moved(own) + from_the_mean(shown[shown["mode"] == mode], method)
    return found


def counted_twice(shown, whole):
    """One statistic of everybody in two analyses, one of which leaves a few out."""
    everybody = shown[(shown["group"] == "all") & (shown["analysis"] != "change")]
    first = everybody.loc[everybody["analysis"] == "limits_of_agreement", "statistic"]
    again = everybody[everybody["statistic"].isin(first)]
    few = again[(again["n"] != whole) & ((again["n"] - whole).abs() < FEWEST)]
    return [f"{name}: all, twice" for name in few["analysis"]]


def moved(own):
    """Two analyses that know a profile by the same name: what one counts and the other does not."""
    names = ("profile_bias", "borderline_moved")
    both = [own.xs(name, level=0) for name in names if name in own.index.get_level_values(0)]
    if len(both) < 2:
        return []
    apart = (both[0] - both[1]).dropna().drop("all", errors="ignore").abs()
    return [f"moved: {group}" for group, n in apart.items() if 0 < n < FEWEST]


def from_the_mean(shown, method):
    """Deviations from the mean of all groups must be those from the mean of the groups shown."""
    own = shown[(shown["analysis"] == "profile_bias") & (shown["method"] == method)]
    table = own.pivot_table(index="group", columns="statistic", values="value").drop(
        "all", errors="ignore"
    )
    if "difference_from_overall" not in table or "bias" not in table:
        return []
    mean = table.loc[table["difference_from_overall"].notna(), "bias"].mean()
    off = (table["bias"] - mean - table["difference_from_overall"]).abs().max()
    return ["profile_bias: a group is hidden in the mean"] if off > 0.16 else []  # of rounding


def linked(folder, evidence):
    """Return original ids, dates and exact masses that a folder tells."""
    text = "\n".join(path.read_text(encoding="utf-8") for path in folder.iterdir())
    words = {*evidence.pairs["athlete_id"], *evidence.pairs["lab_test_id"], "2026-0"}
    return [word for word in words if re.search(rf"\b{word}", text)]


def test_the_tool_finds_what_an_unguarded_table_gives_away(tmp_path):
    assert isolated(written(4, tmp_path / "4"))  # this squad has a small group to find
    assert linked(tmp_path / "4", odd_cohort(4))


def subtracted(seed, folder, *, rows):
    evidence = odd_cohort(seed)
    report = written(seed, folder / f"report{seed}")
    out = folder / f"share{seed}"
    share_report(report, out)
    assert not isolated(out), seed
    assert not linked(out, evidence), seed
    assert pd.read_csv(out / "pairs.csv").empty
    assert pd.read_csv(out / "athlete_cards.csv").empty
    left_out = pd.read_csv(out / "exclusions.csv")  # two rows are of one or two people
    assert left_out["reason"].tolist() == ["withheld"]
    assert left_out["message"].str.startswith("2 rows: ").all()
    if not rows:
        return
    with_rows = [folder / f"rows{seed}{k}" for k in "ab"]
    for place in with_rows:
        share_report(report, place, rows=True)
        assert not isolated(place), seed
        assert not linked(place, evidence), seed
    one, two = (pd.read_csv(place / "pairs.csv") for place in with_rows)
    assert not set(one["athlete_id"]) & set(two["athlete_id"])
    takers = evidence.pairs.loc[evidence.pairs["hr_limiting_drug"] == "yes", "athlete_id"]
    kept = evidence.pairs[~evidence.pairs["athlete_id"].isin(takers)]
    assert one["athlete_id"].nunique() in (0, kept["athlete_id"].nunique())
    if len(one):
        line = pd.read_csv(with_rows[0] / "results.csv")
        bias = line[(line["analysis"] == "limits_of_agreement") & (line["group"] == "all")]
        bias = bias.loc[bias["statistic"] == "bias", "value"].iloc[0]
        rows_alone = one.groupby("athlete_id")["difference"].mean().mean()
        assert np.isnan(bias) or bias == pytest.approx(rows_alone, abs=0.051)


def test_no_few_people_follow_from_a_share(tmp_path):
    for seed in (2, 4):
        subtracted(seed, tmp_path, rows=seed == 4)


@pytest.mark.slow
def test_no_few_people_follow_from_a_hundred_shares_with_rows_and_without(tmp_path):
    for seed in range(100, 200):
        subtracted(seed, tmp_path, rows=seed % 3 == 0)


def test_what_no_record_declares_is_not_shared(tmp_path):
    report = written(4, tmp_path / "report")
    results = pd.read_csv(report / "results.csv", keep_default_na=False)
    line = results[results["analysis"] == "limits_of_agreement"].head(1)
    pd.concat([results, line.assign(analysis="of_nobody_knows_whom")]).to_csv(
        report / "results.csv", index=False
    )
    content = {"written_by": "agreement", "kind": "squad", "options": {}}
    content |= {"small_groups": [], "rows_of_few": {}}
    write_provenance(content, report)
    seal(report)
    share_report(report, tmp_path / "share")
    shared = set(pd.read_csv(tmp_path / "share" / "results.csv")["analysis"])
    assert "limits_of_agreement" in shared
    assert "of_nobody_knows_whom" not in shared
