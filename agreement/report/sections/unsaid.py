"""What these data cannot say, and what to record to learn it: a line for each thing to record."""

from typing import Final

from agreement.report.page.machine import said, stated
from agreement.report.page.markup import Block
from agreement.report.page.numbers import Cell, Numbers
from agreement.stats.catalogue import ANALYSES
from agreement.stats.method_data import NO_MARGIN, NO_SECOND_VISIT, NOT_ESTIMABLE, TOO_FEW
from agreement.tables.options import Kind

SECTION_OF: Final = {  # section -> the analysis without which it has nothing to show
    "profiles": "profile_bias",
    "budget": "budget",
    "averaging": "averaging_curve",
    "change": "change",
    "drift": "drift",
}
_BY_CODE: Final = {
    TOO_FEW: "more athletes with a laboratory test and field values around it",
    NO_SECOND_VISIT: "a second laboratory test of the same athletes, with field values around it",
    NO_MARGIN: "a limit agreed on before the first test, in study.toml",
    NOT_ESTIMABLE: "more athletes, some of them tested twice",
}


def silent(numbers: Numbers) -> dict[str, Cell]:
    """Return the analyses without a single number, none of them withheld, and a line that says why."""
    places = numbers.frame[["method", "mode"]].itertuples(index=False, name=None)
    frame = numbers.frame.loc[[not numbers.hides(*map(str, place)) for place in places]]
    codes = frame["note"].astype("str").str.extract(r"^(\w+)", expand=False)
    said_why = frame.assign(told=codes.isin(list(_BY_CODE)), withheld=codes.eq("suppressed"))
    said_why["known"] = frame["value"].notna() | said_why["withheld"]
    analyses = said_why.groupby("analysis", sort=False)
    mute = analyses["told"].any() & ~analyses["known"].any()
    said_why = said_why[said_why["told"] & said_why["analysis"].isin(mute.index[mute])]
    first = said_why.drop_duplicates("analysis")
    place = ["analysis", "statistic", "method", "mode", "group"]
    keys = first[place].astype("object").itertuples(index=False, name=None)
    return {str(key[0]): numbers.get(*key) for key in keys}


def unsaid_block(numbers: Numbers, kind: Kind) -> Block:
    """Say what to record to learn what no analysis can tell; why each is silent is folded."""
    why = silent(numbers)
    told = (one for one in ANALYSES if one.name in why and kind in one.shown_in)
    found = [(one, why[one.name]) for one in told]
    if not found:
        return Block("")
    groups: dict[str, list[str]] = {}
    record = {name: words for words, names in stated("unsaid", "record") for name in names.split()}
    for one, cell in found:
        code = cell.note.partition(":")[0].split(";")[0].strip()
        # bare, it says that people lack, and no more
        lacks_more = code == NOT_ESTIMABLE or (code == TOO_FEW and cell.note != TOO_FEW)
        of_its_own = record.get(one.name) if lacks_more else None
        groups.setdefault(of_its_own or _BY_CODE[code], []).append(one.label)
    reasons = [(one.label, cell.reason.rstrip(".")) for one, cell in found]
    return Block(said("unsaid", "block", kind=kind, groups=groups, reasons=reasons))
