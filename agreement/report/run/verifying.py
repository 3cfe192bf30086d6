"""Whether the files of a report are as they were written."""

import json
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from agreement.report.run.folder import PROVENANCE, provenance_bytes
from agreement.report.run.own_provenance import read_provenance
from agreement.tables.paths import file_digest


def checksums(folder: Path) -> dict[str, str]:
    """Return the SHA-256 checksum of every file in a folder but its provenance, by name."""
    found = (path for path in sorted(folder.rglob("*")) if path.is_file())
    paths = [path for path in found if path != folder / PROVENANCE]
    with ThreadPoolExecutor() as threads:  # a digest does not hold Python's lock
        digests = threads.map(file_digest, paths)
        names = (path.relative_to(folder).as_posix() for path in paths)
        return dict(zip(names, digests, strict=True))


def seal(folder: Path) -> None:
    """Add the checksums of all other files to the provenance of a folder."""
    path = folder / PROVENANCE
    content = json.loads(path.read_text(encoding="utf-8"))
    content["outputs"] = checksums(folder)
    path.write_bytes(provenance_bytes(content))


def changed_files(folder: str | Path) -> list[str]:
    """
    Compare a report's files with the checksums in its provenance.

    Returns: one sentence for each file that changed, is missing or was added; empty when all is
        well.
    Raises AgreementError if the folder holds no report of ours.
    """
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
