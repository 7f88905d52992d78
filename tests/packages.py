"""The packages that an install of highside brings: sizes, licenses, and a bill of materials.

    python -m tests.packages                     # a table, largest first
    python -m tests.packages --sbom FILE         # CycloneDX 1.6, JSON (ECMA-424)

Run it by the Python of the install that is asked about, in a checkout. Both forms end with exit
code 1 where a package states a license that is not on the list of those that let anyone use, change
and pass on what they cover, or none.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
from dataclasses import dataclass
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path

from packaging.requirements import Requirement

ALLOWED = {
    "0BSD", "Apache-2.0", "BSD-2-Clause", "BSD-3-Clause", "CC0-1.0",
    "HPND", "ISC", "LGPL-3.0-only", "MIT", "MIT-CMU", "MPL-2.0", "PSF-2.0", "Python-2.0",
    "Unlicense", "WTFPL", "Zlib", "BSD",
}  # fmt: skip
# What older metadata writes, and the identifier that it stands for. "BSD" alone is none: it leaves
# open which form is meant, and both are allowed.
OLD_NAMES = (
    (r"apache", "Apache-2.0"),
    (r"mit-cmu|historical permission", "MIT-CMU"),
    (r"\bmit\b", "MIT"),
    (r"bsd[- ]2", "BSD-2-Clause"),
    (r"bsd[- ]3|new bsd", "BSD-3-Clause"),
    (r"\bbsd\b", "BSD"),
    (r"\bisc\b", "ISC"),
    (r"mozilla|mpl", "MPL-2.0"),
    (r"lesser general public|lgpl", "LGPL-3.0-only"),
    (r"python software foundation|\bpsf", "PSF-2.0"),
    (r"unlicense", "Unlicense"),
    (r"wtfpl", "WTFPL"),
)


@dataclass(frozen=True)
class Package:
    """One installed package.

    Attributes:
        name, version: as it states them.
        license: an SPDX expression; empty where it states none that is known.
        megabytes: size of its files, byte code included where it was compiled.
        needs: names of the packages that it requires here.
    """

    name: str
    version: str
    license: str
    megabytes: float
    needs: tuple[str, ...]

    @property
    def fit(self) -> bool:
        """Whether each part of its license, or one where it offers a choice, is allowed."""
        parts = re.sub(r"[()]", " ", self.license).split(" AND ")
        return all(any(one.strip() in ALLOWED for one in part.split(" OR ")) for part in parts)


def plain(name: str) -> str:
    """The name of a package as all its spellings are compared (PEP 503)."""
    return re.sub(r"[-_.]+", "-", name).lower()


def license_of(found: Distribution) -> str:
    """The license that a package states, as an SPDX expression; empty where it is not known."""
    stated = found.metadata.get("License-Expression")
    if stated:
        return stated
    classified = [
        each.rpartition(" :: ")[2]
        for each in found.metadata.get_all("Classifier") or []
        if each.startswith("License :: OSI Approved ::")
    ]
    texts = classified or (found.metadata.get("License") or "").strip().splitlines()[:1]
    known = [next((spdx for old, spdx in OLD_NAMES if re.search(old, t, re.I)), "") for t in texts]
    return " OR ".join(dict.fromkeys(known)) if all(known) else ""


def needs_of(found: Distribution) -> tuple[str, ...]:
    """Names of the packages that a package requires on this system, without its extras."""
    asked = map(Requirement, found.requires or [])
    here = [r for r in asked if r.marker is None or r.marker.evaluate({"extra": ""})]
    return tuple(sorted({plain(r.name) for r in here}))


def installed(root: str = "highside") -> list[Package]:
    """The package ``root`` and all that it brings, by name.

    Raises:
        PackageNotFoundError: when one of them is not installed.
    """
    packages: dict[str, Package] = {}
    left = [root]
    while left:
        name = plain(left.pop())
        if name in packages:
            continue
        found = distribution(name)
        paths = (Path(str(found.locate_file(file))) for file in found.files or [])
        size = sum(path.stat().st_size for path in paths if path.is_file())
        packages[name] = Package(
            found.metadata["Name"], found.version, license_of(found), size / 1e6, needs_of(found)
        )
        left += packages[name].needs
    return [packages[name] for name in sorted(packages)]


def bill(packages: list[Package]) -> dict[str, object]:
    """The bill of materials as a CycloneDX 1.6 document; equal installs give equal documents."""
    reference = {plain(p.name): f"pkg:pypi/{plain(p.name)}@{p.version}" for p in packages}
    components = [
        {
            "type": "library",
            "bom-ref": reference[plain(p.name)],
            "name": p.name,
            "version": p.version,
            "purl": reference[plain(p.name)],
            **({"licenses": [_stated(p.license)]} if p.license else {}),
        }
        for p in packages
    ]
    root = next(c for c in components if c["name"] == "highside")
    return {
        "bomFormat": "CycloneDX",
        "specVersion": "1.6",
        "version": 1,
        "metadata": {"component": {**root, "type": "application"}},
        "components": [c for c in components if c is not root],
        "dependencies": [
            {"ref": reference[plain(p.name)], "dependsOn": [reference[n] for n in p.needs]}
            for p in packages
        ],
    }


def _stated(license: str) -> dict[str, object]:
    """A license as the bill has it: an SPDX expression, or a name where it is none."""
    vague = "BSD" in license.split()
    return {"license": {"name": license}} if vague else {"expression": license}


def table(packages: list[Package]) -> str:
    """Packages as a table, largest first, with the sum."""
    lines = ["| package | version | license | MB |", "|---|---|---|---|"]
    for p in sorted(packages, key=lambda p: -p.megabytes):
        lines.append(f"| {p.name} | {p.version} | {p.license or 'not known'} | {p.megabytes:.1f} |")
    total = sum(p.megabytes for p in packages)
    return "\n".join([*lines, f"| all {len(packages)} | | | {total:.0f} |"])


def main() -> None:
    """Print the table or write the bill; exit code 1 where a license is not allowed."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--sbom", type=Path)
    asked = parser.parse_args()
    try:
        packages = installed()
    except PackageNotFoundError as missing:
        sys.exit(f"package '{missing.name}' is not installed: install highside with its packages.")
    if asked.sbom is None:
        print(table(packages))
    else:
        asked.sbom.write_text(json.dumps(bill(packages), indent=1) + "\n", encoding="utf-8")
        print(f"{len(packages)} packages in {asked.sbom}")
    unfit = [p for p in packages if not p.fit]
    if unfit:
        said = ", ".join(f"{p.name} ({p.license or 'none known'})" for p in unfit)
        sys.exit(f"licenses that are not on the list of {__name__}: {said}")


if __name__ == "__main__":
    main()
