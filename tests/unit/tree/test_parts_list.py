"""The list of what the agent is made of says what the lock says: each package, version and hash."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from parts_found import missing

ROOT = Path(__file__).parents[3]
LOCK = ROOT / "requirements.lock"
LIST = ROOT / "build" / "sbom.cdx.json"


@pytest.fixture(scope="module")
def sbom() -> dict[str, Any]:
    """The list as `make sbom` wrote it."""
    if not LIST.exists() or LIST.stat().st_mtime < LOCK.stat().st_mtime:
        missing("needs the parts list of this lock: make sbom")
    found: dict[str, Any] = json.loads(LIST.read_text(encoding="utf-8"))
    return found


def locked() -> dict[tuple[str, str], set[str]]:
    """(name, version) to SHA-256 hashes, as the lock has them."""
    text = LOCK.read_text(encoding="utf-8").replace("\\\n", " ")
    found = {}
    for line in text.splitlines():
        if pinned := re.match(r"([A-Za-z0-9._-]+)==(\S+)", line):
            name, version = pinned.groups()
            found[name, version] = set(re.findall(r"--hash=sha256:([0-9a-f]{64})", line))
    return found


def test_it_is_a_cyclonedx_list_of_this_program(sbom: dict[str, Any]) -> None:
    """The members that CycloneDX 1.6 (ECMA-424) asks for, and the program it is about."""
    assert (sbom["bomFormat"], sbom["specVersion"]) == ("CycloneDX", "1.6")
    about = sbom["metadata"]["component"]
    assert (about["name"], about["type"]) == ("shotgram", "application")


def test_every_locked_package_is_in_it_with_its_hashes(sbom: dict[str, Any]) -> None:
    """Neither more nor less."""
    listed = {
        (part["name"], part["version"]): {
            digest["content"]
            for reference in part["externalReferences"]
            for digest in reference.get("hashes", [])
            if digest["alg"] == "SHA-256"
        }
        for part in sbom["components"]
    }
    wanted = locked()
    assert len(wanted) > 20
    assert all(wanted.values()), "a package without a hash would be installed unseen"
    assert listed == wanted


def test_every_part_can_be_looked_up(sbom: dict[str, Any]) -> None:
    """A package URL (ECMA-427) names each without doubt."""
    for part in sbom["components"]:
        assert part["purl"] == f"pkg:pypi/{part['name'].lower()}@{part['version']}"
