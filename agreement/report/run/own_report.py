"""
A finished report, read back: its provenance, its tables, the rows that it left out, its checksums.

Whatever was done to its files since is said in a sentence.
"""

import csv
import json
import os
import stat
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from agreement.errors import AgreementError
from agreement.report.run.folder import PROVENANCE, own_provenance, provenance_bytes
from agreement.tables.options import KINDS
from agreement.tables.paths import file_digest
from agreement.terms import OUTPUT_COLUMNS, OUTPUT_NUMBERS

if TYPE_CHECKING:  # who seals a report that another process made needs none of it
    import pandas as pd

_MOST: Final = 4_000_000_000  # bytes of one table
_TYPES: Final[dict[str, type | tuple[type, ...]]] = {
    **dict.fromkeys(("written_by", "version", "created", "python", "study", "command"), str),
    **dict.fromkeys(("dependencies", "options", "outputs", "rows_of_few"), dict),
    **dict.fromkeys(("shared", "rows_of_people"), bool),
    **dict.fromkeys(("inputs", "small_groups"), list),
    "kind": (str, type(None)),
    "seed": int,
}
_AGAIN: Final = "Run the report again."
_ANOTHER: Final = "Name a folder that `agreement report` wrote."


def no_report(folder: Path | str, why: str = "") -> AgreementError:
    """Return what is said of a folder that no report is in."""
    return AgreementError(f"{folder} holds no report{why}. {_ANOTHER}")


def damaged(name: str, why: str) -> AgreementError:
    """Return what is said of a file of a report that cannot be used."""
    return AgreementError(f"{name} of the report {why}. {_AGAIN}")


def read_provenance(report: Path) -> dict[str, Any]:
    """Return a report's provenance; raises AgreementError if it is none of ours, or damaged."""
    if not (content := own_provenance(report)):
        raise no_report(report, f": its {PROVENANCE} is missing or not ours")
    for key, kind in _TYPES.items():
        if key in content and not isinstance(content[key], kind):
            raise damaged(PROVENANCE, f"is damaged: '{key}' is not what it should be")
    texts = [*content.get("outputs", {}).values(), *content.get("dependencies", {}).values()]
    few, name = content.get("rows_of_few", {}).values(), content.get("study")
    fits = {
        "a checksum or a version is no text": _are_texts(texts),
        "'inputs' is no list of files": all(
            isinstance(one, dict) and _are_texts([one.get("name"), one.get("sha256")])
            for one in content.get("inputs", [])
        ),
        "'small_groups' is no list of groups": all(
            isinstance(one, list) and len(one) in (4, 5) and _are_texts(one)
            for one in content.get("small_groups", [])
        ),
        "'rows_of_few' is no list of rows": all(
            isinstance(one, list)
            and [type(part) for part in one] == [int, int, list]
            and min(one[:2]) >= 0
            for one in few
        ),
        "there is no such kind of report": content.get("kind") in (*KINDS, None),
        "'study' is no name of a folder": name is None
        or (name != "" and name == Path(name).name and "\0" not in name),
    }
    for what, is_so in fits.items():
        if not is_so:
            raise damaged(PROVENANCE, f"is damaged: {what}")
    try:
        json.dumps(content, ensure_ascii=False).encode("utf-8")
    except UnicodeEncodeError as error:
        raise damaged(PROVENANCE, "is damaged: it holds what is no text") from error
    return content


def _are_texts(values: Iterable[Any]) -> bool:
    return all(isinstance(one, str) for one in values)


def as_written(report: Path, name: str, content: dict[str, Any]) -> Path:
    """Return the path of a file of a report; raise when it is missing, no plain file, or changed."""
    path = report / name
    try:
        found = os.stat(path)  # noqa: PTH116 - follows links, as opening would
    except (OSError, ValueError) as error:
        if name not in content.get("outputs", {}):
            raise AgreementError(f"{report} never had {name}. {_ANOTHER}") from error
        raise damaged(name, "is missing") from error
    if not stat.S_ISREG(found.st_mode):
        raise damaged(name, "is no plain file")
    if found.st_size > _MOST:
        raise damaged(name, "is too large")
    if content.get("outputs", {}).get(name) != file_digest(path):
        raise damaged(name, "is not as it was written, and only what we wrote is passed on")
    return path


def read_own_table(report: Path, name: str, content: dict[str, Any]) -> "pd.DataFrame":
    """Read one table of a report, ids and texts as text; raises as `as_written`."""
    import numpy as np
    import pandas as pd

    frame = pd.concat(read_in_pieces(report, name, content), ignore_index=True)
    for column in OUTPUT_NUMBERS & set(frame.columns):
        text = frame[column]
        values = pd.to_numeric(text.where(text != "", None), errors="coerce").astype("float64")
        if (values.isna() & (text != "")).any() or np.isinf(values).any():
            raise damaged(f"{name}.csv", f"holds something in {column} that is no number")
        frame[column] = values
    return frame


def read_in_pieces(
    report: Path, name: str, content: dict[str, Any], *, rows: int = 200_000
) -> "Iterator[pd.DataFrame]":
    """Yield a table of a report as text, some rows at a time; raises as `read_own_table`."""
    file = f"{name}.csv"
    path = as_written(report, file, content)
    with path.open("rb") as text:
        text.seek(max(path.stat().st_size - 1, 0))
        if text.read() != b"\n":
            raise damaged(file, "is cut off")
    import pandas as pd

    wanted = [*OUTPUT_COLUMNS[name.split("/")[0]]]
    try:
        pieces = pd.read_csv(
            path, dtype="str", keep_default_na=False, chunksize=rows, encoding="utf-8"
        )
        some = False
        with pieces:
            for piece in pieces:
                some = True
                extra = [str(c) for c in piece.columns if c not in wanted]
                if extra or len(set(piece.columns)) != len(wanted):
                    raise damaged(
                        file,
                        f"has the columns {', '.join(map(str, piece.columns))[:200]}, not ours",
                    )
                yield piece[wanted]
        if not some:
            raise damaged(file, "is empty")
    except (ValueError, csv.Error, UnicodeError, OverflowError) as error:
        if isinstance(error, AgreementError):
            raise
        raise damaged(file, "is no table") from error


EXCLUSIONS_FOLDER: Final = "exclusions/"


def ledger_pieces(report: Path, content: dict[str, Any]) -> "Iterator[pd.DataFrame]":
    """Yield the lines of a report as text, those of Parquet last; raises as `as_written`."""
    from agreement.tables.parts import read_ledger_part

    yield from read_in_pieces(report, "exclusions", content)
    for name in content.get("outputs", {}):
        if not (name.startswith(EXCLUSIONS_FOLDER) and name.endswith(".parquet")):
            continue
        path = as_written(report, name, content)
        try:
            lines = read_ledger_part(path)
        except ImportError as error:
            raise AgreementError(
                "The lines are in Parquet files. Install this package with its extra 'scale'."
            ) from error
        except (OSError, ValueError, KeyError) as error:  # Arrow's own errors are among these
            raise damaged(name, "is no table") from error
        yield lines.astype("str").fillna("")


def ledger_csv(report: str | Path) -> Iterator[bytes]:
    """
    Yield the lines of a report as CSV, the header first; raises as `ledger_pieces`.

    A text that a spreadsheet would take for a formula gets an apostrophe before it.
    """
    from agreement.tables.writers import csv_bytes

    place, header = Path(report), True
    for lines in ledger_pieces(place, read_provenance(place)):
        text = csv_bytes(lines)
        yield text if header else text.partition(b"\n")[2]
        header = False


def ledger_counts(report: str | Path) -> "pd.DataFrame":
    """Return how many rows a report left out for each reason, in words; raises as `ledger_pieces`."""
    import numpy as np
    import pandas as pd

    from agreement.report.privacy.left_out import WORDS, rows_by_reason

    place = Path(report)
    counts = pd.Series(0, index=list(WORDS))
    for lines in ledger_pieces(place, read_provenance(place)):
        of_several = lines["row"] == ""  # only these may stand for more than one row
        told = rows_by_reason(lines[of_several].replace("", np.nan))
        for some in (
            lines.loc[~of_several, "reason"].value_counts(),
            told.groupby("reason")["rows"].sum(),
        ):
            counts = counts.add(some, fill_value=0)
    found = counts[counts > 0].astype(int)
    words = [WORDS.get(reason, "") for reason in found.index]
    return pd.DataFrame({"reason": found.index, "rows": found.to_numpy(), "in words": words})


def checksums(folder: Path) -> dict[str, str]:
    """Return the SHA-256 checksum of every file in a folder but its provenance, by name."""
    found = (path for path in sorted(folder.rglob("*")) if path.is_file())
    paths = [path for path in found if path != folder / PROVENANCE]
    return {path.relative_to(folder).as_posix(): file_digest(path) for path in paths}


def seal(folder: Path) -> None:
    """Add the checksums of all other files to the provenance of a folder."""
    path = folder / PROVENANCE
    content = json.loads(path.read_text(encoding="utf-8"))
    content["outputs"] = checksums(folder)
    path.write_bytes(provenance_bytes(content))


def changed_files(folder: str | Path) -> list[str]:
    """Say which files of a report changed, are missing or were added; empty when all is well."""
    place = Path(folder)
    content = read_provenance(place)
    written, found = content.get("outputs", {}), checksums(place)
    lines = [f"{name} is missing." for name in written if name not in found]
    lines += [f"{name} was added afterwards." for name in found if name not in written]
    lines += [
        f"{name} has changed since it was written."
        for name in written
        if name in found and found[name] != written[name]
    ]
    return sorted(lines)
