"""Python's cyclic garbage collector, set for a service that makes many small objects, few cycles.

Left as it is, it looks through every loaded module again and again: a third of the time of a busy
ingest (measured).
"""

from __future__ import annotations

import gc

THRESHOLDS = (50_000, 20, 50)
"""Objects before the youngest are looked through, and rounds before the older ones (measured)."""


def settle_collector() -> None:
    """What is loaded by now stays for good and is never looked through; the rest less often."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(*THRESHOLDS)
