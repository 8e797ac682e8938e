"""Reads program files: those that come with the package and those of the site."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from ingest.domain.programs import Program, ProgramError, parse_program


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
    for name, text in sorted(texts.items()):
        try:
            programs[name] = parse_program(text, name)
        except ProgramError as error:
            faults += error.faults
    if faults:
        raise ProgramError(*faults)
    return programs
