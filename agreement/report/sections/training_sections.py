"""What training explains: which intensities sessions cover, and where a profile nearly ends."""

from collections.abc import Callable, Iterable
from typing import Final

import pandas as pd

from agreement.cohort import Cohort
from agreement.figures.why import plot_why, why_captions, why_legend
from agreement.physiology.coverage import typical_fans
from agreement.physiology.training import stated_and_computed
from agreement.report.page.machine import said
from agreement.report.page.markup import Block, fold, joined, paragraph
from agreement.report.page.numbers import counted, plain
from agreement.report.page.pictures import drawing, picture
from agreement.report.sections.comparison import Comparison, frame_table
from agreement.report.sections.further import tables_of
from agreement.report.sections.together import across, folded
from agreement.report.shown.told import NAMES_NOBODY, Told, of_field_values, shown, told_of
from agreement.stats.catalogue import statistic_of
from agreement.terms import NOT_ENOUGH_DATA, SESSIONS_METHOD

HEART_RATE: Final = "heart rate, % of HRmax"
_LINE: Final = (("extrapolation_se", ""), ("expected_bias", " +"), ("observed_error", " +"))
PANELS: Final = 2  # side by side; more would be too narrow to read
PART_WORDS: Final = {"total": "all together", "cost": "cost equation", "heart_rate": "heart rate"}


@of_field_values
def why(cohort: Cohort) -> Block:
    """
    Show why a training profile is misread: coverage and error by profile, what the one explains.

    Above it a typical athlete of each profile, two panels to a figure, where people may be told of.
    """
    comparisons = told_of(cohort).comparisons
    covered = [one for one in comparisons if one.results.intensity_coverage is not None]
    if not covered:
        return _each_folded(comparisons, _one_split)
    tables = tables_of(told_of(cohort).numbers, "intensity_coverage")
    by_profile = fold("What sessions or stages covered, by training profile", *tables)
    block = across(covered, "why") + by_profile + _each_folded(comparisons, _of_one)
    if told_of(cohort).names_nobody:  # a typical athlete is one
        return block
    coverage = pd.concat([one.results.data.coverage for one in covered], ignore_index=True)
    stages = cohort.readings.stage_lines
    of_sessions = ~coverage["method"].isin(stages["method"].unique() if len(stages) else [])
    options = cohort.study.options.extrapolation
    fans = typical_fans(coverage[of_sessions], cohort.readings.session_points, options)
    if len(fans) > 2:  # the line that says most beside the one that says least
        fans = (fans[0], fans[-1], *fans[1:-1])
    drawn = []
    for place, start in enumerate(range(0, len(fans), PANELS), 1):  # on axes that all share
        some = fans[start : start + PANELS]
        parts = [drawing(plot_why, fan, among=fans, panel=panel) for panel, fan in enumerate(some)]
        parts += [drawing(why_legend, panel=len(some) - 1)] if start == 0 else []
        words = why_captions(some, first=start == 0)
        drawn.append(picture(f"why-{place}", parts, words, height=3.1, panels=len(some)))
    if len(drawn) > 1:
        block = fold("The profiles between them", shown(drawn[1:], Block("")), kind="more") + block
    return shown(drawn[:1], block)


def _of_one(one: Comparison) -> Block:
    """Return coverage and error of the athletes of one method, and how its error is split."""
    found = one.results.intensity_coverage
    if found is None:
        return _one_split(one)
    block = Block("") if one.people is None else _athletes_table(one)
    share = one.cell("intensity_coverage", "share_explained")
    if found.own_form:
        block += paragraph(said("sentences", "own_form"))
    elif share.known:
        block += paragraph(said("sentences", "explained", name=one.name, share=share))
    return block + _one_split(one)


def _each_folded(
    comparisons: tuple[Comparison, ...], section: Callable[[Comparison], Block]
) -> Block:
    """Return a section of each method, folded under its name where there are several."""
    found = [(one, section(one)) for one in comparisons]
    told = [(one, inside) for one, inside in found if inside.html]
    several = len(comparisons) > 1
    return joined(folded(one, inside) if several else inside for one, inside in told)


def _one_split(one: Comparison) -> Block:
    """Say what the two parts of one method's error are, and list them of each pair."""
    split = one.results.error_split
    if split is None:
        return Block("")
    cells = {part: one.cell("error_split", f"mean_{part}") for part in PART_WORDS}
    parts = "; ".join(f"{word}: {part} +" for part, word in PART_WORDS.items())
    shown = f"athlete: athlete_id; stages: n_points; {parts}"
    listed = frame_table(f"{one.name}: the parts of each error (mL/kg/min)", split.frame, shown)
    about = {"pairs": len(split.frame), "lagging": one.results.method == SESSIONS_METHOD}
    told = said("sentences", "split", name=one.name, **about, **cells)
    block = paragraph(told)
    return block if one.people is None else block + fold(f"{one.name}: pair by pair", listed)


def _athletes_table(one: Comparison) -> Block:
    """List coverage and error test by test, the least certain line first."""
    coverage = one.results.data.coverage
    order = coverage.sort_values("extrapolation_se", ascending=False, kind="stable")
    top = order["top_share_of_hr_max"]  # of HRmax, as the other end
    ends = zip(top - order["hr_span"] / order["hr_max_bpm"], top, strict=True)
    told = order.assign(
        reach=[" to ".join(f"{plain(100 * end, 0)} %" for end in both) for both in ends],
        training_profile=order["training_profile"].astype("object").fillna("none"),
    )
    shown = f"athlete: athlete_id; training profile: training_profile; {HEART_RATE}: reach; "
    shown += "; ".join(
        f"{statistic_of('intensity_coverage', name).head}: {name}{how}" for name, how in _LINE
    )
    caption = f"{one.name}: each athlete's sessions or stages, and the error (mL/kg/min)"
    return fold(f"{one.name}: athlete by athlete", frame_table(caption, told, shown))


@of_field_values
def borderline(cohort: Cohort) -> Block:
    """Repeat the bias with borderline tests moved; list tests without a profile or with two."""
    told = told_of(cohort)
    if told.names_nobody:
        return paragraph(NAMES_NOBODY)  # of a few tests, and test by test
    profiles, use = cohort.laboratory.profiles, cohort.study.options.profile.use
    if profiles.empty:
        return Block("")  # it has its line among what these data cannot say
    two = disagreement_block(profiles, use=use or "computed")
    if use == "stated":
        return paragraph("Training profiles are stated, so none is borderline.") + two
    moved = tables_of(told.numbers, "borderline_moved")
    blocks = [fold("Bias by profile, borderline tests moved next door", *moved)] if moved else []
    bare = profiles[profiles["profile"] == NOT_ENOUGH_DATA]
    if len(bare):
        shown = "test: lab_test_id; athlete: athlete_id; what lacks: note"
        listed = frame_table("Tests without a training profile", bare, shown)
        blocks.append(fold(f"{counted(len(bare), 'test')} without a training profile", listed))
    return joined([*blocks, two])


def without_profile(comparisons: Iterable[Comparison]) -> Block:
    """Name the athletes who are in no row of the table by profile, or count them."""
    found: dict[tuple[int, tuple[str, ...]], list[str]] = {}
    for one in comparisons:
        profile = one.pairs["training_profile"]
        bare = one.pairs.loc[profile.isna() | (profile == NOT_ENOUGH_DATA), "athlete_id"].unique()
        if len(bare) and len(bare) < one.results.data.n:
            who = () if one.people is None else tuple(sorted(map(str, bare)))
            found.setdefault((len(bare), who), []).append(one.name)
    return joined(
        Block(said("sentences", "without_profile", names=names, n=n, who=who))
        for (n, who), names in found.items()
    )


def ultra_block(told: Told) -> Block:
    """Name the athletes of low-intensity volume whose hours and longest session make it ultra."""
    rules, profiles = told.options.profile, told.view.rows(told.cohort.laboratory.profiles)
    if profiles is None or rules.use == "stated":
        return Block("")
    who = sorted(profiles.loc[profiles["ultra"] == "yes", "athlete_id"].astype("str").unique())
    return Block(said("sentences", "ultra", who=who, rules=rules) if who else "")


def disagreement_block(profiles: pd.DataFrame, *, use: str) -> Block:
    """List tests whose stated profile is not that of the sessions; `use`: which counts."""
    both = profiles[stated_and_computed(profiles)]
    unlike = both[both["stated"] != both["profile"]]
    if both.empty:
        return Block("")
    counts = {"unlike": len(unlike), "both": len(both), "use": use}
    words = paragraph(said("inputs", "two_profiles", **counts))
    if unlike.empty:
        return words
    zones = unlike[["zone1", "zone2", "zone3"]].to_numpy()
    told = unlike.assign(
        zones=[" / ".join(plain(100 * share, 0) for share in row) for row in zones]
    )
    shown = (
        "test: lab_test_id; athlete: athlete_id; stated: stated; by the sessions: profile; "
        "time in zones 1 / 2 / 3 (%): zones"
    )
    listed = frame_table("Stated and computed training profiles that differ", told, shown)
    return words + fold(f"{counted(len(unlike), 'test')} with two profiles", listed)
