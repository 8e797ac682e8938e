"""Reads the fleet's own code meanings from the file that the site names."""

from __future__ import annotations

from pathlib import Path

from ingest.config import ConfigError
from ingest.domain.dictionary import EMPTY, Dictionary, DictionaryError, parse_dictionary


def load_dictionary(path: Path | None) -> Dictionary:
    """The dictionary in a CSV file, or an empty one without a file.

    Raises `ConfigError` with every fault of the file.
    """
    if path is None:
        return EMPTY
    try:
        return parse_dictionary(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(f"dictionary: {path}: {error}, expected CSV in UTF-8") from error
    except DictionaryError as error:
        raise ConfigError(*(f"dictionary: {path}: {fault}" for fault in error.faults)) from error
