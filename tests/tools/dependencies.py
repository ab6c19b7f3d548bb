#!/usr/bin/env python3
"""Holds the dependencies to four rules: each is used, comes from the registry, is pinned by the lock file,
and carries a licence under which the whole can be given away.

Reads `cargo metadata`, so it sees what is built; says what it found and exits with 1 on a breach.
"""

import json
import re
import subprocess
import sys
from collections import defaultdict
from pathlib import Path

ALLOWED = {
    "0BSD", "Apache-2.0", "Apache-2.0 WITH LLVM-exception", "BSD-2-Clause", "BSD-3-Clause", "BSL-1.0", "CC0-1.0",
    "CDLA-Permissive-2.0", "ISC", "MIT", "MIT-0", "Unicode-3.0", "Unlicense", "Zlib",
}  # fmt: skip

# Used without being named in any source: package -> why.
SILENT = {}


def licence_is_allowed(text):
    """Whether some way to choose among the alternatives of an SPDX expression leaves allowed ones only."""
    text = text.replace("/", " OR ")
    while match := re.search(r"\(([^()]*)\)", text):
        verdict = "MIT" if licence_is_allowed(match.group(1)) else "refused"
        text = text[: match.start()] + verdict + text[match.end() :]
    return any(
        all(term.strip() in ALLOWED for term in alternative.split(" AND ")) for alternative in text.split(" OR ")
    )


def library(packages, dependency):
    """The name by which sources call a dependency; a crate's library may have another than its package."""
    if dependency["rename"]:
        return dependency["rename"].replace("-", "_")
    for package in packages:
        if package["name"] == dependency["name"]:
            for target in package["targets"]:
                if {"lib", "proc-macro", "rlib"} & set(target["kind"]):
                    return target["name"].replace("-", "_")
    return dependency["name"].replace("-", "_")


def used(package, name):
    """Whether some source of a package names a crate."""
    folder = Path(package["manifest_path"]).parent
    word = re.compile(rf"\b{re.escape(name)}\b")
    for part in ("src", "tests", "benches", "examples", "build.rs"):
        start = folder / part
        for file in [start] if start.is_file() else start.rglob("*.rs"):
            if word.search(file.read_text(encoding="utf-8")):
                return True
    return False


def breaches(metadata):
    """Every broken rule, in words."""
    members = set(metadata["workspace_members"])
    for package in metadata["packages"]:
        name = f"{package['name']} {package['version']}"
        if package["id"] in members:
            for dependency in package["dependencies"]:
                called = dependency["name"]
                if called not in SILENT and not used(package, library(metadata["packages"], dependency)):
                    yield f"{package['name']}: no source names the dependency {called}; take it out of Cargo.toml"
                if dependency["req"] == "*" and not dependency.get("path"):
                    yield f"{package['name']}: {called} is taken in any version"
            continue
        if not (package["source"] or "").startswith("registry+"):
            yield f"{name}: comes from {package['source']}, not from the registry"
        if not licence_is_allowed(package["license"] or ""):
            yield f"{name}: licence {package['license']!r} is not among the allowed ones"


def main():
    assert licence_is_allowed("(MIT OR GPL-3.0) AND Unicode-3.0") and not licence_is_allowed("MIT AND GPL-3.0")
    command = ["cargo", "metadata", "--format-version", "1", "--locked"]
    metadata = json.loads(subprocess.run(command, check=True, capture_output=True).stdout)
    found = list(breaches(metadata))
    versions = defaultdict(list)
    for package in metadata["packages"]:
        versions[package["name"]].append(package["version"])
    twice = sorted(f"{name} {' and '.join(each)}" for name, each in versions.items() if len(each) > 1)
    print(f"{len(metadata['packages'])} packages; in more than one version: {', '.join(twice) or 'none'}")
    for breach in found:
        print(breach, file=sys.stderr)
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
