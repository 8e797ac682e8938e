"""Reads program files: those that come with the package and those of the site."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from ingest.domain.programs import (
    FleetAdditions,
    Program,
    ProgramError,
    parse_additions,
    parse_program,
    with_additions,
)

ADDITIONS = ".fleet"
"""`illinois.fleet.toml` in the site's folder adds a fleet's rows to the program illinois."""


def load_programs(extra: Path | None = None) -> dict[str, Program]:
    """All programs by name; a site's file replaces ours of the same name.

    Raises `ProgramError` with every fault of every file.
    """
    texts: dict[str, str] = {}
    faults: list[str] = []
    for entry in resources.files("ingest").joinpath("programs").iterdir():
        if entry.name.endswith(".toml"):
            texts[entry.name.removesuffix(".toml")] = entry.read_text(encoding="utf-8")
    if extra is not None:
        if not extra.is_dir():
            raise ProgramError(f"programs_dir: {str(extra)!r}, expected a directory")
        for path in sorted(extra.glob("*.toml")):
            try:
                texts[path.stem] = path.read_text(encoding="utf-8")
            except (OSError, UnicodeDecodeError) as error:
                faults.append(f"{path.name}: {error}, expected a readable file in UTF-8")
    programs: dict[str, Program] = {}
    added: dict[str, FleetAdditions] = {}
    for name, text in sorted(texts.items()):
        try:
            if name.endswith(ADDITIONS):
                added[name.removesuffix(ADDITIONS)] = parse_additions(text, name)
            else:
                programs[name] = parse_program(text, name)
        except ProgramError as error:
            faults += error.faults
    for name, additions in added.items():
        if name in programs:
            programs[name] = with_additions(programs[name], additions)
        elif name not in texts:
            known = ", ".join(sorted(programs))
            faults.append(f"{name}{ADDITIONS}.toml: program {name!r}, expected one of {known}")
    if faults:
        raise ProgramError(*faults)
    return programs
