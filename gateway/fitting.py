"""What is known of one fitting's vehicle: whether it was identified, and as what.

One small file beside the outbox. It is there once an ECU answered SAE J1979 or the one
identification request of the newer protocol was used up, whichever came first.
"""

from __future__ import annotations

import logging
from pathlib import Path

NEWER = "newer protocol\n"

log = logging.getLogger(__name__)


class Fitting:
    """The file at `path`. A disk that takes nothing means that nothing is asked."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._identified = path.exists()
        self._newer = self._identified and self._read() == NEWER

    @property
    def identified(self) -> bool:
        """Whether the protocol is known, or was asked for."""
        return self._identified

    @property
    def newer_protocol(self) -> bool:
        """Whether the vehicle answered the identification request of the newer protocol."""
        return self._newer

    def first(self) -> bool:
        """True once in the life of a fitting, and kept before it is acted upon."""
        if self._identified:
            return False
        self._identified = True
        try:
            self._path.touch(exist_ok=False)
        except OSError as error:  # not kept: then it is not asked
            log.warning("fitting: %s", error)
            return False
        return True

    def keep_newer_protocol(self) -> None:
        """Remember the answer, so that the next power-up need not find out in vain."""
        self._newer = True
        try:
            self._path.write_text(NEWER, encoding="utf-8")
        except OSError as error:
            log.warning("fitting: %s", error)

    def _read(self) -> str:
        try:
            return self._path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            log.warning("fitting: %s", error)
            return ""
