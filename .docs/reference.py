"""Reference pages, from what the program itself declares: nothing is written a second time."""

import re

import agreement
from agreement import report
from agreement.stats.catalogue import ANALYSES
from agreement.tables.columns import INPUTS
from agreement.tables.new_study import STUDY_FILE_TEXT
from agreement.tables.units import unit_names
from agreement.terms import (
    DOUBTS,
    GLOSSARY,
    GROUP_WORDS,
    NOTE_WORDS,
    OUTPUT_COLUMNS,
    RANGES,
    REASONS,
)


def reference_pages() -> dict[str, str]:
    """Return the pages by file name."""
    return {
        "api.md": _api(),
        "reference-statistics.md": _statistics(),
        "reference-input.md": _input(),
        "reference-study-file.md": _study_file(),
        "reference-output.md": _output(),
        "reference-codes.md": _codes(),
        "reference-words.md": _definitions("# Words", "", GLOSSARY),
    }


def _api() -> str:
    """Return the public names with their documentation."""
    parts = [
        "# Python",
        "Names are opened by `import agreement`; each example is run by the tests.",
    ]
    for name in agreement.__all__:
        opened = getattr(agreement, name)
        kind = "autoclass" if isinstance(opened, type) else "autofunction"
        members = "\n:members:" if kind == "autoclass" and name == "Cohort" else ""
        block = f".. {kind}:: agreement.{name}{members.replace(chr(10), chr(10) + '   ')}"
        parts.append(f"## {name}\n\n```{{eval-rst}}\n{block}\n```")
    parts += ["# Sections of a report", "Names are opened by `from agreement import report`."]
    parts.append("```{eval-rst}\n.. automodule:: agreement.report\n```")
    for name in report.__all__:
        kind = "autoclass" if isinstance(getattr(report, name), type) else "autofunction"
        parts.append(f"```{{eval-rst}}\n.. {kind}:: agreement.report.{name}\n```")
    return "\n\n".join(parts) + "\n"


def _statistics() -> str:
    """Return every analysis with its statistics."""
    parts = ["# Statistics", "The rows of results.csv. d is field minus laboratory."]
    for analysis in ANALYSES:
        lines = [f"## {analysis.name}", f"{_plain(analysis.label)}."]
        for one in analysis.statistics:
            unit = "" if one.unit == "1" else f" ({_plain(one.unit)})"
            lines.append(
                f"`{one.name}`{unit}: {_plain(one.meaning)} *Computed:* {_plain(one.formula)}. "
                f"*Source:* {_plain(one.source)}."
            )
        parts.append("\n\n".join(lines))
    return "\n\n".join(parts) + "\n"


def _input() -> str:
    """Return the tables of a study folder with their columns."""
    parts = ["# Study folder"]
    for table in INPUTS.values():
        lines = []
        for name, column in table.columns.items():
            said = ["required"] if column.required else []
            said += [f"one of {', '.join(column.codes)}"] if column.codes else []
            units = unit_names(name)
            said += (
                [f"in {units[0]}; `units` may state {', '.join(units[1:])}"] if units[1:] else []
            )
            if found := RANGES.get(name):
                said.append(f"{found.reject_low:g} to {found.reject_high:g} {found.unit} are taken")
            lines.append(f"- `{name}`" + (f": {_plain('; '.join(said))}." if said else ""))
        parts.append(f"## {table.name}\n\n" + "\n".join(lines))
    return "\n\n".join(parts) + "\n"


def _study_file() -> str:
    """Return the commented study file."""
    return f"# study.toml\n\n```toml\n{STUDY_FILE_TEXT}```\n"


def _output() -> str:
    """Return the columns of every file of the output."""
    parts = ["# Output", "`datapackage.json` beside the files says the same."]
    for table, columns in OUTPUT_COLUMNS.items():
        lines = [f"- `{name}`: {_plain(said)}." for name, said in columns.items()]
        parts.append(f"## {table}.csv\n\n" + "\n".join(lines))
    return "\n\n".join(parts) + "\n"


def _codes() -> str:
    """Return the codes of rows left out, of what stops until it is confirmed, and of results.csv."""
    left_out = _definitions("## Why a row is left out", "In exclusions.csv.", REASONS)
    doubts = _definitions("## What stops until it is confirmed", "Keys of [confirm].", DOUBTS)
    notes = _definitions("## Notes", "In the column note of results.csv.", NOTE_WORDS)
    groups = _definitions("## Groups", "In the column group of results.csv.", GROUP_WORDS)
    return f"# Codes\n\n{left_out}\n{doubts}\n{notes}\n{groups}"


def _definitions(title: str, lead: str, words: dict[str, str]) -> str:
    lines = "\n".join(f"- `{word}`: {_plain(said)}." for word, said in words.items())
    return "\n\n".join(filter(None, [title, lead, lines])) + "\n"


def _plain(text: str) -> str:
    """Return text in which nothing is taken for markup."""
    return re.sub(r"([\\*_\[\]<>`|$#])", r"\\\1", str(text)).rstrip(".")
