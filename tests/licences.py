#!/usr/bin/env python3
"""Checks every dependency against .deny.toml: its licence, its name, where it comes from. Works offline.

Licences are those of the crates that are built on this platform; names and sources are those of the whole Cargo.lock.
"""
import json
import pathlib
import re
import subprocess
import sys
import tomllib

ROOT = pathlib.Path(__file__).resolve().parent.parent


def allowed(expression, licences):
    """Whether an SPDX expression (SPDX 2.3, annex D; `/` is the older crates' OR) can be met by `licences`."""
    tokens = re.findall(r"[()]|[^\s()]+", expression.replace("/", " OR "))

    def either():
        value = both()
        while tokens[:1] == ["OR"]:
            tokens.pop(0)
            value = both() or value
        return value

    def both():
        value = one()
        while tokens[:1] == ["AND"]:
            tokens.pop(0)
            value = one() and value
        return value

    def one():
        name = tokens.pop(0)
        if name == "(":
            value = either()
            tokens.pop(0)
            return value
        if tokens[:1] == ["WITH"]:
            tokens.pop(0)
            name += " WITH " + tokens.pop(0)
        return name in licences

    return either() and not tokens


def main():
    rules = tomllib.loads((ROOT / ".deny.toml").read_text())
    licences = set(rules["licenses"]["allow"])
    banned = {entry["crate"] for entry in rules["bans"]["deny"]}
    registries = {"registry+" + url for url in rules["sources"]["allow-registry"]}
    wrong = []

    locked = tomllib.loads((ROOT / "Cargo.lock").read_text())["package"]
    for crate in locked:
        if crate["name"] in banned:
            wrong.append(f"{crate['name']} {crate['version']}: banned")
        if "source" in crate and crate["source"] not in registries:
            wrong.append(f"{crate['name']} {crate['version']}: from {crate['source']}")

    version = subprocess.run(["rustc", "-vV"], check=True, capture_output=True, text=True).stdout
    host = re.search(r"^host: (\S+)$", version, re.M).group(1)
    metadata = ["cargo", "metadata", "--locked", "--format-version", "1", "--filter-platform", host]
    built = json.loads(subprocess.run(metadata, cwd=ROOT, check=True, stdout=subprocess.PIPE).stdout)["packages"]
    for crate in built:
        licence = crate["license"] or "none stated"
        if not allowed(licence, licences):
            wrong.append(f"{crate['name']} {crate['version']}: licence {licence}")

    for line in wrong:
        print(line)
    print(f"{len(built)} licences, {len(locked)} names and sources checked, {len(wrong)} wrong")
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
