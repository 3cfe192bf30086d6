"""
Lists the licence of every installed package, and fails on one that GPL-3.0-or-later cannot include.

Run by the Python of the environment in question: python .ci/licences.py
"""

import re
import sys
from importlib.metadata import Distribution, distributions

# https://www.gnu.org/licenses/license-list.html; every licence that occurs must be named here
COMPATIBLE = re.compile(
    r"MIT|BSD|Apache|ISC|PSF|Python Software Foundation|PYTHON|MPL|Mozilla|LGPL|GPL-3|GPLv3"
    r"|GNU General Public License v3|Lesser General Public|Public Domain|Unlicense|0BSD|CC0|Zlib"
    r"|HPND|CMU|FreeBSD|NCSA|matplotlib|license agreement for matplotlib",
    re.IGNORECASE,
)
REFUSED = re.compile(r"proprietary|commercial|GPL-?2(\.0)?-only|AGPL-1|SSPL|BUSL", re.IGNORECASE)


def licence_of(package: Distribution) -> str:
    """As the package declares it: the expression, else the classifiers, else the text's start."""
    about = package.metadata
    declared = about.get("License-Expression")
    if declared:
        return declared
    classified = [
        one.rpartition("::")[2].strip()
        for one in about.get_all("Classifier") or ()
        if one.startswith("License ::") and not one.endswith("OSI Approved")
    ]
    return ", ".join(classified) or (about.get("License") or "").strip().partition("\n")[0][:60]


def main() -> None:
    """Print a line for each package; exit 1 when one does not fit."""
    found = {one.metadata["Name"]: (one.version, licence_of(one)) for one in distributions()}
    unfit = []
    for name, (version, licence) in sorted(found.items(), key=lambda item: item[0].casefold()):
        fits = bool(COMPATIBLE.search(licence)) and not REFUSED.search(licence)
        print(f"{'' if fits else 'UNFIT '}{name} {version}: {licence or 'none declared'}")
        if not fits:
            unfit.append(name)
    if unfit:
        sys.exit(f"{len(unfit)} of {len(found)} licences unknown or not compatible: {unfit}")
    print(f"{len(found)} packages, every licence compatible with GPL-3.0-or-later")


if __name__ == "__main__":
    main()
