"""Ways to spoil a study folder; each takes a folder and a seeded generator, and changes one thing."""

import csv
import gzip
import io
import random
import zlib
from collections.abc import Callable
from typing import Any

from hostile_values import (
    BITS,
    CELLS,
    ENDS,
    LINKS,
    TOML_LINES,
    TOML_VALUES,
    file_names,
    header_names,
)

Folder = dict[str, Any]
Spoil = Callable[[Folder, random.Random], None]


def chosen_file(folder: Folder, rng: random.Random) -> str | None:
    """Return the name of a plain file."""
    names = [name for name, content in folder.items() if isinstance(content, bytes)]
    return rng.choice(names) if names else None


def unpacked(name: str, data: bytes) -> bytes:
    """Return what a file says, packed or not."""
    if not name.endswith(".gz"):
        return data
    try:
        return gzip.decompress(data)
    except (OSError, EOFError, zlib.error):
        return b""


def table(folder: Folder, rng: random.Random) -> tuple[str, str, list[list[str]]] | None:
    """Return a table's name, separator and records."""
    names = [
        name
        for name, content in folder.items()
        if isinstance(content, bytes) and name.endswith((".csv", ".gz")) and content
    ]
    if not names:
        return None
    weights = [1 if "/" in name else 4 for name in names]
    name = rng.choices(names, weights)[0]
    text = unpacked(name, folder[name]).decode("utf-8", "surrogateescape")
    separator = ";" if text.count(";") > text.count(",") else ","
    try:
        records = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
    except csv.Error:
        return None
    return (name, separator, records) if len(records) > 1 and all(records) else None


def put_table(
    folder: Folder, name: str, separator: str, records: list[list[str]], **how: Any
) -> None:
    """Write records back as they were packed."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=separator, lineterminator=how.pop("end", "\n"), **how)
    writer.writerows(records)
    data = text.getvalue().encode("utf-8", "surrogateescape")
    folder[name] = gzip.compress(data, mtime=0) if name.endswith(".gz") else data


def on_bytes(change: Callable[[bytes, random.Random], bytes]) -> Spoil:
    """Return a spoil that changes the bytes of one file."""

    def spoil(folder: Folder, rng: random.Random) -> None:
        if (name := chosen_file(folder, rng)) is not None:
            folder[name] = change(folder[name], rng)

    spoil.__name__ = change.__name__
    return spoil


def on_table(change: Callable[[list[list[str]], random.Random], Any]) -> Spoil:
    """Return a spoil that changes the records of one table."""

    def spoil(folder: Folder, rng: random.Random) -> None:
        if (found := table(folder, rng)) is not None:
            name, separator, records = found
            put_table(folder, name, separator, change(records, rng) or records)

    spoil.__name__ = change.__name__
    return spoil


# --- bytes ----------------------------------------------------------------------------------------


def truncated(data: bytes, rng: random.Random) -> bytes:
    return data[: rng.randrange(len(data) + 1)]


def flipped(data: bytes, rng: random.Random) -> bytes:
    changed = bytearray(data)
    for _ in range(rng.choice((1, 1, 3, 30))):
        if changed:
            changed[rng.randrange(len(changed))] = rng.randrange(256)
    return bytes(changed)


def inserted(data: bytes, rng: random.Random) -> bytes:
    place = rng.choice((0, rng.randrange(len(data) + 1), len(data)))
    return data[:place] + rng.choice(BITS) * rng.choice((1, 1, 2, 50)) + data[place:]


def cut(data: bytes, rng: random.Random) -> bytes:
    start = rng.randrange(len(data) + 1)
    return data[:start] + data[start + rng.choice((1, 10, 200)) :]


def repeated(data: bytes, rng: random.Random) -> bytes:
    return data * rng.choice((2, 3)) if rng.random() < 0.5 else data[: len(data) // 2] + data


def recoded(data: bytes, rng: random.Random) -> bytes:
    text = data.decode("utf-8", "replace")
    codec = rng.choice(("utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-7", "cp500", "latin-1"))
    return text.encode(codec, "replace")


def line_ends(data: bytes, rng: random.Random) -> bytes:
    lines = data.split(b"\n")
    if rng.random() < 0.5:
        return rng.choice(ENDS).join(lines)
    return b"".join(line + rng.choice((*ENDS, b"\n")) for line in lines)


def noise(_data: bytes, rng: random.Random) -> bytes:
    heads = (b"", b"", b"\x1f\x8b", b"PK\x03\x04", b"PAR1", b"%PDF-1.4", b"\x89PNG")
    return rng.choice(heads) + rng.randbytes(rng.choice((0, 1, 20, 3000)))


# --- tables ---------------------------------------------------------------------------------------


def cells(records: list[list[str]], rng: random.Random) -> None:
    for _ in range(rng.choice((1, 1, 2, 5))):
        row = rng.choice(records[1:])
        if row:
            row[rng.randrange(len(row))] = rng.choice(CELLS)


def whole_column(records: list[list[str]], rng: random.Random) -> None:
    column, value = rng.randrange(len(records[0])), rng.choice(CELLS)
    several = rng.sample(CELLS, 3)
    for row in records[1:]:
        if column < len(row):
            row[column] = value if len(value) % 2 else rng.choice(several)


def other_unit(records: list[list[str]], rng: random.Random) -> None:
    column = rng.randrange(len(records[0]))
    factor = rng.choice((1000, 0.001, 100, 0.01, 2.2046, 60, 3.6, -1, 1e9, 1e300))
    for row in records[1:]:
        try:
            row[column] = repr(float(row[column].replace(",", ".")) * factor)
        except (ValueError, IndexError):
            continue


def header(records: list[list[str]], rng: random.Random) -> None:
    names, i = records[0], rng.randrange(len(records[0]))
    names[i] = rng.choice(header_names(names[i], names))


def columns(records: list[list[str]], rng: random.Random) -> list[list[str]]:
    order = list(range(len(records[0])))
    what = rng.randrange(4)
    if what == 0:
        rng.shuffle(order)
    elif what == 1:
        order.pop(rng.randrange(len(order)))
    elif what == 2:
        order.insert(rng.randrange(len(order)), rng.choice(order))
    else:
        wide = rng.choice((50, 3000))
        return [
            [*row, *[f"c{i}" if not n else "" for i in range(wide)]]
            for n, row in enumerate(records)
        ]
    return [[row[i] if i < len(row) else "" for i in order] for row in records]


def rows(records: list[list[str]], rng: random.Random) -> list[list[str]]:
    head, body = records[0], records[1:]
    what = rng.randrange(8)
    if what == 0:
        rng.shuffle(body)
    elif what == 1:
        body *= 2
    elif what == 2:
        body = []
    elif what == 3:
        body.insert(rng.randrange(len(body) + 1), list(head))
    elif what == 4:
        body = [row for one in body for row in (one, [""] * len(head))]
    elif what == 5:  # as merged cells come out: the value once, then nothing
        column = rng.randrange(len(head))
        for row in body[1:]:
            if column < len(row):
                row[column] = ""
    elif what == 6:
        rng.choice(body or [[]]).append("more")
    else:
        return [["A title"], *([[]] * rng.randrange(4)), head, *body]
    return [head, *body]


def quoting(folder: Folder, rng: random.Random) -> None:
    if (found := table(folder, rng)) is not None:
        name, separator, records = found
        new = rng.choice((separator, ";", "\t", "|", ","))
        style = rng.choice((csv.QUOTE_ALL, csv.QUOTE_MINIMAL, csv.QUOTE_NONNUMERIC))
        put_table(folder, name, new, records, quoting=style, end=rng.choice(("\n", "\r\n", "\r")))


# --- files ----------------------------------------------------------------------------------------


def swapped(folder: Folder, rng: random.Random) -> None:
    one, other = chosen_file(folder, rng), chosen_file(folder, rng)
    if one and other:
        folder[one], folder[other] = folder[other], folder[one]


def gone(folder: Folder, rng: random.Random) -> None:
    if (name := chosen_file(folder, rng)) is not None:
        del folder[name]


def renamed(folder: Folder, rng: random.Random) -> None:
    if (name := chosen_file(folder, rng)) is None:
        return
    new = rng.choice(file_names(name))
    if not any(other.startswith(f"{new}/") or new.startswith(f"{other}/") for other in folder):
        folder[new] = folder[name] if rng.random() < 0.5 else folder.pop(name)


def linked(folder: Folder, rng: random.Random) -> None:
    if (name := chosen_file(folder, rng)) is not None:
        folder[name] = rng.choice((*LINKS, name.rsplit("/")[-1]))


# --- the study file -------------------------------------------------------------------------------


def toml_value(folder: Folder, rng: random.Random) -> None:
    text = folder.get("study.toml")
    if not isinstance(text, bytes):
        return
    lines = text.decode("utf-8", "replace").split("\n")
    keyed = [i for i, line in enumerate(lines) if " = " in line]
    if keyed:
        i = rng.choice(keyed)
        key = lines[i].split(" = ")[0]
        lines[i] = f"{key} = {rng.choice(TOML_VALUES)}"
    folder["study.toml"] = "\n".join(lines).encode()


def toml_line(folder: Folder, rng: random.Random) -> None:
    text = folder.get("study.toml")
    if not isinstance(text, bytes):
        return
    lines = text.decode("utf-8", "replace").split("\n")
    lines.insert(rng.randrange(len(lines) + 1), rng.choice(TOML_LINES))
    if rng.random() < 0.2:
        lines.pop(rng.randrange(len(lines)))
    folder["study.toml"] = "\n".join(lines).encode()


SPOILS: tuple[Spoil, ...] = (
    *map(on_bytes, (truncated, flipped, inserted, cut, repeated, recoded, line_ends, noise)),
    *map(on_table, (cells, whole_column, other_unit, header, columns, rows)),
    *(quoting, swapped, gone, renamed, linked, toml_value, toml_line),
)
_OFTEN = {"cells": 8, "whole_column": 4, "toml_value": 5, "other_unit": 2, "header": 2}
"""How often each is drawn."""


def spoil(folder: Folder, rng: random.Random, more: tuple[Spoil, ...] = ()) -> list[str]:
    """Spoil a folder in one to four ways; return their names."""
    ways = (*SPOILS, *more)
    weights = [_OFTEN.get(way.__name__, 1) for way in ways]
    drawn = rng.choices(ways, weights, k=rng.choice((1, 1, 1, 2, 2, 3, 4)))
    for way in drawn:
        way(folder, rng)
    return [way.__name__ for way in drawn]
