"""The timed work of ingest, run by APScheduler: the sweep and the sending of notices."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import UTC

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler

from ingest.store.database import DatabaseTrouble

log = logging.getLogger(__name__)

MISFIRE_GRACE_S = 300
"""A late run still runs: the library's own default of 1 s would skip it on a busy machine."""


def schedule(jobs: dict[str, tuple[Callable[[], None], int]]) -> BackgroundScheduler:
    """Start a scheduler in UTC for `name -> (work, every so many seconds)`.

    One run at a time, missed runs joined into one; an error in one run is logged and the next
    run happens all the same.
    """
    scheduler = BackgroundScheduler(
        timezone=UTC,
        executors={"default": ThreadPoolExecutor(1)},
        job_defaults={
            "misfire_grace_time": MISFIRE_GRACE_S,
            "coalesce": True,
            "max_instances": 1,
        },
    )
    for name, (work, seconds) in jobs.items():
        scheduler.add_job(_guarded(name, work), "interval", seconds=seconds, id=name)
    scheduler.start()
    return scheduler


def _guarded(name: str, work: Callable[[], None]) -> Callable[[], None]:
    def run() -> None:
        try:
            work()
        except DatabaseTrouble as error:
            log.warning("the timed job %r waits for its next turn: %s", name, error)
        except Exception:
            log.exception("the timed job %r failed and will be tried again", name)

    return run
