"""What these data cannot say, and what to record to learn it: a line for each thing to record."""

from collections.abc import Iterable
from typing import Final

from agreement.report.page.machine import said
from agreement.report.page.markup import Block
from agreement.report.page.numbers import Cell, Numbers
from agreement.stats.catalogue import ANALYSES
from agreement.stats.method_data import NO_MARGIN, NO_SECOND_VISIT, NOT_ESTIMABLE, TOO_FEW
from agreement.stats.record import Analysis
from agreement.tables.options import Kind

SECTION_OF: Final = {  # section -> the analysis without which it has nothing to show
    "profiles": "profile_bias",
    "budget": "budget",
    "averaging": "averaging_curve",
    "change": "change",
    "drift": "drift",
}
_MORE: Final = "more athletes with a laboratory test and field values around it"
_AGAIN: Final = "a second laboratory test of the same athletes, with field values around it"
_BY_CODE: Final = {
    TOO_FEW: _MORE,
    NO_SECOND_VISIT: _AGAIN,
    NO_MARGIN: "a limit agreed on before the first test, in study.toml",
    NOT_ESTIMABLE: "more athletes, some of them tested twice",
}
_SESSIONS: Final = "training sessions with heart rate in the weeks before each test"
_TWICE: Final = "two laboratory tests of some athletes within days of one another"
_BREATHS: Final = "breaths of laboratory tests"
_STAGES: Final = "stages of the laboratory test with measured uptake"
_RECORD: Final = {
    "ageing": "readings over three weeks and more before each test, with days_before to match",
    "ageing_bins": "readings of ten athletes in two bins of age (0-7, 8-21, 22-42 days) before a test",
    "averaging_curve": "field values on several days around each laboratory test",
    "averaging_rule": _BREATHS,
    "borderline_moved": _SESSIONS,
    "budget": f"{_TWICE}, and field values on several days around each",
    "by_age": "the age of every athlete",
    "by_sex": "the sex of every athlete",
    "control": "tests of one person or calibrator, again and again, named in [control]",
    "drift": "laboratory tests spread over some months",
    "economy_explained": _STAGES,
    "error_split": _STAGES,
    "intensity_coverage": _SESSIONS,
    "laboratory_change": _TWICE,
    "laboratory_repeats": _TWICE,
    "limits_as_if_independent": _AGAIN,
    "limits_by_rule": _BREATHS,
    "limits_of_agreement_anova": _AGAIN,
    "mass_mismatch": "the body mass that is set in the device, and the one measured",
    "net_of_laboratory": _TWICE,
    "own_correction": _AGAIN,
    "profile_at_equal_level": _SESSIONS,
    "profile_bias": _SESSIONS,
    "profiles_two_by_two": _SESSIONS,
    "quantile_limits": _MORE,
    "repeatability": _TWICE,
    "structural": _TWICE,
}


def silent(numbers: Numbers) -> dict[str, Cell]:
    """Return the analyses without a single number, none of them withheld, and a line that says why."""
    found: dict[str, Cell] = {}
    frame = numbers.frame
    codes = frame["note"].astype("str").str.extract(r"^(\w+)", expand=False)
    said_why = frame.assign(told=codes.isin(list(_BY_CODE)), withheld=codes.eq("suppressed"))
    said_why["known"] = frame["value"].notna() | said_why["withheld"]
    analyses = said_why.groupby("analysis", sort=False)
    mute = analyses["told"].any() & ~analyses["known"].any()
    said_why = said_why[said_why["told"] & said_why["analysis"].isin(mute.index[mute])]
    first = said_why.drop_duplicates("analysis")
    place = ["analysis", "statistic", "method", "mode", "group"]
    for key in first[place].astype("object").itertuples(index=False, name=None):
        found[str(key[0])] = numbers.get(*key)
    return found


def unsaid_block(numbers: Numbers, kind: Kind, analyses: Iterable[Analysis] = ANALYSES) -> Block:
    """
    Say what to record to learn what no analysis can tell; why each is silent is folded.

    kind: {"squad", "validation", "audit"}.
    """
    why = silent(numbers)
    told = (one for one in analyses if one.name in why and kind in one.shown_in)
    found = [(one, why[one.name]) for one in told]
    if not found:
        return Block("")
    groups: dict[str, list[str]] = {}
    for one, cell in found:
        groups.setdefault(_to_record(one, cell), []).append(one.label)
    reasons = [(one.label, cell.reason.rstrip(".")) for one, cell in found]
    return Block(said("unsaid", "block", kind=kind, groups=groups, reasons=reasons))


def _to_record(one: Analysis, cell: Cell) -> str:
    """Return what to record to learn what an analysis would tell."""
    code = cell.note.partition(":")[0].split(";")[0].strip()
    record = _RECORD.get(one.name, "") if code in {TOO_FEW, NOT_ESTIMABLE} else ""
    return record or _BY_CODE[code]
